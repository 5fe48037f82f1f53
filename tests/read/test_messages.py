"""What readers say of a recording: words, and never a number that may be a part of a position.

Remarks stand in tables and on pages. Whatever is wrong with a file, no message shows three decimals
of a coordinate, in any way of writing it (`fuzz.keeps_places_to_itself`).
"""

from __future__ import annotations

import gzip
import random
from collections.abc import Iterator
from pathlib import Path

import fuzz
import pytest
from fuzz import keeps_places_to_itself
from hypothesis import example, given
from hypothesis import strategies as st
from read_samples import WRITERS

from pipeline.errors import RecordingError, VenueError
from pipeline.read import read
from pipeline.read.fit import general_decoder
from pipeline.read.practice.session import read_session
from pipeline.read.quoting import is_shown_whole, quote_without_numbers

RUN = fuzz.run_of(6)
HEADLESS_ROWS = (
    "2026-05-12T17:03:20Z,48.1234567,-16.7654321,7.5\n",
    "48.1234567;-16.7654321;7,5\n",
    "N 48 07.407402,W 016 45.925926,1\n",
    "N48.1234567,W16.7654321,1\n",
    "lat48.1234567,lon-16.7654321,time48.1234567\n",
    "48°07'24.4441\"N,16°45'55.5556\"W,1\n",
    "574135202,-200019396,1\n",
    '"48,1234567","-16,7654321",1\n',
    '{"lat":48.1234567,"lon":-16.7654321}\n',
    "48.1234567\t-16.7654321\n",
    "\u0664\u0668.\u0661\u0662\u0663\u0664,x\n",
)
LABELLED = "time_utc,latitude_deg,longitude_deg\n"


def odd_files() -> Iterator[tuple[str, bytes, dict[str, object]]]:
    for row in HEADLESS_ROWS:
        yield "no header", (row * 30).encode(), {}
        yield "control characters", b"\x01\x02" + (row * 30).encode(), {}
        yield "binary", row.encode() + bytes(range(32)) * 9, {}
        yield "a preamble", f"# {row}{LABELLED}{row}".encode(), {}
        yield "rows of another width", (LABELLED + "1,2,3,4,5," + row * 30).encode(), {}
        first = row.split(",")[0].strip('"\n ')
        yield (
            "columns of no header",
            (row * 30).encode(),
            {"columns": {"time": {"column": first, "unit": "s"}}},
        )
        yield (
            "a place for a unit",
            (LABELLED + row).encode(),
            {"columns": {"time": {"column": "time_utc", "unit": first}}},
        )
    places = "48.1234567,-16.7654321,2026-05-12T17:03:20Z\n"
    yield "columns exchanged", (LABELLED + places * 30).encode(), {}
    yield "a place for a time", (LABELLED.replace("utc", "s") + places * 30).encode(), {}
    for old, new in (
        (b"<gpx", b"<N48.1234567"),
        (b"<gpx", b'<gpx48.1234567 lat="'),
        (b'version="1.0"?>', b'version="1.0" encoding="x48.1234567"?>'),
        (b"</time>", b"&N48.1234567;</time>"),
        (b"<time>", b"<48.1234567/><time>"),
        (b"</trkpt>", b"</N48.1234567>"),
        (b"<trk>", b"<!DOCTYPE x48.1234567 SYSTEM 'y48.1234567'><trk>"),
    ):
        yield "markup", WRITERS["gpx"](RUN).replace(old, new), {}
    yield "no time", WRITERS["gpx"](RUN).replace(b"2026", b"48.1234"), {}
    packed = gzip.compress(WRITERS["csv"](RUN))
    yield "a broken gzip", packed[:60] + b"48.1234567" + packed[70:], {}


def messages_of(path: Path, how: dict[str, object]) -> list[str]:
    found = []
    for clock in ("gnss", "device"):
        try:
            found += read(path, clock=clock, **how).remarks  # type: ignore[arg-type]
        except RecordingError as error:
            found += [error.found, error.expected, error.do]
    return found


def test_no_message_about_an_odd_file_shows_a_place(tmp_path):
    path = tmp_path / "recording"
    said = 0
    for what, data, how in odd_files():
        path.write_bytes(data)
        for words in messages_of(path, how):
            keeps_places_to_itself(words)
            assert "\u0664" not in words, what
            said += 1
    assert said > 150


@pytest.mark.parametrize("form", WRITERS)
def test_no_message_about_a_damaged_file_shows_a_place(tmp_path, form):
    """Each format's sample, changed sixty times as the fuzzer does."""
    path = tmp_path / "recording"
    rng = random.Random(7)
    data, changes = WRITERS[form](RUN), fuzz.TARGETS[form].changes
    said = 0
    for _ in range(60):
        changed = data
        for _ in range(rng.choice((1, 1, 2, 4))):
            changed = rng.choice(changes)(changed, rng)
        path.write_bytes(changed)
        for words in messages_of(path, {}):
            keeps_places_to_itself(words)
            said += 1
    assert said > 20


def test_what_the_slow_fit_decoder_meets_is_not_quoted(monkeypatch):
    def quoting(_file: object) -> Iterator[object]:
        raise general_decoder.fitparse.FitParseError("48.1234567")
        yield

    monkeypatch.setattr(general_decoder, "_decodable_messages", quoting)
    fault = general_decoder.decode_messages(WRITERS["fit"](RUN)).fault
    assert fault is not None
    keeps_places_to_itself(fault)


@pytest.mark.parametrize(
    "coordinates", ["[116.7654321, 148.1234567]", '["48.1234567", null]', "48.1234567", "[16.7654]"]
)
@pytest.mark.parametrize("where", ["coordinates", "type", "kind", "line", "zone", "sd_m", "id"])
def test_no_message_about_a_venue_shows_a_place(tmp_path, coordinates, where):
    """They stand in a season's list of failures."""
    old = {"coordinates": "[16.4, 48.2]", "type": '"Point"', "kind": '"gate"', "line": '"exit"',
           "zone": "1", "sd_m": "0.1", "id": '"beam"'}[where]  # fmt: skip
    for name, text in (("session.toml", fuzz.SESSION), ("reps.csv", fuzz.SHEET)):
        (tmp_path / name).write_text(text)
    changed = fuzz.VENUE.replace(f'"{where}": {old}', f'"{where}": {coordinates}')
    if where == "coordinates":
        changed = fuzz.VENUE.replace("[16.4, 48.2]", coordinates)
    assert changed != fuzz.VENUE
    (tmp_path / "venue.geojson").write_text(changed)
    try:
        read_session(tmp_path)
    except VenueError as error:
        keeps_places_to_itself(error.found)


@pytest.mark.parametrize(
    ("text", "shown"),
    [
        ("time ms", "'time ms'"),
        ("acc_x [m/s²]", "'acc_x [m/s²]'"),
        ("sensor 12", "'sensor 12'"),
        ("48.1234567", "a number"),
        ("-48", "a number"),
        ("N 48 07.4", "'N # #'"),
        ("48°07'24\"", "a number"),
        ("time48.123", "'time#'"),
        ("", "''"),
        ("a\x1bb", "'a?b'"),
        ("x" * 41, f"'{'x' * 40}…'"),
    ],
)
def test_words_are_shown_and_numbers_are_not(text, shown):
    assert quote_without_numbers(text) == shown


@given(st.text(max_size=60))
@example("½" * 3)
def test_no_text_is_shown_with_more_than_two_digits(text):
    shown = quote_without_numbers(text)
    assert sum(c.isnumeric() for c in shown) <= 2
    assert shown.isprintable()
    assert len(shown) <= 43
    assert is_shown_whole(text) == (shown == f"'{text}'")


def test_no_recording_has_more_than_fifty_remarks(tmp_path):
    """A chain of files has some for each."""
    path = tmp_path / "recording"
    broken = WRITERS["fit"](RUN)[:-1] + b"\0"
    path.write_bytes(broken * 80)
    remarks = read(path).remarks
    assert len(remarks) == 51
    assert "30 more remarks" in remarks[-1]
