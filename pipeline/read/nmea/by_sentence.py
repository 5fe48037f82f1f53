"""NMEA 0183 sentence by sentence: what each says, and how those of one epoch are joined."""

from __future__ import annotations

import math
import re
from array import array
from collections.abc import Callable, Sequence
from datetime import date
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from pipeline.base.values import Floats

KNOT_MPS = 1852.0 / 3600.0  # the international nautical mile over an hour

LONGEST_BODY = 240  # bytes
_SENTENCE = re.compile(
    rb"\$([A-Z]{2})(RMC|GGA|GNS|VTG|ZDA),([^$*\r\n]{0,%d})(?:\*([0-9A-Fa-f]{2}))?" % LONGEST_BODY
)
_EPOCH_DAY = date(1970, 1, 1).toordinal()
UNMEASURED = (b"N", b"E", b"M", b"S")  # no fix, dead reckoning, typed in, simulated
UNMEASURED_MODES = frozenset(b"".join(UNMEASURED))
UNMEASURED_QUALITIES = (b"0", b"6", b"7", b"8")  # the same in GGA

Fields = Sequence[bytes]


class Epoch(NamedTuple):
    """What one sentence, or the sentences of one epoch, say; NaN where they say nothing.
    `void`: 1 where there is no fix, 0 where there is one, NaN where it is not said."""

    tod_s: float = math.nan  # UTC time of day
    day: float = math.nan  # days since 1970-01-01
    latitude_deg: float = math.nan
    longitude_deg: float = math.nan
    speed_mps: float = math.nan
    altitude_m: float = math.nan
    hdop: float = math.nan
    satellites: float = math.nan
    void: float = math.nan


class Epochs(NamedTuple):
    """`columns` (n, fields of Epoch), `talker` (n,) a code; counts of position sentences."""

    columns: Floats
    talker: NDArray[np.int64]
    found: int
    bad: int


def one_by_one(data: bytes) -> Epochs:
    """Every sound sentence in turn; the measure of what `epochs.epochs` does by columns."""
    rows, talkers = array("d"), array("q")
    found = bad = 0
    row = list(Epoch())
    time_field: bytes | None = None
    owner = 0
    seen: dict[bytes, tuple[bytes, bytes]] = {}
    for sentence in _SENTENCE.finditer(data):
        talker, kind, body, check = sentence.groups()
        is_position = kind in (b"RMC", b"GGA", b"GNS")
        found += is_position
        if check is None or checksum(data[sentence.start() + 1 : sentence.end() - 3]) != int(
            check, 16
        ):
            bad += is_position
            continue
        fields = body.split(b",")
        said = _READERS[kind](fields)
        if kind == b"VTG":
            if time_field is not None and math.isnan(row[4]):
                row[4] = said.speed_mps
            continue
        same_time = fields[0] == time_field
        if same_time and seen.get(kind) == (talker, body):
            continue
        again = kind in seen and (seen[kind][0] == talker or (row[8] == 1.0 and said.void == 0.0))
        if not same_time or again:
            if time_field is not None:
                rows.extend(row)
                talkers.append(owner)
            row, time_field, seen = list(said), fields[0], {}
            owner = int.from_bytes(talker, "big")
        else:
            void = row[8] if kind in seen else max(said.void, row[8], key=_or_less)
            row = [a if a == a else b for a, b in zip(row, said, strict=True)]  # a != a: NaN
            row[8] = void
        seen.setdefault(kind, (talker, body))
    if time_field is not None:
        rows.extend(row)
        talkers.append(owner)
    columns = np.array(rows, dtype=np.float64).reshape(-1, len(Epoch._fields))
    return Epochs(columns, np.array(talkers, dtype=np.int64), found, bad)


def _or_less(void: float) -> float:
    return -1.0 if math.isnan(void) else void


def checksum(body: bytes) -> int:
    """All bytes xor-ed, at most 256 of them, by folding the number they make in halves."""
    folded = int.from_bytes(body, "little")
    for bits in (1024, 512, 256, 128, 64, 32, 16, 8):
        folded ^= folded >> bits
    return folded & 0xFF


def _rmc(f: Fields) -> Epoch:
    void = _at(f, 1) != b"A" or _at(f, 11) in UNMEASURED
    return Epoch(
        _tod(_at(f, 0)),
        day_of(_at(f, 8)[:2], _at(f, 8)[2:4], _at(f, 8)[4:]),
        _angle(_at(f, 2), _at(f, 3), b"N", b"S"),
        _angle(_at(f, 4), _at(f, 5), b"E", b"W"),
        speed_mps=_number(_at(f, 6)) * KNOT_MPS,
        void=float(void),
    )


def _gga(f: Fields) -> Epoch:
    return _gga_like(f, _at(f, 5) in UNMEASURED_QUALITIES)


def _gns(f: Fields) -> Epoch:
    return _gga_like(f, UNMEASURED_MODES.issuperset(_at(f, 5)))


def _gga_like(f: Fields, void: bool) -> Epoch:
    return Epoch(
        _tod(_at(f, 0)),
        math.nan,
        _angle(_at(f, 1), _at(f, 2), b"N", b"S"),
        _angle(_at(f, 3), _at(f, 4), b"E", b"W"),
        math.nan,
        _number(_at(f, 8)),
        _number(_at(f, 7)),
        _number(_at(f, 6)),
        float(void),
    )


def _vtg(f: Fields) -> Epoch:
    knots, kmh = (4, 6) if len(f) > 4 else (2, 3)  # without unit letters before NMEA 2.0
    by_knots, by_kmh = _number(_at(f, knots)) * KNOT_MPS, _number(_at(f, kmh)) / 3.6
    return Epoch(speed_mps=by_knots if math.isnan(by_kmh) else by_kmh)


def _zda(f: Fields) -> Epoch:
    return Epoch(_tod(_at(f, 0)), day_of(_at(f, 1), _at(f, 2), _at(f, 3)))


_READERS: dict[bytes, Callable[[Fields], Epoch]] = {
    b"RMC": _rmc,
    b"GGA": _gga,
    b"GNS": _gns,
    b"VTG": _vtg,
    b"ZDA": _zda,
}


def _at(fields: Fields, i: int) -> bytes:
    return fields[i] if i < len(fields) else b""


def _number(text: bytes) -> float:
    try:
        return float(text)
    except ValueError:
        return math.nan


def _tod(text: bytes) -> float:
    """hhmmss.sss to seconds; 235960 is a leap second."""
    seconds = _number(text[4:])
    if not (text[:4].isdigit() and len(text) >= 6 and 0.0 <= seconds < 61.0):
        return math.nan
    hours, minutes = int(text[:2]), int(text[2:4])
    return 3600.0 * hours + 60.0 * minutes + seconds if hours < 24 and minutes < 60 else math.nan


def day_of(day: bytes, month: bytes, year: bytes) -> float:
    """Days since 1970-01-01. Two-digit years are 1980 (the GPS epoch) to 2079."""
    try:
        y = int(year)
        if len(year) == 2:
            y += 1900 if y >= 80 else 2000
        return float(date(y, int(month), int(day)).toordinal() - _EPOCH_DAY)
    except (ValueError, OverflowError):
        return math.nan


def _angle(text: bytes, side: bytes, positive: bytes, negative: bytes) -> float:
    """dddmm.mmmm to degrees."""
    value = _number(text)
    if math.isnan(value) or math.isinf(value) or side not in (positive, negative):
        return math.nan
    degrees = value // 100.0
    minutes = value - 100.0 * degrees
    if minutes >= 60.0:
        return math.nan
    return (degrees + minutes / 60.0) * (1.0 if side == positive else -1.0)
