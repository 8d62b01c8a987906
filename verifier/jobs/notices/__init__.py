"""The job of telling people: at once, after each shift, and once a week.

What is sent when, to whom, and what became of it.  It must never fail a shift, nor hold it up for
longer than the settings allow, nor print, keep or raise an address with its secrets filled in.
Callers import from here.
"""

from verifier.jobs.notices.telling import Notices, Outcome
from verifier.jobs.notices.values import Draft, Facts, Group, Known, Week, WeekPlace, Words
from verifier.jobs.notices.when import expected_by, missed_by

__all__ = [
    "Draft",
    "Facts",
    "Group",
    "Known",
    "Notices",
    "Outcome",
    "Week",
    "WeekPlace",
    "Words",
    "expected_by",
    "missed_by",
]
