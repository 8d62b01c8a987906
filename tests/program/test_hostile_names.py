"""Names that trip programs, from the shared list, through the installed command."""

import base64
import json
import os
import shutil
import unicodedata
from pathlib import Path

import pytest

from tests.program.running import verifier

LISTED = json.loads(
    (Path(__file__).parents[2] / "fixtures" / "hostile-names.json").read_text("utf-8")
)
NAMES = [base64.b64decode(each["name_b64"]) for each in LISTED["names"]]


@pytest.fixture
def share(tmp_path):
    """The names as files, and again as folders that hold a file."""
    root = os.fsencode(tmp_path / "bench")
    for name in NAMES:
        os.makedirs(root + b"/folders/" + name)
        for path in (root + b"/" + name, root + b"/folders/" + name + b"/page.txt"):
            with open(path, "wb") as file:
                file.write(name)
    shutil.copytree(root, os.fsencode(tmp_path / "vault"), copy_function=shutil.copy2)
    return tmp_path


def test_every_hostile_name_is_read_on_both_sides_and_matches(share):
    done = verifier("compare", share / "bench", share / "vault", "--json")
    assert done.status == 0
    document = done.document
    assert document["counts"]["matched"] == document["source"]["files"] == 2 * len(NAMES)


def test_every_hostile_name_survives_a_manifest(share):
    manifest = share / "agreed.manifest.gz"
    assert verifier("manifest", share / "bench", "--out", manifest).status == 0
    done = verifier("compare", manifest, share / "vault", "--json")
    assert done.document["counts"]["matched"] == 2 * len(NAMES)


def test_every_hostile_name_that_is_missing_is_told_by_its_very_bytes(share):
    shutil.rmtree(share / "vault")
    (share / "vault").mkdir()
    done = verifier("compare", share / "bench", share / "vault", "--json")
    assert done.status == 1
    told = set()
    for finding in done.document["findings"]:
        encoded = finding.get("path_b64")
        told.add(base64.b64decode(encoded) if encoded else finding["path"].encode())
    assert told == set(NAMES) | {b"folders/" + name + b"/page.txt" for name in NAMES}


def test_no_hostile_name_reaches_the_terminal_unescaped(share):
    shutil.rmtree(share / "vault")
    (share / "vault").mkdir()
    done = verifier("compare", share / "bench", share / "vault")
    text = done.out.decode("utf-8")
    for character in text.replace("\n", ""):
        assert unicodedata.category(character) not in {"Cc", "Cs", "Zl", "Zp"}
        assert character not in "\u202e\u2066\u2069\u200f"


def test_the_paths_file_holds_every_hostile_name_as_its_bytes(share):
    shutil.rmtree(share / "vault")
    (share / "vault").mkdir()
    paths = share / "paths"
    verifier("compare", share / "bench", share / "vault", "--paths", paths)
    listed = paths.read_bytes().split(b"\0")
    assert listed[-1] == b""
    assert set(NAMES) <= set(listed)
    assert len(listed) == 2 * len(NAMES) + 1
