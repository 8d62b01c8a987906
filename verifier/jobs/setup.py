"""The job `setup`: answers checked one by one, and a settings file written from them.

A file is only put in its place once it has been read back as settings that say what was
answered; the one that stood there is kept beside it.  Nothing is ever written inside a share.
"""

from __future__ import annotations

import os
import re
import sys
import tomllib
from collections.abc import Mapping, Sequence
from contextlib import suppress
from datetime import datetime, timedelta
from pathlib import Path
from typing import Final, TypeVar
from zoneinfo import ZoneInfo

from msgspec import Struct, structs

from verifier import settings
from verifier.errors import PlaceUnreachable, RequestRefused, SettingsRefused
from verifier.hours import Span, WorkingHours
from verifier.inside import lies_in
from verifier.model import SOURCE, printable
from verifier.output import failures_named, whole_file
from verifier.places.addresses import parse_address, parse_path
from verifier.places.base import let_go
from verifier.places.opening import open_place
from verifier.settings import Settings, duration_in_words
from verifier.settings.forms import NAME, NOTIFY, ONE_LINE, SOME_TIME, SPAN, TIME_OF_DAY, ZONE, Form
from verifier.settings.template import Answers, ShareAnswer, answers_of, changed, fresh
from verifier.settings.where import ENVIRONMENT_KEY, default_files, state_folder

_T = TypeVar("_T")

NONE: Final = "none"
"""What a person answers to leave something out."""

PRIVATE: Final = 0o600


class Written(Struct, frozen=True):
    """What came of it.  ``former`` is the copy of the file that stood there before."""

    file: Path
    changed: bool
    former: Path | None


def target(out: Path | None, config: Path | None, environment: Mapping[str, str]) -> Path:
    """The file to write: the one that was named, else the one that other commands would read."""
    if named := out or config or environment.get(ENVIRONMENT_KEY):
        return Path(os.path.abspath(named))
    own, *others = default_files(environment)
    if not os.path.lexists(own):
        for other in others:
            if os.access(other, os.W_OK):
                return other
    return own


def existing(file: Path) -> Settings | None:
    """The settings that stand there.  Raises SettingsRefused for what is no settings file."""
    return settings.load(file) if os.path.lexists(file) else None


def refuse_unwritable(file: Path) -> None:
    """Raises RequestRefused where the file could not be written; asked before the questions.

    Nothing is tried out: until the answers are there, nobody knows where the shares are.
    """
    folder = file.parent
    while not folder.exists() and folder != folder.parent:
        folder = folder.parent
    if not folder.is_dir() or not os.access(folder, os.W_OK | os.X_OK):
        raise RequestRefused(
            f"{_shown(file)} cannot be written by this user. Name another file with --out FILE."
        )


def proposals(found: Settings | None, environment: Mapping[str, str]) -> Answers:
    """What is proposed: what stands in the file, else what suits most."""
    if found is not None:
        return answers_of(found)
    state = state_folder(environment)
    return Answers(
        "The studio",
        system_zone(environment),
        (),
        ("Mon-Fri 08:30-19:00",),
        str(state / "ledger.db"),
        str(state / "reports"),
    )


def system_zone(environment: Mapping[str, str]) -> str:
    """This machine's time zone by its name, or UTC where it has none."""
    candidates = [environment.get("TZ", "").removeprefix(":")]
    with suppress(OSError):
        candidates.append(os.path.realpath("/etc/localtime").partition("/zoneinfo/")[2])
    with suppress(OSError, UnicodeDecodeError):
        candidates.append(Path("/etc/timezone").read_text("utf-8").strip())
    for each in candidates:
        with suppress(ValueError):
            return ZONE.read(each)
    return "UTC"


# ------------------------------------------------------- answers, each a ValueError with its reason


def studio_name(answer: str) -> str:
    """A name of one line."""
    return _formed(ONE_LINE, answer)


def time_zone(answer: str) -> str:
    """An IANA time zone."""
    return _formed(ZONE, answer)


def share_name(answer: str, taken: Sequence[str]) -> str:
    """A name that no other share has."""
    if answer in taken:
        raise ValueError("Another share has that name already.")
    return _formed(NAME, answer)


def place(answer: str, others: Sequence[str], file: Path) -> str:
    """A place that is there, can be listed, and lies apart from the ``others``.

    Raises RequestRefused when the settings file itself would be written inside of it.
    """
    if "://" in answer:
        return _place_elsewhere(answer, others)
    path = _path(answer)
    shown = _shown(path)
    if not os.path.lexists(path):
        raise ValueError(f"{shown} is not there. Check the name, and that it is mounted.")
    if not path.is_dir():
        raise ValueError(f"{shown} is no folder.")
    if not os.access(path, os.R_OK | os.X_OK):
        raise ValueError(f"{shown} cannot be listed by this user.")
    real = _real(path)
    for other in others:
        if "://" in other:
            continue
        inside, around = lies_in(real, _real(other)), lies_in(_real(other), real)
        if inside and around:
            raise ValueError(f"{shown} is the same folder as {_shown(Path(other))}.")
        if inside:
            raise ValueError(f"{shown} lies inside {_shown(Path(other))}.")
        if around:
            raise ValueError(f"{_shown(Path(other))} lies inside {shown}.")
    if lies_in(_real(file.parent), real):
        raise RequestRefused(
            f"The settings file {_shown(file)} would lie inside {shown}, and nothing is ever "
            "written into a share. Name a file elsewhere with --out FILE."
        )
    return str(path)


def _place_elsewhere(answer: str, others: Sequence[str]) -> str:
    """The address of a place on another machine that can be reached.  Raises ValueError."""
    address = parse_address(answer, Path())
    for other in others:
        there = parse_address(other, Path())
        if address.holds(there) or there.holds(address):
            raise ValueError(f"{address} and {other} are one place, or one holds the other.")
    try:
        let_go(open_place(address))
    except PlaceUnreachable as error:
        raise ValueError(str(error)) from error
    return str(address)


def mirror_name(at: str, source: str, taken: Sequence[str]) -> str:
    """A name for a mirror, from its folder: what sets it apart from the source.

    Never one of the ``taken``, nor the source's own.
    """
    parts = [part for part in Path(at).parts if part not in Path(source).parts]
    for each in (*parts[:1], Path(at).name, "mirror"):
        with suppress(ValueError):
            if each not in taken and each.casefold() != SOURCE:
                return NAME.read(each)
    number = 2
    while f"mirror-{number}" in taken:
        number += 1
    return f"mirror-{number}"


def time_of_day(answer: str) -> str | None:
    """When the copy job starts; None when nobody says."""
    if answer == NONE:
        return None
    _formed(TIME_OF_DAY, answer)
    return f"{settings.parse_time_of_day(answer):%H:%M}"


def some_time(answer: str) -> str:
    """A length of time."""
    _formed(SOME_TIME, answer)
    return duration_in_words(settings.parse_duration(answer))


ALWAYS_OPEN: Final = WorkingHours(ZoneInfo("UTC"))

_ONE_SPAN: Final = re.compile(
    r"\s*(?P<span>[^;]*?[0-9]{1,2}:[0-9]{2}\s*-\s*[0-9]{1,2}:[0-9]{2})\s*(?:[,;]|$)"
)


def working_hours(answer: str, besides: WorkingHours = ALWAYS_OPEN) -> tuple[str, ...]:
    """Days and times, with commas in between; none at all when nobody works there.

    ``besides`` are the hours that stand in the file, of which only these are asked about.
    """
    if answer == NONE:
        return ()
    found: list[Span] = []
    at = 0
    while at < len(answer.rstrip()):
        match = _ONE_SPAN.match(answer, at)
        if match is None:
            raise ValueError(f"Expected {SPAN.expected}, with a comma before the next ones.")
        found.append(_formed(SPAN, match["span"]))
        at = match.end()
    if not structs.replace(besides, working=tuple(found)).ever_open():
        margin = timedelta(seconds=besides.margin)
        with_it = f", with the margin of {duration_in_words(margin)}" if margin else ""
        raise ValueError(f"These leave not one open minute in the week to read in{with_it}.")
    return tuple(map(str, found))


def outside(
    answer: str, places: Sequence[str], *, is_folder: bool, others: Sequence[Path] = ()
) -> str:
    """A path to write at, outside of every share, and none of the ``others``."""
    path = _path(answer)
    if _real(path) in map(_real, others):
        raise ValueError(f"{_shown(path)} is taken already. Answer with another path.")
    if path.exists() and path.is_dir() is not is_folder:
        raise ValueError(f"{_shown(path)} is {'no' if is_folder else 'a'} folder.")
    real = _real(path)
    for each in places:
        if "://" not in each and lies_in(real, _real(each)):
            raise ValueError(
                f"{_shown(path)} lies inside {_shown(Path(each))}, where nothing may be written."
            )
    return str(path)


def whom_to_tell(answer: str, proposed: Sequence[str] = ()) -> tuple[str, ...]:
    """Addresses with blanks in between; those that stand in the file may hold blanks."""
    if answer == shown_addresses(proposed):
        return tuple(proposed)
    return () if answer == NONE else tuple(_formed(NOTIFY, each) for each in answer.split())


def shown_addresses(addresses: Sequence[str]) -> str:
    """Addresses as they are asked for."""
    return " ".join(addresses) or NONE


def _formed(form: Form[_T], answer: str) -> _T:
    _writable_text(answer)
    try:
        return form.read(answer)
    except ValueError as error:
        reason = f"{error}"
        said = f"{reason[:1].upper()}{reason[1:]}. " if reason else ""
        raise ValueError(f"{said}Expected {form.expected}.") from error


def _path(answer: str) -> Path:
    """A relative path starts where the person stands; it is written down whole."""
    _writable_text(answer)
    try:
        if not answer.isprintable():
            raise ValueError("it holds control characters")
        return parse_path(answer, Path.cwd())
    except ValueError as error:
        raise ValueError(f"That is no path: {error}.") from error


def _writable_text(answer: str) -> None:
    try:
        answer.encode("utf-8")
    except UnicodeEncodeError as error:
        raise ValueError("That is no UTF-8, and the settings are a file of UTF-8.") from error


# --------------------------------------------------------------------------------- writing


def write(file: Path, found: Settings | None, after: Answers, now: datetime) -> Written:
    """Put the settings in their place, if they are still as ``found``, None for no file at all.

    Raises RequestRefused, OutputFailed, SettingsRefused.
    """
    real = Path(os.path.realpath(file))  # a link stays one
    if existing(file) != found:
        raise SettingsRefused(
            f"{_shown(file)} was written by somebody else while the questions were asked, so it "
            "was left as it is. Run setup again."
        )
    refuse_inside_share(real, after)
    before = None if found is None else answers_of(found)
    if before == after:
        return Written(file, False, None)
    former = b"" if before is None else real.read_bytes()
    content = _content(file, former, found, before, after)
    with failures_named(file):
        real.parent.mkdir(0o700, parents=True, exist_ok=True)
    kept = None
    if before is not None:
        kept = _beside(real, now)
        _put(kept, former)
    _put(real, content, like=None if before is None else real)
    return Written(file, True, kept)


def refuse_inside_share(file: Path, answers: Answers) -> None:
    """Raises RequestRefused when the settings file would be written into a share."""
    for each in places_of(answers):
        if "://" not in each and lies_in(_real(file.parent), _real(each)):
            raise RequestRefused(
                f"The settings file {_shown(file)} would lie inside {_shown(Path(each))}, and "
                "nothing is ever written into a share. Name a file elsewhere with --out FILE."
            )


def make_folders(answers: Answers) -> None:
    """The folders for the ledger and the reports; preflight says what is wrong with them."""
    for folder in (Path(answers.ledger).parent, Path(answers.reports)):
        if not any(
            lies_in(_real(folder), _real(each)) for each in places_of(answers) if "://" not in each
        ):
            with suppress(OSError):
                folder.mkdir(0o700, parents=True, exist_ok=True)


def places_of(answers: Answers) -> list[str]:
    """Every place of every share."""
    return [place for share in answers.shares for place in share_places(share)]


def share_places(share: ShareAnswer) -> list[str]:
    """A share's source and mirrors."""
    return [share.source, *(mirror.at for mirror in share.mirrors)]


def _content(
    file: Path, former: bytes, found: Settings | None, before: Answers | None, after: Answers
) -> bytes:
    """The new file, once it is seen to say what was answered and all else that it said."""
    if before is None:
        content = fresh(after).encode("utf-8")
        settings.parse(content, file, os.environ)
        return content
    assert found is not None
    try:
        content = changed(former, before, after)
        tomllib.loads(content.decode("utf-8-sig"))
    except Exception as error:  # whatever an unusual way of writing makes of it
        raise _cannot_change(file) from error
    read = settings.parse(content, file, os.environ)
    if answers_of(read) != after or _not_asked(read, found) != _not_asked(found, found):
        raise _cannot_change(file)
    return content


def _cannot_change(file: Path) -> SettingsRefused:
    return SettingsRefused(
        f"{_shown(file)} is written in a way that setup cannot change without touching the rest, "
        "so it was left as it is. Change it by hand; docs/settings.md explains each key."
    )


def _not_asked(read: Settings, former: Settings) -> tuple[object, ...]:
    """What must be the same before and after."""
    hours = read.hours
    shares = [
        (
            share.ignore,
            share.slack,
            share.surge_above,
            [mirror.off_site for mirror in share.mirrors[: len(known.mirrors)]],
        )
        for share, known in zip(read.shares, former.shares, strict=False)
    ]
    return (
        hours.days_off,
        hours.busy,
        hours.margin,
        read.pace,
        read.audit,
        read.clearance,
        shares,
    )


def _beside(file: Path, now: datetime) -> Path:
    stamp = f"{file.name}.before-{now:%Y-%m-%d-%H%M%S}"
    kept = file.with_name(stamp)
    number = 2
    while os.path.lexists(kept):
        kept = file.with_name(f"{stamp}-{number}")
        number += 1
    return kept


def _put(file: Path, content: bytes, like: Path | None = None) -> None:
    with whole_file(file) as out:
        if sys.platform != "win32":
            os.fchmod(out.fileno(), PRIVATE)
            if like is not None and os.geteuid() == 0:
                owner = os.stat(like)
                os.fchown(out.fileno(), owner.st_uid, owner.st_gid)
        out.write(content)


def _real(path: str | Path) -> bytes:
    return os.path.realpath(os.fsencode(path))


def _shown(path: Path) -> str:
    return printable(os.fsencode(path))
