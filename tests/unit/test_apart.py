"""Two places are apart unless they are known to be one folder, or one to lie in the other."""

from __future__ import annotations

import os
import pickle
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from trees import Tree, lantern_marsh

from verifier import system
from verifier.errors import PlaceUnreachable
from verifier.jobs.apart import machines, no_copies, overlap, refuse_no_copy
from verifier.places.addresses import parse_address
from verifier.places.base import Identity, Place
from verifier.places.far.place import FarPlace
from verifier.places.folder import FolderPlace
from verifier.places.object_store import ObjectStorePlace

linux = pytest.mark.skipif(
    sys.platform != "linux" or system.PLAIN, reason="the system does not tell which machine it is"
)

HERE, THERE = "5d6f0c5e-0000-4000-8000-000000000001", "5d6f0c5e-0000-4000-8000-000000000002"


# Fails when any one of machine, device and inode is left out.
@pytest.mark.parametrize(
    ("one", "other", "inside"),
    [
        (Identity(HERE, 8, 100, ()), Identity(HERE, 8, 100, ()), True),
        (Identity(HERE, 8, 100, ()), Identity(HERE, 8, 101, ()), False),
        (Identity(HERE, 8, 100, ()), Identity(HERE, 9, 100, ()), False),
        (Identity(HERE, 8, 100, ()), Identity(THERE, 8, 100, ()), False),
        (Identity(None, 8, 100, ()), Identity(HERE, 8, 100, ()), False),
        (Identity(None, 8, 100, ()), Identity(None, 8, 100, ()), False),
        (Identity(HERE, 8, 100, ((8, 50), (8, 2))), Identity(HERE, 8, 50, ((8, 2),)), True),
        (Identity(HERE, 8, 50, ((8, 2),)), Identity(HERE, 8, 100, ((8, 50), (8, 2))), False),
        (Identity(HERE, 8, 100, ((8, 50),)), Identity(HERE, 9, 50, ()), False),
        (Identity(HERE, 8, 100, ((8, 50),)), Identity(THERE, 8, 50, ()), False),
        (Identity(HERE, 8, 100, ((8, 2),)), Identity(HERE, 8, 101, ((8, 2),)), False),
    ],
)
def test_on_one_machine_the_same_numbers_are_the_same_folder(
    one: Identity, other: Identity, inside: bool
) -> None:
    assert one.lies_in(other) is inside


class Far(FarPlace):
    """A far place whose far end is a process of this machine."""

    def __init__(self, root: Path) -> None:
        super().__init__(parse_address(f"ssh://vault.example{root}", Path()))


@pytest.fixture
def ssh(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
    """What is run in place of a client: it starts the far end at once."""
    client = tmp_path / "bin" / "ssh"
    client.parent.mkdir()
    becomes(client, "")
    monkeypatch.setenv("PATH", f"{client.parent}:{os.environ['PATH']}")
    yield client


def becomes(client: Path, environment: str) -> None:
    start = f'{environment} exec "{sys.executable}" -m verifier far-end'
    client.write_text(f"#!/bin/sh\n{start}\n")
    client.chmod(0o755)


@pytest.fixture
def tree(tmp_path: Path) -> Tree:
    return lantern_marsh(tmp_path / "bench" / "current-surveys")


def near(path: Path) -> FolderPlace:
    place = FolderPlace.at_path(path)
    place.check()
    return place


@pytest.fixture
def opened() -> Iterator[list[Far]]:
    made: list[Far] = []
    yield made
    for each in made:
        each.close()


def far(path: Path, opened: list[Far]) -> Far:
    place = Far(path)
    place.check()
    opened.append(place)
    return place


@linux
def test_a_folder_and_a_far_place_tell_of_themselves_alike(
    ssh: Path, tree: Tree, opened: list[Far]
) -> None:
    there, here = far(tree.root, opened), near(tree.root)
    assert there.identity() == here.identity()
    found = here.identity()
    assert found is not None
    assert found.machine == Path("/proc/sys/kernel/random/boot_id").read_text().strip()
    assert found.folder == (os.stat(tree.root).st_dev, os.stat(tree.root).st_ino)
    around = os.stat(tree.root.parent)
    assert found.within[0] == (around.st_dev, around.st_ino)
    assert pickle.loads(pickle.dumps(there)).identity() == found


def test_nobody_has_told_of_a_place_before_it_was_looked_at(tree: Tree) -> None:
    assert FolderPlace.at_path(tree.root).identity() is None
    assert Far(tree.root).identity() is None
    store = ObjectStorePlace(parse_address("s3://lantern-faraway/current-surveys", Path()))
    assert store.identity() is None


def test_where_folders_have_no_number_nobody_tells_one_by_it(tree: Tree) -> None:
    place = FolderPlace.at_path(tree.root)
    place.recognise(os.stat_result((*os.stat(tree.root)[:1], 0, *os.stat(tree.root)[2:])))
    assert place.identity() is None


@linux
def test_places_are_together_whatever_they_are_called(
    ssh: Path, tree: Tree, tmp_path: Path, opened: list[Far]
) -> None:
    copy = tree.copy_to(tmp_path / "vault" / "current-surveys").root
    (tmp_path / "again").symlink_to(tree.root)
    places: dict[str, Place] = {
        "bench": near(tree.root),
        "far bench": far(tree.root, opened),
        "link to bench": far(tmp_path / "again", opened),
        "around": far(tree.root.parent, opened),
        "inside": far(tree.root / "2026-014-harbour-wall", opened),
        "vault": near(copy),
        "far vault": far(copy, opened),
    }
    same = {"bench", "far bench", "link to bench"}
    for one, here in places.items():
        for other, there in places.items():
            found = overlap(here, there)
            if (one in same and other in same) or {one, other} <= {"vault", "far vault"}:
                assert found is not None and found.same, (one, other)
                assert (found.inner, found.outer) == (here, there)
            elif "vault" in one + other or one == other:
                assert (found is not None) is (one == other), (one, other)
            else:
                assert found is not None and not found.same, (one, other)
                order = ["around", *same, "inside"]
                inner = here if order.index(one) > order.index(other) else there
                assert found.inner is inner, (one, other)
    assert no_copies(places) == {
        "far bench": f"{places['far bench'].at} is the same folder as {tree.root}",
        "link to bench": f"{places['link to bench'].at} is the same folder as {tree.root}",
        "around": f"{tree.root} lies inside {places['around'].at}",
        "inside": f"{places['inside'].at} lies inside {tree.root}",
        "far vault": f"{places['far vault'].at} is the same folder as {copy}",
    }
    assert set(machines(places).values()) == {system.machine()}


# Fails when a far end that cannot tell is taken for this machine, or for none that works.
@linux
def test_what_a_system_does_not_tell_is_not_held_against_a_place(
    ssh: Path, tree: Tree, opened: list[Far]
) -> None:
    becomes(ssh, "VERIFIER_PLAIN_SYSTEM=1")
    places: dict[str, Place] = {"source": near(tree.root), "vault": far(tree.root, opened)}
    places["more"] = far(tree.root, opened)
    told = places["vault"].identity()
    assert told is not None
    assert told.machine is None
    assert no_copies(places) == {}
    assert set(machines(places)) == {"source"}


# Fails when another boot of a machine, or another machine, is taken for this one.
@linux
@pytest.mark.root
def test_the_same_numbers_of_another_machine_are_another_folder(
    ssh: Path, tree: Tree, tmp_path: Path, opened: list[Far]
) -> None:
    other = tmp_path / "boot_id"
    other.write_text(THERE + "\n")
    start = f'mount --bind {other} /proc/sys/kernel/random/boot_id && exec "$0" -m verifier far-end'
    ssh.write_text(f"#!/bin/sh\nexec unshare -m sh -c '{start}' \"{sys.executable}\"\n")
    if subprocess.run(["unshare", "-m", "true"], capture_output=True).returncode:
        pytest.skip("this system gives nobody mounts of his own")
    places: dict[str, Place] = {"source": near(tree.root), "vault": far(tree.root, opened)}
    told = places["vault"].identity()
    assert told is not None
    assert told.machine == THERE
    assert no_copies(places) == {}
    assert len(set(machines(places).values())) == 2


# Fails when the same system is another one in a container, or its folders are told by their names.
@linux
@pytest.mark.root
def test_a_folder_is_the_same_one_in_a_container_with_mounts_of_its_own(
    ssh: Path, tree: Tree, tmp_path: Path, opened: list[Far]
) -> None:
    volume = tmp_path / "volume"
    volume.mkdir()
    start = f'mount --bind {tree.root} {volume} && exec "$0" -m verifier far-end'
    ssh.write_text(f"#!/bin/sh\nexec unshare -m sh -c '{start}' \"{sys.executable}\"\n")
    if subprocess.run(["unshare", "-m", "true"], capture_output=True).returncode:
        pytest.skip("this system gives nobody mounts of his own")
    source, there = near(tree.root), far(volume, opened)
    found = overlap(there, source)
    assert found is not None
    assert found.same
    assert not os.path.ismount(volume)


@linux
def test_a_place_that_is_refused_gives_its_links_back(
    ssh: Path, tree: Tree, opened: list[Far]
) -> None:
    there, here = far(tree.root, opened), near(tree.root)
    link = there._idle[0]
    with pytest.raises(PlaceUnreachable) as refused:
        refuse_no_copy(there, [here])
    assert not there._idle
    assert link._process.poll() is not None
    assert str(refused.value) == (
        f"{there.at} is the same folder as {here.at}, so it holds no copy, and nothing of "
        f"{there.at} was looked at. Name places that lie apart; see to which machine {there.at} "
        "leads, and what is mounted there."
    )
    with pytest.raises(PlaceUnreachable) as part:
        refuse_no_copy(near(tree.root.parent), [here])
    assert str(part.value) == (
        f"{here.at} lies inside {tree.root.parent}, so one is part of the other and no copy, and "
        f"nothing of {tree.root.parent} was looked at. Name places that lie apart; see what is "
        "mounted where."
    )


def test_folders_of_a_machine_that_has_no_name_for_itself_are_told_apart_all_the_same(
    tree: Tree, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(system, "PLAIN", True)
    copy = tree.copy_to(tmp_path / "vault").root
    places = {
        "source": near(tree.root),
        "vault": near(copy),
        "inside": near(tree.root / "2026-014-harbour-wall"),
    }
    assert set(no_copies(places)) == {"inside"}
    assert set(machines(places)) == {"source", "vault", "inside"}
    assert len(set(machines(places).values())) == 1
