"""Readers under mutated input, guided by what they have not done yet.

    python tests/tools/fuzz.py TARGET... [--minutes 10] [--seed 1] [--minimise] [--atheris]

A mutated input that takes a path through pipeline/read which none before it took joins the
corpus of the run; what is raised, other than the errors of errors.py, a result that cannot be,
a wait of seconds and a want of memory are findings, kept in the folder that --findings names.
`--minimise` then writes the fewest, smallest inputs that reach the same lines to
tests/corpus/TARGET/, which the tests replay. `--atheris` leaves the search to that library
where it is installed (CPython on Linux); the mutations are the same.
"""

from __future__ import annotations

import argparse
import contextlib
import copy
import datetime as dt
import gzip
import json
import random
import re
import signal
import struct
import sys
import tempfile
import time
import traceback
import warnings
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from functools import cache, reduce
from operator import xor
from pathlib import Path
from types import FrameType
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "support"))

import fit_encoder as enc
import numpy as np
from checkout import DATA
from practice_files import FILM, OBSERVER, SESSION
from read_samples import WRITERS, Sample

from pipeline.base.values import Fixes, Imu, Observer, Recording, RecordingSpec, Session
from pipeline.errors import BatontraceError, RecordingError, SessionError, VenueError
from pipeline.measure import zones
from pipeline.measure.clock import ties
from pipeline.read import read
from pipeline.read.practice.observer_cells import names_of_session
from pipeline.read.practice.observers import read_observer
from pipeline.read.practice.session import read_session
from pipeline.read.practice.sheet import read_sheet
from pipeline.read.practice.survey import read_survey
from pipeline.read.practice.venue import read_venue

CORPUS = DATA / "corpus"
WATCHED = str(Path(sys.modules["pipeline"].__path__[0]) / "read")
LONGEST_S = 20.0  # traced, on a busy machine; the inputs are a few kB
LARGEST = 1 << 16  # bytes of a mutated input
ROOM_BYTES = 3 << 30  # of address space, by hand

Rng = random.Random
Path_ = tuple[int, int, int]  # file, line before, line


class Finding(Exception):
    """What a reader must not do."""


# --- what a target does with bytes ---------------------------------------------------------


def sound(recording: Recording) -> None:
    """Raises Finding where a recording breaks what `model` promises of it."""
    for stream in (recording.fixes, recording.imu):
        if stream is not None:
            _sound_stream(stream)
    if recording.fixes is None and recording.imu is None:
        raise Finding("a recording of nothing")
    if recording.dropped_fixes < 0 or recording.dropped_imu < 0:
        raise Finding("less than none dropped")


def _sound_stream(stream: Fixes | Imu) -> None:
    t = stream.t_s
    if not len(t) or not np.isfinite(t).all():
        raise Finding("a stream without rows, or a time that is no number")
    if np.abs(t).max() > 1e11:
        raise Finding(f"a time of {np.abs(t).max():g} s")
    if isinstance(stream, Imu):
        if stream.acc_mps2.shape != (len(t), 3) or len(stream.gyro_radps) not in (0, len(t)):
            raise Finding("inertial columns of different lengths")
        if not np.isfinite(stream.acc_mps2).all():
            raise Finding("an acceleration that is no number")
        return
    names = ("latitude_deg", "longitude_deg", "speed_mps", "altitude_m", "hdop", "satellites")
    columns = {name: getattr(stream, name) for name in names}
    if any(column.shape != t.shape for column in columns.values()):
        raise Finding("columns of different lengths")
    for name, most in (("latitude_deg", 90.0), ("longitude_deg", 180.0), ("speed_mps", 300.0)):
        stated = columns[name][~np.isnan(columns[name])]
        if not (np.abs(stated) <= most).all():
            raise Finding(f"{name} beyond {most:g}")
    if any(np.isinf(column).any() for column in columns.values()):
        raise Finding("a number without end")


# Three decimals of a coordinate are a hundred metres. The seeds' coordinates are written in
# degrees, in NMEA's degrees and minutes, and in FIT's semicircles.
_GIVEN_STAMP = "2026-05-12T17:03:20.100Z"  # with which messages show what a stamp looks like
_POSITION = re.compile(r"\d[.,]\d{3}|48123|16765|4807|1645|57413|57385|20001|19923")


def keeps_places_to_itself(words: str) -> None:
    """Raises Finding where a message holds what may be a part of a position."""
    if found := _POSITION.search(words.replace(_GIVEN_STAMP, "")):
        raise Finding(f"a message that shows {found[0]}: {words[:300]}")


def explains(error: BatontraceError, lines: int = 60) -> None:
    if not (error.where and error.found):
        raise Finding(f"an error that says nothing: {error!r}")
    if len(str(error)) > 100_000 or str(error).count("\n") > lines:
        raise Finding(f"an error of {len(str(error))} characters")


@cache
def folder() -> Path:
    """One for the process; gone with it."""
    held = tempfile.TemporaryDirectory(prefix="fuzz-")
    folder.held = held  # type: ignore[attr-defined]
    return Path(held.name)


def recording(data: bytes, columns: Any = None) -> None:
    path = folder() / "recording"
    path.write_bytes(data)
    for clock in ("gnss", "device"):
        try:
            found = read(path, columns, clock)
        except RecordingError as error:
            explains(error)
            for words in (error.found, error.expected, error.do):
                keeps_places_to_itself(words)
            continue
        sound(found)
        for words in found.remarks:
            keeps_places_to_itself(words)
        ties.tie([(RecordingSpec("robin", path, path.name), found)], ())


SHEET = (
    "rep,zone,lane,incoming,outgoing,mark_m,mark_feet,outgoing_start_m,incoming_start_m,"
    "start_utc,pass_m,note\n"
    "1,1,4,robin,wren,7.6,,0.3,40,2026-05-12T17:05:30Z,18.5,smooth\n"
    '2,,,wren,robin,"7,5",25,,,17:15,,"late, but good"\n'
)
STAMPED = (
    "incoming,outgoing,event,gate,runner,time_utc,place_m\n"
    "robin,wren,gate,beam,robin,17:05:34.250Z,\n,,exit,,,2026-05-12T17:05:37.5Z,30\n"
)
SURVEY = (
    "spot,latitude_deg,longitude_deg,sd_m\n"
    "finish@lane1,44.9998490,-29.9995834,0.02\nback-end@lane1-inner,44.9994723,-30.0008982,\n"
)


def _feature(kind: str, coordinates: Any, **properties: Any) -> dict[str, Any]:
    shape = "LineString" if kind == "lane" else "Point"
    return {
        "type": "Feature",
        "geometry": {"type": shape, "coordinates": coordinates},
        "properties": {"kind": kind, "lane": 4, **properties},
    }


VENUE = json.dumps(
    {
        "type": "FeatureCollection",
        "features": [
            _feature("lane", [[16.4, 48.2], [16.401, 48.2], [16.402, 48.20001], [16.403, 48.2]]),
            _feature("zone-line", [16.4015, 48.2], zone=1, line="entry"),
            _feature("zone-line", [16.4019, 48.2, 170.0], zone=1, line="exit", sd_m=0.1),
            _feature("gate", [16.402, 48.2], id="beam"),
        ],
    }
)


@cache
def home() -> Session:
    """A sound session, in the folder."""
    whole = {"session.toml": SESSION, "reps.csv": SHEET, "venue.geojson": VENUE}
    for name, text in whole.items():
        (folder() / name).write_text(text, encoding="utf-8")
    return read_session(folder() / "session.toml")


def session(data: bytes) -> None:
    path = home().path.with_name("other.toml")
    path.write_bytes(data)
    try:
        read_session(path)
    except (SessionError, VenueError) as error:
        explains(error)


def sheet(data: bytes) -> None:
    path = home().path.with_name("other.csv")
    path.write_bytes(data)
    date = dt.date.fromisoformat(home().date)
    try:
        read_sheet(path, home().runners, {(4, 1)}, date, home().lane)
    except SessionError as error:
        explains(error)


def observer(data: bytes) -> None:
    """The same file as a film's, as gates' and as a watch's."""
    path = home().path.with_name("seen.csv")
    path.write_bytes(data)
    date = dt.date.fromisoformat(home().date)
    names = names_of_session(date, home().runners, ("beam",), home().reps)
    for kind, clock in (("film", "own"), ("gates", "utc"), ("watch", "rep")):
        given = Observer("seen", kind, path, path.name, clock, sd_s=0.02)  # type: ignore[arg-type]
        found, remarks = read_observer(given, names)
        for one in found.sightings:
            numbers = [n for n in (one.time_s, one.place_m, one.sd_s, one.sd_m) if n is not None]
            if not np.isfinite(numbers).all() or (one.time_s is None and one.place_m is None):
                raise Finding(f"a sighting of nothing, or a number that is none: {one}")
        for words in remarks:
            keeps_places_to_itself(words)
        if len(remarks) > 52 or sum(map(len, remarks)) > 100_000:
            raise Finding(f"{len(remarks)} remarks of {sum(map(len, remarks))} characters")


def lanes(data: bytes) -> None:
    """As far as the axes that the lines and spots span."""
    path = home().path.with_name("other.geojson")
    path.write_bytes(data)
    try:
        zones.axes(replace(home(), venue=read_venue(path)))
    except (SessionError, VenueError) as error:
        explains(error)
        keeps_places_to_itself(error.found)


def survey(data: bytes) -> None:
    path = folder() / "survey.csv"
    path.write_bytes(data)
    try:
        read_survey(path)
    except VenueError as error:
        explains(error)


# --- mutations ---------------------------------------------------------------------------

Mutation = Callable[[bytes, Rng], bytes]

WORDS = (
    *("", "0", "-0", "1", "-1", "7.5", "7,5", "1e3", "1e308", "-1e308", "1e400", "9" * 25),
    *("9" * 5000, "0x" + "f" * 5000, "nan", "NaN", "inf", "-inf", "null", "true", "1_000", "+5"),
    *("\u0661\u0662", "\u00b2", "\u2212" + "1", "\ufeff", "\0", "\u2028", "\r", "\x0b", '"', "'"),
    *("0001-01-01T00:00:00+23:59", "9999-12-31T23:59:60Z", "9999-12-31", "2026-05-12T17:03:20.1"),
    *("-1-01-01", "1970-01-01T00:00:00Z", "24:00", "12:00+25:00", "17:03:20Z", "../" * 9, "/"),
    *("x" * 300, "[" * 200, "{", "sep=,", "%s%n", "&#x0;", "&lt;", "\ud83d\ude00", "a\u0301"),
)
NUMBERS = (0, 1, 2, 3, 7, 8, 12, 13, 14, 15, 31, 32, 63, 64, 127, 128, 129, 254, 255)


def _word(rng: Rng) -> bytes:
    return rng.choice(WORDS).encode("utf-8", "surrogatepass")


def _span(data: bytes, rng: Rng) -> tuple[int, int]:
    start = rng.randrange(len(data) + 1)
    longest = rng.choice((1, 2, 4, 16, 64, 512))
    return start, min(len(data), start + rng.randint(0, longest))


def flip(data: bytes, rng: Rng) -> bytes:
    changed = bytearray(data)
    for _ in range(rng.choice((1, 1, 1, 2, 8))):
        if changed:
            changed[rng.randrange(len(changed))] ^= 1 << rng.randrange(8)
    return bytes(changed)


def put_number(data: bytes, rng: Rng) -> bytes:
    start, _ = _span(data, rng)
    wide = rng.choice(("<B", "<H", ">H", "<I", ">I", "<Q"))
    number = rng.choice((*NUMBERS, 0x7FFF, 0x8000, 0x7FFFFFFF, 0x80000000, (1 << 64) - 1))
    cell = struct.pack(wide, number & ((1 << 8 * struct.calcsize(wide)) - 1))
    return data[:start] + cell + data[start + len(cell) :]


def cut_out(data: bytes, rng: Rng) -> bytes:
    start, end = _span(data, rng)
    return data[:start] + data[end:]


def cut_off(data: bytes, rng: Rng) -> bytes:
    return data[: rng.randrange(len(data) + 1)]


def repeat(data: bytes, rng: Rng) -> bytes:
    start, end = _span(data, rng)
    return data[:end] + data[start:end] * rng.choice((1, 1, 3, 50)) + data[end:]


def insert(data: bytes, rng: Rng) -> bytes:
    start, _ = _span(data, rng)
    some = _word(rng) if rng.random() < 0.5 else rng.randbytes(rng.choice((1, 2, 5, 20)))
    return data[:start] + some + data[start:]


PLAIN: tuple[Mutation, ...] = (flip, flip, put_number, cut_out, cut_off, repeat, insert)


def _pieces(pattern: bytes) -> Mutation:
    """Exchanges, repeats, drops or refills what the pattern finds: tags, cells, values."""

    def change(data: bytes, rng: Rng) -> bytes:
        found = list(re.finditer(pattern, data))
        if not found:
            return insert(data, rng)
        one, other = rng.choice(found).span(), rng.choice(found).span()
        piece = data[slice(*other)]
        new = rng.choice((_word(rng), _word(rng), piece, b"", data[slice(*one)] * 2))
        return data[: one[0]] + new + data[one[1] :]

    return change


def nmea_field(data: bytes, rng: Rng) -> bytes:
    """A field of a sentence replaced, the checksum right again."""
    found = list(re.finditer(rb"\$([^*\r\n]*)\*..", data))
    if not found:
        return insert(data, rng)
    one = rng.choice(found)
    fields = one[1].split(b",")
    fields[rng.randrange(len(fields))] = rng.choice((_word(rng), rng.choice(fields), b"V", b"9.9"))
    if rng.random() < 0.1:
        del fields[rng.randrange(len(fields))]
    body = b",".join(fields)
    check = b"%02X" % reduce(xor, body, 0)
    return data[: one.start()] + b"$" + body + b"*" + check + data[one.end() :]


def json_node(data: bytes, rng: Rng) -> bytes:
    """A node of the document replaced, dropped or repeated."""
    try:
        whole = json.loads(data)
    except (ValueError, RecursionError):
        return _pieces(rb'[^\[\]{}:,"]+')(data, rng)
    nodes: list[tuple[Any, Any]] = []

    def walk(node: Any) -> None:
        keys = (
            node if isinstance(node, dict) else range(len(node)) if isinstance(node, list) else ()
        )
        for key in keys:
            nodes.append((node, key))
            walk(node[key])

    walk(whole)
    if not nodes:
        return insert(data, rng)
    parent, key = rng.choice(nodes)
    other = copy.deepcopy(rng.choice(nodes)[0])
    odd = ("", [], {}, None, True, -1, 0, 1e999, float("nan"), 10**30, 1e-320, "\ud800", "4", 181)
    parent[key] = rng.choice((*odd, other, rng.choice(WORDS)))
    if rng.random() < 0.2:
        del parent[key]
    return json.dumps(whole).encode()


def _fit_messages(data: bytes) -> list[tuple[int, int]]:
    """Where each message of a sound file begins and ends, as far as it is sound."""
    places, sizes = [], dict[int, int]()
    at = data[0] if data else 0
    while at < len(data) - 2:
        head, start = data[at], at
        if head & 0xC0 == 0x40:
            if at + 6 > len(data):
                break
            count = data[at + 5]
            own = data[at + 6 : at + 6 + 3 * count]
            sizes[head & 15] = sum(own[1::3])
            at += 6 + 3 * count
            if head & 0x20 and at < len(data):
                more = data[at]
                sizes[head & 15] += sum(data[at + 1 : at + 1 + 3 * more][1::3])
                at += 1 + 3 * more
        else:
            local = head >> 5 & 3 if head & 0x80 else head & 15
            if local not in sizes:
                break
            at += 1 + sizes[local]
        places.append((start, min(at, len(data))))
    return places


def fit_message(data: bytes, rng: Rng) -> bytes:
    """A message repeated, dropped, moved; or a definition of anything with data behind it."""
    places = _fit_messages(data)
    if not places:
        return put_number(data, rng)
    (start, end), (other, until) = rng.choice(places), rng.choice(places)
    choice = rng.randrange(4)
    if choice == 0:
        return fit_mended(data[:start] + data[end:])
    if choice == 1:
        return fit_mended(data[:start] + data[other:until] * rng.choice((1, 2, 40)) + data[start:])
    if choice == 2:
        return fit_mended(data[:start] + _anything(rng) + data[start:])
    return fit_mended(put_number(data[start:end], rng).join((data[:start], data[end:])))


_GLOBAL = (0, 18, 20, 20, 21, 160, 160, 162, 164, 165, 165, 167, 206, 207, 208, 0xFFFF)
_FIELDS = (253, 0, 1, 2, 3, 4, 5, 6, 8, 29, 73, 78, 250, 254, 255)
_TYPES = (0, 1, 2, 7, 13, 0x83, 0x84, 0x85, 0x86, 0x88, 0x89, 0x8A, 0x8B, 0x8C, 0x8E, 0x8F, 0xFF)


def _anything(rng: Rng) -> bytes:
    local, developer = rng.randrange(16), rng.random() < 0.2
    fields = [
        (rng.choice(_FIELDS), rng.choice((0, 1, 2, 3, 4, 6, 8, 50, 255)), rng.choice(_TYPES))
        for _ in range(rng.choice((0, 1, 3, 8)))
    ]
    head = bytes([0x40 | developer << 5 | local, 0, rng.choice((0, 0, 1, 2))])
    big = head[2] == 1
    out = head + struct.pack(">H" if big else "<H", rng.choice(_GLOBAL)) + bytes([len(fields)])
    out += b"".join(map(bytes, fields))
    size = sum(f[1] for f in fields)
    if developer:
        own = [(rng.randrange(4), rng.choice((1, 2, 4)), rng.randrange(2)) for _ in range(2)]
        out += bytes([len(own)]) + b"".join(map(bytes, own))
        size += sum(f[1] for f in own)
    for _ in range(rng.choice((1, 2, 40))):
        header = 0x80 | (local & 3) << 5 | rng.randrange(32) if rng.random() < 0.2 else local
        out += bytes([header]) + rng.choice((rng.randbytes(size), b"\xff" * size, bytes(size)))
    return out


def fit_mended(data: bytes) -> bytes:
    """Sizes and checksums made right, so that the fault is where it was put."""
    if len(data) < 16 or data[0] not in (12, 14):
        return data
    head = data[:4] + struct.pack("<I", max(0, len(data) - data[0] - 2)) + data[8:12]
    if data[0] == 14:
        head += struct.pack("<H", enc.crc(head))
    body = head + data[data[0] : -2]
    return body + struct.pack("<H", enc.crc(body)) if len(body) < 3000 else body + data[-2:]


def fit_chained(data: bytes, rng: Rng) -> bytes:
    return data + rng.choice((data, data[rng.randrange(len(data) + 1) :], b"\0" * 9 + data))


def in_gzip(inner: Mutation) -> Mutation:
    """Changes what is packed, and packs it again."""

    def change(data: bytes, rng: Rng) -> bytes:
        try:
            plain = gzip.decompress(data)
        except (OSError, EOFError, ValueError, gzip.zlib.error):  # type: ignore[attr-defined]
            return flip(data, rng)
        packed = gzip.compress(inner(plain, rng)[:LARGEST], 1, mtime=0)
        return rng.choice((packed, packed, packed + data, gzip.compress(packed, 1, mtime=0)))

    return change


def encoded(data: bytes, rng: Rng) -> bytes:
    """The same text in another encoding."""
    text = data.decode("utf-8", "replace")
    return text.encode(rng.choice(("utf-16", "utf-16-le", "utf-8-sig", "latin-1")), "replace")


# --- targets -----------------------------------------------------------------------------


def run_of(n: int = 6) -> list[Sample]:
    return [
        Sample(1_778_605_400.0 + i / 10, 48.1234567 + i * 1e-6, -16.7654321 - i * 2e-6, 8.0 + i / 8)
        for i in range(n)
    ]


def _fit_of_everything() -> bytes:
    accelerometer = enc.batch(3, 165, 4, "sint16", 2)
    gyroscope = enc.batch(4, 164, 4, "sint16", 2)
    count = enc.Kind(
        5,
        20,
        (enc.Field(253, "uint32"), enc.Field(0, "sint32"), enc.Field(1, "sint32")),
        (enc.DevField(0, "uint16"),),
    )
    second = 1_000_000_000
    place = enc.semicircles(48.1), enc.semicircles(16.7)
    return enc.fit_file(
        enc.FILE_ID.definition(),
        enc.FILE_ID.data(4, second),
        enc.ENHANCED_RECORD.definition(),
        enc.ENHANCED_RECORD.data(second, *place, 8000, 3355),
        enc.ENHANCED_RECORD.data(None, *place, 8100, 3355, offset=second + 1 & 31),
        enc.CALIBRATION.definition(),
        enc.CALIBRATION.data(0, 5, 1000, 32768, [0, 0, 0], [1, 0, 0, 0, 1, 0, 0, 0, 1]),
        accelerometer.definition(),
        accelerometer.data(second, 0, [0, 10, 20, 30], [1, 2, 3, 4], [1, 2, 3, 4], [9] * 4),
        gyroscope.definition(),
        gyroscope.data(second, 0, [0, 10, 20, 30], [1, 2, 3, 4], [1, 2, 3, 4], [9] * 4),
        enc.DEVELOPER_ID.definition(),
        enc.DEVELOPER_ID.data(list(range(16)), 0),
        enc.FIELD_DESCRIPTION.definition(),
        enc.FIELD_DESCRIPTION.data(0, 0, 0x84, "timestamp_ms", "ms"),
        count.definition(),
        count.data(second + 2, *place, 250),
    )


IMU_CSV = "ms;ax_g;ay_g;az_g;gx_dps\n" + "".join(f"{10 * i};0,1;-0,2;1,0;5\n" for i in range(6))


@dataclass(frozen=True)
class Target:
    """`run` raises nothing on any bytes; `changes` make new ones; `seeds` are sound ones."""

    run: Callable[[bytes], None]
    changes: tuple[Mutation, ...]
    seeds: tuple[bytes, ...]


def _target(run: Callable[[bytes], None], *changes: Mutation, seeds: Sequence[bytes]) -> Target:
    """Half of the changes know the format."""
    share = max(1, len(PLAIN) // len(changes))
    return Target(run, (*PLAIN, *changes * share), tuple(seeds))


CELL = _pieces(rb"[^,;\t\r\n]+")
TAG = _pieces(rb"<[^<>]*>|(?<=>)[^<>]+|\"[^\"]*\"")
VALUE = _pieces(rb"(?<== )[^\n]+|^\[+.*\]+$|[a-z_]+(?= =)|\"[^\"\n]*\"")
LINE = _pieces(rb"[^\n]*\n")
FIT = tuple(WRITERS["fit"](run_of(n)) for n in (1, 6))

TARGETS = {
    "fit": _target(recording, fit_message, fit_message, fit_chained,
                   seeds=(*FIT, _fit_of_everything())),
    "gpx": _target(recording, TAG, LINE, encoded, seeds=[WRITERS["gpx"](run_of(3))]),
    "tcx": _target(recording, TAG, LINE, encoded, seeds=[WRITERS["tcx"](run_of(3))]),
    "nmea": _target(recording, nmea_field, nmea_field, LINE, seeds=[WRITERS["nmea"](run_of(4))]),
    "csv": _target(recording, CELL, CELL, LINE, encoded,
                   seeds=[WRITERS["csv"](run_of(4)), IMU_CSV.encode()]),
    "gzip": _target(recording, in_gzip(CELL), in_gzip(flip),
                    seeds=[gzip.compress(WRITERS["csv"](run_of(3)), mtime=0)]),
    "session": _target(session, VALUE, VALUE, LINE,
                       seeds=[SESSION.encode(), f"{SESSION}\n{OBSERVER}".encode()]),
    "observer": _target(observer, CELL, CELL, LINE, encoded,
                        seeds=[FILM.encode(), STAMPED.encode(),
                               FILM.replace(",", ";").replace(".", ",").encode()]),
    "sheet": _target(sheet, CELL, CELL, LINE, encoded,
                     seeds=[SHEET.encode(), SHEET.replace(",", ";").encode()]),
    "venue": _target(lanes, json_node, json_node, json_node,
                     seeds=[VENUE.encode()]),
    "survey": _target(survey, CELL, LINE, seeds=[SURVEY.encode()]),
}  # fmt: skip


def corpus(name: str) -> list[Path]:
    return sorted((CORPUS / name).glob("*")) if (CORPUS / name).is_dir() else []


# --- running one input -------------------------------------------------------------------


class TooSlow(BaseException):
    """Not an Exception: no reader may mistake it for its own."""


@contextlib.contextmanager
def within(seconds: float) -> Iterator[None]:
    """Interrupts a wait; where there are no such signals (Windows) it does not."""
    if not hasattr(signal, "setitimer"):
        yield
        return

    def stop(*_: object) -> None:
        raise TooSlow(f"longer than {seconds:g} s")

    former = signal.signal(signal.SIGALRM, stop)
    signal.setitimer(signal.ITIMER_REAL, seconds)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_REAL, 0)
        signal.signal(signal.SIGALRM, former)


def fault(target: Target, data: bytes) -> str | None:
    """What went wrong with an input, as the traceback's last lines; None where nothing did."""
    try:
        with within(LONGEST_S), warnings.catch_warnings():
            warnings.simplefilter("error")
            target.run(data)
    except (Exception, TooSlow) as error:
        lines = traceback.format_exception(error)
        return "".join(lines[-3:])
    return None


def reached(target: Target, data: bytes) -> tuple[frozenset[Path_], str | None]:
    """Steps from line to line within pipeline/read that an input brings about."""
    steps: set[Path_] = set()
    names: dict[str, int] = {}

    def enter(frame: FrameType, _event: str, _arg: object) -> Any:
        name = frame.f_code.co_filename
        if not name.startswith(WATCHED):
            return None
        file = names.setdefault(name, hash(name))
        before = frame.f_lineno

        def step(frame: FrameType, event: str, _arg: object) -> Any:
            nonlocal before
            if event == "line":
                steps.add((file, before, frame.f_lineno))
                before = frame.f_lineno
            return step

        return step

    former = sys.gettrace()
    sys.settrace(enter)
    try:
        found = fault(target, data)
    finally:
        sys.settrace(former)
    return frozenset(steps), found


# --- searching ---------------------------------------------------------------------------


@dataclass
class Search:
    """Inputs that each took a step nobody took before, and what went wrong on the way."""

    target: Target
    rng: Rng
    steps: set[Path_] = field(default_factory=set)
    pool: list[bytes] = field(default_factory=list)
    faults: dict[str, bytes] = field(default_factory=dict)  # by the traceback's end
    tried: int = 0

    def try_one(self, data: bytes) -> None:
        self.tried += 1
        steps, found = reached(self.target, data)
        if found is not None:
            alike = re.sub(r"\d+", "0", found)
            known = self.faults.get(alike)
            if known is None or len(data) < len(known):
                self.faults[alike] = data
        if not steps <= self.steps:
            self.steps |= steps
            self.pool.append(data)

    def mutated(self) -> bytes:
        # the newest have been tried the least
        data = self.pool[-1 - int(len(self.pool) * self.rng.random() ** 2)]
        for _ in range(self.rng.choice((1, 1, 2, 4))):
            data = self.rng.choice(self.target.changes)(data, self.rng)
        return data[:LARGEST]


def search(
    target: Target, seeds: Sequence[bytes], seed: int, until: Callable[[int], bool]
) -> Search:
    """Mutates until `until` says so, given the number of inputs tried. The same seeds and the
    same number of inputs give the same search."""
    found = Search(target, Rng(seed))
    for data in (*target.seeds, *seeds):
        found.try_one(data)
    while not until(found.tried):
        found.try_one(found.mutated())
    return found


def fewest(target: Target, inputs: Sequence[bytes]) -> list[bytes]:
    """The smallest inputs first, each for the lines (not steps) that those before left out."""
    covered: set[tuple[int, int]] = set()
    kept = []
    for data in sorted(set(inputs), key=lambda one: (len(one), one)):
        steps, _ = reached(target, data)
        lines = {(file, line) for file, _, line in steps}
        if not lines <= covered:
            covered |= lines
            kept.append(data)
    return kept


# --- by hand -----------------------------------------------------------------------------


def main(arguments: Sequence[str]) -> int:
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("target", nargs="+", choices=[*TARGETS, "all"])
    parser.add_argument("--minutes", type=float, default=10.0, help="for each target")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--minimise", action="store_true")
    parser.add_argument("--atheris", action="store_true")
    parser.add_argument("--cut", type=Path, metavar="FILE", help="read it cut at every byte, only")
    parser.add_argument("--findings", type=Path, default=Path(tempfile.gettempdir()) / "findings")
    asked = parser.parse_args(arguments)
    with contextlib.suppress(ImportError):
        import resource

        resource.setrlimit(resource.RLIMIT_AS, (ROOM_BYTES, ROOM_BYTES))
    names = list(TARGETS) if "all" in asked.target else asked.target
    if asked.cut is not None:
        return _cut_everywhere(names[0], asked.cut)
    if asked.atheris:
        return _with_atheris(names[0], asked)
    failed = 0
    for name in names:
        kept = [path.read_bytes() for path in corpus(name)]
        end = time.monotonic() + 60.0 * asked.minutes
        found = search(TARGETS[name], kept, asked.seed, lambda _n: time.monotonic() > end)  # noqa: B023
        print(f"{name}: {found.tried} inputs, {len(found.steps)} steps, {len(found.faults)} faults")
        for number, (said, data) in enumerate(found.faults.items(), 1):
            asked.findings.mkdir(parents=True, exist_ok=True)
            path = asked.findings / f"{name}-{number}"
            path.write_bytes(data)
            print(f"--- {path} ({len(data)} bytes)\n{said}")
        failed += len(found.faults)
        if asked.minimise:
            write_corpus(name, [*kept, *found.pool])
    return int(failed > 0)


def _cut_everywhere(name: str, path: Path) -> int:
    data = path.read_bytes()
    for end in range(len(data)):
        said = fault(TARGETS[name], data[:end])
        if said is not None:
            print(f"cut at byte {end}:\n{said}")
            return 1
    print(f"{path}: {len(data)} cuts, none did harm")
    return 0


def write_corpus(name: str, inputs: Sequence[bytes]) -> None:
    """What reaches a line of its own, and whatever was put there by hand under a name."""
    import hashlib

    place = CORPUS / name
    place.mkdir(parents=True, exist_ok=True)
    for path in place.glob("reaches-*"):
        path.unlink()
    for data in fewest(TARGETS[name], inputs):
        (place / f"reaches-{hashlib.sha256(data).hexdigest()[:12]}").write_bytes(data)


def _with_atheris(name: str, asked: argparse.Namespace) -> int:
    """libFuzzer's search, over all Python code that is imported from here on; our mutations."""
    import atheris

    target = replace(TARGETS[name])

    def one(data: bytes) -> None:
        said = fault(target, data)
        if said is not None:
            raise Finding(said)

    def mutate(data: bytes, most: int, seed: int) -> bytes:
        rng = Rng(seed)
        changed = bytes(data) or target.seeds[0]
        if rng.random() < 0.5:
            return bytes(atheris.Mutate(changed, most))
        return rng.choice(target.changes)(changed, rng)[:most]

    asked.findings.mkdir(parents=True, exist_ok=True)
    atheris.instrument_all()
    with tempfile.TemporaryDirectory() as pool:
        for number, data in enumerate(target.seeds):
            (Path(pool) / f"seed-{number}").write_bytes(data)
        options = [f"-max_total_time={int(60 * asked.minutes)}", f"-seed={asked.seed}"]
        options += [f"-artifact_prefix={asked.findings}/", f"-max_len={LARGEST}", "-timeout=30"]
        words = [sys.argv[0], *options, pool, *([str(CORPUS / name)] if corpus(name) else [])]
        atheris.Setup(words, one, custom_mutator=mutate)
        atheris.Fuzz()
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
