"""The scheduler reached, its workers seen to be fit, and messages to all of them.

Whatever Dask says of its own is turned into this program's sentences here; nothing of it is
printed or logged.
"""

from __future__ import annotations

import asyncio
import logging
import platform
import re
import time
import warnings
from collections.abc import Callable
from concurrent.futures import Future
from contextlib import suppress
from typing import Any, Final, TypeVar

import dask
import distributed
from distributed.scheduler import KilledWorker

from verifier import __version__
from verifier.cluster import worker
from verifier.cluster.orders import TOPIC, Answer, Expected, Found, Orders, Told
from verifier.errors import ClusterUnready, ReadersLost
from verifier.measures import count

CONNECT_WITHIN: Final = 10.0
ANSWER_WITHIN: Final = 10.0
"""Seconds in which a scheduler, and a worker, must have answered; a scheduler sooner where Dask's
own configuration says so (``distributed.comm.timeouts.connect``)."""

_SILENCED: Final = ("distributed", "distributed.client", "tornado", "tornado.application")

_LACKING: Final = re.compile("No module named|has no attribute|[Cc]an't get attribute")
"""How Python says that a part of this program is not there; Dask hands on the text alone."""

R = TypeVar("R")


def _connect_within() -> float:
    """Seconds by Dask's own configuration, which may be written as "30s"."""
    configured = dask.config.get("distributed.comm.timeouts.connect", CONNECT_WITHIN)
    return float(dask.utils.parse_timedelta(configured, default="s"))


def _greet(scheduler: str, within: float) -> None:
    """Reach a scheduler and let go of it.  Raises ClusterUnready where that cannot be.

    Done before Dask's client is made: one that may not speak to an address, for want of
    certificates, is never let go of, and says so itself in a traceback.
    """
    if dask.config.get("distributed.client.security-loader", None):
        return  # only the client knows how to ask it
    try:
        arguments = distributed.Security().get_connection_args("client")
    except Exception as error:  # of many kinds; what it says is in the sentence
        raise _not_allowed(scheduler, error) from error

    async def greet() -> None:
        comm = await distributed.core.connect(scheduler, timeout=within, **arguments)
        await comm.close()

    try:
        asyncio.run(greet())
    except OSError as error:
        raise _no_answer(scheduler, error) from error
    except Exception as error:  # of many kinds; what it says is in the sentence
        raise _not_allowed(scheduler, error) from error


def _no_answer(scheduler: str, error: Exception) -> ClusterUnready:
    return ClusterUnready(
        f"The scheduler at {scheduler} does not answer ({_said(error)}). Check that it runs, and "
        "engine.scheduler in the settings, then start again."
    )


def _not_allowed(scheduler: str, error: Exception) -> ClusterUnready:
    return ClusterUnready(
        f"The scheduler at {scheduler} cannot be spoken to as Dask's own configuration on this "
        f"machine stands ({_said(error)}). Check the certificates named there "
        "(distributed.comm.tls) and that this user may read them, and whether engine.scheduler "
        "begins with tls:// or tcp://, then start again."
    )


class Connection:
    """A scheduler and its workers.  Raises ClusterUnready where they cannot do the work."""

    def __init__(self, scheduler: str, connect_within: float = CONNECT_WITHIN) -> None:
        self.scheduler = scheduler
        _silence()
        within = min(connect_within, _connect_within())
        _greet(scheduler, within)
        try:
            with warnings.catch_warnings():
                warnings.simplefilter("ignore")  # of versions; they are checked below
                self._client = distributed.Client(
                    scheduler,
                    timeout=within,
                    set_as_default=False,
                    name="verifier",
                )
        except Exception as error:  # of many kinds; what it says is in the sentence
            raise _no_answer(scheduler, error) from error
        try:
            self.told = self._fit_workers()
        except BaseException:
            self.close(0.5)
            raise
        self._executor = self._client.get_executor(pure=False, retries=0)

    # ------------------------------------------------------------------------------ workers

    def _fit_workers(self) -> dict[str, Told]:
        before = time.time()
        told = self._ask(worker.tell)
        after = time.time()
        if not told:
            raise ClusterUnready(
                f"The scheduler at {self.scheduler} has no workers, so nobody would read. Start "
                f"some with: dask worker {self.scheduler}"
            )
        wrong = [
            f"{each.name if isinstance(each, Told) else address} {sentence}"
            for address, each in told.items()
            if (sentence := unfit(each, before, after)) is not None
        ]
        if wrong:
            more = f" ({count(len(wrong) - 1, 'worker')} more not fit)" if wrong[1:] else ""
            raise ClusterUnready(
                f"The worker {wrong[0]}{more}. Put that right on every worker, then start again."
            )
        return {address: each for address, each in told.items() if isinstance(each, Told)}

    def workers(self) -> dict[str, int]:
        """The workers that there are now, each with its threads.

        Raises whatever Dask does while it has no connection.
        """
        return dict(self._client.nthreads())

    # ----------------------------------------------------------------------------- messages

    def tell(self, orders: Orders) -> None:
        """Have every worker keep to these orders.  One that does not answer is passed over."""
        with suppress(Exception):
            self._ask(worker.take_orders, orders)

    def look_first(self, orders: Orders, expected: Expected) -> dict[str, Found]:
        """What every worker sees of a place, by the worker's name.  Raises ReadersLost."""
        found = self._ask(worker.look_first, orders, expected, within=2 * worker.LOOK_WITHIN)
        return {
            self._name_of(address): (
                each if isinstance(each, Found) else Found(trouble=f"{_said(each)}.")
            )
            for address, each in found.items()
        }

    def _name_of(self, address: str) -> str:
        told = self.told.get(address)
        return address if told is None else told.name

    def on_progress(self, engine: str, told: Callable[[int, int], None]) -> None:
        """Have ``told`` called with the number and the bytes of batches under way."""

        def heard(event: tuple[float, Any]) -> None:
            _, (whose, number, size) = event
            if whose == engine:
                told(number, size)

        self._client.subscribe_topic(TOPIC, heard)

    def _ask(
        self, function: Callable[..., R], *arguments: Any, within: float = ANSWER_WITHIN
    ) -> dict[str, Any]:
        """The answer of every worker, an exception among them where it gave none."""
        try:
            answers: dict[str, Any] = self._client.run(
                function, *arguments, on_error="return", callback_timeout=within
            )
        except Exception as error:  # of many kinds; what it says is in the sentence
            raise ReadersLost(
                f"The workers of {self.scheduler} gave no answer ({_said(error)}). See whether "
                "they run, then start again."
            ) from error
        return answers

    # ------------------------------------------------------------------------------ batches

    def submit(self, engine: str, number: int, packed: bytes) -> Future[Answer]:
        """Have a batch read; Dask gives it to another worker when one is lost."""
        sent: Future[Answer] = self._executor.submit(
            worker.run_batch, __version__, packed, key=(f"verifier-batch-{engine}", number)
        )
        return sent

    def in_words(self, error: BaseException) -> BaseException:
        """What ended a batch without an answer, for the user where that is no bug."""
        if isinstance(error, KilledWorker):
            return ReadersLost(
                "Several workers, one after the other, were lost while they read the same files, "
                "so the work is not complete. See the workers' logs for what ended them (often: "
                "out of memory), then start again."
            )
        return error

    def lost(self) -> ReadersLost:
        """The scheduler, or all workers, went away."""
        return ReadersLost(
            f"The cluster at {self.scheduler} was lost while it read, so the work is not "
            "complete. See whether the scheduler and its workers run, then start again."
        )

    # ---------------------------------------------------------------------------- the end

    def stop(self, orders: Orders) -> None:
        """Have the workers stop at once, then close."""
        self.tell(orders)
        with suppress(Exception):
            self._executor.shutdown(wait=False)
        self.close(0.5)

    def forget(self, engine: str) -> None:
        """Have the workers forget an engine that is done with."""
        with suppress(Exception):
            self._ask(worker.forget, engine)

    def close(self, within: float = 2.0) -> None:
        """Let go of the scheduler."""
        with suppress(Exception):
            self._client.close(timeout=within)


def unfit(told: Told | BaseException, before: float, after: float) -> str | None:
    """Why a worker cannot do the work; it was asked between the two times."""
    if not isinstance(told, Told) and _LACKING.search(str(told)):
        return (
            f"does not have this version of verifier ({__version__}): {_said(told)}; "
            "pip install 'copy-verifier[cluster]' installs it"
        )
    if not isinstance(told, Told):
        return f"gave no answer ({_said(told)})"
    if told.version != __version__:
        return (
            f"runs verifier {told.version}, and this machine {__version__}; "
            f"pip install 'copy-verifier[cluster]=={__version__}' installs that one"
        )
    python = ".".join(platform.python_version_tuple()[:2])
    if told.python != python:
        return f"runs Python {told.python}, and this machine {python}"
    if told.library != distributed.__version__:
        return f"runs distributed {told.library}, and this machine {distributed.__version__}"
    behind, ahead = before - told.now, told.now - after
    if max(behind, ahead) > worker.CLOCKS_APART:
        way = f"{behind:,.0f} s behind" if behind > 0 else f"{ahead:,.0f} s ahead of"
        return f"has a clock that is {way} this machine's, and it stops by its own"
    return None


def _said(error: BaseException) -> str:
    """The first line of what a library said."""
    first = str(error).strip().partition("\n")[0].rstrip(".")
    return first or type(error).__name__


def _silence() -> None:
    """Losing a worker is told in this program's words, once it matters."""
    for name in _SILENCED:
        logging.getLogger(name).setLevel(logging.CRITICAL + 1)
