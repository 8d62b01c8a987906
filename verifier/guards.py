"""What a walk must look like before anything of it is believed.  Pure.

They stand between an unmounted share and ten thousand false alarms, and between a mass change on
a source and the copy run that would carry it over.
"""

from __future__ import annotations

from typing import Final

from verifier.ledger.values import WalkSummary
from verifier.measures import count

FEW: Final = 20
"""Paths that a mirror may lack before they are worth a sentence of their own: so many findings are
sooner looked at than a mount."""


def emptied(summary: WalkSummary) -> str | None:
    """A sentence when a place looks unmounted or emptied, None when it does not.

    What lies below a folder that could not be listed is neither there nor gone: it counts as
    there.  What a certificate allowed to leave is not missed, nor what a pattern leaves out now.
    A mirror that holds as much as ever, but not what its source holds, may be another disk.
    """
    there = summary.seen + summary.hidden
    if summary.known > summary.left_out and not there:
        return f"it is empty, and {count(summary.known, 'path')} stood there at the last walk"
    if 2 * there < summary.known - summary.released - summary.left_out:
        return (
            f"it holds {count(there, 'path')}, and {summary.known:,} stood there at the last walk"
        )
    if summary.lacking >= FEW and 2 * summary.lacking > summary.known:
        return (
            f"it lacks {summary.lacking:,} of the {count(summary.known, 'path')} that stood there "
            "at the last walk and that its source still holds, as if another disk were mounted "
            "in its place"
        )
    return None


def surged(summary: WalkSummary, above: float) -> str | None:
    """A sentence when over ``above`` (0 to 1) of a source's agreed paths changed or vanished."""
    lost = summary.agreed_changed + summary.agreed_vanished
    if not summary.agreed or lost <= above * summary.agreed:
        return None
    return (
        f"of {count(summary.agreed, 'path')} that were proven to match, "
        f"{summary.agreed_changed:,} changed and {summary.agreed_vanished:,} vanished since the "
        "last walk"
    )
