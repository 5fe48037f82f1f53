"""NMEA 0183 logs: compared with a reference library on receivers' logs, and rare cases."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from read_samples import REAL, Sample, fixes_of, gga, read_bytes, real, rmc, sentence, some_run

from pipeline.errors import RecordingError
from pipeline.read import read
from pipeline.read.nmea.sentences import checksum

KNOT_MPS = 1852 / 3600


def at(t_s: float, **other: float) -> Sample:
    return Sample(t_s, 48.1, 16.2, 9.0)._replace(**other)


def read_text(*parts: str) -> object:
    return read_bytes("".join(parts).encode())


# --- receivers' logs -----------------------------------------------------------------------


@pytest.mark.parametrize("path", real("nmea", "*.nmea"))
def test_receivers_logs_agree_with_pynmea2_sentence_for_sentence(path: Path) -> None:
    """Each valid RMC of the log is a fix of its time, place and speed; each valid GGA of such
    a time agrees with its height, dilution and satellites."""
    pynmea2 = pytest.importorskip("pynmea2")
    positions: dict[float, object] = {}
    heights: dict[str, object] = {}
    for line in path.read_bytes().decode("latin-1").splitlines():
        line = line[line.find("$") :] if "$" in line else ""
        if line[3:6] not in ("RMC", "GGA"):
            continue
        try:
            message = pynmea2.parse(line, check=True)
        except pynmea2.ParseError:
            continue
        if line[3:6] == "GGA":
            if message.gps_qual is None or message.gps_qual in range(1, 6):
                heights.setdefault(message.data[0], message)
        elif message.status == "A" and message.datestamp:
            try:
                _ = message.latitude, message.longitude
            except ValueError:
                continue
            stamp = datetime.combine(message.datestamp, message.timestamp.replace(tzinfo=UTC))
            positions.setdefault(round(stamp.timestamp(), 3), message)
    if not positions:
        with pytest.raises(RecordingError):
            read(path)
        return
    fixes = fixes_of(read(path))
    rows = {round(t, 3): i for i, t in enumerate(fixes.t_s)}
    assert set(positions) <= set(rows)
    for t_s, message in positions.items():
        i = rows[t_s]
        assert fixes.latitude_deg[i] == pytest.approx(message.latitude, abs=1e-9)
        assert fixes.longitude_deg[i] == pytest.approx(message.longitude, abs=1e-9)
        if message.spd_over_grnd is not None:
            knots = float(message.spd_over_grnd)
            assert fixes.speed_mps[i] == pytest.approx(knots * KNOT_MPS, abs=0.003)
        height = heights.get(message.data[0])
        if height is not None and height.altitude is not None:
            assert fixes.altitude_m[i] == float(height.altitude)
            assert fixes.hdop[i] == float(height.horizontal_dil)
            assert fixes.satellites[i] == int(height.num_sats)


RTK = REAL / "nmea" / "rtk-10hz-two-talkers.nmea"


@pytest.mark.skipif(not RTK.exists(), reason="no device file")
def test_a_tenth_of_a_second_and_no_fix_twice() -> None:
    fixes = fixes_of(read(RTK))
    assert len(np.unique(fixes.t_s)) == len(fixes.t_s)
    assert np.median(np.diff(np.sort(fixes.t_s))) == pytest.approx(0.1)


@pytest.mark.parametrize(
    ("name", "broken"), [("bad-checksums.nmea", 23), ("one-bad-checksum.nmea", 2)]
)
def test_bad_checksums_are_counted(name: str, broken: int) -> None:
    if not (REAL / "nmea" / name).exists():
        pytest.skip("no device file")
    recording = read(REAL / "nmea" / name)
    assert recording.dropped_fixes == broken
    assert any("broken" in r for r in recording.remarks)


# --- sentences -----------------------------------------------------------------------------


def test_published_sentence() -> None:
    # The worked example of many NMEA 0183 texts (from memory): checksum 6A, 48 deg 07.038' N,
    # 11 deg 31.000' E, 22.4 knots, 1994-03-23T12:35:19Z.
    line = "$GPRMC,123519,A,4807.038,N,01131.000,E,022.4,084.4,230394,003.1,W*6A\r\n"
    fixes = fixes_of(read_text(line))
    assert fixes.t_s.tolist() == [764_426_119.0]
    assert fixes.latitude_deg[0] == pytest.approx(48 + 7.038 / 60)
    assert fixes.longitude_deg[0] == pytest.approx(11 + 31 / 60)
    assert fixes.speed_mps[0] == pytest.approx(22.4 * 1852 / 3600)


@given(st.binary(max_size=256))
@settings(deadline=None)
def test_checksum_is_the_xor_of_all_bytes(body: bytes) -> None:
    expected = 0
    for byte in body:
        expected ^= byte
    assert checksum(body) == expected


@pytest.mark.parametrize("talker", ["GP", "GN", "GL", "GA", "GB", "BD", "GQ", "II", "QZ"])
def test_any_talker(talker: str) -> None:
    run = some_run()
    recording = read_text(*(rmc(s, talker) for s in run))
    assert len(fixes_of(recording).t_s) == len(run)


@pytest.mark.parametrize("order", ["rgv", "grv", "gvr", "rvg"])
def test_sentences_of_an_epoch_are_joined_in_any_order(order: str) -> None:
    run = some_run()
    parts = []
    for s in run:
        no_speed = sentence(rmc(s)[1:-5].replace(f"{s.speed_mps / KNOT_MPS:.4f}", ""))
        vtg = sentence(f"GNVTG,,T,,M,{s.speed_mps / KNOT_MPS:.4f},N,{s.speed_mps * 3.6:.4f},K,A")
        parts += [{"r": no_speed, "g": gga(s), "v": vtg}[k] for k in order]
    fixes = fixes_of(read_text(*parts))
    np.testing.assert_allclose(fixes.t_s, [s.t_s for s in run], atol=1e-6)
    np.testing.assert_allclose(fixes.speed_mps, [s.speed_mps for s in run], atol=2e-4)
    assert (fixes.altitude_m == 171.5).all()
    assert (fixes.hdop == 0.8).all()
    assert (fixes.satellites == 9).all()


@pytest.mark.parametrize("body", ["GPVTG,84.4,77.1,5.0,9.26", "GPVTG,84.4,T,77.1,M,5.0,N,,K"])
def test_old_and_half_empty_vtg(body: str) -> None:
    no_speed = sentence("GPRMC,170320.00,A,4806.0,N,01612.0,E,,,120526,,,A")
    fixes = fixes_of(read_text(no_speed, sentence(body)))
    assert fixes.speed_mps[0] == pytest.approx(5 * KNOT_MPS)


@pytest.mark.parametrize("interleaved", [True, False])
def test_the_same_fix_under_two_talkers_is_taken_once(interleaved: bool) -> None:
    run = some_run()
    first = [rmc(s, "GN") + gga(s, "GN") for s in run]
    other = [s._replace(latitude_deg=s.latitude_deg + 1e-6) for s in run]
    second = [rmc(s, "GP") + gga(s, "GP") for s in other]
    parts = [x for pair in zip(first, second, strict=True) for x in pair]
    if not interleaved:
        parts = [x for k in (0, 4) for x in (*first[k : k + 4], *second[k : k + 4])]
    recording = read_text(*parts)
    fixes = fixes_of(recording)
    np.testing.assert_allclose(fixes.t_s, [s.t_s for s in run], atol=1e-6)
    np.testing.assert_allclose(fixes.latitude_deg, [s.latitude_deg for s in run], atol=1e-8)
    assert recording.dropped_fixes == 0


def test_several_fixes_to_a_whole_second_all_stay() -> None:
    run = [at(1_778_605_400 + i // 5, latitude_deg=48 + i * 1e-5) for i in range(15)]
    fixes = fixes_of(read_text(*(rmc(s) + gga(s) for s in run)))
    np.testing.assert_array_equal(fixes.t_s, 1_778_605_400 + np.arange(15) // 5)
    np.testing.assert_allclose(fixes.latitude_deg, [s.latitude_deg for s in run], atol=1e-8)


def test_a_line_logged_twice_is_one_fix() -> None:
    assert len(fixes_of(read_text(*(rmc(s) * 2 for s in some_run()))).t_s) == 8


MIDNIGHT = 1_778_630_400.0  # 2026-05-13T00:00:00Z


def test_midnight_with_the_date_in_every_epoch() -> None:
    run = [at(MIDNIGHT + (i - 5) / 10) for i in range(10)]
    t_s = fixes_of(read_text(*(gga(s) + rmc(s) for s in run))).t_s
    np.testing.assert_allclose(t_s, [s.t_s for s in run], atol=1e-6)


@pytest.mark.parametrize("dated", [0, 3, 9])
def test_midnight_is_passed_by_epochs_without_a_date(dated: int) -> None:
    run = [at(MIDNIGHT + (i - 5) / 10) for i in range(10)]
    parts = [gga(s) + (rmc(s) if i == dated else "") for i, s in enumerate(run)]
    np.testing.assert_allclose(fixes_of(read_text(*parts)).t_s, [s.t_s for s in run], atol=1e-6)


def test_the_date_of_zda_serves() -> None:
    data = sentence("GPZDA,170320.00,12,05,2026,00,00") + gga(at(1_778_605_400))
    recording = read_text(data)
    assert fixes_of(recording).t_s.tolist() == [1_778_605_400.0]
    assert recording.dropped_fixes == 0


def test_no_date_at_all_is_an_error_that_names_rmc() -> None:
    with pytest.raises(RecordingError, match="date") as caught:
        read_text(gga(at(1_778_605_400)))
    assert "RMC" in str(caught.value)


def test_leap_second_is_midnights_count() -> None:
    # 2016-12-31T23:59:60Z (IERS Bulletin C 52); POSIX.1-2017, 4.16.
    line = sentence("GPRMC,235960.00,A,4806.0,N,01612.0,E,1,,311216,,,A")
    assert fixes_of(read_text(line)).t_s.tolist() == [1_483_228_800.0]


@pytest.mark.parametrize(
    "void",
    [
        rmc(at(1_778_605_399), status="V"),
        rmc(at(1_778_605_399)) + gga(at(1_778_605_399), quality="0"),
        rmc(at(1_778_605_399)) + gga(at(1_778_605_399), quality="6"),
        sentence("GPRMC,170319.00,A,4806.0,N,01612.0,E,1,,120526,,,E"),
        sentence("GPRMC,170319.00,A,0000.0,N,00000.0,E,1,,120526,,,A"),
        sentence("GPRMC,170319.00,A,9906.0,N,01612.0,E,1,,120526,,,A"),
        sentence("GPRMC,,V,,,,,,,,,,N"),
        sentence("GPRMC,170319.00,A,XXXX,N,01612.0,E,1,,120526,,,A"),
        rmc(at(1_778_605_399)).replace("*", "*F"),
        rmc(at(1_778_605_399)).split("*")[0] + "\r\n",
    ],
)
def test_what_is_no_fix_is_dropped_and_counted(void: str) -> None:
    recording = read_text(void, rmc(at(1_778_605_400)))
    assert fixes_of(recording).t_s.tolist() == [1_778_605_400.0]
    assert recording.dropped_fixes == 1


@given(
    junk=st.lists(st.binary(max_size=40).filter(lambda b: b"$" not in b), min_size=9, max_size=9)
)
@settings(deadline=None)
def test_binary_between_the_sentences_is_survived(junk: list[bytes]) -> None:
    run = some_run()
    data = junk[0] + b"".join(rmc(s).encode() + j for s, j in zip(run, junk[1:], strict=True))
    fixes = fixes_of(read_bytes(b"# log\n" + data))
    np.testing.assert_allclose(fixes.t_s, [s.t_s for s in run], atol=1e-6)


def test_other_sentences_and_prefixes_are_passed_over() -> None:
    data = "# a log\n$GPGSV,1,1,00*79\n$PUBX,00,1*00\n"
    data += "".join(f"12:00:01.5 {rmc(s)}" for s in some_run())
    assert len(fixes_of(read_text(data)).t_s) == 8


def test_every_checksum_wrong_is_an_error_that_says_so() -> None:
    with pytest.raises(RecordingError, match="checksum"):
        read_text(*(rmc(s)[:-4] + "00\r\n" for s in some_run() if not rmc(s).endswith("00\r\n")))
