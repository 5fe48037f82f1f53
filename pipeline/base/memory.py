"""Memory that has been let go, given back to the system."""

from __future__ import annotations

import ctypes
import sys


def give_back() -> None:
    """Have the C library return what lies free on its heap.

    glibc keeps freed blocks below 32 MB, so a process stays as large as the largest file it has
    read, and more with every one. A thousandth of a second after each file; nothing elsewhere.
    """
    if sys.platform == "linux":
        trim = getattr(ctypes.CDLL(None), "malloc_trim", None)
        if trim is not None:
            trim(0)
