"""The job `demo`: a small made-up studio with planted faults, and the real comparison of it.

Lantern Marsh Surveys and everything in it are invented.  Everything is written below one folder
that the demo makes itself.
"""

from __future__ import annotations

import os
import random
import shutil
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path
from typing import Final

from msgspec import Struct

from verifier import settings
from verifier.errors import OutputFailed, RequestRefused
from verifier.jobs import shift
from verifier.jobs.build import build
from verifier.jobs.compare import Request, Result, compare
from verifier.jobs.nights import record_night
from verifier.jobs.progress import Progress
from verifier.model import SEGMENT, Cause, Finding, Side, Verdict
from verifier.places.base import Look
from verifier.settings.template import quoted

MB: Final = 1_000_000
SEED: Final = 2026
FIRST_DAY: Final = datetime(2026, 11, 2, 9, 30).timestamp()
LAST_NIGHT: Final = datetime(2026, 11, 20, 23, 0).timestamp()

_PROJECTS: Final = ("2026-014-harbour-wall", "2026-019-salt-meadow", "2026-021-lock-gates")


class Estate(Struct, frozen=True):
    """The two copies of the share, the manifest of the last night when all was well, the settings.

    The ledger that the settings name knows both nights, as shifts saw them.
    """

    folder: Path
    source: Path
    mirror: Path
    baseline: Path
    settings: Path


class Fault(Struct, frozen=True):
    """One planted fault: what was done, and what must be said of it."""

    path: str
    told: str
    plant: Callable[[Path, Path], None]
    verdict: Verdict
    cause: str | None
    side: Side | None


class Outcome(Struct, frozen=True):
    """What the comparison said of the planted faults, and what else it said."""

    estate: Estate
    found: list[tuple[Fault, Finding | None]]
    unexpected: list[Finding]
    result: Result

    @property
    def left_out(self) -> str:
        """A sentence on the fault that this account cannot plant, or nothing."""
        if _can_be_refused():
            return ""
        return (
            "One more, a file that may not be read, could not be planted, because this account "
            "may read everything."
        )

    @property
    def as_planted(self) -> bool:
        """True when every fault was found with its cause and side, and nothing else."""
        return not self.unexpected and all(
            finding is not None
            and (finding.verdict, finding.cause, finding.side)
            == (fault.verdict, fault.cause, fault.side)
            for fault, finding in self.found
        )


def demonstrate(folder: Path, progress: Progress) -> Outcome:
    """Build the studio below ``folder``, plant the faults, compare, and sort out what was said.

    Raises RequestRefused when ``folder`` holds something already, OutputFailed when it cannot
    be written.
    """
    estate = _build_estate(folder, progress)
    faults = list(_faults())
    try:
        for fault in faults:
            fault.plant(estate.source / fault.path, estate.mirror / fault.path)
    except OSError as error:
        raise _not_written(folder, error) from error
    progress.say("Comparing the two copies, as you would with your own...")
    with _somebody_writing(estate.source / _STILL_WRITTEN):
        result = compare(Request(estate.source, estate.mirror, baseline=estate.baseline), progress)
        progress.say("Running a shift over them, for the page that it leaves behind...")
        _shift(estate, progress)
    by_path = {os.fsdecode(each.path): each for each in result.findings}
    found = [(fault, by_path.pop(fault.path, None)) for fault in faults]
    return Outcome(estate, found, list(by_path.values()), result)


# The studio


def _build_estate(folder: Path, progress: Progress) -> Estate:
    share = "current-surveys"
    estate = Estate(
        folder,
        folder / "bench" / share,
        folder / "vault" / share,
        folder / "agreed.manifest.gz",
        folder / "settings.toml",
    )
    try:
        folder.mkdir(parents=True, exist_ok=True)
        if any(folder.iterdir()):
            raise RequestRefused(
                f"{folder} holds something already, and the demo only writes into an empty "
                "folder. Name one that does not exist yet."
            )
        progress.say("Making a small share of Lantern Marsh Surveys, and its mirror...")
        for path, content, date in _first_files():
            _write(estate.source / path, content, date)
        shutil.copytree(estate.source, estate.mirror)
        build(estate.source, estate.baseline, Look(), (), progress)
        estate.settings.write_text(_settings_of(estate), "utf-8")
        _shift(estate, progress)
        for path, content, date in _files_of_the_last_day():
            _write(estate.source / path, content, date)
            _write(estate.mirror / path, content, date)
    except OSError as error:
        raise _not_written(folder, error) from error
    return estate


def _settings_of(estate: Estate) -> str:
    """A settings file for the studio, in which nobody works."""
    source, mirror, ledger, reports = (
        quoted(str(path.absolute()))
        for path in (
            estate.source,
            estate.mirror,
            estate.folder / "ledger.db",
            estate.folder / "reports",
        )
    )
    return f"""[studio]
name = "Lantern Marsh Surveys"
timezone = "UTC"
ledger = {ledger}
reports = {reports}

[[share]]
name = "current-surveys"
source = {source}
[[share.mirror]]
name = "vault"
at = {mirror}
"""


_SHIFTS_AT_MOST: Final = 4


def _shift(estate: Estate, progress: Progress) -> None:
    """A shift over both copies, and another one while something waits for a second reading."""
    found = settings.load(estate.settings)
    with shift.Shifts(shift.Request(found, who="demo"), progress, shift.Clock()) as shifts:
        ledger = shifts.ledger
        for _ in range(_SHIFTS_AT_MOST):
            result = shifts.run()
            last = ledger.shifts.last()
            if last is not None and last.id == result.number:
                record_night(found, ledger, last, time.time())
            if not ledger.nights.waiting(each for each in ledger.places() if not each.is_source):
                return


def _first_files() -> Iterator[tuple[str, bytes, float]]:
    """What both sides hold when they agree for the last time: some 300 MB in 250 files."""
    chance = random.Random(SEED)
    date = FIRST_DAY
    for project in _PROJECTS:
        for number in range(1, 73):
            size = chance.randrange(200_000, 700_000)
            date += chance.randrange(20, 90)
            yield f"{project}/flights/{number:04}.jpg", chance.randbytes(size), date
        for tile in ("north", "south"):
            yield f"{project}/point-clouds/{tile}.laz", chance.randbytes(9 * MB), date + 3600
            yield f"{project}/orthos/{tile}.tif", chance.randbytes(12 * MB), date + 7200
        note = f"Flown for {project}. Wind 3 to 4, light rain after noon.\n" * 20
        for page in range(1, 6):
            yield f"{project}/notes/page-{page}.txt", f"{page}. {note}".encode(), date + page
        date += 3 * 24 * 3600
    yield f"{_PROJECTS[0]}/flights/overview.mp4", chance.randbytes(SEGMENT + 8 * MB), date


def _files_of_the_last_day() -> Iterator[tuple[str, bytes, float]]:
    """Files that came after the last agreement, so that nobody knows yet which side is right."""
    chance = random.Random(SEED + 1)
    for number in range(101, 108):
        size = chance.randrange(200_000, 700_000)
        date = LAST_NIGHT - 3600 + number
        yield f"{_PROJECTS[2]}/flights/{number:04}.jpg", chance.randbytes(size), date
    yield _STILL_WRITTEN, chance.randbytes(24 * MB), LAST_NIGHT


# The faults

_STILL_WRITTEN: Final = f"{_PROJECTS[2]}/orthos/mosaic.tif"


def _faults() -> Iterator[Fault]:
    """One of every fault that a comparison can tell."""
    yield from _faults_against_the_agreement()
    yield from _faults_without_agreement()
    yield from _faults_of_names_and_reading()


def _faults_against_the_agreement() -> Iterator[Fault]:
    wall, meadow = _PROJECTS[0], _PROJECTS[1]
    corrupt, stale = Verdict.CORRUPT, Verdict.STALE
    mirror, source, both = Side.MIRROR, Side.SOURCE, Side.BOTH
    yield Fault(
        f"{wall}/flights/overview.mp4",
        "One bit of the mirror's video turned over, as ageing disks do.",
        _on_mirror(_flip_bit),
        corrupt,
        Cause.ROT,
        mirror,
    )
    yield Fault(
        f"{wall}/flights/0007.jpg",
        "A sector of the source's photo went bad; the mirror still holds it.",
        _on_source(_garble_sector),
        corrupt,
        Cause.ROT,
        source,
    )
    yield Fault(
        f"{wall}/orthos/north.tif",
        "The mirror's copy was cut off, with a date of its own.",
        _on_mirror(_cut, days=1),
        corrupt,
        Cause.TRUNCATED,
        mirror,
    )
    yield Fault(
        f"{wall}/orthos/south.tif",
        "The source's file lost its end, and kept its date.",
        _on_source(_cut),
        corrupt,
        Cause.TRUNCATED,
        source,
    )
    yield Fault(
        f"{wall}/notes/page-1.txt",
        "Somebody changed the mirror's copy by hand.",
        _on_mirror(_add_line, days=1),
        corrupt,
        Cause.ALTERED,
        mirror,
    )
    yield Fault(
        f"{wall}/notes/page-2.txt",
        "Something changed the source's file and put its date back.",
        _on_source(_add_line),
        corrupt,
        Cause.ALTERED,
        source,
    )
    yield Fault(
        f"{wall}/notes/page-3.txt",
        "The same file went bad on the source, and the copy job carried it over.",
        _on_both(_flip_bit),
        corrupt,
        Cause.ROT,
        both,
    )
    yield Fault(
        f"{meadow}/notes/page-1.txt",
        "The source was edited, and the copy job passed it over.",
        _on_source(_add_line, days=2),
        stale,
        Cause.OLDER_VERSION,
        mirror,
    )
    yield Fault(
        f"{meadow}/notes/page-2.txt",
        "The source was edited, and the mirror's old copy went bad meanwhile.",
        _each(_on_source(_add_line, days=2), _on_mirror(_flip_bit)),
        corrupt,
        Cause.ROT,
        mirror,
    )
    yield Fault(
        f"{meadow}/notes/page-3.txt",
        "Both sides were edited, differently, at the same moment.",
        _each(_on_source(_add_line, days=2), _on_mirror(_add_other_line, days=2)),
        corrupt,
        Cause.DIFFERS,
        Side.UNKNOWN,
    )


def _faults_without_agreement() -> Iterator[Fault]:
    flights = f"{_PROJECTS[2]}/flights"
    corrupt = Verdict.CORRUPT
    yield Fault(
        f"{flights}/0101.jpg",
        "Last night's copy broke off, and the date was set before the end was there.",
        _on_mirror(_cut),
        corrupt,
        Cause.TRUNCATED,
        Side.MIRROR,
    )
    yield Fault(
        f"{flights}/0102.jpg",
        "Last night's copy was given its full size first, and never filled to the end.",
        _on_mirror(_blank_end),
        corrupt,
        Cause.ZERO_FILLED,
        Side.MIRROR,
    )
    yield Fault(
        f"{flights}/0103.jpg",
        "64 KiB of last night's copy were written in the wrong place.",
        _on_mirror(_misplace),
        corrupt,
        Cause.DIFFERS,
        Side.UNKNOWN,
    )
    yield Fault(
        f"{flights}/0104.jpg",
        "The mirror's copy was changed after it was made.",
        _on_mirror(_garble_sector, days=1),
        corrupt,
        Cause.NEWER_ON_MIRROR,
        Side.UNKNOWN,
    )
    yield Fault(
        f"{flights}/0105.jpg",
        "The source is newer than last night's copy.",
        _on_source(_garble_sector, days=1),
        Verdict.STALE,
        Cause.OLDER_VERSION,
        Side.MIRROR,
    )


def _faults_of_names_and_reading() -> Iterator[Fault]:
    meadow, gates = _PROJECTS[1], _PROJECTS[2]
    yield Fault(
        f"{gates}/flights/0106.jpg",
        "The copy job never copied this photo.",
        lambda source, mirror: mirror.unlink(),
        Verdict.MISSING,
        Cause.NEVER_COPIED,
        Side.MIRROR,
    )
    yield Fault(
        f"{meadow}/flights/0009.jpg",
        "Deleted on the source, and still on the mirror.",
        lambda source, mirror: source.unlink(),
        Verdict.ORPHANED,
        Cause.DELETED_AT_SOURCE,
        Side.MIRROR,
    )
    moved_to = f"{meadow}/flights/best/0010.jpg"
    yield Fault(
        moved_to,
        "Moved to another folder on the source: its new place is not on the mirror yet.",
        _move_from(f"{meadow}/flights/0010.jpg", moved_to),
        Verdict.MISSING,
        Cause.MOVED,
        Side.MIRROR,
    )
    yield Fault(
        f"{meadow}/flights/0010.jpg",
        "... and its old place still is.",
        lambda source, mirror: None,
        Verdict.ORPHANED,
        Cause.MOVED,
        Side.MIRROR,
    )
    yield Fault(
        f"{meadow}/notes/page-4.txt",
        "A link stands on the mirror where the source has a file.",
        _link_on_mirror,
        Verdict.CORRUPT,
        Cause.KIND_CHANGED,
        Side.MIRROR,
    )
    yield Fault(
        _STILL_WRITTEN,
        "Somebody is still exporting this file while it is compared.",
        lambda source, mirror: None,
        Verdict.UNSETTLED,
        None,
        Side.SOURCE,
    )
    if _can_be_refused():
        yield Fault(
            f"{gates}/flights/0107.jpg",
            "The mirror's copy may not be read by the account that runs this.",
            lambda source, mirror: mirror.chmod(0),
            Verdict.UNREADABLE,
            "permission-denied",
            Side.MIRROR,
        )


def _can_be_refused() -> bool:
    """False for an account that may read everything, for which one fault cannot be planted."""
    return hasattr(os, "geteuid") and os.geteuid() != 0


Damage = Callable[[bytes], bytes]
Plant = Callable[[Path, Path], None]


def _on_source(damage: Damage, days: int = 0) -> Plant:
    return lambda source, mirror: _change(source, damage, days)


def _on_mirror(damage: Damage, days: int = 0) -> Plant:
    return lambda source, mirror: _change(mirror, damage, days)


def _on_both(damage: Damage) -> Plant:
    return _each(_on_source(damage), _on_mirror(damage))


def _each(*plants: Plant) -> Plant:
    def plant(source: Path, mirror: Path) -> None:
        for one in plants:
            one(source, mirror)

    return plant


def _change(path: Path, damage: Damage, days: int) -> None:
    date = path.stat().st_mtime
    _write(path, damage(path.read_bytes()), date + days * 24 * 3600)


def _flip_bit(content: bytes) -> bytes:
    at = len(content) * 2 // 3
    return content[:at] + bytes([content[at] ^ 0x08]) + content[at + 1 :]


def _garble_sector(content: bytes) -> bytes:
    at = len(content) // 2 // 512 * 512
    return content[:at] + random.Random(at).randbytes(512) + content[at + 512 :]


def _cut(content: bytes) -> bytes:
    return content[: len(content) * 3 // 4]


def _blank_end(content: bytes) -> bytes:
    keep = len(content) // 2
    return content[:keep] + bytes(len(content) - keep)


def _misplace(content: bytes) -> bytes:
    block = 64 * 1024
    return content[:block] + content[2 * block : 3 * block] + content[2 * block :]


def _add_line(content: bytes) -> bytes:
    return content + b"Checked again on site.\n"


def _add_other_line(content: bytes) -> bytes:
    return content + b"Checked against the map.\n"


def _move_from(old: str, new: str) -> Plant:
    def move(source: Path, mirror: Path) -> None:
        root = Path(str(source).removesuffix(str(Path(new))))
        source.parent.mkdir(parents=True, exist_ok=True)
        (root / old).rename(source)

    return move


def _link_on_mirror(source: Path, mirror: Path) -> None:
    mirror.unlink()
    mirror.symlink_to("page-5.txt")
    os.utime(mirror, (source.stat().st_mtime,) * 2, follow_symlinks=False)


def _write(path: Path, content: bytes, date: float) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(content)
    os.utime(path, (date, date))


@contextmanager
def _somebody_writing(path: Path) -> Iterator[None]:
    """Adds to a file over and over, as an export does, until the context ends."""
    ended = threading.Event()

    def write() -> None:
        with path.open("ab", buffering=0) as file:
            while not ended.wait(0.0005):
                file.write(bytes(64))

    thread = threading.Thread(target=write, name="export", daemon=True)
    thread.start()
    try:
        yield
    finally:
        ended.set()
        thread.join()


def _not_written(folder: Path, error: OSError) -> OutputFailed:
    return OutputFailed(
        f"The demo could not be written to {folder} ({error.strerror}). It needs some 700 MB: "
        "free some room, or name another folder with --keep."
    )
