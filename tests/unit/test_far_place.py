"""A place on a far host holds what a folder would, and links that drop are made anew.

The far end is the real one in a process of its own.  In place of an SSH client stands a program
that starts it at once, which is all that an SSH client does; the real one, and a real server, are
in tests/program/test_far_host.py.
"""

from __future__ import annotations

import os
import pickle
import signal
import sys
import threading
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from blake3 import blake3
from hypothesis import given, settings
from hypothesis import strategies as st
from msgspec import msgpack
from program.running import bytes_read_by, wait_until
from trees import Tree, lantern_marsh

from verifier.engine import BellRang, Engine, Terms
from verifier.errors import PlaceUnreachable, Stopped
from verifier.ignore import Ignore, Only
from verifier.model import SEGMENT, Kind, Sighting
from verifier.pace import Pace
from verifier.places.addresses import Address, parse_address
from verifier.places.base import Look, Place, WalksItself, is_empty
from verifier.places.far.link import command_for
from verifier.places.far.messages import Done, framed, window_for
from verifier.places.far.place import WAITS, FarPlace
from verifier.places.folder import FolderPlace
from verifier.walker import walk, walk_dated

NOON = 1_795_557_600
START = f'exec "{sys.executable}" -m verifier far-end'
often = settings(max_examples=200, deadline=None, database=None)


class Client:
    """What is run as ``ssh``: it notes its own process, and becomes a far end unless told else."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.programs = folder / "bin"
        self.programs.mkdir(parents=True)
        self._notes = folder / "started"
        self._notes.mkdir()
        self.is_to(START)

    def is_to(self, do: str) -> None:
        """What it does from the next link on, as a shell would write it."""
        client = self.programs / "ssh.new"
        client.write_text(f"#!/bin/sh\n: > {self._notes}/$$\n{do}\n")
        client.chmod(0o755)
        client.rename(self.programs / "ssh")

    @property
    def started(self) -> list[int]:
        return [int(each) for each in os.listdir(self._notes)]

    @property
    def running(self) -> list[int]:
        return [each for each in self.started if os.path.exists(f"/proc/{each}")]

    def cut(self) -> None:
        """End every far end that runs."""
        for each in self.running:
            os.kill(each, signal.SIGKILL)


@pytest.fixture(scope="module")
def client(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Client]:
    made = Client(tmp_path_factory.mktemp("client"))
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("PATH", f"{made.programs}:{os.environ['PATH']}")
        yield made


@pytest.fixture
def tree(tmp_path: Path) -> Tree:
    return lantern_marsh(tmp_path / "vault")


class Far(FarPlace):
    """A far place that does not wait, and notes for how long it would have."""

    def __init__(self, root: Path, during: Callable[[], object] = lambda: None) -> None:
        self.waited: list[float] = []

        def sleep(seconds: float) -> None:
            self.waited.append(seconds)
            during()

        address = parse_address(f"ssh://vault.example{root}", Path())
        super().__init__(address, WAITS, sleep)


@pytest.fixture
def far(client: Client, tree: Tree) -> Iterator[Far]:
    place = Far(tree.root)
    yield place
    place.close()
    client.is_to(START)


NO_TERMS = Terms()


class Watching:
    """A watch that counts, and on which a test acts."""

    paced = False

    def __init__(
        self, terms: Terms = NO_TERMS, on_read: Callable[[], object] = lambda: None
    ) -> None:
        self.read = 0
        self.allowed = 0
        self.furthest = 0
        self._terms = terms
        self._on_read = on_read

    def has_read(self, count: int) -> None:
        self.read += count
        self.furthest = max(self.furthest, self.read - self.allowed)
        self._on_read()

    def check(self) -> None:
        pass

    def allow(self, count: int) -> int:
        self.allowed += count
        return count

    def park(self) -> None:
        raise BellRang

    def crowded(self) -> bool:
        return False

    def terms(self) -> Terms:
        return self._terms


def noon() -> float:
    return NOON


def near(tree: Tree) -> FolderPlace:
    return FolderPlace.at_path(tree.root)


# ------------------------------------------------------------------------ the same as a folder


def test_it_keeps_the_contract_of_a_place_that_walks_itself(far: Far) -> None:
    place: Place = far
    assert isinstance(place, WalksItself)
    assert place.root is None
    assert place.traits.reads_elsewhere


@pytest.mark.parametrize(
    "ignore",
    [
        Ignore(),
        Ignore(["*.jpg", "notes/"]),
        Only(b"2026-014-harbour-wall/flights/"),
        Only(b"2026-014-harbour-wall/flights/", ["*.mp4"]),
    ],
)
def test_a_walk_sees_what_a_walk_of_the_folder_sees(far: Far, tree: Tree, ignore: Ignore) -> None:
    tree.fifo("2026-014-harbour-wall/queue").file(b"caf\xe9/a b\nc", 3).hard_link(
        "z", b"caf\xe9/a b\nc"
    )
    assert list(walk_dated(far, ignore)) == list(walk_dated(near(tree), ignore))
    assert list(walk(far, ignore)) == list(walk(near(tree), ignore))


def test_files_are_read_there_as_they_would_be_here(far: Far, tree: Tree) -> None:
    tree.file("large.laz", SEGMENT + 5).hard_link("twin", "large.laz").link("a", "nowhere")
    paths = [each.path for each in walk(near(tree))] + [b"not/there"]
    others = frozenset(number for number, path in enumerate(paths) if path == b"a")
    for look in (Look(), Look(content=False), Look(past_cache=True, gentle=True)):
        seen = far.look_at(paths, others, look, noon, Watching())
        assert seen == near(tree).look_at(paths, others, look, noon, Watching())
    for path in (b"large.laz", b"not/there", b"a"):
        seen_alone = far.read_alone(path, Look(), noon, Watching())
        assert seen_alone == near(tree).read_alone(path, Look(), noon, Watching())
        for piece in (0, 1):
            part = far.read_piece(path, piece, noon, Watching())
            assert part == near(tree).read_piece(path, piece, noon, Watching())


def test_every_byte_that_is_read_there_is_counted_here(far: Far, tree: Tree) -> None:
    files = [each for each in walk_dated(near(tree)) if each.kind is Kind.FILE]
    watch = Watching()
    far.look_at([each.path for each in files], frozenset(), Look(), noon, watch)
    assert watch.read == sum(each.size for each in files)


def test_the_moment_of_reading_is_by_this_machine_s_clock(far: Far) -> None:
    path = b"2026-014-harbour-wall/notes/plan.txt"
    [seen] = far.look_at([path], frozenset(), Look(), lambda: NOON, Watching())
    assert seen.read_at == NOON


def test_folders_are_listed_as_they_are(far: Far, tree: Tree) -> None:
    tree.files(*(f"many/{number}" for number in range(3000)), size=0)
    for folder in (b"", b"2026-014-harbour-wall", b"many"):
        assert sorted(far.list_folder(folder)) == sorted(near(tree).list_folder(folder))
        assert dict(far.list_dated(folder)) == dict(near(tree).list_dated(folder))
    with pytest.raises(FileNotFoundError):
        list(far.list_folder(b"nowhere"))


# Fails when what is left of an answer is not passed over: a link more is started each time.
def test_a_link_is_used_again_also_by_who_wanted_the_first_name_only(
    far: Far, client: Client
) -> None:
    far.check()
    before = len(client.started)
    for _ in range(3):
        assert not is_empty(far)
        with pytest.raises(FileNotFoundError):
            far.open(b"nowhere")
    assert len(client.started) == before


def test_parts_of_a_file_are_had_over_the_link(far: Far, tree: Tree) -> None:
    tree.file("wall.tif", 9_000_000)
    file = far.open(b"wall.tif")
    assert file.size == 9_000_000
    content = tree.read("wall.tif")
    for offset, length in ((0, 10), (123, 8_500_000), (8_999_990, 100), (9_000_000, 5)):
        assert file.read_at(offset, length) == content[offset : offset + length]
    file.close()


def test_where_a_link_leads_is_found_out_there(far: Far, tree: Tree) -> None:
    tree.link("short", "2026-014-harbour-wall").link("other/long", "../short/flights")
    folder = b"2026-014-harbour-wall/flights"
    assert far.leads_into(b"other/long", b"../short/flights", folder)
    assert not far.leads_into(b"short", b"2026-014-harbour-wall", folder)


def test_the_whole_place_is_asked_about_there(far: Far, tree: Tree) -> None:
    assert far.room() is not None
    assert far.writing() == near(tree).writing()
    how = far.how_read()
    assert how.file_system == near(tree).how_read().file_system
    assert how.detail.startswith("by the far end on vault.example, ")
    assert abs(far.clock_ahead()) < 60
    assert far.try_link().detail.startswith("A round trip takes ")


def test_it_can_be_sent_to_another_process(far: Far, tree: Tree) -> None:
    far.check()
    sent: FarPlace = pickle.loads(pickle.dumps(FarPlace(far.address)))
    assert len(list(walk(sent))) == len(list(walk(near(tree))))
    sent.close()


def test_a_root_that_was_replaced_is_not_believed(far: Far, tree: Tree, client: Client) -> None:
    far.check()
    os.rename(tree.root, f"{tree.root}-away")
    Tree(tree.root).file("other", 1)
    for _ in range(2):  # over the link that is there, and over a new one
        with pytest.raises(PlaceUnreachable, match="unmounted or replaced"):
            far.check()
        client.cut()


# ----------------------------------------------------------------------------- links that drop


# Fails when a walk is asked for from its start again: `after=None` in place.py sees paths twice.
def test_a_walk_whose_link_drops_goes_on_where_it_was(far: Far, tree: Tree, client: Client) -> None:
    tree.files(*(f"flights/{number:05d}" for number in range(5000)), size=0)
    wanted = list(walk_dated(near(tree)))
    seen: list[Sighting] = []
    for number, sighting in enumerate(far.walk(Ignore())):
        if number in (10, 1500):
            client.cut()
        seen.append(sighting)
    assert seen == wanted
    assert far.waited


# Fails when a batch begins anew: `start = 0` in place.py, `look_at`, reads twice as much.
def test_what_came_of_a_batch_before_its_link_dropped_is_kept(
    far: Far, tree: Tree, client: Client
) -> None:
    names = [f"flights/{number:03d}" for number in range(200)]
    tree.files(*names, size=20_000)
    paths = [os.fsencode(each) for each in names]
    cut: list[int] = []

    def cut_once() -> None:
        if not cut and watch.read > 100 * 20_000:
            cut.append(watch.read)
            client.cut()

    watch = Watching(on_read=cut_once)
    seen = far.look_at(paths, frozenset(), Look(), noon, watch)
    assert seen == near(tree).look_at(paths, frozenset(), Look(), noon, Watching())
    assert cut
    assert watch.read <= 200 * 20_000 + 32 * 20_000


def test_a_file_is_read_from_its_start_when_its_link_drops(
    far: Far, tree: Tree, client: Client
) -> None:
    tree.file("north.laz", 200_000_000)
    cut: list[bool] = []
    watch = Watching(on_read=lambda: cut or (cut.append(True), client.cut()))
    seen = far.read_alone(b"north.laz", Look(), noon, watch)
    assert seen == near(tree).read_alone(b"north.laz", Look(), noon, Watching())
    assert cut


def test_a_part_of_a_file_is_asked_for_again(far: Far, tree: Tree, client: Client) -> None:
    tree.file("wall.tif", 100_000)
    file = far.open(b"wall.tif")
    client.cut()
    assert file.read_at(50_000, 10) == tree.read("wall.tif")[50_000:50_010]
    client.cut()
    tree.extend("wall.tif", 1)
    with pytest.raises(OSError, match="changed while the link was lost"):
        file.read_at(0, 10)
    file.close()


def test_a_link_that_stays_away_is_waited_for_longer_each_time_and_then_given_up(
    far: Far, client: Client
) -> None:
    far.check()
    client.is_to(
        "echo 'ssh: connect to host vault.example port 22: No route to host' >&2; exit 255"
    )
    client.cut()
    with pytest.raises(PlaceUnreachable) as given_up:
        far.check()
    assert sum(far.waited) == pytest.approx(sum(WAITS))
    assert str(given_up.value) == (
        f"The link to {far.at} was lost and did not come back within 2 min: ssh: connect to host "
        "vault.example port 22: No route to host. Check that the host is up and takes SSH there; "
        "what was read by then is kept."
    )
    client.is_to(START)
    far.check()


def test_what_waiting_cannot_mend_is_not_waited_for(far: Far, client: Client) -> None:
    far.check()
    client.is_to("echo 'Host key verification failed.' >&2; exit 255")
    client.cut()
    with pytest.raises(PlaceUnreachable, match="host key is not known"):
        far.check()
    assert sum(far.waited) <= WAITS[0]


def test_a_host_that_was_never_reached_is_not_waited_for(far: Far, client: Client) -> None:
    client.is_to(
        "echo 'ssh: connect to host vault.example port 22: No route to host' >&2; exit 255"
    )
    with pytest.raises(PlaceUnreachable, match=r"No route to host\. Check that the host is up"):
        far.check()
    assert not far.waited


# Fails when the waits do not look at the watch.
def test_the_bell_is_heard_while_a_link_is_waited_for(client: Client, tree: Tree) -> None:
    with Engine([1], elsewhere={0}) as engine:
        far = Far(tree.root, during=lambda: engine.ring_at(0.0))
        far.heed(engine.own_watch(0))
        far.check()
        client.is_to("exit 255")
        client.cut()
        with pytest.raises(BellRang):
            far.check()
        client.is_to(START)
    assert len(far.waited) == 1


# ----------------------------------------------------------------------- the bell and the pace


def huge(tree: Tree, size: int = 200 << 30) -> bytes:
    """A file that takes minutes to read and no room."""
    tree.file("huge.laz")
    os.truncate(tree.root / "huge.laz", size)
    return b"huge.laz"


def read_in(engine: Engine, place: Place, path: bytes) -> Callable[[], Sighting]:
    task = engine.lanes[0].submit(0, _read, place, path, long=True)
    return lambda: task.result(60)


def _read(place: Place, path: bytes, watch: Watching) -> Sighting:
    return place.read_alone(path, Look(), noon, watch)


def test_the_bell_ends_a_reading_there(far: Far, tree: Tree) -> None:
    path = huge(tree)
    with Engine([1], elsewhere={0}) as engine:
        reading = read_in(engine, far, path)
        wait_until(lambda: engine.lanes[0].bytes_read > 0, 30, "reading")
        engine.ring_at(0.0)
        with pytest.raises(BellRang):
            reading()


def test_a_batch_hands_in_at_the_bell_what_it_has_finished(far: Far, tree: Tree) -> None:
    tree.files(*(f"{number:03d}" for number in range(64)), size=1000).file("z1", 1 << 20)
    for number in range(2, 40):
        os.truncate(tree.file(f"z{number}", 0).root / f"z{number}", (8 << 20) - 1)
    paths = [each.path for each in walk(near(tree)) if each.kind is Kind.FILE]
    with Engine([1], elsewhere={0}, pace=Pace(4_000_000.0)) as engine:
        answer = engine.lanes[0].submit(0, _look_at, far, paths)
        wait_until(lambda: engine.lanes[0].bytes_read > 2_000_000, 60, "reading")
        engine.ring_at(0.0)
        seen = answer.result(60)
    assert 0 < len(seen) < len(paths)
    assert [each.path for each in seen] == paths[: len(seen)]


def _look_at(place: Place, paths: list[bytes], watch: Watching) -> list[Sighting]:
    return place.look_at(paths, frozenset(), Look(), noon, watch)


# Fails when a far end does not park: the file is read from its start again, and more is counted.
def test_a_long_reading_waits_there_over_the_bell_and_goes_on(far: Far, tree: Tree) -> None:
    size = 1 << 30
    path = huge(tree, size)
    with Engine([1], elsewhere={0}, resident=True, pace=Pace(5e8)) as engine:
        reading = read_in(engine, far, path)
        wait_until(lambda: engine.lanes[0].bytes_read > 1 << 20, 30, "reading")
        engine.ring_at(0.0)
        wait_until(Still(lambda: engine.lanes[0].bytes_read), 30, "a pause")
        engine.ring_at(None)
        seen = reading()
        assert engine.lanes[0].bytes_read == size
    assert seen.size == size
    assert len(seen.fingerprints) == size // SEGMENT


class Still:
    """True once a number has stayed the same for a while."""

    def __init__(self, number: Callable[[], int]) -> None:
        self._number = number
        self._last, self._times = -1, 0

    def __call__(self) -> bool:
        now = self._number()
        self._times = self._times + 1 if now == self._last else 0
        self._last = now
        return self._times > 50


def test_a_far_end_reads_little_ahead_of_what_is_allowed_here(far: Far, tree: Tree) -> None:
    path = huge(tree, 100 << 20)
    rate = 2e9
    watch = Watching(Terms(bytes_per_second=rate))
    far.read_alone(path, Look(), noon, watch)
    assert watch.read == 100 << 20
    assert watch.furthest <= window_for(rate)


# Fails when what was read there is not asked for here: `_settle` in link.py without `allow`.
def test_a_hold_here_holds_the_far_end(client: Client, far: Far, tree: Tree) -> None:
    path = huge(tree, 300 << 20)
    held, goes_on = threading.Event(), threading.Event()

    class Holding(Watching):
        def allow(self, count: int) -> int:
            held.set()
            assert goes_on.wait(60)
            return super().allow(count)

    watch = Holding()
    found: list[Sighting] = []
    thread = threading.Thread(
        target=lambda: found.append(far.read_alone(path, Look(), noon, watch))
    )
    thread.start()
    assert held.wait(60)
    wait_until(Still(lambda: bytes_read_by(client.started)), 30, "a pause")
    assert bytes_read_by(client.started) < 150 << 20
    goes_on.set()
    thread.join(60)
    assert found[0].size == 300 << 20


def test_somebody_who_stops_does_not_wait_for_a_far_end(far: Far, tree: Tree) -> None:
    path = huge(tree)
    engine = Engine([1], elsewhere={0})
    reading = read_in(engine, far, path)
    wait_until(lambda: engine.lanes[0].bytes_read > 0, 30, "reading")
    engine.stop()
    with pytest.raises(Stopped):
        reading()


# ----------------------------------------------------------------------------- what can go wrong


@pytest.mark.parametrize(
    ("does", "said"),
    [
        ("cat /dev/zero", "something else than a far end answers"),
        ("echo welcome; exit 0", "the link ended without a word"),
        ("printf '\\000verifier far-end 0.0.9\\n'; cat", "version 0.0.9 of verifier runs there"),
        ("echo 'sh: 1: verifier: not found' >&2; exit 127", "has no command 'verifier'"),
        ("echo \"Error: No such command 'far-end'.\" >&2; exit 2", "does not know the command"),
        ("echo 'Connection reset by peer' >&2; exit 255", "Connection reset by peer. Check that"),
        ("echo 'no such file: /x' >&2; exit 1", "ssh said: no such file: /x"),
        ("kill -9 $$", "the link ended without a word"),
    ],
)
def test_whatever_answers_in_its_place_is_told_in_a_sentence(
    far: Far, client: Client, does: str, said: str
) -> None:
    client.is_to(does)
    with pytest.raises(PlaceUnreachable) as refused:
        far.check()
    assert said in str(refused.value)
    assert str(refused.value).startswith(f"{far.at} cannot be reached: ")


# Fails when the version is not looked at: `_greet` in link.py.
def test_a_version_that_does_not_match_is_said_at_once(far: Far, client: Client) -> None:
    client.is_to("printf '\\000verifier far-end 9.1\\nwhatever that one says'; cat > /dev/null")
    with pytest.raises(PlaceUnreachable, match=r"version 9\.1 of verifier runs there, and 0"):
        far.check()


def test_what_a_login_says_first_is_passed_over(far: Far, client: Client) -> None:
    client.is_to(f"echo 'Welcome to vault.'; head -c 100000 /dev/zero; {START}")
    far.check()


def test_frames_that_are_none_end_the_link_and_nothing_else(far: Far, client: Client) -> None:
    from verifier import __version__

    client.is_to(f"printf '\\000verifier far-end {__version__}\\n'; yes")
    with pytest.raises(PlaceUnreachable, match="is not what a far end says"):
        far.check()


# Fails when what a far end must tell has a default: it would pass for a folder apart from others.
def test_a_far_end_of_this_number_that_does_not_tell_which_folder_it_serves_is_refused(
    far: Far, client: Client
) -> None:
    from verifier import __version__

    opened = {"type": "Opened", "device": 8, "inode": 100, "clock": 0.0, "user": "surveys"}
    frame = msgpack.encode(opened)
    said = client.folder / "said"
    greeting = b"\0verifier far-end " + __version__.encode() + b"\n"
    said.write_bytes(greeting + len(frame).to_bytes(4, "big") + frame + framed(Done()))
    client.is_to(f"cat {said}; cat > /dev/null")
    with pytest.raises(PlaceUnreachable) as refused:
        far.check()
    assert str(refused.value) == (
        f"{far.at} cannot be reached: what comes from there is not what a far end says (Object "
        "missing required field `identity`). See what 'ssh vault.example verifier far-end' starts "
        "there."
    )


def test_a_machine_without_an_ssh_is_told_how_to_get_one(
    far: Far, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.setenv("PATH", str(tmp_path))
    with pytest.raises(PlaceUnreachable, match=r"this machine has no command 'ssh'\. Install"):
        far.check()


names = st.text(st.characters(codec="utf-8", exclude_characters="\0"), max_size=12)


@often
@given(names, names, names)
def test_nothing_of_an_address_becomes_an_option_or_reaches_a_shell(
    user: str, host: str, path: str
) -> None:
    try:
        address = parse_address(f"ssh://{user}@{host}/{path}", Path())
    except ValueError:
        return
    if address.user.startswith("-") or address.host.startswith("-"):
        raise AssertionError("such an address is refused")
    command = command_for(address)
    end = command.index("--")
    assert command[end:] == ["--", address.host, "verifier", "far-end"]
    assert all(
        argument in ("-T", "-o", "-l") or "=" in argument for argument in command[1 : end - 2]
    )
    assert address.user == (command[end - 1] if address.user else "")


@pytest.mark.parametrize(("user", "host"), [("-l", "vault"), ("", "-oProxyCommand=x")])
def test_an_address_that_was_not_parsed_is_refused_too(user: str, host: str) -> None:
    kind = parse_address("ssh://a/b", Path()).kind
    with pytest.raises(PlaceUnreachable, match='cannot begin with "-"'):
        command_for(Address(kind, "/x", "ssh", user, host))


def test_digests_are_those_of_the_bytes(far: Far, tree: Tree) -> None:
    """So that the whole does not rest on the folder's own reading."""
    path = b"2026-014-harbour-wall/flights/day-1/DJI_0003.mp4"
    [seen] = far.look_at([path], frozenset(), Look(), noon, Watching())
    assert seen.digest == blake3(tree.read(path)).digest()
