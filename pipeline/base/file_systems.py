"""What the file systems of Windows and Macs refuse, or take for one and the same.

A lake is carried on a stick and a session is sent to a colleague, so names are looked at on every
system. Source of the names that Windows keeps for devices and of the signs it refuses: Microsoft,
"Naming Files, Paths, and Namespaces" (learn.microsoft.com), from memory; macOS's APFS and Windows'
NTFS do not tell capitals from small letters unless set up to, and APFS does not tell composed
letters from decomposed ones.
"""

from __future__ import annotations

import os
import re
import unicodedata

_DEVICE = re.compile(r"(con|prn|aux|nul|com[1-9¹²³]|lpt[1-9¹²³]|conin\$|conout\$) *(\..*)?", re.I)
_REFUSED_SIGNS = re.compile(r'[<>:"/\\|?*\x00-\x1f]')
_WINDOWS = os.name == "nt"


def is_windows() -> bool:
    """Whether this runs on Windows."""
    return _WINDOWS


def refused_by_windows(name: str) -> str:
    """Why Windows cannot hold a file or folder of this name, as the end of "it ...", else ""."""
    if _DEVICE.fullmatch(name):
        return "is the name of a device"
    if found := _REFUSED_SIGNS.search(name):
        return f"holds {found[0]!r}"
    if name.endswith((".", " ")) and name not in (".", ".."):
        return "ends with a dot or a space"
    return ""


def folded(name: str) -> str:
    """What two names share that Windows or a Mac takes for one: "Heron", "heron" and "heron."."""
    return unicodedata.normalize("NFC", unicodedata.normalize("NFC", name).casefold()).rstrip(". ")
