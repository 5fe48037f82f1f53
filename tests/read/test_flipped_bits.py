"""One bit flipped anywhere in a recording of real size: what survives, and what is said.

Stated for files of 1500 fixes, with flips at random places: of CSV, GPX, TCX and NMEA at most two
fixes are lost, and the recording counts them; of FIT at most one in a hundred fixes in 97 of a
hundred flips. A flip in the few bytes of a header may make a file unreadable, which is an
error. A value that a flip leaves plausible is taken as written: only NMEA and FIT carry checksums.
"""

from __future__ import annotations

import contextlib
import random

import fit_encoder as enc
import numpy as np
import pytest
from read_samples import REAL, WRITERS, Sample, fixes_of, read_bytes

from pipeline.base.values import Fixes, Recording
from pipeline.errors import RecordingError
from pipeline.read import read

N = 1500
RUN = [
    Sample(1_778_605_400.0 + i / 10, 48.1234567 + i * 1e-6, -16.7654321 - i * 2e-6, 8 + i % 16 / 8)
    for i in range(N)
]
FLIPS = 30


def flipped(data: bytes, bit: int) -> bytes:
    changed = bytearray(data)
    changed[bit // 8] ^= 1 << bit % 8
    return bytes(changed)


def unchanged_fixes(fixes: Fixes, whole: Fixes) -> int:
    """How many fixes are among those of the whole file, as they were."""
    rows = set(zip(whole.t_s, whole.latitude_deg, whole.longitude_deg, strict=True))
    return len(rows & set(zip(fixes.t_s, fixes.latitude_deg, fixes.longitude_deg, strict=True)))


@pytest.mark.parametrize("form", ["csv", "gpx", "tcx", "nmea"])
def test_a_flipped_bit_in_text_costs_two_fixes_at_most_and_is_counted(form, capfd):
    data = WRITERS[form](RUN)
    whole = fixes_of(read_bytes(data))
    rng = random.Random(form)
    header = len(data) // 100  # a generous one: 1 % of the file
    for _ in range(FLIPS):
        recording = read_bytes(flipped(data, rng.randrange(8 * header, 8 * len(data))))
        fixes = fixes_of(recording)
        assert N - len(fixes.t_s) <= recording.dropped_fixes <= 2
        assert unchanged_fixes(fixes, whole) >= N - 2
    assert capfd.readouterr() == ("", "")


def test_a_flipped_bit_in_fit_seldom_costs_more_than_one_in_a_hundred():
    data = WRITERS["fit"](RUN)
    whole = fixes_of(read_bytes(data))
    rng = random.Random("fit")
    kept = []
    for _ in range(3 * FLIPS):
        recording = read_bytes(flipped(data, rng.randrange(8 * 60, 8 * len(data))))
        kept.append(unchanged_fixes(fixes_of(recording), whole))
        assert any("checksum" in remark for remark in recording.remarks)
    assert np.mean(np.array(kept) >= 0.99 * N) >= 0.97


@pytest.mark.parametrize("at", [20, 700, N - 20])
@pytest.mark.parametrize("bit", range(8))
def test_a_damaged_header_of_a_fit_message_costs_that_message(bit, at):
    """The header then names a message that nothing defines, or one of another length."""
    data = WRITERS["fit"](RUN)
    size = len(enc.GPS.data(0, 0, 0, 0, 0, None))
    end = len(data) - 2 - size * (N - at)
    assert data[end] == data[end + size]
    recording = read_bytes(flipped(data, 8 * end + bit))
    lost = N - len(fixes_of(recording).t_s)
    assert lost <= 1
    assert unchanged_fixes(fixes_of(recording), fixes_of(read_bytes(data))) >= N - 1
    assert lost == 0 or any("1 messages whose header" in r for r in recording.remarks)


def test_fit_that_lacks_bytes_is_read_up_to_there():
    """What follows is out of step, and no place is found where it would not be."""
    data = WRITERS["fit"](RUN)
    for cut in (1, 2, 3, 7):
        recording = read_bytes(data[:9000] + data[9000 + cut :])
        fixes = fixes_of(recording)
        whole = fixes_of(read_bytes(data))
        assert unchanged_fixes(fixes, whole) == len(fixes.t_s)
        assert len(fixes.t_s) > 380


@pytest.mark.parametrize(
    "path",
    [p for folder in ("gpx", "tcx", "nmea", "fit") for p in sorted((REAL / folder).glob("*"))],
    ids=lambda p: p.name,
)
def test_a_flipped_bit_in_a_file_of_a_device_is_read_or_refused(path, tmp_path):
    data = path.read_bytes()
    rng = random.Random(path.name)
    copy = tmp_path / "copy"
    for _ in range(3):
        copy.write_bytes(flipped(data, rng.randrange(8 * len(data))))
        with contextlib.suppress(RecordingError):
            assert isinstance(read(copy), Recording)


# --- CSV -----------------------------------------------------------------------------------

CSV = WRITERS["csv"](RUN)


def test_a_digit_that_becomes_a_quote_costs_its_row(capfd):
    assert ord("2") ^ ord('"') == 16
    for row in (0, 1, 700, N - 1):
        lines = CSV.split(b"\n")
        lines[row + 1] = b'"' + lines[row + 1][1:]
        recording = read_bytes(b"\n".join(lines))
        assert len(fixes_of(recording).t_s) == N - 1
        assert recording.dropped_fixes == 1
    assert capfd.readouterr() == ("", "")


@pytest.mark.parametrize("style", ['"{}"', '"{}" '])
def test_rows_in_quotes_are_read_and_one_without_its_end_is_left_out(style):
    head, *rows, _ = CSV.decode().split("\n")
    quoted = [",".join(style.format(cell) for cell in row.split(",")) for row in rows]
    assert len(fixes_of(read_bytes("\n".join([head, *quoted, ""]).encode())).t_s) == N
    for spoil in (
        lambda row: row.replace('","', '",', 1) if '","' in row else row.replace('"', "", 1),
        lambda row: row[1:],
        lambda row: row[:5] + '"' + row[5:],
        lambda row: row.replace('"', "", 1) + '"x"y"',
    ):
        spoilt = list(quoted)
        spoilt[800] = spoil(spoilt[800])
        assert spoilt != quoted
        recording = read_bytes("\n".join([head, *spoilt, ""]).encode())
        lost = N - len(fixes_of(recording).t_s)
        assert lost <= 1
        told_by_cell = any("cells are not numbers" in remark for remark in recording.remarks)
        assert recording.dropped_fixes == lost or told_by_cell


def test_two_quotes_in_a_cell_are_one_of_its_text():
    text = 'note,time_s,speed_mps\n"a ""b"", c",1778605400,7\n"""",1778605401,8\n"",1778605402,9\n'
    assert fixes_of(read_bytes(text.encode())).speed_mps.tolist() == [7.0, 8.0, 9.0]


@pytest.mark.parametrize("stray", [b"\x00", b"\x01", b"\x1f", b"\x80", b"\xff", b"\xc3"])
@pytest.mark.parametrize("row", [3, N - 3, 2 * N - 3, 5 * N])
def test_a_stray_byte_costs_a_fix_wherever_it_stands(stray, row, capfd):
    """Also beyond the part that tells the format, and in a cell that nobody reads."""
    lines = (CSV + CSV.partition(b"\n")[2] * 5).split(b"\n")
    assert len(b"\n".join(lines[: 5 * N])) > 1 << 18
    for spoilt in (lines[row][:30] + stray + lines[row][31:], lines[row] + b"," + stray):
        changed = [*lines[:row], spoilt, *lines[row + 1 :]]
        recording = read_bytes(b"\n".join(changed))
        assert len(fixes_of(recording).t_s) == 6 * N - 1
        assert recording.dropped_fixes == 1
    assert capfd.readouterr() == ("", "")  # the parser's own traceback, once


def test_names_in_any_encoding_stay_readable_beside_a_stray_byte():
    """The header's line and each row's are told apart."""
    text = "Höhe (m),time_s,speed_mps\n" + "1,1778605400,7\n" * 9
    how = {"altitude": {"column": "Höhe (m)", "unit": "m"}, "speed": {"column": "speed_mps", "unit":
           "m/s"}, "time": {"column": "time_s", "unit": "s"}}  # fmt: skip
    for encoding in ("utf-8", "latin-1"):
        recording = read_bytes(text.encode(encoding) + b"\xff,1778605401,7\n", columns=how)
        altitude_m = fixes_of(recording).altitude_m
        assert np.array_equal(altitude_m, [1.0] * 9 + [np.nan], equal_nan=True)


# --- XML -----------------------------------------------------------------------------------


@pytest.mark.parametrize("form", ["gpx", "tcx"])
@pytest.mark.parametrize("at", [0, 700, N - 1])
@pytest.mark.parametrize(
    ("old", "new"),
    [
        (b"<{}", b"\x1c{}"),
        (b"</{}", b"<?{}"),
        (b"</{}", b"<o{}"),
        (b"</{}", b"</x{}"),
        (b"time>", b"tyme>"),
        (b"</", b"|/"),
        (b"20", b"2\xb0"),
        (b"20", b"&0"),
        (b">", b""),
    ],
)
def test_a_broken_spot_costs_its_point(form, at, old, new):
    name = {"gpx": b"trkpt", "tcx": b"Trackpoint"}[form]
    points = WRITERS[form](RUN).split(b"\n")
    place = points[at].find(b"<" + name)
    old, new = (words.replace(b"{}", name) for words in (old, new))
    if form == "tcx":
        old, new = old.replace(b"time", b"Time"), new.replace(b"tyme", b"Tyme")
    points[at] = points[at][:place] + points[at][place:].replace(old, new, 1)
    recording = read_bytes(b"\n".join(points))
    assert len(fixes_of(recording).t_s) >= N - 1
    assert recording.dropped_fixes == N - len(fixes_of(recording).t_s)
    assert any("broken in" in remark for remark in recording.remarks)


@pytest.mark.parametrize("form", ["gpx", "tcx"])
def test_many_broken_spots_are_counted(form):
    name = {"gpx": b"trkpt", "tcx": b"Trackpoint"}[form]
    points = WRITERS[form](RUN).split(b"\n")
    for at in range(10, N, 100):
        points[at] = points[at].replace(b"</" + name, b"</", 1)
    recording = read_bytes(b"\n".join(points))
    assert len(fixes_of(recording).t_s) == N - 15
    assert recording.dropped_fixes == 15
    assert any("in 15 places" in r and "15 track points" in r for r in recording.remarks)


def test_the_root_may_be_broken_too():
    data = WRITERS["gpx"](RUN).replace(b'xmlns="', b'xmlns"', 1)
    recording = read_bytes(data)
    assert len(fixes_of(recording).t_s) == N
    assert any("no track points were lost" in remark for remark in recording.remarks)
