"""A studio in memory: two or more places, and nights on them with a real ledger."""

from __future__ import annotations

import json
from collections.abc import Collection, Iterable

from verifier.damage import examine
from verifier.due import ALWAYS_DUE
from verifier.hashing import digest_of
from verifier.jobs.judging import Judging
from verifier.jobs.neighbourhood import Neighbourhood
from verifier.jobs.released import Released
from verifier.ledger import GrantedCertificate, Ledger, PlaceName
from verifier.model import FirstSight, Kind, Side, Sighting, SmallFiles, Trouble, Verdict

FOLDER = b"2026-014-harbour-wall/"
A = FOLDER + b"flights/a.jpg"
B = FOLDER + b"flights/b.jpg"
PLAN = FOLDER + b"notes/plan.txt"
SHARE = "current-surveys"
SOURCE, VAULT = PlaceName(SHARE), PlaceName(SHARE, "vault")
SECOND = 1_000_000_000
DAY = 86_400
START = 1_800_000_000
SLACK = 2 * SECOND


def first_sight(seen: Iterable[Sighting]) -> FirstSight:
    """Sightings as the readers of a first look hand them over."""
    sight = FirstSight([], [])
    for each in seen:
        if each.digest is None:
            sight.others.append(each)
            continue
        one = SmallFiles.of(each)
        if sight.read and sight.read[-1].goes_on_with(one):
            sight.read[-1].facts.extend(one.facts)
        else:
            sight.read.append(one)
    return sight


class Content:
    """A content in memory that can be examined."""

    def __init__(self, content: bytes) -> None:
        self._content = content
        self.size = len(content)
        self.fingerprints = ()

    def read_at(self, offset: int, length: int) -> bytes:
        return self._content[offset : offset + length]


class Studio:
    """Two places in memory, and nights that walk, read and judge them with a real ledger."""

    def __init__(self, ledger: Ledger) -> None:
        self.ledger = ledger
        self.now = float(START)
        self.places: dict[PlaceName, dict[bytes, tuple[bytes, int]]] = {SOURCE: {}, VAULT: {}}
        self.links: dict[PlaceName, dict[bytes, bytes]] = {SOURCE: {}, VAULT: {}}
        self.troubles: dict[tuple[PlaceName, bytes], Trouble] = {}
        self.once: dict[tuple[PlaceName, bytes], bytes] = {}
        self.looked_at: dict[tuple[PlaceName, bytes], Sighting] = {}
        self.reads: list[tuple[PlaceName, bytes]] = []
        self.run_started: float = ALWAYS_DUE
        self.had_time = True
        self.neighbourhood: Neighbourhood | None = None
        self.left_out: Collection[bytes] = ()

    # what people, copy jobs and disks do

    def write(self, place: PlaceName, path: bytes, content: bytes, date: int | None = None) -> None:
        self.places[place][path] = content, int(self.now) if date is None else date

    def rot(self, place: PlaceName, path: bytes) -> None:
        content, date = self.places[place][path]
        self.places[place][path] = content[:-1] + bytes([content[-1] ^ 1]), date
        # a disk changes no inode; the ledger must find out by reading

    def copy_all(self) -> None:
        for place in self.places:
            self.places[place] = dict(self.places[SOURCE])
            self.links[place] = dict(self.links[SOURCE])

    def certify(self, *mirrors: PlaceName) -> None:
        """Grant a certificate on `FOLDER`, which counts on these mirrors."""
        request = self.ledger.clearances.request(SHARE, FOLDER, int(self.now), "rana")
        granted = GrantedCertificate(
            0, SHARE, FOLDER, int(self.now), "rana", bytes(32), bytes(32), b"c.json", 1, 1
        )
        copies = [{"place": each.place} for each in (SOURCE, *mirrors)]
        self.ledger.certificates.add(request, granted, json.dumps({"copies": copies}).encode())

    # the night

    def walk(self, place: PlaceName) -> None:
        walk = self.ledger.walk(place, left_out=lambda path: path in self.left_out)
        walk.take(self._dated(place))
        walk.apply(int(self.now))

    def _dated(self, place: PlaceName):
        found = {
            path: Sighting(path, Kind.FILE, len(content), date * SECOND)
            for path, (content, date) in self.places[place].items()
        }
        found |= {
            path: Sighting(path, Kind.LINK, len(target), 0, target=target)
            for path, target in self.links[place].items()
        }
        return (found[path] for path in sorted(found) if path not in self.left_out)

    def read(self) -> int:
        """Everything that is new or wanted, once; how much that was."""
        count = 0
        for place in self.places:
            work = self.ledger.work
            due = {each.path: each.wanted is not None for each in work.unread(place)}
            due |= {each.path: True for each in work.wanted(place)}
            for path, past_cache in sorted(due.items()):
                self.read_one(place, path, past_cache)
                count += 1
        self.ledger.readings.flush()
        return count

    def read_one(self, place: PlaceName, path: bytes, past_cache: bool = True) -> None:
        content, date = self.places[place][path]
        trouble = self.troubles.get((place, path))
        seen = self.once.pop((place, path), content)
        self.reads.append((place, path))
        reading = Sighting(
            path,
            Kind.FILE,
            len(content),
            date * SECOND,
            digest=None if trouble else digest_of(seen),
            read_at=None if trouble else int(self.now),
            trouble=trouble,
        )
        self.ledger.readings.add(place, reading, self.now, past_cache)

    def audit(self) -> None:
        for place in self.places:
            for path in sorted(self.places[place]):
                self.read_one(place, path)
        self.ledger.readings.flush()

    def judge(self, anew: bool = False) -> None:
        judging, mirrors = self.judging()
        judging.judge(mirrors, self.run_started, anew=anew)
        judging.finish(mirrors)

    def judging(self) -> tuple[Judging, list[PlaceName]]:
        mirrors = [each for each in self.places if each != SOURCE]
        released = Released(self.ledger, SHARE, SLACK, mirrors, lambda path: path in self.left_out)
        return Judging(
            self.ledger,
            SHARE,
            SLACK,
            self,
            lambda: self.now,
            self.neighbourhood,
            released=released,
        ), mirrors

    def night(self, audit: bool = False) -> None:
        self.now += DAY
        for place in self.places:
            self.walk(place)
        judging, mirrors = self.judging()
        for mirror in mirrors:
            self.ledger.agreements.end_where_nothing_stands(mirror)
        judging.judge(mirrors, self.run_started, anew=True)
        if audit:
            self.audit()
        for _ in range(6):
            self.now += 60
            judging.judge(mirrors, self.run_started, anew=False)
            if not self.read():
                judging.finish(mirrors)
                break
        else:
            raise AssertionError("the night does not come to an end")

    # what a judgement asks of the places

    def look(self, place, sighting):
        if (place, sighting.path) in self.looked_at:
            return self.looked_at[place, sighting.path]
        for seen in self._dated(place):
            if seen.path == sighting.path:
                return seen
        return Sighting(sighting.path, Kind.OTHER, 0, 0, trouble=Trouble("gone"))

    def examine(self, mirror, row):
        if not self.had_time:
            return None, False
        source = self.places[SOURCE][row.source.path][0]
        held = self.places[mirror][row.mirror.path][0]
        if source == held:
            return None, True
        return examine(Content(source), Content(held)), True

    # what came of it

    def lasting(
        self, mirror: PlaceName = VAULT
    ) -> dict[bytes, tuple[Verdict, str | None, Side | None]]:
        return {
            each.path: (each.verdict, each.finding.cause, each.finding.side)
            for each in self.ledger.findings.lasting(mirror)
        }

    def verdicts(self) -> dict[bytes, Verdict]:
        return {path: verdict for path, (verdict, _, _) in self.lasting().items()}


def new_studio(ledger: Ledger) -> Studio:
    """One with a folder of two files on both sides, which has had its first night."""
    made = Studio(ledger)
    made.write(SOURCE, A, b"first light", START - DAY)
    made.write(SOURCE, PLAN, b"low tide at noon", START - DAY)
    made.copy_all()
    made.night()
    return made
