"""Giving freed memory back to the system."""

from __future__ import annotations

import ctypes
import sys


def give_back() -> None:
    """Have the C library give back what lies free on its heap.

    glibc keeps freed blocks below 32 MB, so a process stays as large as the largest file it has
    read made it, and grows with every file. This takes about a thousandth of a second after each
    file. On systems other than Linux it does nothing.
    """
    if sys.platform == "linux":
        trim = getattr(ctypes.CDLL(None), "malloc_trim", None)
        if trim is not None:
            trim(0)
