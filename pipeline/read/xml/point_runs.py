"""Runs of track points in an XML document that are all written alike, read as columns.

A run is a row of neighbouring points that differ from the point before the run in their values
only. Whatever is true of that point's markup is then true of all of them. So the document is
parsed as XML without its runs, with a processing instruction in the place of each; the parser
tells whether a point can stand there. Whatever is not proven to be regular is left to the parser.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import NamedTuple

import numpy as np

from pipeline.base.values import Floats
from pipeline.read.stamps import iso_stamps
from pipeline.read.text_columns import Bytes, Offsets, cut_texts, float_values, windows

TARGET = "batontrace-run"

_VOID = "void"
_LEAST = 64  # points that make a run; fewer are faster to walk than to cut out
_FIRST_WINDOW, _WINDOW = 1 << 14, 1 << 19  # bytes looked at together, to limit the memory
_MOST_TRIES = 64  # points that begin no run, before the rest is left to the parser
_POINTS_PER_TRY = 32  # this many points of runs earn one more try
_DECLARED = re.compile(rb"\s*(?:\xef\xbb\xbf)?<\?xml\s[^<>]*?encoding\s*=\s*[\"']([^\"']*)[\"']")
_ASCII_BASED = ("utf-8", "us-ascii", "iso-8859-1", "ascii", "utf8")
_PART = re.compile(rb"<(/?)([A-Za-z_][\w.:-]*)([^<>]*?)(/?)>([^<>]*)")
_ATTRIBUTE = re.compile(rb'\s+([^\s=<>"]+)\s*=\s*"([^"<>]*)"')


class PointNames(NamedTuple):
    """Where the points of a format keep their numbers.

    `path` names the elements that enclose a point, from the root on. `columns` gives for each
    column the local name, in lower case, of an element inside the point;
    `attributes` gives an attribute of the point itself. `void` is an element, named as in
    `columns`, and the text it holds where the point is no fix.
    """

    point: str
    path: tuple[str, ...]
    columns: Mapping[str, str]
    attributes: Mapping[str, str]
    void: tuple[str, str] | None = None


class Run(NamedTuple):
    """`data[start:end]` of the document and the columns (n,) of its points.

    "zoned" is 1.0 where a time names its zone. Points that are no fix (`void`) have the time NaN.
    """

    start: int
    end: int
    columns: Mapping[str, Floats]


class _Slot(NamedTuple):
    """Where a value stands, counted from the point's start, and its column, None if not read."""

    start: int
    end: int
    column: str | None


class _Template(NamedTuple):
    """The parts of a point that do not change (`literals`, one more than `slots`).

    `before` is how many `delimiters` stand before each literal; `period` and `controls` are how
    many delimiters and control characters a whole point has.
    """

    slots: tuple[_Slot, ...]
    literals: tuple[bytes, ...]
    before: tuple[int, ...]
    delimiters: bytes
    period: int
    controls: int


def declared_encoding(data: bytes) -> str | None:
    """The encoding that the document's first line names, in lower case."""
    declared = _DECLARED.match(data, 0, 400)
    return declared[1].decode("latin-1").lower() if declared else None


def runs(data: bytes, names: PointNames) -> list[Run]:
    """The document's runs in order; none where its encoding or declarations prove nothing."""
    encoding = declared_encoding(data)
    if (
        (encoding is not None and encoding not in _ASCII_BASED)
        or b"<!DOCTYPE" in data  # could add attributes that no point shows
        or TARGET.encode() in data
    ):
        return []
    buffer: Bytes = np.frombuffer(data, np.uint8)
    point = re.compile(rb"<%b[\s>]" % names.point.encode())
    found: list[Run] = []
    points = tries = at = 0
    while tries <= _MOST_TRIES + points // _POINTS_PER_TRY and (head := point.search(data, at)):
        tries += 1
        following = point.search(data, head.end(), head.start() + _FIRST_WINDOW)
        if following is None:
            at = head.end()
            continue
        at = following.start()
        template = _template(data[head.start() : at], names)
        run = template and _run_from(data, buffer, at, template, names)
        if run:
            found.append(run)
            at = run.end
            points += len(run.columns["t_s"])
    return found


def _template(point: bytes, names: PointNames) -> _Template | None:
    """What stays the same in a point, made from one and the space after it; None if not plain."""
    slots = _slots(point, names)
    if not slots:
        return None
    delimiters = b'<"' if any(point[s.end] == ord('"') for s in slots) else b"<"
    starts = (0, *(s.end for s in slots), len(point))
    literals = (
        *(point[a : s.start] for a, s in zip(starts, slots, strict=False)),
        point[starts[-2] :],
    )
    before = tuple(sum(point.count(bytes([d]), 0, at) for d in delimiters) for at in starts)
    controls = sum(byte < 0x20 for literal in literals for byte in literal)
    return _Template(slots, literals, before[:-1], delimiters, before[-1], controls)


def _slots(point: bytes, names: PointNames) -> tuple[_Slot, ...]:
    """Where the values of all attributes (except namespaces) and of childless elements stand.

    Empty where there is text anywhere else, a comment, or an element with children where a number
    should be.
    """
    wanted = {name: column for column, name in names.columns.items()}
    if names.void is not None:
        wanted[names.void[0]] = _VOID
    attributes = {name: column for column, name in names.attributes.items()}
    slots: list[_Slot] = []
    opened: list[bytes] = []
    previous: re.Match[bytes] | None = None
    for part in _PART.finditer(point):
        closing, name, inside, empty, text = part.groups()
        if part.start() != (previous.end() if previous else 0):
            return ()
        childless = previous is not None and not previous[1] and not previous[4]
        if closing:
            if not opened or opened.pop() != name:
                return ()
            if childless and previous is not None:
                slots.append(
                    _Slot(previous.start(5), part.start(), wanted.pop(_tag_name(name), None))
                )
        else:
            if (
                childless
                and previous is not None
                and (previous[5].strip() or _tag_name(previous[2]) in wanted)
            ):
                return ()
            for a in _ATTRIBUTE.finditer(inside):
                if not a[1].startswith(b"xmlns"):
                    column = None if opened else attributes.get(a[1].decode("latin-1"))
                    shift = part.start(3)
                    slots.append(_Slot(shift + a.start(2), shift + a.end(2), column))
            if _ATTRIBUTE.sub(b"", inside).strip():
                return ()
            if not empty:
                opened.append(name)
        if (closing or empty) and text.strip():
            return ()
        previous = part
        if not opened:
            break
    whole = previous is not None and previous.end() == len(point)
    return tuple(slots) if whole and not opened else ()


def _tag_name(name: bytes) -> str:
    return name.rpartition(b":")[2].decode("latin-1").lower()


def _run_from(
    data: bytes, buffer: Bytes, start: int, template: _Template, names: PointNames
) -> Run | None:
    """The points from `start` on that are written like the template; None if they are too few."""
    size, at, n = _FIRST_WINDOW, start, 0
    parts: list[dict[str, Floats]] = []
    while True:
        view = buffer[at : at + size]
        is_delimiter = view == template.delimiters[0]
        for other in template.delimiters[1:]:
            is_delimiter |= view == other
        places: Offsets = np.flatnonzero(is_delimiter) + at
        there = max(len(places) - 1, 0) // template.period
        heads, alike = _matching_points(buffer, places, there, template)
        end = int(places[alike * template.period]) if there else at
        if alike and not _is_plain_ascii(
            data, view[: end - at], at, end, alike * template.controls
        ):
            alike = 0
        if alike:
            parts.append(_run_columns(buffer, heads[:, :alike], template, names))
            at, n = end, n + alike
        if alike < there or alike == 0:
            break
        size = min(4 * size, _WINDOW)
    if n < _LEAST:
        return None
    return Run(start, at, {c: np.concatenate([p[c] for p in parts]) for c in parts[0]})


def _matching_points(
    buffer: Bytes, places: Offsets, n: int, template: _Template
) -> tuple[Offsets, int]:
    """Where each literal of the next n points would start, and how many points have them all.

    The first is (literals + 1, n), with the start of the following point in its last row. The
    second counts from the first point up to the first that differs.
    """
    before = np.array((*template.before, template.period))
    heads = places[np.arange(n) * template.period + before[:, None]]
    for i, literal in enumerate(template.literals):
        start = heads[i, :n]
        n = _first_failure(start > len(buffer) - len(literal), n)
        cuts = windows(buffer, start[:n], len(literal))
        if cuts.tobytes() != literal * n:
            n = _first_failure((cuts != np.frombuffer(literal, np.uint8)).any(axis=1), n)
        if i < len(template.slots) and template.slots[i].column is not None:
            n = _first_failure(heads[i + 1, :n] <= start[:n] + len(literal), n)  # an empty value
    n = _first_failure(heads[-1, :n] != heads[-2, :n] + len(template.literals[-1]), n)
    return heads, n


def _first_failure(fails: np.ndarray[tuple[int], np.dtype[np.bool_]], n: int) -> int:
    """The first index below n that fails, or n."""
    fails = fails[:n]
    return int(fails.argmax()) if fails.any() else n


def _is_plain_ascii(data: bytes, view: Bytes, start: int, end: int, controls: int) -> bool:
    """Whether each byte stands for itself: no references, no end of a CDATA section, only ASCII,
    and no control characters except the `controls` in the literals."""
    return bool(
        view.max() < 0x7F
        and np.count_nonzero(view < 0x20) == controls
        and data.find(b"&", start, end) < 0
        and data.find(b"]]>", start, end) < 0
    )


def _run_columns(
    buffer: Bytes, heads: Offsets, template: _Template, names: PointNames
) -> dict[str, Floats]:
    n = heads.shape[1]
    found = {c: np.full(n, np.nan) for c in ("t_s", *names.columns, *names.attributes)}
    found["zoned"] = np.ones(n)
    void: Floats | None = None
    for i, slot in enumerate(template.slots):
        if slot.column is None:
            continue
        start, end = heads[i] + len(template.literals[i]), heads[i + 1]
        if slot.column == "t_s":
            found["t_s"], found["zoned"] = iso_stamps(buffer, start, end)
        elif slot.column == _VOID and names.void is not None:
            texts = cut_texts(buffer, start, end).to_pylist()
            void = np.array([t.strip() == names.void[1] for t in texts])
        else:
            found[slot.column] = float_values(cut_texts(buffer, start, end))
    if void is not None:
        found["t_s"] = np.where(void, np.nan, found["t_s"])
    return found
