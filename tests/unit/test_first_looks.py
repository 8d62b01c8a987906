"""First looks: what is seen and read in one go is known, counted and judged as any other way."""

from __future__ import annotations

import os
import queue
import shutil
import stat
import time
from collections.abc import Callable, Iterable
from concurrent.futures import Future
from contextlib import closing
from itertools import count
from pathlib import Path
from unittest.mock import patch

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from msgspec import structs
from studios import SHARE, SOURCE, START, VAULT, Studio, first_sight
from trees import Tree

from verifier.engine import BellRang, Engine
from verifier.errors import PlaceUnreachable
from verifier.hashing import digest_of
from verifier.ignore import Ignore
from verifier.jobs import first_looks
from verifier.jobs.first_looks import FirstLooks
from verifier.jobs.readers import EngineReaders
from verifier.ledger import FirstLook, Ledger, PlaceName
from verifier.ledger.opening import opened, soundness
from verifier.model import FirstSight, Kind, Sighting, Trouble, Verdict
from verifier.places.base import SMALL_BELOW, pack_first, unpack_first
from verifier.places.folder import FolderPlace
from verifier.reading import read_small_packed
from verifier.scheduler import GRACE
from verifier.walker import Entry, walk_dated

PATHS = [
    b"2026-014-harbour-wall/flights/a.jpg",
    b"2026-014-harbour-wall/flights/b.jpg",
    b"2026-014-harbour-wall/notes/plan.txt",
    b"2026-014-harbour-wall.txt",
    b"readme.txt",
]
CONTENTS = [b"", b"first light", b"low tide", b"low tidf"]

sides = st.dictionaries(
    st.sampled_from(PATHS),
    st.tuples(st.sampled_from(CONTENTS), st.sampled_from([START - 900_000, START - 90])),
)


def first_look(studio: Studio, places: list[PlaceName], unread: set[bytes], at_once: int) -> None:
    """Look at places of the studio for the first time, in turn, so many paths to a commit."""
    looks = {}
    for place in places:
        look = studio.ledger.first_look(place)
        assert look is not None
        looks[place] = look
    left = {place: list(studio._dated(place)) for place in places}
    while any(left.values()):
        for place, look in looks.items():
            seen, left[place] = left[place][:at_once], left[place][at_once:]
            look.add(first_sight(_read(studio, place, each, unread) for each in seen))
            look.commit(int(studio.now))
        if SOURCE in looks and VAULT in looks:
            parts = looks[SOURCE].take_parts()
            studio.ledger.agreements.agree_at_first(VAULT, parts, int(studio.now))
    for look in looks.values():
        look.end(int(studio.now))


def _read(studio: Studio, place: PlaceName, seen: Sighting, unread: set[bytes]) -> Sighting:
    if seen.kind is not Kind.FILE or seen.path in unread:
        return seen
    content, _ = studio.places[place][seen.path]
    return structs.replace(seen, digest=digest_of(content), read_at=int(studio.now))


def _sightings(ledger: Ledger, place: PlaceName) -> list[object]:
    return [
        (each.sighting.path, each.sighting.kind, each.sighting.size, each.sighting.digest)
        for each in ledger.sightings(place)
    ]


# Fails when what was read is not counted, not touched where nothing is agreed on it, or agreed
# on where the sides differ.
@settings(max_examples=120, deadline=None, suppress_health_check=list(HealthCheck))
@given(
    source=sides,
    mirror=sides,
    links=st.dictionaries(st.just(b"latest"), st.sampled_from([b"readme.txt", b"notes"])),
    unread=st.sets(st.sampled_from(PATHS)),
    at_once=st.integers(1, 6),
    only_source=st.booleans(),
    places=st.permutations([SOURCE, VAULT]),
    alike=st.booleans(),
)
def test_a_first_look_leads_to_what_a_walk_and_readings_lead_to(
    tmp_path_factory,
    source,
    mirror,
    links,
    unread,
    at_once,
    only_source,
    places,
    alike,
):
    if alike:
        mirror = {
            path: (source[path][0], date) for path, (_, date) in mirror.items() if path in source
        }
    folder = tmp_path_factory.mktemp("ledgers")
    everywhere = patch("verifier.ledger.first_look._SHORT_PART", 0)
    with everywhere, Ledger(folder / "one.db") as one, Ledger(folder / "other.db") as other:
        looked, walked = Studio(one), Studio(other)
        for studio in (looked, walked):
            studio.places = {SOURCE: dict(source), VAULT: dict(mirror)}
            studio.links = {SOURCE: dict(links), VAULT: {}}
        first_look(looked, [SOURCE] if only_source else places, unread, at_once)
        for studio in (looked, walked):
            studio.night()
        assert looked.lasting() == walked.lasting()
        assert list(one.agreements.all(VAULT)) == list(other.agreements.all(VAULT))
        for place in (SOURCE, VAULT):
            assert _sightings(one, place) == _sightings(other, place)
            assert one.work.totals(place) == other.work.totals(place)
    for name in ("one.db", "other.db"):
        assert _wrong_totals(folder / name) == ()
    shutil.rmtree(folder)


def _wrong_totals(path: Path) -> tuple[str, ...]:
    with closing(opened(path)) as store:
        return soundness(store)


def test_what_many_rows_have_in_common_stays_with_the_rows_that_have_it(ledger):
    seen = [
        Sighting(
            b"2026-014-harbour-wall/flights/%04d.jpg" % number,
            Kind.FILE,
            number,
            (START + number) * 10**9,
            ctime_ns=(START + 2 * number) * 10**9,
            inode=number if number % 7 else 2**64 - number - 1,
            device=(1, 2, 2**64 - 1)[number % 3],
            links=1 + number % 2,
            digest=None if number % 5 == 4 else digest_of(b"%d" % number),
            read_at=None if number % 5 == 4 else START - number,
        )
        for number in range(1000)
    ]
    look = ledger.first_look(SOURCE)
    look.add(first_sight(seen))
    look.commit(START)
    assert [each.sighting for each in ledger.sightings(SOURCE)] == seen
    assert {each.first_seen for each in ledger.sightings(SOURCE)} == {START}
    assert look.files_read == 800
    summary = look.end(START)
    assert (summary.seen, summary.files, summary.bytes) == (1000, 1000, sum(range(1000)))
    totals = ledger.work.totals(SOURCE)
    assert (totals.files, totals.unread_files) == (1000, 200)


def test_a_place_that_was_seen_before_has_no_first_look(ledger):
    look = ledger.first_look(SOURCE)
    assert look is not None
    look.end(START)
    assert ledger.first_look(SOURCE) is None, "walked, and empty"
    cut_off = ledger.first_look(VAULT)
    cut_off.add(first_sight([Sighting(PATHS[0], Kind.FILE, 3, START * 10**9)]))
    cut_off.commit(START)
    assert ledger.first_look(VAULT) is None, "seen in part"
    assert ledger.shifts.last_walk(VAULT) is None
    assert ledger.shifts.last_walk(SOURCE) is not None


# Fails when the mark is not in the ledger before what it is about, or is gone before its end.
def test_what_a_first_look_recorded_is_judged_after_a_crash(tmp_path):
    studio = Studio(Ledger(tmp_path / "ledger.db"))
    studio.write(SOURCE, PATHS[0], b"first light", START - 900_000)
    studio.write(VAULT, PATHS[0], b"first lighT", START - 900_000)
    studio.write(SOURCE, PATHS[1], b"low tide", START - 900_000)
    studio.write(VAULT, PATHS[1], b"low tide", START - 900_000)
    first_look(studio, [SOURCE], set(), 1)
    look = studio.ledger.first_look(VAULT)
    look.add(first_sight(_read(studio, VAULT, each, set()) for each in studio._dated(VAULT)))
    look.commit(START)
    shutil.copytree(tmp_path, tmp_path / "crashed", ignore=shutil.ignore_patterns("crashed"))
    studio.ledger.close()
    with Ledger(tmp_path / "crashed" / "ledger.db") as ledger:
        later = Studio(ledger)
        later.places, later.now = studio.places, studio.now
        later.night()
        assert later.verdicts() == {PATHS[0]: Verdict.CORRUPT}
        assert ledger.agreements.of(VAULT, PATHS[1]) is not None


def test_a_second_mirror_is_agreed_on_beside_one_that_is_known(tmp_path):
    far = PlaceName(SHARE, "faraway")
    with Ledger(tmp_path / "ledger.db") as ledger:
        studio = Studio(ledger)
        for path in PATHS:
            studio.write(SOURCE, path, b"first light", START - 900_000)
        studio.copy_all()
        studio.night()
        before = list(ledger.agreements.all(VAULT))
        studio.places[far], studio.links[far] = dict(studio.places[SOURCE]), {}
        studio.rot(far, PATHS[2])
        first_look(studio, [far], set(), 3)
        studio.night()
        assert studio.lasting(far).keys() == {PATHS[2]}
        assert studio.lasting(VAULT) == {}
        assert list(ledger.agreements.all(VAULT)) == before
        assert {path for path, _ in ledger.agreements.all(far)} == {*PATHS} - {PATHS[2]}


# Fails when only a place where something stands is marked.
def test_a_new_mirror_that_is_empty_lacks_all_that_the_source_has_long_held(tmp_path):
    far = PlaceName(SHARE, "faraway")
    with Ledger(tmp_path / "ledger.db") as ledger:
        studio = Studio(ledger)
        for path in PATHS:
            studio.write(SOURCE, path, b"first light", START - 900_000)
        studio.copy_all()
        studio.night()
        studio.places[far], studio.links[far] = {}, {}
        first_look(studio, [far], set(), 3)
        studio.night()
        assert studio.lasting(far).keys() == {*PATHS}


def _looked_at(
    place: FolderPlace, paths: list[bytes], not_files: Iterable[int] = ()
) -> list[Sighting]:
    """What is seen there first, in order of path."""
    packed = read_small_packed(place, paths, frozenset(not_files), time.time, _nobody())
    return _sightings_of(unpack_first(packed))


def _sightings_of(sight: FirstSight) -> list[Sighting]:
    seen = list(sight.others)
    for some in sight.read:
        seen += some.sightings()
    assert len(seen) == len(sight)
    return sorted(seen, key=lambda each: each.path)


def test_small_files_are_read_and_others_only_seen(tmp_path):
    tree = (
        Tree(tmp_path / "bench").file("small.jpg", SMALL_BELOW - 1).file("large.tif", SMALL_BELOW)
    )
    tree.file("empty", b"").link("latest", "large.tif").file("twice", 10).hard_link("same", "twice")
    place = FolderPlace.at_path(tree.root)
    looked = _looked_at(place, [b"empty", b"large.tif", b"latest", b"same", b"small.jpg"], {2})
    empty, large, link, same, small = looked
    assert small.digest == digest_of((tree.root / "small.jpg").read_bytes())
    assert empty.digest == digest_of(b"") and empty.read_at is not None
    assert (large.digest, large.size, large.trouble) == (None, SMALL_BELOW, None)
    assert (link.kind, link.target, same.digest, same.links) == (Kind.LINK, b"large.tif", None, 2)
    dated = {each.path: each for each in walk_dated(place)}
    for each in looked:
        assert structs.replace(each, digest=None, read_at=None) == dated[each.path]


def _told_otherwise(monkeypatch, size: int, times: int, **told: int) -> None:
    """Have the system tell something else of the files of a size, so many times."""
    fstat = os.fstat

    def otherwise(descriptor: int) -> os.stat_result:
        nonlocal times
        found = fstat(descriptor)
        if found.st_size != size or not times:
            return found
        times -= 1
        more = {name: getattr(found, name) for name in ("st_mtime_ns", "st_ctime_ns")}
        seen = [*found[:10]]
        if "st_dev" in told:
            seen[stat.ST_DEV] = told["st_dev"]
        return os.stat_result(seen, {**more, **told})

    monkeypatch.setattr("verifier.places.folder.fstat", otherwise)
    monkeypatch.setattr("os.fstat", otherwise)


def test_a_small_file_that_changed_and_then_stood_still_is_read_all_the_same(tmp_path, monkeypatch):
    tree = Tree(tmp_path / "bench").file("a.jpg", 100).file("b.jpg", 200).file("c.jpg", 300)
    _told_otherwise(monkeypatch, 200, 1, st_mtime_ns=1)
    names = [b"a.jpg", b"b.jpg", b"c.jpg"]
    place = FolderPlace.at_path(tree.root)
    sight = place.read_small(names, frozenset(), time.time, _nobody())
    assert sight.others == []
    assert [each.digest for each in _sightings_of(sight)] == [
        digest_of((tree.root / name.decode()).read_bytes()) for name in names
    ]


# Fails when what stands in one folder is taken to lie on one disk, which single files need not.
def test_a_small_file_of_another_disk_keeps_its_device(tmp_path, monkeypatch):
    tree = Tree(tmp_path / "bench").file("a.jpg", 100).file("b.jpg", 200).file("c.jpg", 300)
    _told_otherwise(monkeypatch, 200, -1, st_dev=4711)
    looked = _looked_at(FolderPlace.at_path(tree.root), [b"a.jpg", b"b.jpg", b"c.jpg"])
    here = tree.root.stat().st_dev
    assert [each.device for each in looked] == [here, 4711, here]
    assert all(each.digest is not None for each in looked)


def test_a_batch_leaves_what_comes_after_some_bytes(tmp_path, monkeypatch):
    monkeypatch.setattr("verifier.places.folder.SMALL_BYTES", 40_000)
    names = [f"frame-{number:03}.jpg" for number in range(64)]
    tree = Tree(tmp_path / "bench").files(*names, size=1_000)
    looked = _looked_at(FolderPlace.at_path(tree.root), [name.encode() for name in names])
    read = [each.digest is not None for each in looked]
    assert read == [True] * 48 + [False] * 16, "looked at after each sixteen"
    assert all(each.size == 1_000 and each.trouble is None for each in looked)


# --------------------------------------------------------------------------------------- the job


def _nobody():
    return Engine(inline=True).own_watch(0)


class Lookers:
    """Looks at once, in this thread; ``before`` may do something to a batch first."""

    def __init__(self, before: Callable[[list[Entry]], object] = lambda entries: None) -> None:
        self._before = before
        self._watch = _nobody()
        self.batches: list[int] = []

    def has_room(self, place: PlaceName, under_way: int) -> bool:
        return under_way < 2

    def watch(self, place: PlaceName):
        return self._watch

    def bytes_read(self, place: PlaceName) -> int:
        return 0

    def look_first(self, name: PlaceName, place: FolderPlace, entries: list[Entry]):
        answer: Future[bytes] = Future()
        self.batches.append(len(entries))
        try:
            kept = self._before(entries)
            asked = [each for each in entries if each.trouble is None]
            asked = asked if kept is None else asked[:kept]
            not_files = frozenset(
                number for number, each in enumerate(asked) if each.kind is not Kind.FILE
            )
            paths = [each.path for each in asked]
            answer.set_result(read_small_packed(place, paths, not_files, time.time, self._watch))
        except Exception as error:
            answer.set_exception(error)
        return answer


def _looks(
    ledger: Ledger,
    trees: dict[PlaceName, Tree],
    lookers: Lookers,
    each_turn: Callable[[], None] = lambda: None,
    now: Callable[[], float] = time.time,
) -> FirstLooks:
    looks = FirstLooks(ledger, lookers, each_turn, now)
    for name, tree in trees.items():
        look = ledger.first_look(name)
        assert isinstance(look, FirstLook)
        looks.add(name, FolderPlace.at_path(tree.root), Ignore([".DS_Store"]), look)
    return looks


def _survey(root: Path, files: int = 200) -> Tree:
    tree = Tree(root).link("latest", "flights").file(".DS_Store", b"of a desktop")
    for number in range(files):
        tree.file(f"flights/{number // 50:02}/frame-{number:04}.jpg", 100 + number)
    return tree


def test_both_places_are_known_and_read_afterwards(ledger, tmp_path):
    trees = {SOURCE: _survey(tmp_path / "bench"), VAULT: _survey(tmp_path / "vault")}
    looks = _looks(ledger, trees, Lookers())
    assert looks.run() == ({SOURCE, VAULT}, {})
    assert looks.files_read == 400
    for name in trees:
        totals = ledger.work.totals(name)
        assert (totals.entries, totals.files, totals.unread_files) == (201, 200, 0)
        assert ledger.shifts.last_walk(name).summary.seen == 201


# Fails when what both sides hold is not agreed on before all is seen, or counted wrong.
@pytest.mark.parametrize("rotten", [False, True])
def test_what_both_sides_hold_is_agreed_on_while_they_are_read(ledger, tmp_path, rotten):
    trees = {SOURCE: _survey(tmp_path / "bench", 600), VAULT: _survey(tmp_path / "vault", 600)}
    if rotten:
        trees[VAULT].flip_bit("flights/03/frame-0170.jpg")
    agreed: list[int] = []
    looks = _looks(
        ledger, trees, Lookers(lambda entries: agreed.append(_agreed(ledger))), now=_ticking()
    )
    looks.run()
    assert 0 < agreed[-1] < 600, "none before the end"
    assert _agreed(ledger) == 600 - rotten
    ledger.agreements.settle_unjudged(SHARE, [VAULT], START)
    assert _agreed(ledger) == 600 - rotten
    touched = set(ledger.agreements.touched(VAULT))
    assert touched == {b"latest", *([b"flights/03/frame-0170.jpg"] if rotten else [])}


# Fails when what was agreed on early is taken for all there is though a file changed since.
def test_what_changes_after_it_was_agreed_on_early_is_judged_and_counted(ledger, tmp_path):
    trees = {SOURCE: _survey(tmp_path / "bench"), VAULT: _survey(tmp_path / "vault")}
    for tree in trees.values():
        (tree.root / "latest").unlink()
    _looks(ledger, trees, Lookers()).run()
    assert _agreed(ledger) == 200
    changed = trees[VAULT].root / "flights/00/frame-0000.jpg"
    changed.write_bytes(b"another content")
    walk = ledger.walk(VAULT)
    walk.take(walk_dated(FolderPlace.at_path(trees[VAULT].root), Ignore([".DS_Store"])))
    walk.apply(START)
    ledger.agreements.settle_unjudged(SHARE, [VAULT], START)
    assert ledger.agreements.all_agreed(VAULT) is None
    assert b"flights/00/frame-0000.jpg" in set(ledger.agreements.touched(VAULT))
    assert ledger.nights.tallies(VAULT)[Verdict.MATCHED].paths == 199


def _agreed(ledger: Ledger) -> int:
    return sum(1 for _ in ledger.agreements.all(VAULT))


def _ticking() -> Callable[[], float]:
    """A clock on which so much passes between any two looks that all is committed at once."""
    seconds = count(START, 5)
    return lambda: float(next(seconds))


def test_a_place_whose_root_goes_away_is_lost_and_the_other_is_not(ledger, tmp_path):
    trees = {SOURCE: _survey(tmp_path / "bench"), VAULT: _survey(tmp_path / "vault")}

    def unmount(entries: list[Entry]) -> None:
        if len(lookers.batches) == 4:
            os.rename(trees[VAULT].root, tmp_path / "elsewhere")
            _survey(trees[VAULT].root, 2)

    lookers = Lookers(unmount)
    whole, lost = _looks(ledger, trees, lookers).run()
    assert whole == {SOURCE} and lost.keys() == {VAULT}
    assert isinstance(lost[VAULT], PlaceUnreachable)
    assert ledger.shifts.last_walk(VAULT) is None, "not walked"


def test_what_could_not_be_read_is_seen_and_waits_for_its_turn(ledger, tmp_path):
    tree = _survey(tmp_path / "bench")
    failing = tree.root / "flights/01/frame-0060.jpg"

    class Failing(Lookers):
        def look_first(self, name, place, entries):
            seen = unpack_first(super().look_first(name, place, entries).result())
            told = [
                structs.replace(each, digest=None, trouble=Trouble("input-output-error"))
                if each.path.endswith(failing.name.encode())
                else each
                for each in _sightings_of(seen)
            ]
            answer: Future[bytes] = Future()
            answer.set_result(pack_first(first_sight(told)))
            return answer

    looks = _looks(ledger, {SOURCE: tree}, Failing())
    assert looks.run() == ({SOURCE}, {})
    assert [each.path for each in ledger.work.unread(SOURCE)] == [b"flights/01/frame-0060.jpg"]
    assert ledger.work.totals(SOURCE).entries == 201
    assert all(each.sighting.trouble is None for each in ledger.sightings(SOURCE))


def test_a_file_that_went_meanwhile_is_left_to_the_next_walk(ledger, tmp_path):
    tree = _survey(tmp_path / "bench")
    gone = tree.root / "flights/01/frame-0060.jpg"
    looks = _looks(ledger, {SOURCE: tree}, Lookers(lambda entries: gone.unlink(missing_ok=True)))
    assert looks.run() == ({SOURCE}, {})
    assert ledger.work.totals(SOURCE).entries == 200
    assert all(b"0060" not in each.sighting.path for each in ledger.sightings(SOURCE))


def test_a_folder_that_cannot_be_listed_is_seen_with_its_trouble(ledger, tmp_path, monkeypatch):
    tree = _survey(tmp_path / "bench")
    listed = FolderPlace.list_folder

    def refused(self, folder):
        if folder == b"flights/02":
            raise PermissionError(13, "Permission denied")
        return listed(self, folder)

    monkeypatch.setattr(FolderPlace, "list_folder", refused)
    assert _looks(ledger, {SOURCE: tree}, Lookers()).run() == ({SOURCE}, {})
    found = {each.sighting.path: each for each in ledger.sightings(SOURCE)}
    assert len(found) == 152
    assert found[b"flights/02"].sighting.trouble.cause == "permission-denied"


def test_a_bell_keeps_what_was_read_and_does_not_call_it_a_walk(ledger, tmp_path):
    tree = _survey(tmp_path / "bench")
    clock = [float(START)]

    def ring(entries: list[Entry]) -> int | None:
        if len(lookers.batches) < 2:
            return None
        clock[0] = START + 60.0
        return 10

    lookers = Lookers(ring)
    looks = _looks(ledger, {SOURCE: tree}, lookers, now=lambda: clock[0])
    with pytest.raises(BellRang):
        looks.run(START + 60.0)
    totals = ledger.work.totals(SOURCE)
    assert 0 < totals.files < 200 and totals.unread_files == 0
    assert ledger.shifts.last_walk(SOURCE) is None


class Slow(Lookers):
    """Looks when it is told to, as readers do that stop at the bell and hand in what they have."""

    def __init__(self) -> None:
        super().__init__()
        self.held: list[tuple[Future[bytes], Future[bytes]]] = []

    def look_first(self, name: PlaceName, place: FolderPlace, entries: list[Entry]):
        answer: Future[bytes] = Future()
        self.held.append((answer, super().look_first(name, place, entries)))
        return answer

    def hand_in(self) -> None:
        while self.held:
            answer, done = self.held.pop()
            answer.set_result(done.result())


class Passing(queue.SimpleQueue):
    """A queue for which waiting lets time pass on a clock that is made up."""

    def __init__(self, let_pass: Callable[[float], None]) -> None:
        super().__init__()
        self._let_pass = let_pass

    def get(self, block: bool = True, timeout: float | None = None):
        left = timeout or 0.0
        while True:
            try:
                return super().get(False)
            except queue.Empty:
                if left <= 0:
                    raise
                self._let_pass(step := min(left, 0.05))
                left -= step


# Fails when what readers have in hand at the bell is read again.
@pytest.mark.parametrize("late", [0.0, 0.3, GRACE + 0.2])
def test_at_the_bell_what_readers_hand_in_is_waited_for_and_not_for_long(ledger, tmp_path, late):
    lookers, clock, bell = Slow(), [START + 58.7], START + 60.0

    def let_pass(seconds: float) -> None:
        clock[0] += seconds
        if clock[0] >= bell + late:
            lookers.hand_in()

    looks = _looks(ledger, {SOURCE: _survey(tmp_path / "bench")}, lookers, now=lambda: clock[0])
    looks._answers = Passing(let_pass)
    with pytest.raises(BellRang):
        looks.run(bell)
    assert (ledger.work.totals(SOURCE).files > 0) is (late < GRACE)
    assert bell <= clock[0] <= bell + GRACE + 0.001


# Fails when a batch that came back short counts as gone through.
def test_a_place_of_which_a_batch_came_back_short_is_walked_anew(ledger, tmp_path):
    lookers = Lookers(lambda entries: 3)
    whole, lost = _looks(ledger, {SOURCE: _survey(tmp_path / "bench")}, lookers).run()
    assert (whole, lost) == (set(), {})
    assert ledger.shifts.last_walk(SOURCE) is None


def test_after_some_time_the_rest_is_left_to_a_walk(ledger, tmp_path):
    clock = [0.0]

    def pass_time(entries: list[Entry]) -> None:
        clock[0] += first_looks.AT_MOST / 2.5

    lookers = Lookers(pass_time)
    tree = _survey(tmp_path / "bench", 1_000)
    looks = _looks(ledger, {SOURCE: tree}, lookers, now=lambda: START + clock[0])
    assert looks.run() == (set(), {})
    assert 0 < ledger.work.totals(SOURCE).files < 1_000


# Fails when only time has what was read committed: where a tenth of a second is long.
def test_what_was_read_is_committed_sooner_where_it_is_much(ledger, tmp_path, monkeypatch):
    monkeypatch.setattr(first_looks, "HELD_BYTES", 1_000)
    recorded = []

    def note(entries: list[Entry]) -> None:
        recorded.append(ledger.work.totals(SOURCE).files)

    tree = _survey(tmp_path / "bench", 1_000)
    _looks(ledger, {SOURCE: tree}, Lookers(note), now=lambda: START).run()
    assert recorded[0] == 0 and 0 < recorded[-1] < 1_000


def test_what_is_neither_place_nor_bell_ends_it(ledger, tmp_path):
    def fail(entries: list[Entry]) -> None:
        raise MemoryError

    with pytest.raises(MemoryError):
        _looks(ledger, {SOURCE: _survey(tmp_path / "bench")}, Lookers(fail)).run()


def test_the_line_tells_what_was_read_and_not_of_how_much(ledger, tmp_path):
    said = []
    looks = _looks(
        ledger,
        {SOURCE: _survey(tmp_path / "bench")},
        Lookers(),
        lambda: said.append(looks.status()),
    )
    looks.run()
    assert said[0] is None
    assert any(each is not None and each.total is None for each in said) or len(said) <= 3


def test_real_readers_look_first(ledger, tmp_path):
    trees = {SOURCE: _survey(tmp_path / "bench"), VAULT: _survey(tmp_path / "vault")}
    trees[SOURCE].file("orthos/wall.tif", SMALL_BELOW)
    with Engine([2, 2], readers=2) as engine:
        readers = EngineReaders(engine, list(trees))
        assert readers.look_first_at(FolderPlace.at_path(trees[SOURCE].root))
        looks = FirstLooks(ledger, readers, lambda: None, time.time)
        for name, tree in trees.items():
            look = ledger.first_look(name)
            looks.add(name, FolderPlace.at_path(tree.root), Ignore([".DS_Store"]), look)
        assert looks.run() == ({SOURCE, VAULT}, {})
        assert looks.seconds.keys() == trees.keys()
    assert [each.path for each in ledger.work.unread(SOURCE)] == [b"orthos/wall.tif"]
    assert looks.files_read == 400
