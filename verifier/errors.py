"""Every error that a user can cause, each one sentence: what, where and what to do next.

The family::

    VerifierError                 3  something could not be reached, read or finished
    ├── RequestRefused            2  the command line asks for what cannot be right
    │   └── SettingsRefused       2  the settings file says what cannot be right, or is not there
    ├── PlaceUnreachable          3  a place is not there, or is not what it should be
    ├── ManifestRefused           3  a manifest is cut short, edited, unsorted or too new
    ├── OutputFailed              3  a result could not be written; nothing is left half-written
    ├── LedgerRefused             3  a ledger is no ledger, unsound, too new, or in a share
    │   └── ShiftRunning          3  another shift works with the ledger
    ├── LedgerFailed              3  the ledger could not be read or written on; what it holds stays
    ├── ClusterUnready            3  a cluster does not answer, or a worker cannot do the work
    ├── ReadersLost               3  a reading process died; what was judged is not complete
    └── Stopped                   3  the user stopped the work, and it is not complete

The number is the exit status.  Errors are raised where they are known; only the edge of the
command line turns them into a printed sentence.
"""

from __future__ import annotations


class VerifierError(Exception):
    """A sentence for the user, with the exit status that belongs to it."""

    exit_status = 3


class RequestRefused(VerifierError):
    """What was asked for contradicts itself, or would write where nothing may be written."""

    exit_status = 2


class SettingsRefused(RequestRefused):
    """The settings file is missing, malformed or contradicts itself.

    The sentence names the file, the key, what was found there and what was expected.
    """


class PlaceUnreachable(VerifierError):
    """A place is missing, is no folder or manifest, or cannot be opened."""


class ManifestRefused(VerifierError):
    """A manifest that cannot be believed; the sentence names the line.

    ``line`` counts from 1; the header is line 1.
    """

    def __init__(self, file: str, line: int, reason: str, next_step: str) -> None:
        super().__init__(file, line, reason, next_step)
        self.line = line

    def __str__(self) -> str:
        file, line, reason, next_step = self.args
        return f"{file}, line {line}: {reason}. {next_step}"


class OutputFailed(VerifierError):
    """A file of results could not be written."""


class LedgerRefused(VerifierError):
    """A ledger that cannot be opened or believed, or stands where none may be."""


class ShiftRunning(LedgerRefused):
    """Another shift works with the ledger; the sentence says which process, and since when."""


class LedgerFailed(VerifierError):
    """Reading or writing the ledger failed; nothing of the failed step is recorded."""


class ClusterUnready(VerifierError):
    """The scheduler of a cluster does not answer, has no workers, or one that is not fit."""


class ReadersLost(VerifierError):
    """A reading process ended without an answer."""


class Stopped(VerifierError):
    """Ctrl-C, or a request to end."""
