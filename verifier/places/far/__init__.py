"""A place on a far host, reached with the system's own SSH client.

Inside, a module knows only those that stand below it::

    place       what a place does, over links that are made anew when they drop
    link        one ssh process, and what is said over it
    failures    what ssh says when it fails, as a sentence
    messages    what the two ends say to each other, which `verifier.far_end` knows too
"""

from __future__ import annotations
