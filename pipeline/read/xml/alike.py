"""Points of an XML document that a program wrote one like the other, read as columns.

A run is a row of neighbouring points whose bytes differ from the point before the run in the
values alone. Whatever holds for the markup of that point then holds for all of them, so the
document without its runs is parsed as XML, a processing instruction standing where each run
was; the parser says whether that place is one where a point can stand. What is not proven to
be regular is left to the parser.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import NamedTuple

import numpy as np

from pipeline.base.values import Floats
from pipeline.read.stamps import iso_stamps
from pipeline.read.texts import Bytes, Places, cut, numbers, windows

TARGET = "batontrace-run"

_VOID = "void"
_LEAST = 64  # points that make a run: fewer are walked sooner than cut out
_FIRST_WINDOW, _WINDOW = 1 << 14, 1 << 19  # bytes looked at together: they bound the memory
_TRIES = 64  # at points that begin no run, before the rest is left to the parser
_POINTS_PER_TRY = 32  # so many points of runs earn one more
_DECLARED = re.compile(rb"\s*(?:\xef\xbb\xbf)?<\?xml\s[^<>]*?encoding\s*=\s*[\"']([^\"']*)[\"']")
_ASCII_BASED = (b"utf-8", b"us-ascii", b"iso-8859-1", b"ascii", b"utf8")
_PART = re.compile(rb"<(/?)([A-Za-z_][\w.:-]*)([^<>]*?)(/?)>([^<>]*)")
_ATTRIBUTE = re.compile(rb'\s+([^\s=<>"]+)\s*=\s*"([^"<>]*)"')


class Names(NamedTuple):
    """Where a format's points keep their numbers. `columns`: column -> local name of an element
    inside the point, in lower case; `attributes`: column -> attribute of the point itself.
    `void`: an element, as in `columns`, and what it holds where the point is no fix."""

    point: str
    parent: str
    columns: Mapping[str, str]
    attributes: Mapping[str, str]
    void: tuple[str, str] | None = None


class Run(NamedTuple):
    """`data[start:end]` of the document and its points' columns (n,), by column; "zoned" is
    1.0 where a time names its zone. `void` points have the time NaN."""

    start: int
    end: int
    columns: Mapping[str, Floats]


class _Slot(NamedTuple):
    """A value's place in a point: `end` relative to the point; what it is, if it is read."""

    start: int
    end: int
    column: str | None


class _Template(NamedTuple):
    """A point's unchanging parts (`literals`, one more than `slots`), and for each how many of
    the `delimiters` stand before it; `period` and `controls`: how many of these and of control
    characters a point has."""

    slots: tuple[_Slot, ...]
    literals: tuple[bytes, ...]
    before: tuple[int, ...]
    delimiters: bytes
    period: int
    controls: int


def runs(data: bytes, names: Names) -> list[Run]:
    """The document's runs in their order; none where it is of a kind that proves nothing."""
    declared = _DECLARED.match(data, 0, 400)
    if (
        (declared is not None and declared[1].lower() not in _ASCII_BASED)
        or b"<!DOCTYPE" in data  # could give attributes that no point shows
        or TARGET.encode() in data
    ):
        return []
    buffer: Bytes = np.frombuffer(data, np.uint8)
    point = re.compile(rb"<%b[\s>]" % names.point.encode())
    found: list[Run] = []
    points = tries = at = 0
    while tries <= _TRIES + points // _POINTS_PER_TRY and (head := point.search(data, at)):
        tries += 1
        following = point.search(data, head.end(), head.start() + _FIRST_WINDOW)
        if following is None:
            at = head.end()
            continue
        at = following.start()
        template = _template(data[head.start() : at], names)
        run = template and _run(data, buffer, at, template, names)
        if run:
            found.append(run)
            at = run.end
            points += len(run.columns["t_s"])
    return found


def _template(point: bytes, names: Names) -> _Template | None:
    """Of one point and the space up to the next; None where its shape is not a plain one."""
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


def _slots(point: bytes, names: Names) -> tuple[_Slot, ...]:
    """The places of all attributes' values, save names of namespaces, and of all texts of
    elements without children. None at all where there is text elsewhere, a comment, or an
    element with children where a number should be."""
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
                slots.append(_Slot(previous.start(5), part.start(), wanted.pop(_local(name), None)))
        else:
            if (
                childless
                and previous is not None
                and (previous[5].strip() or _local(previous[2]) in wanted)
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


def _local(name: bytes) -> str:
    return name.rpartition(b":")[2].decode("latin-1").lower()


def _run(data: bytes, buffer: Bytes, start: int, template: _Template, names: Names) -> Run | None:
    """The points from `start` on that are like the template."""
    size, at, n = _FIRST_WINDOW, start, 0
    parts: list[dict[str, Floats]] = []
    while True:
        view = buffer[at : at + size]
        is_delimiter = view == template.delimiters[0]
        for other in template.delimiters[1:]:
            is_delimiter |= view == other
        places: Places = np.flatnonzero(is_delimiter) + at
        there = max(len(places) - 1, 0) // template.period
        heads, alike = _alike(buffer, places, there, template)
        end = int(places[alike * template.period]) if there else at
        if alike and not _is_plain(data, view[: end - at], at, end, alike * template.controls):
            alike = 0
        if alike:
            parts.append(_columns(buffer, heads[:, :alike], template, names))
            at, n = end, n + alike
        if alike < there or alike == 0:
            break
        size = min(4 * size, _WINDOW)
    if n < _LEAST:
        return None
    return Run(start, at, {c: np.concatenate([p[c] for p in parts]) for c in parts[0]})


def _alike(buffer: Bytes, places: Places, n: int, template: _Template) -> tuple[Places, int]:
    """Where each literal of the next n points would start (literals + 1, n), the last row being
    the next point; and how many points from the first on have them all."""
    before = np.array((*template.before, template.period))
    heads = places[np.arange(n) * template.period + before[:, None]]
    for i, literal in enumerate(template.literals):
        start = heads[i, :n]
        n = _first(start > len(buffer) - len(literal), n)
        cuts = windows(buffer, start[:n], len(literal))
        if cuts.tobytes() != literal * n:
            n = _first((cuts != np.frombuffer(literal, np.uint8)).any(axis=1), n)
        if i < len(template.slots) and template.slots[i].column is not None:
            n = _first(heads[i + 1, :n] <= start[:n] + len(literal), n)  # an empty value
    n = _first(heads[-1, :n] != heads[-2, :n] + len(template.literals[-1]), n)
    return heads, n


def _first(fails: np.ndarray[tuple[int], np.dtype[np.bool_]], n: int) -> int:
    """The first index, below n, that fails; else n."""
    fails = fails[:n]
    return int(fails.argmax()) if fails.any() else n


def _is_plain(data: bytes, view: Bytes, start: int, end: int, controls: int) -> bool:
    """Whether each byte means itself alone: no reference, no end of a section, nothing beyond
    ASCII, and no control characters but the `controls` that the literals hold."""
    return bool(
        view.max() < 0x7F
        and np.count_nonzero(view < 0x20) == controls
        and data.find(b"&", start, end) < 0
        and data.find(b"]]>", start, end) < 0
    )


def _columns(buffer: Bytes, heads: Places, template: _Template, names: Names) -> dict[str, Floats]:
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
            texts = cut(buffer, start, end).to_pylist()
            void = np.array([t.strip() == names.void[1] for t in texts])
        else:
            found[slot.column] = numbers(cut(buffer, start, end))
    if void is not None:
        found["t_s"] = np.where(void, np.nan, found["t_s"])
    return found
