"""What comes, goes or moves on both sides while a shift walks one after the other."""

from __future__ import annotations

import os
from pathlib import Path

import pytest
from far_host import VERIFIER
from trees import Tree

from program.estate import Estate
from program.running import Outcome

NEW = "notes/tide.txt"
OLD = "notes/plan.txt"


class WalkedLate(Estate):
    """Its mirror is looked at over a link, before which something may happen once."""

    def __init__(self, root: Path) -> None:
        super().__init__(
            root, Tree(root / "bench").files(*(f"flights/{number}.jpg" for number in range(9)), OLD)
        )
        self.happens = root / "happens.sh"
        client = root / "bin" / "ssh"
        client.parent.mkdir()
        client.write_text(
            f'#!/bin/sh\nif [ -e "{self.happens}" ]; then\n'
            f'    mv "{self.happens}" "{self.happens}.done" && sh -e "{self.happens}.done"\nfi\n'
            f'exec "{VERIFIER}" far-end\n'
        )
        client.chmod(0o755)
        self.path = f"{client.parent}:{os.environ['PATH']}"

    @property
    def mirror_at(self) -> str:
        return f"ssh://vault.example{self.mirror.root}"

    def found(self, before_the_mirror: str = "") -> Outcome:
        """A shift; the commands are run with both trees' paths in $bench and $vault."""
        if before_the_mirror:
            self.happens.write_text(
                f"bench='{self.source.root}' vault='{self.mirror.root}'\n{before_the_mirror}\n"
            )
        outcome = self.shift(environment={"PATH": self.path})
        assert not self.happens.exists(), "the mirror was not looked at"
        return outcome


# Fails without `_has_changed_since` in jobs/judging.py: what people and the copy job do meanwhile
# was an orphan, or missing, for one night.
@pytest.mark.parametrize(
    "happens",
    [
        f"echo new > $bench/{NEW}; cp -p $bench/{NEW} $vault/{NEW}",
        f"rm $bench/{OLD} $vault/{OLD}",
        f"mv $bench/{OLD} $bench/{NEW}; mv $vault/{OLD} $vault/{NEW}",
    ],
    ids=["it comes", "it goes", "it moves"],
)
def test_what_happens_on_both_sides_between_their_walks_is_no_finding(
    tmp_path: Path, happens: str
) -> None:
    studio = WalkedLate(tmp_path)
    assert studio.found().status == 0
    for commands in (happens, ""):
        outcome = studio.found(commands)
        assert (outcome.findings, outcome.status) == ({}, 0)


# Fails when what is looked at once more is not judged by the next walk.
def test_what_only_one_side_has_got_meanwhile_is_told_by_the_next_walk(tmp_path: Path) -> None:
    studio = WalkedLate(tmp_path)
    assert studio.found().status == 0
    outcome = studio.found(f"echo new > $bench/{NEW}; cp -p $bench/{NEW} $vault/{NEW}")
    assert outcome.findings == {}
    os.unlink(studio.source.at(NEW))
    outcome = studio.found()
    assert outcome.findings == {NEW: ("orphaned", "deleted-at-source", "mirror", None)}
