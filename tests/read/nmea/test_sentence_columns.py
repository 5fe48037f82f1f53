"""NMEA read by columns equals NMEA read sentence by sentence."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import text_tracks
from checkout import SAMPLES
from hypothesis import example, given, settings
from hypothesis import strategies as st
from read_samples import REAL, gga, rmc, sentence, some_run

from pipeline.read.nmea import sentence_columns
from pipeline.read.nmea.sentence_columns import epochs_by_columns
from pipeline.read.nmea.sentences import epochs_by_sentence


def same(data: bytes) -> None:
    quick, careful = epochs_by_columns(data), epochs_by_sentence(data)
    np.testing.assert_array_equal(quick.columns, careful.columns)
    np.testing.assert_array_equal(quick.talker, careful.talker)
    assert (quick.found, quick.bad) == (careful.found, careful.bad)


def test_a_regular_log_needs_no_loop(monkeypatch: pytest.MonkeyPatch) -> None:
    data = text_tracks.nmea(300)
    expected = epochs_by_sentence(data)
    monkeypatch.delattr(sentence_columns, "epochs_by_sentence")
    found = epochs_by_columns(data)
    assert found.columns.shape == (300, 9)
    np.testing.assert_array_equal(found.columns, expected.columns)


def test_one_epoch_stated_twice_costs_the_loop_that_epoch_alone(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    run = some_run()
    once = [(rmc(s) + gga(s)).encode() for s in run]
    other = rmc(run[3]._replace(latitude_deg=1.0)).encode()
    data = b"".join([*once[:4], other, *once[4:]])
    expected = epochs_by_sentence(data)
    looked_at: list[bytes] = []

    def noted(stretch: bytes) -> object:
        looked_at.append(stretch)
        return epochs_by_sentence(stretch)

    monkeypatch.setattr(sentence_columns, "epochs_by_sentence", noted)
    np.testing.assert_array_equal(epochs_by_columns(data).columns, expected.columns)
    assert looked_at == [once[3] + other]


@pytest.mark.parametrize(
    "path",
    [
        pytest.param(p, id=p.name)
        for p in sorted([*(REAL / "nmea").glob("*"), *SAMPLES.rglob("*.nmea")])
    ],
)
@pytest.mark.parametrize("chunk", [1 << 20, 1000])
def test_logs_of_receivers_and_samples(
    path: Path, chunk: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sentence_columns, "_STRETCH_BYTES", chunk)
    same(path.read_bytes()[:60_000])


cells = st.one_of(
    st.sampled_from([
        "", "A", "V", "D", "N", "S", "E", "W", "M", "K", "T", "0", "1", "6", "AANN", "NN", "ANX",
        "170320", "170320.00", "170320.0", "17032", "1703200", "1703 0", "+70320", "170360.9",
        "170361", "240000", "236000", "170320.1234567890", "170320.12345678901", "nan", "inf",
        "-inf", "120526", "310299", "300226", "12", "5", "05", "2026", "26", "4806.0", "-4806.0",
        "4860.0", "4859.9999999", "16", "01612.5", "1e3", "1_0", " 7 ", "0x1", "9" * 30, "\x00",
        "170320\x00", "é",
    ]),
    st.text(st.characters(min_codepoint=1, max_codepoint=255), max_size=3),
    st.text("0123456789.", max_size=10),
)  # fmt: skip
TYPICAL = [
    "RMC,{t},A,4806.0,N,01612.0,E,9.1,84.4,120526,,,A",
    "RMC,{t},V,,,,,,,120526,,,N",
    "RMC,{t},A,4806.0,N,01612.0,E,,,,,,A",
    "GGA,{t},4806.1,N,01612.1,E,1,09,0.8,171.5,M,44.0,M,,",
    "GGA,{t},,,,,0,00,,,M,,M,,",
    "GNS,{t},4806.2,N,01612.2,E,AANN,06,5.88,56.0,48.5,,,V",
    "GNS,{t},4806.2,S,01612.2,W,NN,06,5.88,56.0,48.5,,,V",
    "VTG,84.4,T,,M,5.0,N,9.26,K,A",
    "VTG,84.4,77.1,5.0,9.26",
    "VTG,,T,,M,,N,,K,N",
    "ZDA,{t},12,05,2026,00,00",
    "ZDA,{t},12",
    "GSV,1,1,00",
]
typical = st.builds(
    lambda body, t: body.format(t=t),
    st.sampled_from(TYPICAL),
    st.sampled_from(["170320.00", "170320.10", "170320.10", "170320.1", "", "235959.9", "17032"]),
)
odd = st.builds(
    lambda kind, f: ",".join([kind, *f]),
    st.sampled_from(["RMC", "GGA", "GNS", "VTG", "ZDA"]),
    st.lists(cells, max_size=14),
)


@st.composite
def altered(draw: st.DrawFn) -> str:
    """A typical sentence with one cell replaced."""
    parts = draw(typical).split(",")
    parts[draw(st.integers(1, len(parts) - 1))] = draw(cells)
    return ",".join(parts)


def encoded(talker: str, body: str, end: str) -> bytes:
    whole = (talker + body).encode("latin-1")
    check = 0
    for byte in whole:
        check ^= byte
    return b"$" + whole + end.format(check=check).encode()


ends = st.sampled_from(
    ["*{check:02X}\r\n"] * 12
    + ["*{check:02x}\n", "*{check:02X}", "*00\r\n", "*{check:02X}$", "\r\n", "*", "*5", "*G5\r\n"]
)
lines = st.builds(
    encoded,
    st.sampled_from(["GN", "GN", "GN", "GP", "gP", "P"]),
    st.one_of(typical, typical, altered(), odd),
    ends,
)
junk = st.one_of(
    st.binary(max_size=9),
    st.sampled_from([b"$", b"*", b",", b"$GPRMC", b"$GPRMC,", b"$GPRMC,*4B", b"$" * 5, b"x" * 250]),
)


@given(st.lists(st.one_of(lines, lines, lines, junk), max_size=14), st.sampled_from([1 << 20, 60]))
@example([b"$GPRMC," + b"1" * 240 + b"*00", b"$GPRMC," + b"1" * 241 + b"*00"], 60)
@example([sentence("GNGGA,170320.00," + "1" * 230).encode()], 60)
@settings(deadline=None, max_examples=150)
def test_any_log_reads_as_sentence_by_sentence(parts: list[bytes], chunk: int) -> None:
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(sentence_columns, "_STRETCH_BYTES", chunk)
        same(b"".join(parts))


@pytest.mark.parametrize("length", [239, 240, 241])
def test_how_long_a_sentence_may_be(length: int) -> None:
    body = "170320.00,A,4806.0,N,01612.0,E,9.1,84.4,120526,,,A,".ljust(length, "7")
    data = (sentence("GNRMC," + body) + rmc(some_run()[0])).encode()
    same(data)
    assert epochs_by_columns(data).bad == (length > 240)


FULL = "RMC,170320,A,4806.0,N,01612.0,E,9.1,84.4,120526,,,A"


@pytest.mark.parametrize(
    "bodies",
    [
        [FULL, "GGA,170320\x00,4806.1,N,01612.1,E,1,09,0.8,171.5,M,44.0,M,,"],
        [FULL, FULL.replace("9.1", "9.2"), FULL.replace("9.1", "9.2")],
        [FULL.replace("170320", "17032")],
        [FULL.replace("170320", "1703200")],
        [FULL.replace("4806.0", "inf"), FULL.replace("01612.0", "1e400")],
        [FULL.replace("9.1", ""), "VTG,1,2,3,4,5"],
        [FULL.replace("9.1", ""), "VTG,1,2,3,4", "VTG,,T,,M,,N,9.26,K"],
        [FULL.replace("9.1", ""), "VTG,1,2,3,4,5,6,7"],
        ["VTG,84.4,T,,M,5.0,N,9.26,K,A", FULL.replace("9.1", "")],
        ["VTG,84.4,T,,M,5.0,N,9.26,K,A"],
        ["ZDA,170320,12,05", "ZDA,170320", "ZDA,170321,12,05,2026", "ZDA,"],
        [],
    ],
)
def test_corners(bodies: list[str]) -> None:
    same("".join(sentence("GN" + body) for body in bodies).encode())
