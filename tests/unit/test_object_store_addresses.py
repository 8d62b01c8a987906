"""What stands behind an address of an object store, and what is said where nothing can."""

from __future__ import annotations

import errno
import importlib.abc
import os
import sys
from collections.abc import Sequence
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest
from blake3 import blake3
from trees import Tree

from verifier.engine import Engine
from verifier.errors import PlaceUnreachable
from verifier.ignore import Ignore, Only
from verifier.model import Kind
from verifier.places.addresses import Address, AddressKind, parse_address
from verifier.places.base import Look
from verifier.places.object_store import ObjectStorePlace
from verifier.places.opening import open_place, place_at, traits_at
from verifier.places.stores.any_address import PIECE, AnyStore
from verifier.places.stores.base import Patience, StoreFailed

NOON = 1795557600.75


def address(text: str) -> Address:
    return parse_address(text, Path())


def test_the_judge_can_be_told_that_dates_are_those_of_uploads() -> None:
    traits = traits_at(address("s3://lantern-faraway/current-surveys"))
    assert not traits.dates_are_of_content
    assert traits.reading_costs
    assert not traits.has_folders
    assert traits_at(address("/volumes/bench")).dates_are_of_content


def test_an_unknown_kind_of_address_is_told() -> None:
    with pytest.raises(PlaceUnreachable, match="nowhere:// is no kind of address that is known"):
        open_place(address("nowhere://bucket/path"))


def test_a_kind_that_needs_a_package_of_its_own_says_which() -> None:
    with pytest.raises(PlaceUnreachable, match=r"gs:// needs a package of its own. .*gcsfs"):
        open_place(address("gs://bucket/path"))


def test_packages_that_fsspec_names_are_told_as_a_command(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "aiohttp", None)
    said = r"http:// needs a package of its own\. Install .*: pip install aiohttp requests\."
    with pytest.raises(PlaceUnreachable, match=said):
        open_place(address("http://vault.example/current-surveys"))


@pytest.mark.parametrize("text", ["file://localhost/volumes", "memory://x/volumes"])
def test_a_folder_of_this_machine_is_no_place_elsewhere(text: str) -> None:
    with pytest.raises(PlaceUnreachable, match="is a folder of this machine"):
        place_at(address(text))


@pytest.mark.parametrize("text", ["s3://bench@bucket/path", "s3://store.example:9000/path"])
def test_an_address_of_a_bucket_names_nothing_else(text: str) -> None:
    with pytest.raises(PlaceUnreachable, match="names more than a bucket"):
        open_place(address(text))


class _Missing(importlib.abc.MetaPathFinder):
    """An environment in which packages are not installed."""

    def __init__(self, *names: str) -> None:
        self.names = names

    def find_spec(self, name: str, path: Any, target: Any = None) -> None:
        if name.split(".")[0] in self.names:
            raise ModuleNotFoundError(name)


@pytest.mark.parametrize(
    ("text", "missing"),
    [
        ("s3://bucket/path", "botocore"),
        ("s3://bucket/path", "fsspec"),
        ("gs://bucket/path", "fsspec"),
    ],
)
def test_without_the_extra_the_sentence_says_how_to_install_it(
    monkeypatch: pytest.MonkeyPatch, text: str, missing: str
) -> None:
    for name in list(sys.modules):
        if name.split(".")[0] == missing:
            monkeypatch.delitem(sys.modules, name)
    monkeypatch.setattr(sys, "meta_path", [_Missing(missing), *sys.meta_path])
    with pytest.raises(PlaceUnreachable, match=r"pip install 'copy-verifier\[objects\]'"):
        open_place(address(text))


# ---------------------------------------------------------------- any address of fsspec


def of_folder(root: Path) -> ObjectStorePlace:
    """A folder, as fsspec gives it: a store that tells nothing but names, sizes and dates."""
    found = Address(AddressKind.OBJECT_STORE, str(root), "file")
    return ObjectStorePlace(found, Patience((0.0,)))


def look(place: ObjectStorePlace, paths: Sequence[bytes]) -> list[Any]:
    with Engine([1], inline=True) as engine:
        watch = engine.own_watch(0)
        return place.look_at(paths, frozenset(), Look(), lambda: NOON, watch)


def test_a_store_that_lists_by_folders_is_walked_in_the_order_of_paths(tmp_path: Path) -> None:
    names = ["a.b", "a/z", "a/b/c", "Ärger/x", "a-/q", "b"]
    for name in names:
        Tree(tmp_path).file(name, name.encode())
    place = of_folder(tmp_path)
    place.check()
    assert [each.path for each in place.walk(Ignore(["b"]))] == sorted(
        os.fsencode(name) for name in names if name not in ("b", "a/b/c")
    )
    assert [each.path for each in place.walk(Only(b"a/"))] == [b"a/b/c", b"a/z"]
    assert dict(place.list_folder(b"a")) == {b"b": None, b"z": Kind.FILE}


def test_it_is_read_piece_by_piece(tmp_path: Path) -> None:
    content = bytes(range(256)) * (PIECE // 256 + 1000)
    Tree(tmp_path).file("cloud.laz", content)
    Tree(tmp_path).file("small", b"raw")
    place = of_folder(tmp_path)
    with Engine([1], inline=True) as engine:
        found = place.read_alone(b"cloud.laz", Look(), lambda: NOON, engine.own_watch(0))
        assert engine.lanes[0].bytes_read == len(content)
    assert found.digest == blake3(content).digest()
    (listed, _) = place.walk(Ignore())
    assert listed.untouched_since(found)
    large, small, gone = look(place, [b"cloud.laz", b"small", b"gone"])
    assert large.digest is None
    assert small.digest == blake3(b"raw").digest()
    assert gone.trouble.unsettled
    with closing(place.open(b"cloud.laz")) as file:
        assert file.read_at(PIECE - 2, 4) == content[PIECE - 2 : PIECE + 2]


def test_a_file_that_changes_between_two_pieces_is_noticed(tmp_path: Path) -> None:
    path = tmp_path / "cloud.laz"
    path.write_bytes(bytes(PIECE + 10))
    place = of_folder(tmp_path)
    with closing(place.open(b"cloud.laz")) as file:
        assert file.read_at(0, 1) == b"\0"
        path.write_bytes(bytes(PIECE + 20))
        with pytest.raises(StoreFailed) as caught:
            file.read_at(1, PIECE + 5)
    assert caught.value.errno == errno.ESTALE


def test_a_tree_that_is_not_there_is_told(tmp_path: Path) -> None:
    with pytest.raises(PlaceUnreachable, match="is not there"):
        of_folder(tmp_path / "gone").check()


def test_what_a_library_says_is_not_repeated(tmp_path: Path) -> None:
    """It may hold what was sent to log in."""

    class Chatty:
        def info(self, path: str) -> None:
            raise RuntimeError("refused: key=marsh-light")

    place = of_folder(tmp_path)
    store = place._store
    assert isinstance(store, AnyStore)
    store._files = Chatty()
    with pytest.raises(PlaceUnreachable, match="failed with runtimeerror") as caught:
        place.check()
    assert "marsh-light" not in str(caught.value)
