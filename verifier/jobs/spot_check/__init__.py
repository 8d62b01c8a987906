"""The job `spot-check`: draw a random sample, read it afresh on both sides, say what that proves.

Nothing is called bad before a second reading has shown it too, and findings are written by the same
judging as a shift's.  A module knows only those below it::

    checking     the work itself
    tally        what it has shown so far, and what that proves
    verdicts     what readings come to
    sample       what is drawn from, and its units in their random order
    asked        what a person asks for
"""

from verifier.jobs.spot_check.asked import folder_named, refuse_without_ledger
from verifier.jobs.spot_check.checking import SpotCheck
from verifier.jobs.spot_check.sample import By, Extent, Request, Sample, population_of
from verifier.jobs.spot_check.tally import Ended, Result

__all__ = [
    "By",
    "Ended",
    "Extent",
    "Request",
    "Result",
    "Sample",
    "SpotCheck",
    "folder_named",
    "population_of",
    "refuse_without_ledger",
]
