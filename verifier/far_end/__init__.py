"""The far end of a link: what a verifier elsewhere starts here, to read where a share lies.

It answers questions on standard input with frames on standard output, serves one folder, opens
everything for reading only, and ends when the other side does.  By itself it stops at the bell
that it was told, whether or not anybody still hears it.
"""

from __future__ import annotations

from verifier.far_end.serving import serve

__all__ = ["serve"]
