"""What is particular to an operating system, each with an honest fallback.

Everything here is best effort: where a system lacks a means the function says so by its return
value and does no harm.  Nothing here writes to a file, and nothing else in the program asks
which system it runs on.  Setting the environment variable ``VERIFIER_PLAIN_SYSTEM=1`` forces
every fallback, which is how the tests try them on a system that has the means.
"""

from __future__ import annotations

import errno
import gc
import os
import signal
import stat
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Final

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


def location(path: bytes) -> tuple[bytes, bytes] | None:
    """The device and the path on it that ``path`` leads to, seen through every mount.

    Two names of one folder, one of them by a bind mount, have one location.  ``path`` must be
    absolute and free of links.  None where the system does not tell.  Source: proc(5), mountinfo.
    """
    if PLAIN or sys.platform != "linux":
        return None
    try:
        with open("/proc/self/mountinfo", "rb") as mounts:
            lines = mounts.read().splitlines()
    except OSError:
        return None
    best: tuple[bytes, bytes, bytes] | None = None
    for line in lines:
        _, _, device, root, point, *_ = line.split(b" ")
        root, point = _unescaped(root), _unescaped(point)
        below = path == point or path.startswith(point.rstrip(b"/") + b"/")
        if below and (best is None or len(point) >= len(best[2])):
            best = device, root, point
    if best is None:
        return None
    device, root, point = best
    return device, (root.rstrip(b"/") + b"/" + path[len(point) :].lstrip(b"/")).rstrip(b"/")


def _unescaped(field: bytes) -> bytes:
    """Blanks and the like stand in mountinfo as a backslash and three octal digits."""
    first, *rest = field.split(b"\\")
    return first + b"".join(bytes([int(part[:3], 8)]) + part[3:] for part in rest)


def die_with_parent() -> bool:
    """Have the kernel end this process when the one that started it ends.  Linux only."""
    if PLAIN or sys.platform != "linux":
        return False
    import ctypes

    set_death_signal, kill = 1, 9  # PR_SET_PDEATHSIG and SIGKILL, from Linux's prctl.h, signal.h
    try:
        return bool(ctypes.CDLL(None).prctl(set_death_signal, kill, 0, 0, 0) == 0)
    except (OSError, AttributeError):
        return False


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


@contextmanager
def signals_held() -> Iterator[None]:
    """Have signals wait until the context ends, where the system can: a process that is copied
    in the meantime must not be caught before it is itself."""
    if not hasattr(signal, "pthread_sigmask"):
        yield
        return
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT, signal.SIGTERM})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


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
    "PLAIN",
    "READS_BELOW_FOLDER",
    "cores",
    "die_with_parent",
    "drop_cached",
    "expect_whole_read",
    "leave_signals_to_parent",
    "location",
    "long_path",
    "open_folder",
    "open_to_read",
    "process_context",
    "read_blocks",
    "read_into",
    "signals_held",
    "suit_interpreter_to_streams",
    "sync_folder",
]
