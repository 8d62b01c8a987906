"""What folders that could not be listed hide."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from verifier.unlisted import Unlisted

NAMES = st.sampled_from([b"a", b"b", b"ab", b"a b", b"\xff"])
PATHS = st.lists(NAMES, min_size=1, max_size=4).map(b"/".join)


@given(st.lists(PATHS, max_size=4), PATHS)
def test_a_path_is_hidden_just_when_one_of_its_folders_could_not_be_listed(
    folders: list[bytes], path: bytes
) -> None:
    unlisted = Unlisted(folders)
    parts = path.split(b"/")
    above = {b"/".join(parts[:number]) for number in range(1, len(parts))}
    assert unlisted.hides(path) == bool(above & set(folders))
    assert bool(unlisted) == bool(folders)
    added = Unlisted()
    for folder in folders:
        added.add(folder)
    assert added.hides(path) == unlisted.hides(path)
