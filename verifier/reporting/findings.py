"""Findings with their life, as a document and in words: first what needs a person.

It reads no clock and writes nothing; findings pass through as a stream, and of those that are
listed for people only so many are held.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator
from datetime import datetime, tzinfo
from typing import TYPE_CHECKING, Any, Final

from msgspec import Struct, structs

from verifier.expected import Missed
from verifier.findings import Action, action_of
from verifier.hours import DAYS
from verifier.jobs.doubts import (
    NotReached,
    empty_since_ever,
    not_reached,
    not_read_yet,
    waiting_for_clock,
)
from verifier.jobs.spending import limits_of
from verifier.ledger.findings import Accepted, Meaning
from verifier.ledger.values import (
    FindingEvent,
    FindingState,
    LedgerFinding,
    Notice,
    NoticeKind,
    PlaceName,
)
from verifier.measures import amount, count
from verifier.model import Cause, Verdict, printable
from verifier.reporting import documents
from verifier.reporting.missed import no_shift_since
from verifier.reporting.text import SHOWN_PER_ACTION, what_it_is, wrapped
from verifier.scheduler import Left

if TYPE_CHECKING:
    from verifier.ledger import Ledger
    from verifier.settings import Settings

SCHEMA: Final = "verifier.findings.v1"


_NOTHING: Final = Missed()
_NO_FILES: Final = Left()


class AsOf(Struct, frozen=True):
    """How far it reaches what the ledger knows.

    ``ended`` is when the last shift that ended did, None before any; ``unfinished_since`` when
    the last shift started, if that one has not ended: it runs, or was cut off.  ``notices`` are
    about whole places, and stand until a later shift has looked through them.  ``missed`` is what
    did not happen as expected since then.  ``waits_for_clock`` are the places that are not read
    again before a time that lies far ahead, since a clock was wrong; ``unread`` is what is
    new or changed, and shifts have yet to read; ``suspected`` are the paths that look damaged, and
    wait for their second reading; ``not_reached`` are the places without a notice that the last
    shift that ended did not look through; ``empty`` are those that never held a path, though
    findings of theirs are open.
    """

    ended: int | None
    unfinished_since: int | None = None
    notices: tuple[Notice, ...] = ()
    missed: Missed = _NOTHING
    waits_for_clock: tuple[PlaceName, ...] = ()
    unread: Left = _NO_FILES
    suspected: int = 0
    not_reached: tuple[NotReached, ...] = ()
    empty: tuple[PlaceName, ...] = ()

    @property
    def reaches_all(self) -> bool:
        """False while a place was never looked through, or could not be, or not be read (again)."""
        lost = any(each.what is not NoticeKind.SURGE for each in self.notices)
        never = any(each.walked is None for each in self.not_reached)
        return not (lost or never or self.waits_for_clock)


def as_of(
    settings: Settings,
    ledger: Ledger,
    places: Collection[PlaceName],
    now: float,
    missed: Missed = _NOTHING,
) -> AsOf:
    """How far it reaches what a ledger knows of ``places``, as of ``now``."""
    shifts = ledger.shifts
    ended = last = shifts.last()
    unfinished_since = None
    if last is not None and last.ended is None:
        unfinished_since, ended = last.started, None
        for each in shifts.all():
            ended = ended if each.ended is None else each
    seen, limited = frozenset(ledger.places()), limits_of(settings)
    known = [each for each in places if each in seen]
    notices = tuple(each for each in shifts.standing_notices() if each.place in places)
    told = {each.place for each in notices}
    untold = [each for each in places if each not in told]
    return AsOf(
        None if ended is None else ended.ended,
        unfinished_since,
        notices,
        missed,
        waiting_for_clock(ledger, known, now),
        not_read_yet(ledger, (each for each in known if each not in limited)),
        ledger.nights.waiting(known),
        () if ended is None else tuple(not_reached(ledger, untold, ended)),
        tuple(empty_since_ever(ledger, untold)),
    )


class Tally:
    """Counts findings by their state while they pass."""

    def __init__(self) -> None:
        self.counts = dict.fromkeys(FindingState, 0)

    def counted(self, findings: Iterable[LedgerFinding]) -> Iterator[LedgerFinding]:
        """The same findings."""
        for each in findings:
            self.counts[each.state] += 1
            yield each

    def exit_status(self, known: AsOf) -> int:
        """1 when one is open; 3 when none is, but `AsOf.reaches_all` is not so."""
        if self.counts[FindingState.OPEN]:
            return 1
        if known.ended is None or not known.reaches_all:
            return 3
        return 1 if known.notices else 0


# --------------------------------------------------------------------------------- the document


def document(
    findings: Iterable[LedgerFinding],
    known: AsOf,
    zone: tzinfo,
    history: Iterable[FindingEvent] | None = None,
) -> Iterator[bytes]:
    """The JSON document, in pieces; ``history`` is that of the only finding."""
    head: dict[str, Any] = {"schema": SCHEMA, "as_of": None}
    if known.ended is not None:
        head["as_of"] = documents.stamp(known.ended, zone)
    if known.unfinished_since is not None:
        head["unfinished_shift"] = documents.stamp(known.unfinished_since, zone)
    if known.missed.since is not None:
        head["missed"] = [each.day.isoformat() for each in known.missed.nights]
    if known.notices:
        head["notices"] = [documents.notice(each, zone) for each in known.notices]
    if known.suspected:
        head["suspected"] = known.suspected
    if known.not_reached:
        head["not_reached"] = not_reached_places(known, zone)
    if known.empty:
        head["empty"] = places_in(known.empty)
    if known.unread.files:
        head["unread"] = {"files": known.unread.files, "bytes": known.unread.bytes}
    if known.waits_for_clock:
        head["waits_for_clock"] = places_in(known.waits_for_clock)
    more = {} if history is None else {"history": [_event(each, zone) for each in history]}
    yield from documents.with_findings(head, (_entry(each, zone) | more for each in findings), {})


def places_in(places: Iterable[PlaceName]) -> list[dict[str, str]]:
    """Places, as they stand in a document."""
    return [{"share": each.share, "place": each.place} for each in places]


def not_reached_places(known: AsOf, zone: tzinfo) -> list[dict[str, Any]]:
    """The places that the last shift did not come to, as they stand in a document."""
    return [
        {
            "share": each.place.share,
            "place": each.place.place,
            "walked": None if each.walked is None else documents.stamp(each.walked, zone),
        }
        for each in known.not_reached
    ]


def _entry(each: LedgerFinding, zone: tzinfo) -> dict[str, Any]:
    entry = documents.ledger_finding(each, zone)
    entry |= {"state": each.state, "last_seen": documents.stamp(each.last_seen, zone)}
    if each.closed_at is not None:
        entry |= {"closed": documents.stamp(each.closed_at, zone), "closed_by": each.closed_by}
    if each.state is FindingState.ACCEPTED and each.acceptance is not None:
        entry["accepted"] = {
            "who": each.acceptance.who,
            "at": documents.stamp(each.acceptance.at, zone),
            "because": each.acceptance.because,
        }
    return entry


def _event(each: FindingEvent, zone: tzinfo) -> dict[str, Any]:
    return {"at": documents.stamp(each.at, zone), "what": each.what, "detail": each.detail}


# -------------------------------------------------------------------------------------- in words


def text(
    lasting: Iterable[LedgerFinding],
    known: AsOf,
    zone: tzinfo,
    closed: Iterable[LedgerFinding] = (),
) -> Iterator[str]:
    """The open findings by what to do, the accepted ones in short, then those ``closed``."""
    tally = Tally()
    groups = {action: _Group() for action in Action}
    accepted = _Group()
    for each in tally.counted(lasting):
        if each.state is FindingState.ACCEPTED:
            accepted.add(each)
        else:
            groups[action_of(each.finding)].add(each)
    yield from _silence(known, zone)
    yield from wrapped(f"{_headline(tally, known)} {_until(known, zone)}".rstrip(), "")
    if known.notices:
        yield from _heading(f"Whole places: look at these first ({len(known.notices):,})")
        for number, notice in enumerate(known.notices):
            if number:
                yield ""
            yield f"  {notice.place}, {_when(notice.at, zone)}"
            yield from wrapped(notice.detail, "    ")
    for action, group in groups.items():
        if group.total:
            yield from _heading(f"{action.value} ({group.total:,})")
            yield from _open(group, zone)
            yield from group.rest()
    if accepted.total:
        yield from _heading(f"Accepted: quiet until they change ({accepted.total:,})")
        for each in accepted.shown:
            yield from _listed(each, f"{what_it_is(each.finding)}; {_acceptance(each, zone)}")
        yield from accepted.rest()
    begun = False
    for each in closed:
        if not begun:
            yield from _heading("Closed")
            begun = True
        yield from _listed(each, f"{what_it_is(each.finding)}; {_closing(each, zone)}")


def _silence(known: AsOf, zone: tzinfo) -> Iterator[str]:
    """First of all, that no shift has run any more."""
    said = no_shift_since(known.missed, zone)
    if said is not None:
        yield from wrapped(said, "")
        yield ""


def _headline(tally: Tally, known: AsOf) -> str:
    needed, quiet = tally.counts[FindingState.OPEN], tally.counts[FindingState.ACCEPTED]
    accepted = f"; {quiet:,} accepted" if quiet else ""
    lost = sum(each.what is not NoticeKind.SURGE for each in known.notices)
    surged = len(known.notices) - lost
    whole = []
    if lost:
        whole.append(f"{count(lost, 'place')} could not be looked through and read")
    if surged:
        whole.append(f"very much changed at once on {count(surged, 'source')}")
    for each in known.empty:
        whole.append(
            f"{each} holds no file at all: see whether it is mounted before you act on this"
        )
    never = sum(each.walked is None for each in known.not_reached)
    if never:
        whole.append(f"no shift has looked through {count(never, 'place')} yet")
    if lately := len(known.not_reached) - never:
        whole.append(f"the last shift did not look through {count(lately, 'place')}")
    if suspected := known.suspected:
        verb, waits = ("looks", "waits") if suspected == 1 else ("look", "wait")
        whole.append(f"{count(suspected, 'path')} {verb} damaged and {waits} for a second reading")
    if files := known.unread.files:
        verb = "is" if files == 1 else "are"
        whole.append(f"{count(files, 'file')} of {amount(known.unread.bytes)} {verb} not read yet")
    if waiting := len(known.waits_for_clock):
        whole.append(
            f"{count(waiting, 'place')} {'is' if waiting == 1 else 'are'} not read again before a "
            "time that is still far ahead, since the clock of this machine was or is wrong: check "
            "it"
        )
    if needed:
        verb = "needs" if needed == 1 else "need"
        return "; ".join([f"{count(needed, 'finding')} {verb} you{accepted}", *whole]) + "."
    if whole:
        return f"No finding is open{accepted}, but {', and '.join(whole)}."
    if known.ended is None:
        return f"Nothing is known to be good{accepted}: no shift has ended yet."
    if known.missed.since is not None:
        return f"No finding was open{accepted} when something was checked last."
    return f"Nothing needs you{accepted}."


def _until(known: AsOf, zone: tzinfo) -> str:
    """As of when, in sentences."""
    said = []
    if known.ended is not None:
        which = "" if known.unfinished_since is None else " that ended"
        said.append(f"As of the end of the last shift{which}, {_when(known.ended, zone)}.")
    if known.unfinished_since is not None:
        began = _when(known.unfinished_since, zone)
        said.append(
            f"The shift of {began} has not ended: it still runs, or was cut off, and what it has "
            "not reached is as it was before."
        )
    return " ".join(said) or "No shift has run: `verifier shift` starts one."


class _Group:
    """How many findings there are of a kind, and the first of them."""

    def __init__(self) -> None:
        self.total = 0
        self.shown: list[LedgerFinding] = []

    def add(self, each: LedgerFinding) -> None:
        self.total += 1
        if self.total <= SHOWN_PER_ACTION:
            # A thousand damaged ranges are not shown here, and would be held for nothing.
            finding = structs.replace(each.finding, damage=None)
            self.shown.append(structs.replace(each, finding=finding))

    def rest(self) -> Iterator[str]:
        if self.total > SHOWN_PER_ACTION:
            yield ""
            yield f"  ... and {self.total - SHOWN_PER_ACTION:,} more; --json lists all of them."


def _open(group: _Group, zone: tzinfo) -> Iterator[str]:
    """The findings of one action, those with the same advice together."""
    by_advice: dict[str, list[LedgerFinding]] = {}
    for each in group.shown:
        by_advice.setdefault(each.finding.advice, []).append(each)
    for number, (advice, findings) in enumerate(by_advice.items()):
        if number:
            yield ""
        yield from wrapped(advice, "")
        for each in findings:
            said = f"{what_it_is(each.finding)}, {amount(each.finding.size)}; "
            yield from _listed(each, f"{said}first seen {_when(each.first_seen, zone)}")
            yield from wrapped(each.finding.detail, "    ")


def _listed(each: LedgerFinding, said: str) -> Iterator[str]:
    yield ""
    yield f"  {each.id}: {printable(each.path)}"
    yield from wrapped(f"{each.share}, {each.mirror}: {said}", "    ")


def one(
    each: LedgerFinding, history: Iterable[FindingEvent], known: AsOf, zone: tzinfo
) -> Iterator[str]:
    """One finding in full."""
    finding = each.finding
    needs = {
        FindingState.OPEN: "is open, and needs you",
        FindingState.ACCEPTED: "is accepted, and quiet until it changes",
        FindingState.CLOSED: "is closed, and needs nobody",
    }
    yield from _silence(known, zone)
    yield from wrapped(f"Finding {each.id} {needs[each.state]}. {_until(known, zone)}", "")
    yield ""
    yield f"Path:       {printable(each.path)}"
    if finding.other_path is not None:
        yield f"Other path: {printable(finding.other_path)}"
    yield f"Share:      {each.share}"
    yield f"Mirror:     {each.mirror}"
    yield f"Verdict:    {what_it_is(finding)}"
    yield f"Size:       {amount(finding.size)}"
    yield f"First seen: {_when(each.first_seen, zone)}"
    yield f"Last seen:  {_when(each.last_seen, zone)}"
    yield ""
    yield from wrapped(finding.detail, "")
    if each.state is not FindingState.CLOSED:
        yield from _heading("What to do")
        yield from wrapped(finding.advice, "")
    yield from _heading("History")
    for event in history:
        yield from wrapped(f"{_when(event.at, zone)}  {event.what}: {event.detail}", "")


def _acceptance(each: LedgerFinding, zone: tzinfo) -> str:
    assert each.acceptance is not None
    who, at, because = structs.astuple(each.acceptance)
    return f"accepted by {who} on {_when(at, zone)}: {because}"


def _closing(each: LedgerFinding, zone: tzinfo) -> str:
    assert each.closed_at is not None
    return f"closed on {_when(each.closed_at, zone)}: {each.closed_by}"


def _heading(heading: str) -> Iterator[str]:
    yield ""
    yield heading
    yield "=" * len(heading)


def _when(at: int, zone: tzinfo) -> str:
    moment = datetime.fromtimestamp(at, zone)
    return f"{DAYS[moment.weekday()]} {moment:%Y-%m-%d %H:%M}"


# ------------------------------------------------------------------------------------- decisions


def accepted(decisions: Iterable[Accepted]) -> Iterator[str]:
    """What each decision means from now on, a sentence each, and what to heed."""
    caution = False
    for each in decisions:
        yield from wrapped(f"Finding {each.finding.id} is accepted: {_meaning(each)}", "")
        caution = caution or _may_cost_data(each.finding)
    if caution:
        yield ""
        yield from wrapped(_CAUTION, "")


_CAUTION: Final = (
    "Nothing was deleted or overwritten, and an acceptance is no leave to do so: before you "
    "delete anything, on any copy, check your contracts, your insurer's terms and the local rules "
    "on keeping records."
)


def _may_cost_data(each: LedgerFinding) -> bool:
    return each.verdict is not Verdict.UNSETTLED and each.finding.cause != Cause.MOVED


def _meaning(each: Accepted) -> str:
    found = each.finding
    path, mirror = printable(found.path), found.mirror
    sentence = _BY_MEANING.get(each.meaning) or _BY_VERDICT[found.verdict]
    if found.finding.cause == Cause.MOVED:
        sentence = _MOVED
    if action_of(found.finding) is Action.SAVE_THE_LAST_COPY:
        sentence = _RELEASED[found.verdict]
    return sentence.format(path=path, mirror=mirror)


_BY_MEANING: Final = {
    Meaning.BOTH_AGREED: "what both sides hold of {path} is agreed from now on, in the place of "
    "what was agreed before, and the finding closes when it is judged next.",
    Meaning.SOURCE_AGREED: "what the source holds of {path} is agreed from now on; {mirror} holds "
    "something else, is no copy of it until the copy job brings it over, and is called stale "
    "until then where it holds an earlier version.",
    Meaning.AS_AGREED: "{path} stays quiet until it changes on either side; the source holds what "
    "was agreed, {mirror} does not, and is no copy of it until it is copied again.",
    Meaning.NOT_KNOWN: "{path} stays quiet until it changes on either side, and nothing new is "
    "agreed on, since its content is not on record for both sides; {mirror} is not known to hold a "
    "copy of it.",
    Meaning.CHANGED_SINCE: "{path} is accepted as it was when it was found, but it has changed "
    "since: nothing new is agreed on, and it is judged and listed anew if it still needs you.",
}

_BY_VERDICT: Final = {
    Verdict.MISSING: "{path} may stand on the source alone, and {mirror} holds no copy of it; this "
    "stays quiet until it changes or appears there.",
    Verdict.ORPHANED: "{path} may stand on {mirror} alone, where it may be the only copy; this "
    "stays quiet until it changes or comes back to the source.",
    Verdict.UNREADABLE: "that {path} cannot be read stays quiet until it can be, or the error is "
    "another one; until then nobody knows that any copy of it is good.",
    Verdict.UNSETTLED: "that {path} changes while it is read stays quiet until it can be read; "
    "until then nobody knows that {mirror} holds a copy of it.",
}

_RELEASED: Final = {
    Verdict.MISSING: "{path}, which the source gave up, is not on {mirror}, and no copy of it is "
    "read there; this stays quiet until it appears there.",
    Verdict.CORRUPT: "what {mirror} holds of {path}, which the source gave up, is not what was "
    "proven then, and is no copy of it; this stays quiet until it changes.",
}

_MOVED: Final = (
    "that {path} stands under another name on the other side stays quiet until it changes; the "
    "copy job may still remove or copy it again."
)
