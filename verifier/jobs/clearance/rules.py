"""The rules of a clearance, and what was found for each.  Reads the ledger, and no share.

All rules are looked at, whichever fails first: who is refused is to know every reason at once.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from datetime import datetime, timedelta
from typing import Final

from msgspec import Struct

from verifier.certificate import RuleResult
from verifier.diff.judge import judge
from verifier.due import is_due, latest_run
from verifier.ignore import Ignore
from verifier.jobs.clearance.history import unexplained
from verifier.jobs.clearance.listed import Listed
from verifier.jobs.clearance.look import LISTED_AT_MOST, LastLook
from verifier.jobs.clearance.rows import Row, is_dated_ahead, rows, unlike
from verifier.jobs.opening import dated
from verifier.ledger import Clearance, FindingState, Ledger, LedgerFinding, PlaceName, Proof
from verifier.measures import amount, count, duration
from verifier.model import Kind, Side, Verdict, printable
from verifier.settings import Settings, Share

READ_AFRESH: Final = "read-afresh"
SAME_CONTENT: Final = "same-content"
COPIES: Final = "copies"
OFF_SITE: Final = "off-site"
NOTHING_OPEN: Final = "nothing-open"
QUIET: Final = "quiet"
NO_LINKS: Final = "no-links"
LEFT_OUT: Final = "left-out"
HISTORY: Final = "history"
READ_LATELY: Final = "read-lately"

RULES: Final = (
    READ_AFRESH,
    SAME_CONTENT,
    COPIES,
    OFF_SITE,
    NOTHING_OPEN,
    QUIET,
    NO_LINKS,
    LEFT_OUT,
    HISTORY,
    READ_LATELY,
)
"""All of them, in the order in which they are shown."""

_IN_DOUBT: Final = frozenset({Verdict.PENDING, Verdict.UNREADABLE, Verdict.UNSETTLED})


class Stand(Struct, frozen=True):
    """Where the places stand, as they were found.

    ``machines`` tells for each place, if it is known, by which machine's numbers its files are
    told apart.  ``no_copies`` are the places that are not apart from one before them, each with a
    clause that says how.
    """

    machines: Mapping[PlaceName, str]
    no_copies: Mapping[PlaceName, str]


class Tally:
    """What one place holds of the folder.

    ``not_apart`` says how the place as a whole is no copy; None when it may be one.
    """

    def __init__(self, place: PlaceName, not_apart: str | None) -> None:
        self.place = place
        self.not_apart = not_apart
        self.files = 0
        self.bytes = 0
        self.first_read: int | None = None
        self.last_read: int | None = None
        self.unread = Listed()
        self.missing = Listed()
        self.unlike = Listed()
        self.no_copy = Listed()
        """Files that are another place's own, by a mount or a hard link."""
        self.not_compared = 0

    @property
    def whole(self) -> bool:
        """True when all that the source has stands here too, was read, and is the same."""
        wrong = self.unread or self.missing or self.unlike or self.no_copy or self.not_compared
        return not wrong and self.not_apart is None

    @property
    def name(self) -> str:
        """The place in a sentence."""
        return "the source" if self.place.is_source else self.place.place

    def count(self, proof: Proof, now: int) -> None:
        """One more path that stands here."""
        sighting = proof.sighting
        if is_dated_ahead(proof, now):
            self.unread.add(sighting.path, "by a clock that was ahead")
        elif not proof.proven or sighting.trouble is not None:
            said = "" if sighting.trouble is None else sighting.trouble.cause
            self.unread.add(sighting.path, said)
        if sighting.kind is not Kind.FILE:
            return
        self.files += 1
        self.bytes += sighting.size
        if proof.proven and sighting.read_at is not None:
            at = sighting.read_at
            self.first_read = at if self.first_read is None else min(self.first_read, at)
            self.last_read = at if self.last_read is None else max(self.last_read, at)


class Facts(Struct, frozen=True):
    """The rules as they were found, and what the certificate says besides."""

    rules: tuple[RuleResult, ...]
    copies: tuple[Tally, ...]
    links: int

    @property
    def held(self) -> bool:
        """True when every rule holds."""
        return all(rule.held for rule in self.rules)


class Rules:
    """Looks at one folder by every rule."""

    def __init__(
        self,
        ledger: Ledger,
        request: Clearance,
        settings: Settings,
        share: Share,
        stand: Stand,
        now: int,
    ) -> None:
        self._ledger = ledger
        self._request = request
        self._settings = settings
        self._wanted = settings.clearance
        self._share = share
        self._now = now
        self._source = PlaceName(share.name)
        self._mirrors = [PlaceName(share.name, mirror.name) for mirror in share.mirrors]
        self._slack_ns = share.slack_ns
        self._run_started = latest_run(
            share.mirror_runs, share.mirror_takes, settings.hours.zone, now
        )
        self._machines = stand.machines
        self._tallies = [
            Tally(place, stand.no_copies.get(place)) for place in (self._source, *self._mirrors)
        ]
        self._links = 0
        self._verdicts = {mirror: Counter[Verdict]() for mirror in self._mirrors}
        self._doubts = {mirror: Listed() for mirror in self._mirrors}
        self._changed = Listed()
        self._latest: int | None = None
        self._first_walk = self._first_walk_at()
        self._look = LastLook()

    def gather(self) -> None:
        """Go through all that the ledger knows of the folder."""
        for row in rows(self._ledger, self._request, [self._source, *self._mirrors]):
            self._take(row)
        ignore = Ignore(self._share.ignore)
        since = self._now - self._wanted.quiet_for.total_seconds()
        for path, at in self._ledger.clearances.departures(self._request, int(since)):
            if not ignore.ignores_at_or_above(path):  # what a new pattern hides has not left
                self._changed.add(path, f"gone, {self._when(at)}")

    def facts(self, look: LastLook, now: int) -> Facts:
        """All of it, after a last look at the places which ended ``now``."""
        self._look, self._now = look, now
        found = (
            self._read_afresh(),
            self._same_content(),
            self._copies(),
            self._off_site(),
            self._nothing_open(),
            self._quiet(),
            self._no_links(),
            self._left_out(),
            self._history(),
            self._read_lately(),
        )
        assert tuple(rule.rule for rule in found) == RULES
        return Facts(found, tuple(self._tallies), self._links)

    # ------------------------------------------------------------------------------ each path

    def _take(self, row: Row) -> None:
        source = row.source
        self._tallies[0].count(source, self._now)
        self._links += source.sighting.kind is Kind.LINK
        changed = self._changed_at(source)
        if self._latest is None or changed > self._latest:
            self._latest = changed
        if changed > self._now - self._wanted.quiet_for.total_seconds():
            self._changed.add(row.path, self._when(changed))
        stand = {self._on_disk(source, self._source): self._tallies[0].name}
        for tally, mirror, place in zip(self._tallies[1:], row.mirrors, self._mirrors, strict=True):
            self._judge(row, mirror, place)
            if mirror is None:
                tally.missing.add(row.path)
                continue
            tally.count(mirror, self._now)
            own = stand.setdefault(self._on_disk(mirror, place), tally.name)
            if own != tally.name:
                tally.no_copy.add(row.path, f"that of {own}")
            if unlike(source, mirror):
                tally.unlike.add(row.path)
            elif not source.proven or source.sighting.trouble is not None:
                tally.not_compared += 1

    def _on_disk(self, proof: Proof, place: PlaceName) -> tuple[object, ...]:
        """What a file has in common with no other one, but with itself under another name."""
        seen = proof.sighting
        if seen.kind is Kind.FILE and seen.inode and place in self._machines:
            return self._machines[place], seen.device, seen.inode
        return (place,)

    def _judge(self, row: Row, mirror: Proof | None, place: PlaceName) -> None:
        """What a shift would say of the path, where the other rules do not say it already."""
        agreement = self._ledger.agreements.of(place, row.path)
        judgement = judge(
            row.source.sighting,
            None if mirror is None else mirror.sighting,
            agreement,
            is_due(row.source.known, self._run_started),
            slack_ns=self._slack_ns,
            dated=dated(self._share, place.place),
        )
        agreed_otherwise = judgement.verdict is Verdict.CORRUPT and judgement.side is Side.BOTH
        if judgement.verdict in _IN_DOUBT or agreed_otherwise:
            said = "not what was agreed" if agreed_otherwise else str(judgement.verdict)
            self._doubts[place].add(row.path, said)

    def _changed_at(self, source: Proof) -> int:
        """When a path last changed, as far as its date and the walks tell."""
        known = source.known
        dated = known.sighting.mtime_ns // 1_000_000_000
        times = [dated if dated <= self._now else 0]
        if known.changed_seen is not None:
            times.append(known.changed_seen)
        elif self._first_walk is not None and known.first_seen > self._first_walk:
            times.append(known.first_seen)
        return max(times)

    def _first_walk_at(self) -> int | None:
        """Before that nobody looked: what was first seen then may have stood there for long."""
        first = next(self._ledger.shifts.walks(self._source), None)
        return None if first is None else first.at

    # ------------------------------------------------------------------------------- each rule

    def _read_afresh(self) -> RuleResult:
        said = []
        for tally in self._tallies:
            if tally.unread:
                said.append(
                    f"{_upper(tally.name)}: {tally.unread.words()} not read, or not with a clear "
                    "result, since this was asked for."
                )
            changed = self._look.changed[tally.place]
            if changed:
                said.append(
                    f"{_upper(tally.name)}: {changed.words()} changed after it was read, which "
                    "cancels the proof."
                    if changed.count == 1
                    else f"{_upper(tally.name)}: {changed.words()} changed after they were read, "
                    "which cancels the proof."
                )
        if said:
            return RuleResult(READ_AFRESH, False, " ".join(said))
        source = self._tallies[0]
        names = [tally.name for tally in self._tallies]
        return RuleResult(
            READ_AFRESH,
            True,
            f"{count(source.files, 'file')} of {amount(source.bytes)}, each read in full on "
            f"{_and(names)} since this was asked for, on "
            f"{self._when(self._request.requested_at)}, and not changed after that.",
        )

    def _same_content(self) -> RuleResult:
        said = []
        for tally in self._tallies[1:]:
            if tally.unlike:
                said.append(f"{_upper(tally.name)} holds something else at {tally.unlike.words()}.")
            if tally.missing:
                said.append(f"{_upper(tally.name)} lacks {tally.missing.words()}.")
            if tally.not_apart is not None:
                said.append(f"{_upper(tally.name)} is no copy: {tally.not_apart}.")
            elif tally.no_copy:
                said.append(
                    f"{_upper(tally.name)} has no file of its own, but one that stands elsewhere "
                    f"too, by a mount or a hard link, at {tally.no_copy.words()}: that is no copy."
                )
            if tally.not_compared or (tally.unread and not said):
                said.append(f"{_upper(tally.name)}: not all could be compared.")
        if said:
            return RuleResult(SAME_CONTENT, False, " ".join(said))
        return RuleResult(
            SAME_CONTENT, True, "Every file has one and the same BLAKE3 digest on all of them."
        )

    def _copies(self) -> RuleResult:
        whole = [tally.name for tally in self._tallies[1:] if tally.whole]
        wanted = self._wanted.copies
        detail = f"Of {count(wanted, 'copy', 'copies')} wanted besides the source, {_held(whole)}."
        return RuleResult(COPIES, len(whole) >= wanted, detail)

    def _off_site(self) -> RuleResult:
        off_site = {mirror.name for mirror in self._share.mirrors if mirror.off_site}
        whole = [
            tally.name
            for tally in self._tallies[1:]
            if tally.whole and tally.place.place in off_site
        ]
        wanted = self._wanted.off_site
        detail = f"Of {count(wanted, 'copy', 'copies')} wanted off site, {_held(whole)}."
        return RuleResult(OFF_SITE, len(whole) >= wanted, detail)

    def _nothing_open(self) -> RuleResult:
        said = []
        for mirror in self._mirrors:
            if self._doubts[mirror]:
                said.append(f"{_upper(mirror.place)}: {self._doubts[mirror].words()}.")
            for what, found in (
                ("open", Listed()),
                ("accepted although in doubt", Listed()),
            ):
                for each in self._findings(mirror):
                    if _is(each, what):
                        found.add(each.path, f"finding {each.id}, {each.verdict}")
                if found:
                    said.append(f"{_upper(mirror.place)}: {found.words('finding')} {what}.")
            waiting = Listed()
            for path in self._ledger.suspicions.waiting(mirror):
                if path.startswith(self._request.folder):
                    waiting.add(path)
            if waiting:
                said.append(
                    f"{_upper(mirror.place)}: {waiting.words()} under suspicion until a shift has "
                    "judged a second reading."
                )
        if said:
            return RuleResult(NOTHING_OPEN, False, " ".join(said))
        return RuleResult(
            NOTHING_OPEN,
            True,
            "Nothing in it is pending, unsettled or unreadable; no finding on it is open, and none "
            "was accepted in doubt.",
        )

    def _findings(self, mirror: PlaceName) -> Iterator[LedgerFinding]:
        """The open and accepted findings on the folder."""
        folder = self._request.folder
        for each in self._ledger.findings.lasting(mirror):
            if each.path.startswith(folder) or each.path == folder[:-1]:
                yield each

    def _quiet(self) -> RuleResult:
        quiet_for = self._wanted.quiet_for
        if self._changed:
            return RuleResult(
                QUIET,
                False,
                f"Within the last {_long(quiet_for)} it changed: {self._changed.words()}.",
            )
        latest = "" if not self._latest else f"; the latest change is of {self._when(self._latest)}"
        return RuleResult(QUIET, True, f"Nothing in it changed for {_long(quiet_for)}{latest}.")

    def _no_links(self) -> RuleResult:
        look, said = self._look, []
        if look.links_in:
            said.append(f"Links elsewhere in the share lead into it: {look.links_in.words()}.")
        if look.hard_links:
            said.append(f"Files with names outside of it: {look.hard_links.words('file')}.")
        if look.not_listed:
            said.append(
                "Whether a link leads into it is not known: elsewhere in the share "
                f"{look.not_listed.words()} could not be looked at."
            )
        if said:
            return RuleResult(NO_LINKS, False, " ".join(said))
        return RuleResult(
            NO_LINKS,
            True,
            "No link elsewhere in the share leads into it, and no file in it has a name outside.",
        )

    def _left_out(self) -> RuleResult:
        look = self._look
        if look.left_out_unlisted:
            return RuleResult(
                LEFT_OUT,
                False,
                "The ignore patterns leave out folders that cannot be listed, so nobody knows what "
                f"would be deleted with them: {look.left_out_unlisted.words('folder')}.",
            )
        if look.left_out_count > LISTED_AT_MOST:
            return RuleResult(
                LEFT_OUT,
                False,
                f"The ignore patterns leave out {count(look.left_out_count, 'path')} in it, more "
                f"than the {LISTED_AT_MOST:,} that can be listed for somebody to look through, and "
                "all would be deleted unread. Narrow the patterns.",
            )
        if look.left_out:
            names = ", ".join(printable(path) for path in look.left_out)
            return RuleResult(
                LEFT_OUT,
                True,
                f"The ignore patterns leave out {count(look.left_out_count, 'path')} in it, which "
                f"nobody has read or compared, and which would be deleted unread: {names}.",
            )
        return RuleResult(LEFT_OUT, True, "No ignore pattern leaves out anything in it.")

    def _history(self) -> RuleResult:
        found = Listed()
        for mirror in self._mirrors:
            for damage, why in unexplained(self._ledger, self._request, mirror):
                found.add(
                    damage.path, f"finding {damage.finding}, {damage.cause}, {mirror.place}: {why}"
                )
        if found:
            return RuleResult(
                HISTORY, False, f"Damage found here was never explained: {found.words()}."
            )
        return RuleResult(
            HISTORY, True, "No damage was ever found in it, or what was is repaired or accepted."
        )

    def _read_lately(self) -> RuleResult:
        within = self._wanted.read_within
        late = [
            f"{tally.name} since {self._when(tally.first_read)}"
            for tally in self._tallies
            if tally.first_read is not None
            and self._now - tally.first_read > within.total_seconds()
        ]
        if late:
            return RuleResult(
                READ_LATELY,
                False,
                f"Not all was read within the last {_long(within)}: {_and(late)}. Ask again, and "
                "what is older is read again; if reading takes longer than that, allow more in "
                "clearance.read_within.",
            )
        return RuleResult(READ_LATELY, True, f"All was read within the last {_long(within)}.")

    def _when(self, at: int) -> str:
        return f"{datetime.fromtimestamp(at, self._settings.hours.zone):%Y-%m-%d %H:%M}"


def _is(each: LedgerFinding, what: str) -> bool:
    if what == "open":
        return each.state is FindingState.OPEN
    # What a mirror holds besides is nothing that would be lost with the source.
    return each.state is FindingState.ACCEPTED and each.verdict is not Verdict.ORPHANED


def _held(names: Sequence[str]) -> str:
    if not names:
        return "none holds it whole"
    return f"{_and(names)} {'holds' if len(names) == 1 else 'hold'} it whole"


def _and(names: Sequence[str]) -> str:
    if len(names) < 2:
        return "".join(names)
    return f"{', '.join(names[:-1])} and {names[-1]}"


def _upper(name: str) -> str:
    return name[:1].upper() + name[1:] if name.startswith("the ") else name


def _long(length: timedelta) -> str:
    return duration(length.total_seconds())
