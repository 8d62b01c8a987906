"""What people are told by mail and other messages, as plain text.

Pure.  The subject says it all, for whoever reads no further: what is wrong, where, and that the
rest is fine only where that is known.  The body then says what to do first and where to look.  No
sentence may sound like "all good" where the page does not say so.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from datetime import datetime
from typing import Final

from verifier.findings import Action
from verifier.hours import DAYS, WorkingHours
from verifier.jobs.doubts import DoubtKind
from verifier.jobs.notices import Draft, Facts, Group, Week
from verifier.jobs.shift import StoppedBy
from verifier.ledger import Notice, NoticeKind, PlaceName
from verifier.measures import amount, count, listing
from verifier.model import printable
from verifier.reporting.missed import none_had_run_since
from verifier.reporting.report import (
    AS_FAR_AS_READ,
    NOT_KNOWN,
    SAYS_NOTHING,
    doubt_in_full,
    not_all_read,
)
from verifier.reporting.text import what_it_is, wrapped

LATE_SHOWN: Final = 5
NIGHTS_SHOWN: Final = 7
_PATH_SHOWN: Final = 300
"""Characters of a path: a hostile name must not push the rest off the screen."""

_HOLD_FIRST: Final = (
    "Pause the copy job now, before its next run carries this over to the mirrors. Then look."
)


class _Words:
    """The words of `Notices`."""

    def after_shift(self, facts: Facts) -> Draft:
        """After a shift that came to an end of its own."""
        return Draft(_subject(facts), _joined(_body(facts)))

    def looks_wrong(self, studio: str, notice: Notice, due: str) -> Draft:
        """A place looks unmounted or emptied, or surged."""
        where = _place(notice.place)
        if notice.what is NoticeKind.UNMOUNTED:
            subject = f"{where} looks unmounted or emptied; nothing of it is checked"
            todo = (
                "See that it is mounted and holds what it should. Until then its files are neither "
                "read nor judged, and no mirror run should take place from it."
                if notice.place.is_source
                else "See that it is mounted and holds what it should. Until then nobody knows "
                "whether it holds good copies."
            )
        else:
            subject = f"Hold the mirror run: much of {where} changed or vanished at once"
            todo = _HOLD_FIRST
        return Draft(subject, _joined(self._at_once(studio, [notice.detail], todo, due)))

    def unreachable(self, studio: str, place: PlaceName, why: str, due: str) -> Draft:
        """A place cannot be reached any more."""
        subject = f"{_place(place)} cannot be reached; it is not read any further"
        todo = (
            "See whether the machine runs, its disks are there and the network reaches it. The "
            "other places are read on; the next shift tries this one again."
        )
        return Draft(subject, _joined(self._at_once(studio, [why], todo, due)))

    def source_damaged(self, studio: str, groups: Iterable[Group], due: str) -> Draft:
        """Damage was found on a source."""
        found = list(groups)
        subject = _news_subject(found)
        said = [line for group in found for line in _group(group)]
        return Draft(subject, _joined(self._at_once(studio, [], _HOLD_FIRST, due, said)))

    def broken(self, studio: str, why: str, by_ledger: bool, due: str) -> Draft:
        """A shift could not go on."""
        subject = "A shift ended in trouble, with its work not done"
        todo = "Run `verifier preflight`, which says what is wrong with this machine."
        if by_ledger:
            subject = "The ledger is in trouble: nothing is checked until that is mended"
            todo = (
                "Run `verifier preflight`. Backups of the ledger stand beside it; docs/ledger.md "
                "says how to go back to one."
            )
        return Draft(subject, _joined(self._at_once(studio, [why], todo, due)))

    def test(self, studio: str, due: str) -> Draft:
        """A message that shows whether messages arrive."""
        said = (
            "This is a test: messages of verifier reach you here. It says nothing of your files.",
        )
        return Draft(
            "A test: messages of verifier arrive here",
            _joined([studio, "", *wrapped(said[0], ""), "", *wrapped(due, "")]),
        )

    def by_when(self, hours: WorkingHours, due: float | None) -> str:
        """A sentence that says from when on silence is a bad sign."""
        if due is None:
            return (
                "No night is left in which a shift is expected: unless somebody starts one, you "
                "hear nothing more, and nothing is checked."
            )
        return (
            f"If you hear nothing by {_when(hours, due)}, look: then no shift has ended, or its "
            "message did not reach you."
        )

    def _at_once(
        self, studio: str, why: Iterable[str], todo: str, due: str, more: Iterable[str] = ()
    ) -> Iterator[str]:
        yield f"{studio}, told at once while a shift runs or was about to."
        yield from _headed("What is wrong")
        for each in why:
            yield from wrapped(printable(each.encode("utf-8", "surrogateescape")), "")
        yield from more
        yield from _headed("What to do first")
        yield from wrapped(todo, "")
        yield from _headed("Where to look")
        yield "`verifier findings` lists all that needs somebody."
        yield ""
        yield from wrapped(due, "")


WORDS: Final = _Words()


# ------------------------------------------------------------------------------------ the subject


def _subject(facts: Facts) -> str:
    """The most pressing thing there is; and that there is more, where there is."""
    headlines = list(_headlines(facts))
    weekly = "" if facts.week is None else " (weekly summary)"
    if not headlines:
        return _nothing_found(facts) + weekly
    more = len(headlines) - 1
    rest = f"; and {count(more, 'more thing')}" if more else ""
    return headlines[0] + rest + weekly


def _nothing_found(facts: Facts) -> str:
    """Where no finding is open: "all good" only where the page says so too."""
    result = facts.result
    read = f"{amount(result.read_bytes)} read"
    if facts.unread:
        files = sum(each.number for each in facts.unread)
        size = sum(each.bytes for each in facts.unread)
        unread = f"{count(files, 'file')} ({amount(size)}) not read yet"
        return f"{NOT_KNOWN}: {unread}; {read}, no finding is open"
    far = f" {AS_FAR_AS_READ}" if _not_all_read(facts) else ""
    left = ""
    if result.left.files:
        left = f", {amount(result.left.bytes)} left for the next shifts"
    if facts.not_told:
        return f"{_not_told(facts)}; the copies are in order{far}: {read}{left}"
    return f"All good{far}: {read}{left}, nothing needs you"


def _not_told(facts: Facts) -> str:
    messages = any(not each.heartbeat for each in facts.not_told)
    return "Messages could not be delivered" if messages else "The heartbeat is not heard"


def _headlines(facts: Facts) -> Iterator[str]:
    """All that needs somebody, the most pressing first, each for a subject."""
    result = facts.result
    pressing = [each for each in facts.news if each.action in _BEFORE_PLACES]
    other = [each for each in facts.news if each.action not in _BEFORE_PLACES]
    for notice in result.notices:
        if notice.what is NoticeKind.SURGE:
            where = _place(notice.place)
            yield f"Hold the mirror run: much of {where} changed or vanished at once"
    if pressing:
        yield _news_subject(pressing)
    for notice in result.notices:
        if notice.what is NoticeKind.UNMOUNTED:
            yield f"{_place(notice.place)} looks unmounted or emptied; nothing of it was checked"
    for place, _ in result.unreachable:
        yield f"{_place(place)} could not be reached; it was not checked"
    if _in_trouble(facts):
        yield "The shift ended in trouble, with its work not done"
    yield from _doubt_subjects(facts, DoubtKind.NO_FILES, *_NOT_SEEN)
    if other:
        yield _news_subject(other)
    yield from _doubt_subjects(facts, DoubtKind.SUSPECTED)
    if facts.missed.nights:
        yield f"No shift ran in {count(len(facts.missed.nights), 'night')}"
    if facts.missed.unfinished:
        yield "The shift before was cut off or stopped"
    known = sum(each.total for each in facts.known)
    if known:
        danger = ""
        if any(each.action in _BEFORE_PLACES for each in facts.known):
            danger = ", and the mirror run is still to be held"
        new = "" if facts.news else "nothing new, "
        need = "needs" if known == 1 else "need"
        yield f"{new}{count(known, 'finding')} of before still {need} you{danger}".capitalize()
    yield from _doubt_subjects(facts, DoubtKind.CLOCK, DoubtKind.OVERDUE)


_NOT_SEEN: Final = DoubtKind.UNMOUNTED, DoubtKind.NOT_REACHED, DoubtKind.STOPPED_ANSWERING


def _doubt_subjects(facts: Facts, *kinds: DoubtKind) -> Iterator[str]:
    """What is not known, one for each kind."""
    for kind in kinds:
        alike = [each for each in facts.doubts if each.what is kind]
        if not alike:
            continue
        places = [each.place for each in alike if each.place is not None]
        where = _place(places[0]) if len(places) == 1 else f"{len(places)} places"
        number = sum(each.number for each in alike)
        yield {
            DoubtKind.NO_FILES: f"There is not one file on {where if places else 'any place'}",
            DoubtKind.UNMOUNTED: f"{where} looks unmounted or emptied; nothing of it was checked",
            DoubtKind.NOT_REACHED: f"{where} {_was(len(places))} not looked through",
            DoubtKind.STOPPED_ANSWERING: f"{where} stopped answering",
            DoubtKind.SUSPECTED: f"{count(number, 'path')} {_look(number)} damaged, to be read a "
            "second time",
            DoubtKind.CLOCK: f"{where} {'is' if len(places) == 1 else 'are'} not read again: the "
            "clock was or is wrong",
            DoubtKind.OVERDUE: f"Some of {where} was not read for too long",
        }[kind]


def _was(number: int) -> str:
    return "was" if number == 1 else "were"


def _look(number: int) -> str:
    return "looks" if number == 1 else "look"


def _in_trouble(facts: Facts) -> bool:
    """Trouble that no place explains."""
    result = facts.result
    trouble = result.stopped_by == StoppedBy.TROUBLE
    return trouble and not (result.unreachable or result.notices)


_BEFORE_PLACES: Final = frozenset({Action.SAVE_THE_LAST_COPY, Action.HOLD_THE_MIRROR_RUN})


def _news_subject(groups: list[Group]) -> str:
    """``2 files damaged on vault; the source is fine``."""
    action = groups[0].action
    alike = [each for each in groups if each.action is action]
    findings = sum(each.total for each in alike)
    total = findings - (_told_again(alike) if action is Action.HOLD_THE_MIRROR_RUN else 0)
    mirrors = _listed(sorted({each.mirror.place for each in alike}))
    shares = _listed(sorted({each.mirror.share for each in alike}))
    files = count(total, "file")
    said = {
        Action.SAVE_THE_LAST_COPY: f"It may be the last copy: {files} released earlier "
        f"{'is' if total == 1 else 'are'} lost or damaged on {mirrors}",
        Action.HOLD_THE_MIRROR_RUN: f"Hold the mirror run: {files} damaged on the source of "
        f"{shares}",
        Action.DECIDE_WHICH_SIDE: f"{files} {'differs' if total == 1 else 'differ'} between "
        f"{shares} and {mirrors}; overwrite neither",
        Action.CHECK_THE_HARDWARE: f"{files} of {shares} could not be read",
        Action.MEND_THE_MIRROR: f"{files} damaged on {mirrors}; the source is fine",
        Action.COPY: f"{files} missing or old on {mirrors}; the source is fine",
        Action.DECIDE_TO_KEEP: f"{files} on {mirrors} only, gone from {shares}",
        Action.MOVED: f"{files} of {shares} moved, and not yet on {mirrors}",
        Action.LOOK_AGAIN: f"{files} of {shares} changed while being read",
    }[action]
    others = sum(each.total for each in groups) - findings
    return said + (f"; {count(others, 'more finding')}" if others else "")


def _told_again(groups: list[Group]) -> int:
    """Findings on a file of a source that another mirror's finding, of those listed, is on too."""
    on = [(each.mirror.share, finding.path) for each in groups for finding in each.first]
    return len(on) - len(set(on))


def _place(place: PlaceName) -> str:
    return f"the source of {place.share}" if place.is_source else f"{place.place} ({place.share})"


def _listed(names: list[str]) -> str:
    if len(names) > 3:
        return f"{', '.join(names[:2])} and {len(names) - 2} more"
    return listing(names)


# --------------------------------------------------------------------------------------- the body


def _body(facts: Facts) -> Iterator[str]:
    hours = facts.hours
    began, ended = _when(hours, facts.started), _when(hours, facts.ended)
    yield f"{facts.studio}: the shift from {began} to {ended}"
    wrong = list(_wrong(facts))
    if wrong:
        yield from _headed("What is wrong")
        yield from wrong
        yield from _headed("What to do first")
        yield from wrapped(_first(facts), "")
    else:
        yield ""
        yield from _nothing_wrong(facts)
    yield from _headed("What the shift did")
    for sentence in _done(facts):
        yield from wrapped(sentence, "")
    if facts.week is not None:
        yield from _week(facts.week, hours)
    yield from _headed("Where to look")
    if facts.page is not None:
        attached = ", sent along with this message" if facts.attached else ""
        yield f"The page: {printable(str(facts.page).encode('utf-8', 'surrogateescape'))}{attached}"
    yield "`verifier findings` lists all that needs somebody, with what to do about each."
    yield ""
    yield from wrapped(WORDS.by_when(hours, facts.due), "")
    if facts.quiet:
        yield from wrapped(
            "Shifts with nothing new send no message, as the settings ask; if something is new, "
            "you hear of it after the shift that found it.",
            "",
        )


def _nothing_wrong(facts: Facts) -> Iterator[str]:
    if facts.unread:
        yield from wrapped(f"{NOT_KNOWN}, since not all has been read yet:", "")
        for each in facts.unread:
            yield from _point(doubt_in_full(each, facts.hours.zone))
        yield from wrapped(f"{SAYS_NOTHING} The next shifts read on.", "")
    else:
        good = "The copies are in order" if facts.not_told else "Nothing needs you"
        if not_read := _not_all_read(facts):
            good += f", {AS_FAR_AS_READ}: {not_read}"
        left = " The next shifts read on." if facts.result.left.files else ""
        yield from wrapped(f"{good}.{left}", "")
    if facts.not_told:
        yield ""
        yield from wrapped("Not told to everybody:", "")
        for each in facts.not_told:
            yield from _point(doubt_in_full(each, facts.hours.zone))


def _wrong(facts: Facts) -> Iterator[str]:
    result = facts.result
    for notice in result.notices:
        yield from _point(notice.detail)
    for _, why in result.unreachable:
        yield from _point(why)
    if _in_trouble(facts):
        yield from _point(_ENDED[StoppedBy.TROUBLE])
    for each in facts.doubts:
        yield from _point(doubt_in_full(each, facts.hours.zone))
    for group in facts.news:
        yield from _group(group)
    nights = facts.missed.nights
    if nights:
        days = [f"{DAYS[each.day.weekday()]} {each.day:%Y-%m-%d}" for each in nights]
        shown = ", ".join(days[-NIGHTS_SHOWN:])
        more = f" and {len(days) - NIGHTS_SHOWN} before" if len(days) > NIGHTS_SHOWN else ""
        yield from _point(
            f"No shift ran in {count(len(nights), 'night')} in which one was expected: {shown}"
            f"{more}. {none_had_run_since(facts.missed, facts.hours.zone) or ''}".rstrip()
        )
    for started in facts.missed.unfinished[-NIGHTS_SHOWN:]:
        yield from _point(
            f"The shift of {_when(facts.hours, started)} did not come to its end: it was cut off "
            "or stopped. What it had recorded is kept, and this one went on from there."
        )
    if facts.known:
        said = ", ".join(f"{each.total:,} to {_SHORT[each.action]}" for each in facts.known)
        total = sum(each.total for each in facts.known)
        still = "still needs" if total == 1 else "still need"
        yield from _point(f"{count(total, 'finding')} of before {still} you: {said}.")


_SHORT: Final = {
    Action.SAVE_THE_LAST_COPY: "save, since it may be the last copy",
    Action.HOLD_THE_MIRROR_RUN: "hold the mirror run for",
    Action.DECIDE_WHICH_SIDE: "decide which side is right",
    Action.CHECK_THE_HARDWARE: "find out why it cannot be read",
    Action.MEND_THE_MIRROR: "copy again to a mirror that is damaged",
    Action.COPY: "copy",
    Action.DECIDE_TO_KEEP: "keep or not, on the mirror only",
    Action.MOVED: "let the mirror run settle",
    Action.LOOK_AGAIN: "look at again",
}


def _first(facts: Facts) -> str:
    """What comes before all else."""
    result = facts.result
    surged = any(each.what is NoticeKind.SURGE for each in result.notices)
    actions = {each.action for each in facts.news} | {each.action for each in facts.known}
    if surged or Action.HOLD_THE_MIRROR_RUN in actions or Action.SAVE_THE_LAST_COPY in actions:
        return _HOLD_FIRST
    if result.notices or result.unreachable:
        return _SEE_THE_PLACE
    if any(each.what is DoubtKind.NO_FILES for each in facts.doubts):
        return _TO_DO_FIRST[DoubtKind.NO_FILES]
    for group in facts.news:
        return group.first[0].finding.advice
    unseen = [each.what for each in facts.doubts if each.what in _TO_DO_FIRST]
    if unseen:
        return _TO_DO_FIRST[unseen[0]]
    if facts.known:
        return "Nothing new: go on with what you had begun to do about these."
    if facts.doubts and not facts.missed:
        return (
            "Run `verifier audit`: it says what is read how seldom, and what it would take to read "
            "it in time."
        )
    return (
        "See why: was the machine off, the timer stopped, or the shift ended by somebody? What "
        "stands in the ledger is kept, and is as old as the last shift that read it."
    )


_SEE_THE_PLACE: Final = (
    "See that the place is mounted and its machine runs. What could not be reached was not "
    "checked, and is tried again in the next shift."
)
_TO_DO_FIRST: Final = {
    DoubtKind.UNMOUNTED: _SEE_THE_PLACE,
    DoubtKind.NO_FILES: "See whether all is mounted and holds what it should. Until then nothing "
    "can be checked there, and nothing should be copied or deleted for it.",
    DoubtKind.NOT_REACHED: "Nothing for now: the next shift looks there again. If it stays like "
    "this, longer open hours are needed; `verifier audit` says what it would take.",
    DoubtKind.STOPPED_ANSWERING: "See whether the machine runs, its disks are there and the "
    "network reaches it. The next shift tries it again.",
    DoubtKind.SUSPECTED: "Nothing for now: the next shift reads them once more, past all caches, "
    "and only then says what they are.",
}


def _group(group: Group) -> Iterator[str]:
    mirror = group.mirror
    total = count(group.total, "finding")
    yield from _point(f"{group.action.value}: {total} of {mirror.share}, mirror {mirror.place}.")
    for each in group.first:
        path = printable(each.path)
        path = path if len(path) <= _PATH_SHOWN else f"{path[:_PATH_SHOWN]}..."
        yield f"    {each.id}: {path}"
        yield f"       {what_it_is(each.finding)}, {amount(each.finding.size)}"
    if group.total > len(group.first):
        yield f"    and {group.total - len(group.first):,} more"


_ENDED: Final = {
    StoppedBy.DONE: "All that was due has been read.",
    StoppedBy.WORKING_HOURS: "It stopped because working hours are near.",
    StoppedBy.UNTIL: "It stopped at the time that it was asked to.",
    StoppedBy.TROUBLE: "It could not reach all that it should have read.",
}


def _only_listed(facts: Facts) -> list[PlaceName]:
    """The places of which the shift read nothing but names and sizes."""
    return [each.place for each in facts.result.budgets if each.limit is None]


def _not_all_read(facts: Facts) -> str:
    return not_all_read(_only_listed(facts), facts.in_part, facts.unreadable)


def _done(facts: Facts) -> Iterator[str]:
    result = facts.result
    read = f"{amount(result.read_bytes)} in {count(result.files_read, 'file')} read."
    ended = _ENDED[result.stopped_by]
    if result.stopped_by == StoppedBy.DONE and result.left.files:
        ended = "All that it could read has been read."
    yield f"{read} {ended}"
    if result.left.files:
        left = f"{count(result.left.files, 'file')} of {amount(result.left.bytes)}"
        yield f"Left for the next shifts: {left}."
    if listed := _only_listed(facts):
        yield (
            f"Only listed, since reading costs: {', '.join(map(str, listed))}. Of the contents "
            "there nothing is said."
        )
    for each in result.budgets:
        if each.limit is not None:
            yield (
                f"{each.place}: {amount(each.spent)} read in {each.month}, of the "
                f"{amount(each.limit)} a month that the settings allow."
            )
    for place, files in facts.too_large:
        verb = "is" if files == 1 else "are"
        yield (
            f"{place}: {count(files, 'file')} {verb} larger than what may be read there in a "
            "month, so that no shift ever reads them: raise read_at_most."
        )
    if facts.accepted:
        yield f"{count(facts.accepted, 'finding')} you accepted stay quiet until they change."
    if facts.late:
        yield (
            f"Not delivered before: {count(len(facts.late), 'message')}, the first of "
            f"{_when(facts.hours, facts.late[0].written_at)}. They come after this one; "
            "`verifier notify` says what kept them."
        )


def _week(week: Week, hours: WorkingHours) -> Iterator[str]:
    yield from _headed("The week")
    nights = f"; none in {count(week.missed, 'night')} in which one was expected"
    yield f"{count(week.shifts, 'shift')} ran{nights if week.missed else ''}."
    yield f"{count(week.opened, 'finding')} opened, {week.closed:,} closed."
    for each in week.places:
        yield f"{each.place.share}, {each.place.place}: {amount(each.read)} read"
        said = f"    of {amount(each.bytes)}"
        if each.unread:
            said += f"; {amount(each.unread)} new or changed and not read yet"
        if each.oldest_read is not None:
            said += f"; longest unread since {_when(hours, each.oldest_read)}"
        if each.round_ends is not None:
            said += f"; this round ends about {_when(hours, each.round_ends)}"
        yield said


# ------------------------------------------------------------------------------------- its layout


def _headed(heading: str) -> Iterator[str]:
    yield ""
    yield heading
    yield "-" * len(heading)


def _point(sentence: str) -> Iterator[str]:
    first, *rest = wrapped(printable(sentence.encode("utf-8", "surrogateescape")), "    ")
    yield f"  - {first.lstrip()}"
    yield from rest


def _joined(lines: Iterable[str]) -> str:
    return "\n".join(lines) + "\n"


def _when(hours: WorkingHours, instant: float) -> str:
    moment: datetime = hours.local(instant)
    return f"{DAYS[moment.weekday()]} {moment:%Y-%m-%d %H:%M}"
