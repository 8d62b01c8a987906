"""What a person may compare: a place, which can be read now, or a manifest, which was."""

from __future__ import annotations

import os
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

from verifier.engine import Lane, Watch
from verifier.errors import PlaceUnreachable, RequestRefused, VerifierError
from verifier.ignore import Ignore
from verifier.inside import lies_in
from verifier.jobs.apart import overlap
from verifier.manifest import ManifestReader, looks_like_manifest
from verifier.model import Kind, Sighting, printable
from verifier.places.addresses import Address, Named, named_place, shown
from verifier.places.base import AS_FOLDERS, Look, Place, Traits, heed, let_go
from verifier.places.folder import FolderPlace
from verifier.places.opening import open_place, traits_at
from verifier.reading import INODES_REMEMBERED, read_tree


class Tree:
    """One side: ``place`` is None for a manifest, which cannot be read again."""

    def __init__(self, named: Named, place: Place | None, manifest: ManifestReader | None) -> None:
        self.named = named
        self.place = place
        self._manifest = manifest
        self.files = 0
        self.bytes = 0

    @property
    def at(self) -> str:
        """Where it is, for people and documents."""
        if self.place is not None:
            return self.place.at
        return printable(os.fsencode(os.path.abspath(str(self.named))))

    @property
    def name(self) -> str:
        """Its last name, for a line of progress."""
        return self.named.name or self.at

    @property
    def root(self) -> bytes | None:
        """The folder of this machine that it is, None where it is none."""
        return None if self.place is None else self.place.root

    @property
    def traits(self) -> Traits:
        """What is particular to its kind of place."""
        return AS_FOLDERS if self.place is None else self.place.traits

    def heed(self, watch: Watch) -> None:
        """Keep to a watch also where none is passed."""
        if self.place is not None:
            heed(self.place, watch)

    def close(self) -> None:
        """Let go of what is held open for it."""
        let_go(self.place)

    @property
    def ignored(self) -> tuple[str, ...]:
        """The patterns that a manifest was made under."""
        return () if self._manifest is None else tuple(self._manifest.header.ignore)

    @property
    def dated(self) -> bool:
        """Whether its dates are those of contents, also in a manifest that was made of it."""
        if self.place is not None:
            return self.place.traits.dates_are_of_content
        assert self._manifest is not None
        try:
            made_of = named_place(self._manifest.header.place)
        except ValueError:
            return True
        return not isinstance(made_of, Address) or traits_at(made_of).dates_are_of_content

    def refuse_if_replaced(self) -> None:
        """Raises PlaceUnreachable when another tree stands here now than when work began."""
        if self.place is not None:
            self.place.check()

    def sightings(
        self, lane: Lane, look: Look, ignore: Ignore, now: Callable[[], float] = time.time
    ) -> Iterator[Sighting]:
        """Every sighting of the tree in order of path, counted as it passes.

        Reading begins at once.
        """
        return self._counted(self._uncounted(lane, look, ignore, now))

    def _counted(self, stream: Iterator[Sighting]) -> Iterator[Sighting]:
        for sighting in stream:
            if sighting.kind is Kind.FILE:
                self.files += 1
                self.bytes += sighting.size
            yield sighting

    def _uncounted(
        self, lane: Lane, look: Look, ignore: Ignore, now: Callable[[], float]
    ) -> Iterator[Sighting]:
        if self.place is not None:
            return read_tree(self.place, lane, look, ignore, now)
        assert self._manifest is not None
        known = iter(self._manifest)
        if not ignore:
            return known
        return (each for each in known if not ignore.ignores_at_or_above(each.path))


def open_tree(named: Named) -> Tree:
    """The tree that a person named.  Raises PlaceUnreachable and ManifestRefused."""
    if isinstance(named, Address):
        return Tree(named, open_place(named), None)
    if os.path.isdir(named):
        place = FolderPlace.at_path(named)
        place.check()
        return Tree(named, place, None)
    if not os.path.lexists(named):
        raise PlaceUnreachable(
            f"{shown(named)} is not there. Check the name, and that it is mounted, then start "
            "again."
        )
    if not looks_like_manifest(named):
        raise PlaceUnreachable(
            f"{shown(named)} is neither a folder nor a manifest. Name a folder, or a file that "
            "'verifier manifest' wrote."
        )
    return Tree(named, None, ManifestReader(named))


def refuse_overlap(source: Tree, mirror: Tree) -> None:
    """Raises RequestRefused when both sides are one tree, or one holds the other."""
    here, there = source.named, mirror.named
    if isinstance(here, Address) and isinstance(there, Address):
        _refuse_overlapping_addresses(here, there)
    if source.place is not None and mirror.place is not None:
        _refuse_overlapping_places(source.place, mirror.place)
    elif isinstance(here, Path) and isinstance(there, Path) and os.path.samefile(here, there):
        raise RequestRefused(
            f"{source.at} is named for both sides, which would match and prove nothing. Name "
            "the source first and the mirror second."
        )


def _refuse_overlapping_addresses(here: Address, there: Address) -> None:
    if here.holds(there) and there.holds(here):
        raise RequestRefused(
            f"{shown(here)} is named for both sides, which would match and prove nothing. Name "
            "the source first and the mirror second."
        )
    for outer, inner in ((here, there), (there, here)):
        if outer.holds(inner):
            raise RequestRefused(
                f"{shown(inner)} lies inside {shown(outer)}, so one would be part of the other. "
                "Name two places that lie apart."
            )


def _refuse_overlapping_places(here: Place, there: Place) -> None:
    found = overlap(there, here)
    if found is None:
        return
    if found.same:
        raise RequestRefused(
            f"{found}, which would match and prove nothing. Name the source first and the mirror "
            f"second; {found.advice}."
        )
    raise RequestRefused(
        f"{found}, so one would be part of the other. Name two places that lie apart; "
        f"{found.advice}."
    )


def refuse_output_inside(output: Path, *trees: Tree) -> None:
    """Raises RequestRefused when ``output`` would be written into a tree that is to be read."""
    folder = os.path.realpath(os.fsencode(os.path.abspath(output.parent)))
    for tree in trees:
        if tree.root is not None and lies_in(folder, tree.root):
            raise RequestRefused(
                f"{printable(os.fsencode(output))} lies inside {tree.at}, and nothing is ever "
                "written into a tree that is checked. Name a file elsewhere."
            )


def refuse_output_over(output: Path, *trees: Tree | None) -> None:
    """Raises RequestRefused when ``output`` would take the place of a manifest that is read."""
    for tree in trees:
        if tree is None or not isinstance(tree.named, Path) or not output.exists():
            continue
        if os.path.samefile(output, tree.named):
            raise RequestRefused(
                f"{printable(os.fsencode(output))} is the manifest that is read here, and would be "
                "lost. Name another file to write to."
            )


def refuse_temporary_inside(*roots: bytes | None) -> None:
    """Raises RequestRefused when what must be put aside would be written into a checked tree.

    ``roots`` are those of trees; one that is None lies elsewhere.
    """
    import tempfile  # takes longer to load than most of what a small job needs

    folder = os.path.realpath(os.fsencode(tempfile.gettempdir()))
    for root in roots:
        if root is not None and lies_in(folder, root):
            raise RequestRefused(
                f"The temporary folder {printable(folder)} lies inside {printable(root)}, and "
                "nothing is ever written into a tree that is checked. Set TMPDIR to a folder "
                "elsewhere."
            )


class Sizer:
    """Finds out how many bytes a place holds while it is being read already."""

    def __init__(self, place: Place, lane: Lane, ignore: Ignore) -> None:
        self.total: int | None = None
        self._place = place
        self._lane = lane
        self._ignore = ignore
        self._thread = threading.Thread(target=self._add_up, name="size", daemon=True)

    def start(self) -> None:
        """Begin, in a thread of its own."""
        self._thread.start()

    def _add_up(self) -> None:
        total = 0
        counted: set[tuple[int, int]] = set()
        try:
            for sighting in read_tree(self._place, self._lane, Look(content=False), self._ignore):
                if sighting.kind is not Kind.FILE:
                    continue
                if sighting.links > 1:
                    inode = (sighting.device, sighting.inode)
                    if inode in counted:
                        continue
                    if len(counted) < INODES_REMEMBERED:
                        counted.add(inode)
                total += sighting.size
        except (VerifierError, RuntimeError):
            return  # a total is a courtesy; the reading itself will tell what is wrong
        self.total = total
