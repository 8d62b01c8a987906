"""Who gives a command, for the record."""

from __future__ import annotations

import getpass
import os

from verifier.model import printable


def name() -> str:
    """Who runs this, as the system knows them: the login, the account, and whom sudo names.

    The system's own word, not a proof: who is root can be anybody.
    """
    account = _account()
    try:
        login = os.getlogin()
    except OSError:  # no terminal, such as under a timer or in a container
        login = account
    notes = [] if login == account else [f"as {account}"]
    if by_sudo := os.environ.get("SUDO_USER"):
        notes.append(f"sudo by {by_sudo}")
    return one_line(f"{login} ({', '.join(notes)})" if notes else login)


def _account() -> str:
    try:
        import pwd
    except ImportError:  # Windows
        return getpass.getuser()
    try:
        return pwd.getpwuid(os.geteuid()).pw_name
    except KeyError:
        return f"uid {os.geteuid()}"


def one_line(words: str) -> str:
    """Words for the record, on one line and without what a terminal would act on."""
    return printable(" ".join(words.split()).encode("utf-8", "surrogateescape"))
