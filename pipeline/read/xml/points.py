"""The track points of a GPX or TCX document, read one after the other without keeping a tree.

Where the XML is broken, reading goes on at the next point, as if its enclosing elements had just
been opened. So a flipped bit costs the point it stands in, or none.
"""

from __future__ import annotations

import re
from array import array
from collections.abc import Sequence
from pathlib import Path
from typing import NamedTuple
from xml.parsers import expat

import numpy as np

from pipeline.base.values import Floats
from pipeline.errors import RecordingError
from pipeline.read.screening import Content, sieve_fixes, too_many_samples, why_no_fixes
from pipeline.read.stamps import NO_ZONE, iso_stamp
from pipeline.read.xml.point_runs import TARGET, PointNames, Run, declared_encoding, runs

MOST_POINTS = 1 << 22  # of one recording; the shortest that say anything take 64 bytes each
MOST_WALKED_POINTS = 1 << 20  # one by one: half a minute's work, and a day at ten a second
MOST_TAGS = 1 << 24  # of a document without its runs
MOST_BREAKS = 1000  # after which the rest of a document is given up
MOST_TAG_NAMES = 10_000  # different ones of elements and attributes; the parser keeps them all
_MOST_DEPTH = 100  # of elements
_MOST_TOKEN_BYTES = 1 << 18  # of a tag or comment; the parser has to keep it whole
_FED_BYTES = 1 << 16  # handed to the parser at a time
_MOST_TEXT = 1000  # characters of a number or time
_MOST_TEXTS = 100  # elements of one point that may hold its numbers


class Point(NamedTuple):
    """One point's numbers, NaN where the file has none; units as in `Fixes`."""

    t_s: float
    zoned: bool
    latitude_deg: float
    longitude_deg: float
    speed_mps: float = np.nan
    altitude_m: float = np.nan
    hdop: float = np.nan
    satellites: float = np.nan


class Walk(NamedTuple):
    """The points as `columns` (n, fields of Point).

    `fault` says where the XML is broken, if it is; `breaks` how often, and `lost` how many points
    stood there.
    """

    columns: Floats
    fault: str | None = None
    breaks: int = 0
    lost: int = 0


class _Break(Exception):
    """Why the document cannot be read any farther, the byte where that was seen, and the first at
    which it may be read again."""

    def __init__(self, why: str, at: int, again: int | None = None) -> None:
        self.why, self.at, self.again = why, at, at if again is None else again


class _TooMuch(Exception):
    """What there is more of than any recording has."""


def read_track(path: Path, data: bytes, names: PointNames) -> Content:
    """All points of a document as fixes, in the file's order.

    Raises RecordingError where there are no points, or none has a time, or none is a fix.
    """
    point = names.point
    if data.count(b"<" + point.encode()) > MOST_POINTS:
        raise too_many_samples(path, MOST_POINTS)
    try:
        columns, fault, breaks, lost = walk_runs(data, names) or walk(data, names)
    except _TooMuch as found:
        raise RecordingError(
            path,
            f"more than {found}",
            "one session's recording",
            "export the recording from the unit again",
        ) from None
    if len(columns) == 0:
        raise RecordingError(
            path,
            f"no track points{f' in broken XML ({fault})' if fault else ''}",
            f"<{point}> elements with time and place",
            "export the recorded activity as a track; routes and waypoints are no recordings",
        )
    t_s, zoned, *rest = columns.T
    if np.isnan(t_s).all():
        raise RecordingError(
            path,
            f"none of the {len(t_s)} track points has a time",
            f"a time in each <{point}>",
            "export the recorded activity, not a planned course",
        )
    fixes, dropped = sieve_fixes(t_s, *rest)
    if fixes is None:
        raise RecordingError(
            path,
            f"no track point is a fix ({why_no_fixes(t_s, *rest[:3])})",
            f"latitude and longitude in degrees in each <{point}>",
            "export an activity recorded with satellites on",
        )
    remarks = []
    if fault is not None:
        where = "in one place" if breaks == 1 else f"in {breaks} places, the first"
        remarks.append(
            f"the XML is broken {where} {fault}; {lost or 'no'} track points were lost there"
        )
    if not zoned.all():
        remarks.append(NO_ZONE)
    return Content(fixes=fixes, dropped_fixes=dropped + lost, remarks=tuple(remarks))


def walk_runs(data: bytes, names: PointNames) -> Walk | None:
    """As `walk`, but with runs of points that are written alike read as columns.

    None where there is no such run, or where the document without its runs is not sound XML in
    which each run stands where a point can.
    """
    found = runs(data, names)
    if not found:
        return None
    pieces, at = [], 0
    for i, run in enumerate(found):
        pieces += [data[at : run.start], f"<?{TARGET} {i}?>".encode()]
        at = run.end
    reading = _Reading(names, expected_runs=len(found))
    try:
        reading.parse(b"".join((*pieces, data[at:])).lstrip())
    except _Break:
        return None  # `walk` finds the fault again, at its true position
    if len(reading.run_rows) != len(found):
        return None  # some run stood in a comment
    rows = _point_rows(reading.values)
    blocks, before = list[Floats](), 0
    for run, row in zip(found, reading.run_rows, strict=True):
        blocks += [rows[before:row], _run_rows(run)]
        before = row
    return Walk(np.concatenate([*blocks, rows[before:]]))


def _point_rows(values: array[float]) -> Floats:
    return np.array(values, dtype=np.float64).reshape(-1, len(Point._fields))


def _run_rows(run: Run) -> Floats:
    nothing = np.full(len(run.columns["t_s"]), np.nan)
    return np.stack([run.columns.get(field, nothing) for field in Point._fields], axis=1)


def walk(data: bytes, names: PointNames) -> Walk:
    """Every point, one by one. Where the document is broken, on from the next point."""
    data = data.lstrip()
    if data[:2] in (b"\xff\xfe", b"\xfe\xff"):
        data = data.decode("utf-16", errors="replace").encode()
        reading = _Reading(names, encoding="utf-8")
    else:
        reading = _Reading(names)
    name = re.escape(names.point.encode())
    opening = re.compile(rb"<(?:[A-Za-z_][\w.-]*:)?%b[\s/>]" % name)
    closing = re.compile(rb"</(?:[A-Za-z_][\w.-]*:)?%b[\s>]" % name)
    start = breaks = lost = 0
    fault: str | None = None
    while True:
        try:
            reading.parse(data, start)
            break
        except _Break as found:
            if fault is None:
                line = data.count(b"\n", 0, found.at) + 1
                fault = f"(line {line}: {found.why})"
            breaks += 1
            following = opening.search(data, max(found.again, reading.begun + 1, start + 1))
            end = following.start() if following and breaks < MOST_BREAKS else len(data)
            passed = (reading.done + 1, end)
            lost += max(
                sum(1 for _ in opening.finditer(data, *passed)),
                sum(1 for _ in closing.finditer(data, *passed)),
            )
            if end == len(data):
                break
            start = end
    return Walk(_point_rows(reading.values), fault, breaks, lost)


class _Reading:
    """The points read so far, and where in the document the last of them stood.

    `begun` and `done` are the bytes where the last point began, and where the tag begins that ended
    the last whole point. `run_rows` is for each run how many points were read before it.
    """

    def __init__(
        self, names: PointNames, encoding: str | None = None, expected_runs: int = 0
    ) -> None:
        self.names, self.encoding, self.expected_runs = names, encoding, expected_runs
        self.values = array("d")
        self.run_rows: list[int] = []
        self.begun = self.done = -1
        self.enclosing: Sequence[str] = names.path
        self._wanted = frozenset(names.columns.values()) | {names.void[0] if names.void else ""}
        self._most_values = MOST_WALKED_POINTS * len(Point._fields)
        self._tags = 0

    def parse(self, data: bytes, start: int = 0) -> None:
        """Adds the points from `start` on, which is 0 or where a point begins. Raises _Break."""
        names = self.names
        known: dict[str, str] = {}
        encoding = self.encoding
        opened: list[str] = []  # the enclosing elements
        within: list[int] = []  # the elements open inside a point: their place in `texts`, or -1
        texts: list[list[str]] = []  # names and texts of the elements that are wanted
        attributes: list[str] = []
        in_point = False
        into = -1  # the place in `texts` to which characters go

        def start_element(name: str, own: list[str]) -> None:
            nonlocal in_point, attributes, into
            local = name.rpartition(":")[2]
            if local == names.point:
                if in_point:
                    raise _Break("a point inside a point", base + parser.CurrentByteIndex)
                in_point, attributes, into = True, own, -1
                self.begun = base + parser.CurrentByteIndex
                self.enclosing = tuple(opened)
                texts.clear()
                parser.CharacterDataHandler = add_characters
            elif in_point:
                local = local.lower()
                into = -1
                if local in self._wanted and len(texts) < _MOST_TEXTS:
                    into = len(texts)
                    texts.append([local, ""])
                within.append(into)
            else:
                opened.append(name)
            if len(within) + len(opened) > _MOST_DEPTH:
                raise _Break("elements nested too deep", base + parser.CurrentByteIndex)

        def add_characters(characters: str) -> None:
            if into >= 0 and len(texts[into][1]) <= _MOST_TEXT:
                texts[into][1] += characters

        def end_element(_name: str) -> None:
            nonlocal in_point, into
            into = -1
            if within:
                within.pop()
            elif in_point:
                in_point = False
                parser.CharacterDataHandler = None
                self.values.extend(_point_of(texts, attributes, names))
                self.done = base + parser.CurrentByteIndex
                if len(self.values) > self._most_values:
                    raise _TooMuch(f"{MOST_WALKED_POINTS} track points that are not all alike")
            else:
                opened.pop()

        def note_run(target: str, number: str) -> None:
            if target != TARGET or not self.expected_runs:
                return
            if in_point or number != str(len(self.run_rows)):
                raise _Break("a run out of place", base + parser.CurrentByteIndex)
            self.run_rows.append(len(self.values) // len(Point._fields))

        head = b""
        if start:
            encoding = encoding or declared_encoding(data)
            head = "".join(f"<{name}>" for name in self.enclosing).encode()
        base = start - len(head)
        try:
            parser = expat.ParserCreate(encoding, intern=known)
            parser.ordered_attributes = True
            parser.buffer_text = True
            parser.StartElementHandler = start_element
            parser.EndElementHandler = end_element
            parser.ProcessingInstructionHandler = note_run
            parser.Parse(head, False)
            for at in range(start, len(data), _FED_BYTES):
                part = data[at : at + _FED_BYTES]
                self._tags += part.count(b"<")
                if self._tags > MOST_TAGS:
                    raise _TooMuch(f"{MOST_TAGS} tags")
                parser.Parse(part, False)
                if at + _FED_BYTES - (base + parser.CurrentByteIndex) > _MOST_TOKEN_BYTES:
                    begun = base + parser.CurrentByteIndex
                    raise _Break("a tag without an end", begun, begun + 1)
                if len(known) > MOST_TAG_NAMES:
                    raise _TooMuch(f"{MOST_TAG_NAMES} different names of elements")
            parser.Parse(b"", True)
        except expat.ExpatError as error:
            at = base + parser.ErrorByteIndex
            unclosed = error.code == expat.errors.codes[expat.errors.XML_ERROR_UNCLOSED_TOKEN]
            raise _Break(expat.ErrorString(error.code), at, at + unclosed) from None
        except (LookupError, ValueError):
            raise _Break("an unknown encoding", len(data)) from None


def _point_of(
    texts: Sequence[Sequence[str]], attributes: Sequence[str], names: PointNames
) -> Point:
    """One point's numbers, from the names and texts of its elements, in their order, and from its
    own attributes and their values. The time is NaN where `names.void` says it is no fix."""
    text: dict[str, str] = {}
    for name, characters in texts:
        if characters and name not in text:
            text[name] = characters
    own = dict(zip(attributes[::2], attributes[1::2], strict=True))
    stamp = iso_stamp(text.get(names.columns["t_s"]))
    is_void = names.void is not None and text.get(names.void[0], "").strip() == names.void[1]
    numbers = {c: parse_number(text.get(n)) for c, n in names.columns.items() if c != "t_s"}
    numbers |= {c: parse_number(own.get(n)) for c, n in names.attributes.items()}
    return Point(np.nan if is_void else stamp.posix_s, stamp.zoned, **numbers)


def parse_number(text: str | None) -> float:
    """The number, or NaN where there is none."""
    try:
        return float(text) if text is not None and len(text) <= _MOST_TEXT else np.nan
    except ValueError:
        return np.nan
