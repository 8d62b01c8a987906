"""What a walk must look like before anything of it is believed.  Pure.

They stand between an unmounted share and ten thousand false alarms, and between a mass change on
a source and the copy run that would carry it over.
"""

from __future__ import annotations

from verifier.ledger.values import WalkSummary
from verifier.measures import count


def emptied(summary: WalkSummary) -> str | None:
    """A sentence when a place looks unmounted or emptied, None when it does not.

    What lies below a folder that could not be listed is neither there nor gone: it counts as
    there.  What a certificate allowed to leave is not missed, nor what a pattern leaves out now.
    """
    there = summary.seen + summary.hidden
    if summary.known > summary.left_out and not there:
        return f"it is empty, and {count(summary.known, 'path')} stood there at the last walk"
    if 2 * there < summary.known - summary.released - summary.left_out:
        return (
            f"it holds {count(there, 'path')}, and {summary.known:,} stood there at the last walk"
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
