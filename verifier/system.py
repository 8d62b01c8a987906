"""What is particular to an operating system, each with an honest fallback.

Everything here is best effort: where a system lacks a means the function says so by its return
value and does no harm.  Nothing here writes to a file, and nothing else in the program asks
which system it runs on.  Setting the environment variable ``VERIFIER_PLAIN_SYSTEM=1`` forces
every fallback, which is how the tests try them on a system that has the means.
"""

from __future__ import annotations

import errno
import gc
import mmap
import os
import signal
import stat
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any, Final, NamedTuple

if TYPE_CHECKING:
    from multiprocessing.context import BaseContext

PLAIN: Final = os.environ.get("VERIFIER_PLAIN_SYSTEM") == "1"
"""True when every fallback is forced."""

_NO_FOLLOW: Final[int] = 0 if PLAIN else getattr(os, "O_NOFOLLOW", 0)
_NO_ATIME: Final[int] = 0 if PLAIN else getattr(os, "O_NOATIME", 0)
_NO_WAIT: Final[int] = getattr(os, "O_NONBLOCK", 0)
_DIRECTORY: Final[int] = getattr(os, "O_DIRECTORY", 0)
_BASE: Final[int] = os.O_RDONLY | getattr(os, "O_CLOEXEC", 0) | getattr(os, "O_BINARY", 0)

_TO_READ: Final = _BASE | _NO_FOLLOW | _NO_WAIT

_READS_INTO: Final = not PLAIN and hasattr(os, "readv")

READS_BELOW_FOLDER: Final = (
    not PLAIN and os.open in os.supports_dir_fd and os.scandir in os.supports_fd and _NO_FOLLOW != 0
)
"""True where a file can be opened relative to an open folder, so that no link swapped in above
it can lead a reader out of the root.  Elsewhere paths are joined and only the last part is
guarded."""


def open_to_read(name: bytes, folder: int | None) -> int:
    """A descriptor for reading; a link is refused; the access time is left alone if allowed.

    ``folder`` is a descriptor that ``name`` is relative to, or None when ``name`` stands alone.
    A named pipe that stands where a file stood does not block.  Raises OSError.
    """
    if not _NO_FOLLOW and stat.S_ISLNK(os.stat(name, dir_fd=folder, follow_symlinks=False).st_mode):
        raise OSError(errno.ELOOP, os.strerror(errno.ELOOP))
    if _NO_ATIME:
        try:
            return os.open(name, _TO_READ | _NO_ATIME, dir_fd=folder)
        except PermissionError:
            pass  # only a file's owner may ask for its access time to be left alone
    return os.open(name, _TO_READ, dir_fd=folder)


def open_folder(name: bytes, folder: int | None) -> int:
    """A descriptor for a folder, to list it and to open files relative to it.  Raises OSError."""
    flags = _BASE | _DIRECTORY | _NO_FOLLOW
    if _NO_ATIME:
        try:
            return os.open(name, flags | _NO_ATIME, dir_fd=folder)
        except PermissionError:
            pass
    return os.open(name, flags, dir_fd=folder)


def read_into(descriptor: int, buffer: memoryview) -> int:
    """Fill ``buffer`` from where the descriptor stands; the number of bytes read, 0 at the end."""
    if _READS_INTO:
        return os.readv(descriptor, [buffer])
    block = os.read(descriptor, len(buffer))
    buffer[: len(block)] = block
    return len(block)


def read_blocks(descriptor: int, buffers: list[memoryview]) -> int:
    """As `read_into`, into the first of ``buffers``; saves making a list for every small file."""
    if _READS_INTO:
        return os.readv(descriptor, buffers)
    return read_into(descriptor, buffers[0])


def expect_whole_read(descriptor: int) -> bool:
    """Tell the system that a file will be read from start to end, so that it reads ahead."""
    return _advise(descriptor, 0, 0, "POSIX_FADV_SEQUENTIAL")


def drop_cached(descriptor: int, offset: int = 0, length: int = 0) -> bool:
    """Ask the system to forget cached bytes of a file, so that the next read comes from the disk.

    ``length`` 0 means to the end.  False where that cannot be asked.  Pages that wait to be
    written stay; a network server's own cache is out of reach.
    """
    return _advise(descriptor, offset, length, "POSIX_FADV_DONTNEED")


GRAIN: Final = max(4096, mmap.PAGESIZE)
"""Bytes of a page of the cache; reading directly goes by whole ones of them."""

KNOWS_CACHE: Final = (
    not PLAIN and sys.platform == "linux" and hasattr(os, "preadv") and sys.maxsize > 2**32
)
"""True where reading can leave the cache as it was.  Elsewhere the functions below say that they
cannot."""

_DIRECT: Final[int] = getattr(os, "O_DIRECT", 0)
WITHOUT_TRACE: Final = 0x80
"""RWF_DONTCACHE of Linux 6.14's uapi/linux/fs.h, which Python has no name for yet."""

_CACHESTAT: Final = 451
"""The number of cachestat(2) in Linux 6.5's uapi/asm-generic/unistd.h, which libraries lack."""

_REFUSALS: Final = (errno.EINVAL, errno.EOPNOTSUPP, errno.ENOSYS)


def page_aligned(length: int) -> memoryview:
    """Memory of this process alone that begins at a page, as reading directly needs it.

    A process that is copied gets a copy of it: it must not go on in the same memory.
    """
    if hasattr(mmap, "MAP_PRIVATE"):
        private = mmap.MAP_PRIVATE | mmap.MAP_ANONYMOUS
        return memoryview(mmap.mmap(-1, length, flags=private))
    return memoryview(bytearray(length))


def read_directly(descriptor: int, on: bool) -> bool:
    """Have later reads of an open file go to the disk, past the cache and leaving it alone.

    They then need `page_aligned` memory, and offsets and lengths of whole `GRAIN`.  False where
    the file system refuses; one that refuses a single read gives EINVAL for it.
    """
    if not KNOWS_CACHE:
        return False
    import fcntl

    try:
        flags = fcntl.fcntl(descriptor, fcntl.F_GETFL)
        changed = flags | _DIRECT if on else flags & ~_DIRECT
        fcntl.fcntl(descriptor, fcntl.F_SETFL, changed)
    except OSError:
        return False
    return True


def read_at(descriptor: int, buffer: memoryview, offset: int) -> int:
    """As `read_into`, from ``offset``; where the descriptor stands does not change."""
    return os.preadv(descriptor, [buffer], offset)


def read_without_trace(descriptor: int, buffers: list[memoryview]) -> int | None:
    """Read a file from its start; what was cached stays, and nothing is added to the cache.

    None where the system (Linux before 6.14) or the file system cannot.
    """
    if not KNOWS_CACHE:
        return None
    try:
        return os.preadv(descriptor, buffers, 0, WITHOUT_TRACE)
    except OSError as error:
        if error.errno in _REFUSALS:
            return None
        raise


def cached_pages(descriptor: int, offset: int, length: int) -> bytes | None:
    """For each page from ``offset``, itself whole pages, a byte: 1 when it is cached, else 0.

    Looking changes nothing.  None where the system does not tell, or not for this file.  To an
    account that may neither own nor write the file Linux says that all is cached.
    """
    if not KNOWS_CACHE or length <= 0:
        return None
    shared, to_read, failed = 1, 1, 2**64 - 1  # MAP_SHARED, PROT_READ, MAP_FAILED of sys/mman.h
    library = _c_library()
    at = library.mmap(None, length, to_read, shared, descriptor, offset)
    if at is None or at == failed:
        return None
    try:
        pages = bytearray(-(-length // mmap.PAGESIZE))
        if library.mincore(at, length, (library.page * len(pages)).from_buffer(pages)):
            return None
    finally:
        library.munmap(at, length)
    return bytes(pages).translate(_LOWEST_BIT)


_LOWEST_BIT: Final = bytes(number & 1 for number in range(256))
"""The other bits of a page's byte are not defined."""


class CacheLook:
    """Looks whether small files are cached, one after the other, in one thread."""

    def __init__(self) -> None:
        self._counts = KNOWS_CACHE
        self._buffers: tuple[Any, Any] | None = None

    def has_all(self, descriptor: int, size: int) -> bool:
        """Whether all of a file of ``size`` bytes is known to be cached.  Looking changes nothing.

        False also where the system (Linux before 6.5) cannot count its pages.
        """
        if not self._counts:
            return False
        library = _c_library()
        if self._buffers is None:
            self._buffers = (library.number * 2)(), (library.number * 5)()
        wanted, found = self._buffers
        wanted[1] = size
        self._counts = not library.syscall(_CACHESTAT, descriptor, wanted, found, 0)
        return self._counts and found[0] >= -(-size // mmap.PAGESIZE)


class _CLibrary(NamedTuple):
    mmap: Any
    mincore: Any
    munmap: Any
    syscall: Any
    page: Any
    number: Any


_library: _CLibrary | None = None


def _c_library() -> _CLibrary:
    """What Python itself has no name for; loaded once, when it is needed."""
    global _library
    if _library is None:
        import ctypes

        pointer, size, number = ctypes.c_void_p, ctypes.c_size_t, ctypes.c_int
        library = ctypes.CDLL(None, use_errno=True)
        library.mmap.restype = pointer
        library.mmap.argtypes = [pointer, size, number, number, number, ctypes.c_int64]
        library.mincore.argtypes = [pointer, size, pointer]
        library.munmap.argtypes = [pointer, size]
        library.syscall.restype = ctypes.c_long
        library.syscall.argtypes = [ctypes.c_long, number, pointer, pointer, ctypes.c_uint]
        _library = _CLibrary(
            library.mmap,
            library.mincore,
            library.munmap,
            library.syscall,
            ctypes.c_ubyte,
            ctypes.c_uint64,
        )
    return _library


def _advise(descriptor: int, offset: int, length: int, advice: str) -> bool:
    if PLAIN or not hasattr(os, "posix_fadvise"):
        return False
    try:
        os.posix_fadvise(descriptor, offset, length, getattr(os, advice))
    except OSError:
        return False
    return True


def long_path(path: bytes) -> bytes:
    """The path in the form in which Windows allows over 260 characters; elsewhere unchanged."""
    if sys.platform != "win32":
        return path
    if path.startswith(b"\\\\?\\"):
        return path
    whole = os.path.abspath(path)
    if whole.startswith(b"\\\\"):
        return b"\\\\?\\UNC" + whole[1:]
    return b"\\\\?\\" + whole


def machine() -> str | None:
    """What tells the system that runs here from any other, until it is started anew.

    Every user, and every container that does not hide it, is given the same.  None where the
    system has no such thing.  Source: random(4), boot_id.
    """
    if PLAIN or sys.platform != "linux":
        return None
    try:
        with open("/proc/sys/kernel/random/boot_id", encoding="ascii") as told:
            return told.read().strip() or None
    except (OSError, ValueError):
        return None


MOUNTS: Final = "/proc/self/mountinfo"


def other_names(path: bytes) -> list[bytes]:
    """The paths at which the system's mounts show, or may show, what stands at ``path`` as well.

    ``path`` must be absolute and free of links.  A network file system says of each of its mounts
    that it shows the top of what the server has, so that each name is to be looked at before it
    is believed.  Source: proc(5), mountinfo.
    """
    if PLAIN or sys.platform != "linux":
        return []
    try:
        with open(MOUNTS, "rb") as told:
            mounts = [_Mount.of(line) for line in told.read().splitlines()]
    except OSError:
        return []
    over = [each for each in mounts if _below(path, each.point) is not None]
    if not over:
        return []
    own = max(reversed(over), key=lambda each: len(each.point))  # of two at one point, the later
    on_disk = own.root.rstrip(b"/") + b"/" + (_below(path, own.point) or b"")
    names = []
    for each in mounts:
        rest = _below(on_disk.rstrip(b"/") or b"/", each.root)
        if each is not own and each.device == own.device and rest is not None:
            names.append((each.point.rstrip(b"/") + b"/" + rest).rstrip(b"/") or b"/")
    return names


class _Mount(NamedTuple):
    """What is mounted: the folder ``root`` of a device, shown at ``point``."""

    device: bytes
    root: bytes
    point: bytes

    @classmethod
    def of(cls, line: bytes) -> _Mount:
        """The mount of a line of mountinfo."""
        _, _, device, root, point, *_ = line.split(b" ")
        return cls(device, _unescaped(root), _unescaped(point))


def _below(path: bytes, folder: bytes) -> bytes | None:
    """The rest of a path below a folder; None when it does not lie there."""
    if path == folder:
        return b""
    start = folder.rstrip(b"/") + b"/"
    return path[len(start) :] if path.startswith(start) else None


def _unescaped(field: bytes) -> bytes:
    """Blanks and the like stand in mountinfo as a backslash and three octal digits."""
    first, *rest = field.split(b"\\")
    return first + b"".join(bytes([int(part[:3], 8)]) + part[3:] for part in rest)


def die_with_parent(parent: int) -> bool:
    """Have the kernel end this process when ``parent``, which started it, ends.  Linux only.

    The kernel tells of an end that is to come; after one that has been, this ends the process.
    """
    if PLAIN or sys.platform != "linux":
        return False
    import ctypes

    set_death_signal, kill = 1, 9  # PR_SET_PDEATHSIG and SIGKILL, from Linux's prctl.h, signal.h
    try:
        told = bool(ctypes.CDLL(None).prctl(set_death_signal, kill, 0, 0, 0) == 0)
    except (OSError, AttributeError):
        return False
    if os.getppid() != parent:
        os._exit(3)
    return told


class GaveWay(NamedTuple):
    """Before what a process now lets all others go first."""

    disk: bool
    processor: bool


_SET_DISK_PRIORITY: Final = {
    "x86_64": 251,
    "aarch64": 30,
    "riscv64": 30,
    "loongarch64": 30,
    "ppc64le": 273,
    "s390x": 282,
}
"""The number of the call ioprio_set(2), for which the C library has no name, by machine."""

_LOWEST_PRIORITY: Final = 19


def give_way() -> GaveWay:
    """Have this process use disks and processors when nobody else wants them.

    Whether a disk heeds that is its scheduler's business (Linux: bfq and mq-deadline do).
    """
    return GaveWay(_give_way_on_disk(), _give_way_on_processor())


def _give_way_on_disk() -> bool:
    number = _SET_DISK_PRIORITY.get(os.uname().machine) if KNOWS_CACHE else None
    if number is None:
        return False
    import ctypes

    this_process, idle = 1, 3 << 13  # IOPRIO_WHO_PROCESS and IOPRIO_CLASS_IDLE, linux/ioprio.h
    try:
        return bool(ctypes.CDLL(None).syscall(number, this_process, 0, idle) == 0)
    except (OSError, AttributeError):
        return False


def _give_way_on_processor() -> bool:
    if PLAIN or not hasattr(os, "nice"):
        return False
    try:
        return os.nice(_LOWEST_PRIORITY) >= _LOWEST_PRIORITY
    except OSError:
        return False


def io_pressure() -> float | None:
    """The share of the last ten seconds, 0 to 1, in which somebody had to wait for a disk.

    Everybody's waiting counts, this program's too.  None where the system does not tell.
    Source: https://docs.kernel.org/accounting/psi.html
    """
    if PLAIN or sys.platform != "linux":
        return None
    try:
        with open("/proc/pressure/io", "rb") as told:
            for line in told:
                if line.startswith(b"some "):
                    [figure] = [part for part in line.split() if part.startswith(b"avg10=")]
                    return float(figure[6:]) / 100
    except (OSError, ValueError):
        pass  # the system was built or started without it
    return None


def process_context() -> BaseContext:
    """How reading processes are started: copied where that is safe and fast, fresh elsewhere."""
    import multiprocessing

    if not PLAIN and sys.platform == "linux":
        return multiprocessing.get_context("fork")
    return multiprocessing.get_context("spawn")


def lock_alone(descriptor: int) -> bool | None:
    """Lock an open file for this process alone, until the descriptor is closed or it dies.

    False when another process holds it; None where the system has no such lock, or not for the
    file's disk.  The lock is on the open file: a copy of the descriptor in a forked process holds
    it too.
    """
    if PLAIN:
        return None
    try:
        if sys.platform == "win32":
            import msvcrt

            os.lseek(descriptor, _LOCKED_BYTE, os.SEEK_SET)
            msvcrt.locking(descriptor, msvcrt.LK_NBLCK, 1)
        else:
            import fcntl

            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except ImportError:
        return None
    except OSError as error:
        if error.errno in (errno.EWOULDBLOCK, errno.EACCES, errno.EAGAIN, errno.EDEADLK):
            return False
        return None
    return True


_LOCKED_BYTE: Final = 1 << 30
"""Where Windows locks: far from what the file says, which others must be able to read."""


def sync_folder(folder: bytes) -> bool:
    """Make a rename in ``folder`` survive a power cut, where the system can."""
    if PLAIN or not _DIRECTORY:
        return False
    try:
        descriptor = os.open(folder, _BASE | _DIRECTORY)
    except OSError:
        return False
    try:
        os.fsync(descriptor)
    except OSError:
        return False
    finally:
        os.close(descriptor)
    return True


_holding = 0
_put_off: list[int] = []


@contextmanager
def signals_held() -> Iterator[None]:
    """Have signals wait until the context ends: a process that is copied in the meantime must not
    be caught before it is itself.

    The system's mask is not enough where another thread takes the signal: a handler asks
    `signal_waits`.  For the main thread.
    """
    global _holding
    blocks = hasattr(signal, "pthread_sigmask")
    before = None
    if blocks:
        before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT, signal.SIGTERM})
    _holding += 1
    try:
        yield
    finally:
        _holding -= 1
        if before is not None:
            signal.pthread_sigmask(signal.SIG_SETMASK, before)
        if not _holding and _put_off:
            number = _put_off[0]
            _put_off.clear()
            signal.raise_signal(number)


def signal_waits(number: int) -> bool:
    """True when a signal's handler is to do nothing now: it comes again when they are not held."""
    if _holding:
        _put_off.append(number)
    return bool(_holding)


def leave_signals_to_parent() -> None:
    """In a reading process: Ctrl-C is for the parent, which tells its readers what to do."""
    signal.set_wakeup_fd(-1)
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    signal.signal(signal.SIGTERM, signal.SIG_DFL)
    if hasattr(signal, "pthread_sigmask"):
        signal.pthread_sigmask(signal.SIG_UNBLOCK, {signal.SIGINT, signal.SIGTERM})


def cores() -> int:
    """The number of processor cores that this process may use.

    Windows cannot wait for more than some sixty processes, so that not more count there.
    """
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    count = os.cpu_count() or 1
    return min(count, 28) if sys.platform == "win32" else count


def suit_interpreter_to_streams() -> None:
    """Have Python look for reference cycles less often, and hand the interpreter over sooner.

    Streams of values make no cycles, and looking for them was a tenth of all work on a tree of
    small files.  The thread that takes in the readers' answers must not wait five milliseconds
    for its turn, Python's own interval: a batch takes about as long.
    """
    gc.freeze()
    gc.set_threshold(50_000, 20, 100)
    sys.setswitchinterval(0.0005)


__all__ = [
    "GRAIN",
    "KNOWS_CACHE",
    "PLAIN",
    "READS_BELOW_FOLDER",
    "WITHOUT_TRACE",
    "CacheLook",
    "GaveWay",
    "cached_pages",
    "cores",
    "die_with_parent",
    "drop_cached",
    "expect_whole_read",
    "give_way",
    "io_pressure",
    "leave_signals_to_parent",
    "long_path",
    "machine",
    "open_folder",
    "open_to_read",
    "other_names",
    "page_aligned",
    "process_context",
    "read_at",
    "read_blocks",
    "read_directly",
    "read_into",
    "read_without_trace",
    "signal_waits",
    "signals_held",
    "suit_interpreter_to_streams",
    "sync_folder",
]
