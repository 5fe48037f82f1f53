"""A survey of named spots, as a CSV, into SurveyPoints."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Mapping
from pathlib import Path

from pipeline.base.geodesy import SurveyPoint
from pipeline.errors import VenueError
from pipeline.read.plain_file import plain_file_bytes
from pipeline.read.practice.problems import noted, together

NEEDED = ("spot", "latitude_deg", "longitude_deg")
SD_M = 0.05  # a survey receiver, where the file does not say
SD_MAX_M = 10.0
MOST_BYTES = 1 << 20


def read_survey(path: Path) -> list[SurveyPoint]:
    """The surveyed spots of a CSV with the columns of NEEDED, in degrees WGS 84, and perhaps
    `sd_m`, the standard error in metres. Commas, semicolons or tabs between the cells.

    Raises VenueError with all of the file's problems.
    """
    rows = _rows(path)
    points: list[SurveyPoint] = []
    wrong: list[VenueError] = []
    for line, row in rows:
        with noted(wrong, VenueError):
            points.append(_point(f"line {line}", row))
    if wrong:
        raise together(VenueError, path, wrong)
    return points


def _rows(path: Path) -> list[tuple[int, Mapping[str, str]]]:
    try:
        text = plain_file_bytes(path, MOST_BYTES).decode("utf-8-sig")
    except FileNotFoundError:
        raise VenueError(path, "no such file", "a survey of two or more spots") from None
    except OSError as err:
        raise VenueError(path, f"cannot be read: {err.strerror}", "a CSV file") from None
    except UnicodeDecodeError:
        raise VenueError(path, "not UTF-8 text", "a CSV file") from None
    table = [(n, line) for n, line in enumerate(text.splitlines(), start=1) if line.strip()]
    header = table[0][1] if table else ""
    delimiter = max(",;\t", key=header.count)
    names = [name.strip().casefold() for name in header.split(delimiter)]
    missing = [name for name in NEEDED if name not in names]
    if missing:
        raise VenueError(
            path,
            f"headers {', '.join(names) if header else 'none'}",
            f"{', '.join(NEEDED)} and perhaps sd_m",
            f"add {', '.join(missing)}",
        )
    rows: list[tuple[int, Mapping[str, str]]] = []
    for n, line in table[1:]:
        cells = next(csv.reader(io.StringIO(line), delimiter=delimiter))
        rows.append((n, dict(zip(names, (cell.strip() for cell in cells), strict=False))))
    return rows


def _point(where: str, row: Mapping[str, str]) -> SurveyPoint:
    spot = row.get("spot", "")
    if not spot:
        raise VenueError(where, "no spot", "a spot of the plan, such as finish@lane1")
    latitude = _number(where, "latitude_deg", row, -90.0, 90.0)
    longitude = _number(where, "longitude_deg", row, -180.0, 180.0)
    if latitude == 0.0 and longitude == 0.0:
        raise VenueError(where, "0, 0", "a place", "survey it again: the receiver had no fix")
    sd_m = _number(where, "sd_m", row, 1e-4, SD_MAX_M) if row.get("sd_m") else SD_M
    return SurveyPoint(spot, latitude, longitude, sd_m)


def _number(where: str, name: str, row: Mapping[str, str], low: float, high: float) -> float:
    cell = row.get(name, "")
    try:
        value = float(cell.replace(",", "."))
    except ValueError:
        value = math.nan
    if not low <= value <= high:
        raise VenueError(where, f'{name} "{cell}"', f"a number from {low:g} to {high:g}")
    return value
