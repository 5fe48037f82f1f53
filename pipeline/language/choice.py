"""Which language is in force: what was asked for, else the system's, else English."""

from __future__ import annotations

import os
import sys
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from contextvars import ContextVar

LANGUAGES = {"en": "English", "de": "Deutsch", "fr": "français"}
SOURCE = "en"  # what the code is written in

_in_force: ContextVar[str] = ContextVar("language", default=SOURCE)


def language_in_force() -> str:
    """The two letters of the language in force (ISO 639-1)."""
    return _in_force.get()


@contextmanager
def using(language: str) -> Iterator[None]:
    """Puts a language in force within a `with` block."""
    token = _in_force.set(language)
    try:
        yield
    finally:
        _in_force.reset(token)


def system_language(environment: Mapping[str, str] = os.environ) -> str:
    """The language that the system asks for, as POSIX has it (LANGUAGE, LC_ALL, LC_MESSAGES, LANG),
    or Windows' own where none of them is set; English where it is none of ours."""
    wanted = environment.get("LC_ALL") or environment.get("LC_MESSAGES") or environment.get("LANG")
    if wanted in ("C", "POSIX") or (wanted or "").startswith("C."):
        return SOURCE  # then LANGUAGE counts for nothing, as in gettext
    if wanted or environment.get("LANGUAGE"):
        listed = [*(environment.get("LANGUAGE") or "").split(":"), wanted or ""]
    else:
        listed = [_windows_language()] if sys.platform == "win32" else []
    for name in listed:
        if name[:2].casefold() in LANGUAGES and name[2:3] in ("", "_", "-", ".", "@"):
            return name[:2].casefold()
    return SOURCE


def _windows_language() -> str:
    """The language of the user's screens as Windows names it: "de-CH"."""
    if sys.platform != "win32":
        return ""
    import ctypes
    import locale

    return locale.windows_locale.get(ctypes.windll.kernel32.GetUserDefaultUILanguage(), "")
