"""`read_survey`: a survey of named spots, as a CSV, into SurveyPoints."""

from __future__ import annotations

import csv
import io
import math
import re
from collections.abc import Mapping
from pathlib import Path

from pipeline.base.geodesy import SurveyPoint
from pipeline.errors import VenueError
from pipeline.read.practice.csv_cells import delimiter_of, parse_decimal
from pipeline.read.practice.documents import SURVEY_CSV, utf8_text
from pipeline.read.practice.problems import collected_errors, combined_error

_SURVEY_COLUMNS = ("spot", "latitude_deg", "longitude_deg")
DEFAULT_SURVEY_SD_M = 0.05  # of a survey receiver, where the file does not say
MOST_SURVEY_SD_M = 10.0
M_A_DEGREE = 111_200.0  # of latitude


def read_survey(path: Path, sd_m: float | None = None) -> list[SurveyPoint]:
    """The surveyed spots of a CSV, in degrees on WGS 84.

    Its columns are `spot`, `latitude_deg`, `longitude_deg` and perhaps `sd_m`, the standard error
    in metres, separated by commas, semicolons or tabs. Where a row states none it is `sd_m`, else
    DEFAULT_SURVEY_SD_M; to either comes what the coordinates' digits leave open. Raises VenueError
    with all of the file's problems.
    """
    rows = _survey_rows(path)
    points: list[SurveyPoint] = []
    wrong: list[VenueError] = []
    for line, row in rows:
        with collected_errors(wrong, VenueError):
            points.append(_survey_point(f"line {line}", row, sd_m or DEFAULT_SURVEY_SD_M))
    if wrong:
        raise combined_error(VenueError, path, wrong)
    return points


def _survey_rows(path: Path) -> list[tuple[int, Mapping[str, str]]]:
    text = utf8_text(path, SURVEY_CSV)
    table = [(n, line) for n, line in enumerate(text.splitlines(), start=1) if line.strip()]
    header = table[0][1] if table else ""
    delimiter = delimiter_of(header)
    names = [name.strip().casefold() for name in header.split(delimiter)]
    missing = [name for name in _SURVEY_COLUMNS if name not in names]
    if missing:
        raise VenueError(
            path,
            f"headers {', '.join(names) if header else 'none'}",
            f"{', '.join(_SURVEY_COLUMNS)} and perhaps sd_m",
            f"add {', '.join(missing)}",
        )
    rows: list[tuple[int, Mapping[str, str]]] = []
    for n, line in table[1:]:
        try:
            cells = next(csv.reader(io.StringIO(line), delimiter=delimiter))
        except csv.Error as error:
            raise VenueError(
                f"{path}, line {n}",
                f"not CSV: {error}",
                "a spot, its latitude and its longitude",
                "export the survey again",
            ) from None
        rows.append((n, dict(zip(names, (cell.strip() for cell in cells), strict=False))))
    return rows


def _survey_point(where: str, row: Mapping[str, str], usual_sd_m: float) -> SurveyPoint:
    spot = row.get("spot", "")
    if not spot:
        raise VenueError(where, "no spot", "a spot of the plan, such as finish@lane1")
    latitude = _survey_number(where, "latitude_deg", row, -90.0, 90.0)
    longitude = _survey_number(where, "longitude_deg", row, -180.0, 180.0)
    if latitude == 0.0 and longitude == 0.0:
        raise VenueError(where, "0, 0", "a place", "survey it again: the receiver had no fix")
    sd_m = usual_sd_m
    if row.get("sd_m"):
        sd_m = _survey_number(where, "sd_m", row, 1e-4, MOST_SURVEY_SD_M)
    rounded_m = _step_m(row["latitude_deg"]) / math.sqrt(12)
    return SurveyPoint(spot, latitude, longitude, math.hypot(sd_m, rounded_m))


def _step_m(cell: str) -> float:
    """How far apart two neighbouring values of a latitude with so many digits lie [m]."""
    digits = re.search(r"[.,](\d+)", cell)
    return M_A_DEGREE * 10.0 ** -(len(digits[1]) if digits else 0)


def _survey_number(where: str, name: str, row: Mapping[str, str], low: float, high: float) -> float:
    cell = row.get(name, "")
    value = parse_decimal(cell)
    if not low <= value <= high:
        raise VenueError(where, f'{name} "{cell}"', f"a number from {low:g} to {high:g}")
    return value
