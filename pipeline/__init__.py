"""Relay takeovers timed and measured from the track files runners' units write.

For notebooks; see docs/analysis.md. Nothing is imported before it is used.
"""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from pipeline.api import (
        BatontraceError,
        curves,
        curves_table,
        fixes_frame,
        frame,
        imu_frame,
        process_session,
        read_recording,
        sessions,
        table,
    )

__all__ = [
    "BatontraceError",
    "curves",
    "curves_table",
    "fixes_frame",
    "frame",
    "imu_frame",
    "process_session",
    "read_recording",
    "sessions",
    "table",
]


def __getattr__(name: str) -> Any:
    if name not in __all__:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    value = getattr(importlib.import_module("pipeline.api"), name)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
