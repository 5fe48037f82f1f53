"""The track points of a GPX or TCX document, read one after the other without keeping a tree."""

from __future__ import annotations

from array import array
from collections.abc import Mapping
from io import BytesIO
from pathlib import Path
from typing import NamedTuple
from xml.etree import ElementTree

import numpy as np

from pipeline.base.values import Floats
from pipeline.errors import RecordingError
from pipeline.read.screening import Content, sieve_fixes, why_no_fixes
from pipeline.read.stamps import NO_ZONE, iso_stamp
from pipeline.read.xml.point_runs import TARGET, PointNames, Run, runs


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


class _Parts(BytesIO):
    """The document, handed to the parser in a hundred parts at most.

    The parser starts a long value again with each part, which takes for ever in small ones.
    """

    def read(self, size: int | None = -1, /) -> bytes:
        if size is not None and size >= 0:
            size = max(size, self.getbuffer().nbytes // 100)
        return super().read(size)


class Walk(NamedTuple):
    """The points as `columns` (n, fields of Point); `fault` says where the XML broke."""

    columns: Floats
    fault: str | None


def read_track(path: Path, data: bytes, names: PointNames) -> Content:
    """All points inside `names.parent` as fixes, in the file's order.

    Raises RecordingError where there are no points, or none has a time, or none is a fix.
    """
    columns, fault = walk_runs(data, names) or walk(data, names)
    point = names.point
    if len(columns) == 0:
        raise RecordingError(
            path,
            f"no track points{f' before the XML breaks ({fault})' if fault else ''}",
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
        remarks.append(f"the XML breaks off ({fault}); the points before that are used")
    if not zoned.all():
        remarks.append(NO_ZONE)
    return Content(fixes=fixes, dropped_fixes=dropped, remarks=tuple(remarks))


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
    blocks: list[Floats] = []
    row = array("d")
    depth = met = 0
    within: ElementTree.Element | None = None
    try:
        rest = _Parts(b"".join((*pieces, data[at:])).lstrip())
        for event, element in ElementTree.iterparse(rest, ("start", "end", "pi")):
            if event == "pi":
                target, _, which = str(element.text).partition(" ")
                if target != TARGET:
                    continue
                if depth or int(which) != met:
                    return None
                blocks += [_point_rows(row), _run_rows(found[met])]
                row, met = array("d"), met + 1
                continue
            name = local_name(element)
            if event == "start":
                depth += name == names.point
                if name == names.parent:
                    within = element
            elif name == names.point:
                depth -= 1
                row.extend(read_point(element, names))
                if within is not None:
                    within.clear()
    except (ElementTree.ParseError, LookupError, ValueError):
        return None  # `walk` finds the fault again, at its true position
    if met != len(found):
        return None  # some run stood in a comment
    return Walk(np.concatenate([*blocks, _point_rows(row)]), None)


def _point_rows(values: array[float]) -> Floats:
    return np.array(values, dtype=np.float64).reshape(-1, len(Point._fields))


def _run_rows(run: Run) -> Floats:
    nothing = np.full(len(run.columns["t_s"]), np.nan)
    return np.stack([run.columns.get(field, nothing) for field in Point._fields], axis=1)


def walk(data: bytes, names: PointNames) -> Walk:
    """Every point through `read_point`, into columns.

    The enclosing element is emptied after each point, so that only the numbers are kept. A file
    that breaks off gives the complete points before the break.
    """
    values = array("d")
    fault = None
    within: ElementTree.Element | None = None
    try:
        for event, element in ElementTree.iterparse(_Parts(data.lstrip()), ("start", "end")):
            name = local_name(element)
            if event == "start":
                if name == names.parent:
                    within = element
            elif name == names.point:
                values.extend(read_point(element, names))
                if within is not None:
                    within.clear()
    except (
        ElementTree.ParseError,
        LookupError,
        ValueError,
    ) as e:  # or an unknown encoding
        fault = str(e)
    return Walk(_point_rows(values), fault)


def read_point(point: ElementTree.Element, names: PointNames) -> Point:
    """One point's numbers. The time is NaN where `names.void` says the point is no fix."""
    text = element_texts(point)
    stamp = iso_stamp(text.get(names.columns["t_s"]))
    is_void = names.void is not None and text.get(names.void[0], "").strip() == names.void[1]
    numbers = {c: parse_number(text.get(n)) for c, n in names.columns.items() if c != "t_s"}
    numbers |= {c: parse_number(point.get(n)) for c, n in names.attributes.items()}
    return Point(np.nan if is_void else stamp.posix_s, stamp.zoned, **numbers)


def local_name(element: ElementTree.Element) -> str:
    """The tag without its namespace, which differs between versions and vendors."""
    return str(element.tag).rpartition("}")[2]


def element_texts(point: ElementTree.Element) -> Mapping[str, str]:
    """The text of every descendant by its local name in lower case, the first of each name."""
    found: dict[str, str] = {}
    for e in point.iter():
        if e.text and (name := local_name(e).lower()) not in found:
            found[name] = e.text
    return found


def parse_number(text: str | None) -> float:
    """The number, or NaN where there is none."""
    try:
        return float(text) if text is not None else np.nan
    except ValueError:
        return np.nan
