"""The FIT reader: compared with two other libraries on device files, and on files made here."""

from __future__ import annotations

import struct
from pathlib import Path

import fit_encoder as enc
import numpy as np
import pytest
from checkout import ROOT
from hypothesis import given, settings
from hypothesis import strategies as st
from read_samples import REAL, fixes_of, read_bytes, real

from pipeline.errors import RecordingError
from pipeline.read import read
from pipeline.read.fit import container, general_decoder, message_scan
from pipeline.read.fit.fixes import SEMICIRCLE_DEG

T0 = 1_147_539_800  # FIT seconds, 2026-05-12T17:03:20Z
POSIX0 = T0 + 631_065_600
HEAD = (enc.FILE_ID.definition(), enc.FILE_ID.data(4, T0))
LAT, LON = 574_000_000, 195_000_000


def record(i: int, speed: int | None = 8000, kind: enc.Kind = enc.RECORD) -> bytes:
    return kind.data(T0 + i, LAT + i, LON - i, speed)


# --- worked values ------------------------------------------------------------------------


def test_published_date_time() -> None:
    # 938622559 -> 2019-09-28T16:29:19Z, POSIX 1569688159. Value: FIT cookbook, "Working with
    # Date Time Values"; epoch 1989-12-31T00:00Z = POSIX 631065600 (same, and docs.rs/fit-sdk).
    data = enc.fit_file(
        *HEAD, enc.RECORD.definition(), enc.RECORD.data(938_622_559, LAT, LON, 1000)
    )
    assert fixes_of(read_bytes(data)).t_s.tolist() == [1_569_688_159.0]


def test_semicircles_and_scales() -> None:
    # 180/2^31 = 8.381903171539307e-08 degrees (FIT profile, unit semicircles); speed is mm/s,
    # altitude (x / 5) - 500 m.
    data = enc.fit_file(
        *HEAD,
        enc.ENHANCED_RECORD.definition(),
        enc.ENHANCED_RECORD.data(T0, 2**30, -(2**30), 9_876, 2_500 + 5 * 171),
    )
    fixes = fixes_of(read_bytes(data))
    assert fixes.latitude_deg.tolist() == [90.0]
    assert fixes.longitude_deg.tolist() == [-90.0]
    assert fixes.speed_mps.tolist() == pytest.approx([9.876])
    assert fixes.altitude_m.tolist() == pytest.approx([171.0])
    assert SEMICIRCLE_DEG == 8.381903171539307e-08


def test_checksum_of_the_protocol() -> None:
    # "123456789" -> 0xBB3D for CRC-16/ARC (catalogue of parametrised CRC algorithms), which
    # is FIT's. A file with its own checksum at the end gives 0.
    assert container.crc16(b"123456789") == 0xBB3D == enc.crc(b"123456789")


@given(st.binary(max_size=60), st.sampled_from([0, 1, 32_766, 32_767, 32_768, 65_533]))
@settings(deadline=None, max_examples=30)
def test_checksum_of_what_is_folded_first_is_the_one_bit_at_a_time(data: bytes, more: int) -> None:
    data += (data or b"x") * (more // max(len(data), 1)) + data[: more % max(len(data), 1)]
    assert container.crc16(data) == enc.crc(data)


# --- the container ------------------------------------------------------------------------


@pytest.mark.parametrize("header", [12, 14])
@pytest.mark.parametrize("header_crc", [True, False])
def test_both_headers_and_a_header_checksum_of_zero(header: int, header_crc: bool) -> None:
    data = enc.fit_file(
        *HEAD,
        enc.RECORD.definition(),
        *(record(i) for i in range(3)),
        header=header,
        header_crc=header_crc,
    )
    recording = read_bytes(data)
    np.testing.assert_array_equal(fixes_of(recording).t_s, POSIX0 + np.arange(3))
    assert not recording.remarks


def test_big_endian_definitions() -> None:
    kind = enc.RECORD._replace(big_endian=True)
    data = enc.fit_file(*HEAD, kind.definition(), record(5, kind=kind))
    fixes = fixes_of(read_bytes(data))
    assert fixes.t_s.tolist() == [POSIX0 + 5]
    assert fixes.latitude_deg[0] == (LAT + 5) * 180 / 2**31


def test_compressed_time_stamps_carry_over() -> None:
    # Five bits of seconds after the last full stamp; a smaller value means 32 s more.
    short = enc.Kind(2, 20, (enc.Field(0, "sint32"), enc.Field(1, "sint32")))
    base = T0 & ~31
    offsets = [3, 9, 31, 2, 30, 1]
    data = enc.fit_file(
        *HEAD,
        enc.RECORD.definition(),
        enc.RECORD.data(base, LAT, LON, 0),
        short.definition(),
        *(short.data(LAT, LON, offset=o) for o in offsets),
    )
    expected = np.array([0, 3, 9, 31, 34, 62, 65]) + base + 631_065_600
    np.testing.assert_array_equal(fixes_of(read_bytes(data)).t_s, expected)


def test_redefined_local_messages_and_unknown_ones_are_passed_over() -> None:
    unknown = enc.Kind(1, 65_290, (enc.Field(7, "uint16", 3), enc.Field(9, "string", 5)))
    data = enc.fit_file(
        *HEAD,
        enc.RECORD.definition(),
        record(0),
        unknown.definition(),
        unknown.data((1, 2, 3), "abc"),
        enc.ENHANCED_RECORD.definition(),
        enc.ENHANCED_RECORD.data(T0 + 1, LAT, LON, 7000, None),
    )
    fixes = fixes_of(read_bytes(data))
    assert fixes.speed_mps.tolist() == [8.0, 7.0]


def test_chained_files_are_one_recording_and_a_broken_one_costs_only_itself() -> None:
    parts = [
        enc.fit_file(*HEAD, enc.RECORD.definition(), record(10 * k), record(10 * k + 1))
        for k in range(3)
    ]
    whole = read_bytes(b"".join(parts))
    np.testing.assert_array_equal(fixes_of(whole).t_s, POSIX0 + np.array([0, 1, 10, 11, 20, 21]))
    broken = parts[0] + b"\x55" * 40 + parts[2]
    recording = read_bytes(broken)
    np.testing.assert_array_equal(fixes_of(recording).t_s, POSIX0 + np.array([0, 1, 20, 21]))
    assert any("skipped" in r for r in recording.remarks)
    cut_inside = parts[0] + parts[1][:-9] + parts[2]
    recording = read_bytes(cut_inside)
    np.testing.assert_array_equal(fixes_of(recording).t_s, POSIX0 + np.array([0, 1, 10, 20, 21]))
    assert any("file 2" in r and "cut off" in r for r in recording.remarks)


def test_a_wrong_checksum_is_remarked_and_the_values_used() -> None:
    data = bytearray(enc.fit_file(*HEAD, enc.RECORD.definition(), record(0)))
    data[-1] ^= 0xFF
    recording = read_bytes(bytes(data))
    assert len(fixes_of(recording).t_s) == 1
    assert any("checksum" in r for r in recording.remarks)


def test_a_file_the_unit_never_closed() -> None:
    # Written when the battery died: the header still says 0 bytes of data, and no checksum.
    data = bytearray(enc.fit_file(*HEAD, enc.RECORD.definition(), *map(record, range(5))))[:-2]
    data[4:8] = struct.pack("<I", 0)
    recording = read_bytes(bytes(data))
    assert len(fixes_of(recording).t_s) == 5
    assert any("never closed" in r for r in recording.remarks)


@given(missing=st.integers(1, 30), sound=st.integers(12, 36), into=st.integers(0, 14))
@settings(max_examples=60, deadline=None)
def test_bytes_missing_in_the_middle_leave_what_came_before(
    missing: int, sound: int, into: int
) -> None:
    rows = [record(i) for i in range(40)]
    data = enc.fit_file(*HEAD, enc.RECORD.definition(), *rows)
    at = data.index(rows[0]) + sound * len(rows[0]) + into
    recording = read_bytes(data[:at] + data[at + missing :])
    t_s = fixes_of(recording).t_s
    np.testing.assert_array_equal(t_s[: sound - 1], POSIX0 + np.arange(sound - 1))
    assert np.abs(t_s - POSIX0).max() < 86_400  # and no stamp was made up
    assert recording.remarks


# --- fields -------------------------------------------------------------------------------


def test_enhanced_fields_win_and_nulls_are_missing() -> None:
    both = enc.Kind(1, 20, (*enc.RECORD.fields, enc.Field(73, "uint32")))
    data = enc.fit_file(
        *HEAD,
        both.definition(),
        both.data(T0, LAT, LON, 65_000, 70_123),
        both.data(T0 + 1, LAT, LON, 5_000, None),
        both.data(T0 + 2, None, None, None, 6_000),
        both.data(T0 + 3, LAT, None, None, 6_000),  # half a position
        both.data(None, LAT, LON, 1_000, None),  # no time
        both.data(T0 + 4, None, None, None, None),  # nothing: not a fix at all
    )
    recording = read_bytes(data)
    fixes = fixes_of(recording)
    # The plain field comes first in the message and is expanded into the enhanced one, which is
    # then stated twice; both state a speed in m/s.
    assert fixes.speed_mps[1:].tolist() == [5.0, 6.0]
    assert fixes.t_s.tolist() == [POSIX0, POSIX0 + 1, POSIX0 + 2]
    assert np.isnan(fixes.latitude_deg[2])
    assert recording.dropped_fixes == 2


def test_fields_that_are_lists_where_one_number_belongs_count_by_their_first() -> None:
    # A damaged definition may give a field any size.
    odd = enc.Kind(
        1, 20, (enc.Field(253, "uint32", 2), enc.Field(0, "sint32", 3), enc.Field(1, "sint32", 2))
    )
    data = enc.fit_file(*HEAD, odd.definition(), odd.data((T0, 5), (LAT, 1, 2), (LON, 3)))
    fixes = fixes_of(read_bytes(data))
    assert fixes.t_s.tolist() == [POSIX0]
    assert fixes.latitude_deg.tolist() == [LAT * 180 / 2**31]


def test_several_records_to_one_second_stay_whole_seconds() -> None:
    data = enc.fit_file(*HEAD, enc.RECORD.definition(), *(record(i // 5) for i in range(15)))
    np.testing.assert_array_equal(fixes_of(read_bytes(data)).t_s, POSIX0 + np.arange(15) // 5)


@pytest.mark.parametrize(
    ("name", "unit", "base", "per_second"),
    [
        ("timestamp_ms", "ms", "uint16", 1000),
        ("Timestamp ms", "", "uint16", 1000),
        ("fractional_timestamp", "s", "float32", 1),
        ("fractional_timestamp", "s", "uint16", 32_768),
        ("time256", "s", "uint8", 256),
        ("subsecond", "1/256 s", "uint8", 256),
    ],
)
def test_developers_parts_of_a_second(name: str, unit: str, base: str, per_second: int) -> None:
    kind = enc.RECORD._replace(developer_fields=(enc.DevField(3, base),))
    parts = [0.0, 0.25, 0.5, 0.75]
    count = float if base == "float32" else int
    data = enc.fit_file(
        *HEAD,
        enc.DEVELOPER_ID.definition(),
        enc.DEVELOPER_ID.data(list(range(16)), 0),
        enc.FIELD_DESCRIPTION.definition(),
        enc.FIELD_DESCRIPTION.data(0, 3, enc.BASE[base][0], name, unit),
        kind.definition(),
        *(kind.data(T0 + i, LAT, LON, 1, count(p * per_second)) for i in range(2) for p in parts),
    )
    expected = [POSIX0 + i + p for i in range(2) for p in parts]
    np.testing.assert_allclose(fixes_of(read_bytes(data)).t_s, expected, rtol=0, atol=1e-6)


def test_the_profiles_own_part_of_a_second() -> None:
    # record field 48, time128: 1/128 s (FIT profile).
    kind = enc.Kind(1, 20, (*enc.RECORD.fields, enc.Field(48, "uint8")))
    data = enc.fit_file(*HEAD, kind.definition(), *(kind.data(T0, LAT, LON, 1, k) for k in (0, 64)))
    assert fixes_of(read_bytes(data)).t_s.tolist() == [POSIX0, POSIX0 + 0.5]


def test_a_developers_running_counter_is_not_added() -> None:
    kind = enc.RECORD._replace(developer_fields=(enc.DevField(3, "uint32"),))
    data = enc.fit_file(
        *HEAD,
        enc.DEVELOPER_ID.definition(),
        enc.DEVELOPER_ID.data(list(range(16)), 0),
        enc.FIELD_DESCRIPTION.definition(),
        enc.FIELD_DESCRIPTION.data(0, 3, 0x86, "timestamp_ms", "ms"),
        kind.definition(),
        *(kind.data(T0 + i, LAT, LON, 1, 50_000 + 1000 * i) for i in range(3)),
    )
    np.testing.assert_array_equal(fixes_of(read_bytes(data)).t_s, POSIX0 + np.arange(3))


def test_developer_fields_nobody_described_are_passed_over() -> None:
    kind = enc.RECORD._replace(
        developer_fields=(enc.DevField(9, "uint16", 7), enc.DevField(1, "float32", 2))
    )
    data = enc.fit_file(
        *HEAD,
        enc.FIELD_DESCRIPTION.definition(),
        enc.FIELD_DESCRIPTION.data(2, 1, 0x77, "of no known type", ""),
        kind.definition(),
        *(kind.data(T0 + i, LAT, LON, 1000, 3, 1.5) for i in range(4)),
    )
    np.testing.assert_array_equal(fixes_of(read_bytes(data)).t_s, POSIX0 + np.arange(4))


def test_one_files_descriptions_do_not_reach_the_next() -> None:
    kind = enc.RECORD._replace(developer_fields=(enc.DevField(3, "uint16"),))
    described = enc.fit_file(
        *HEAD,
        enc.DEVELOPER_ID.definition(),
        enc.DEVELOPER_ID.data(list(range(16)), 0),
        enc.FIELD_DESCRIPTION.definition(),
        enc.FIELD_DESCRIPTION.data(0, 3, 0x84, "timestamp_ms", "ms"),
        kind.definition(),
        kind.data(T0, LAT, LON, 1, 500),
    )
    bare = enc.fit_file(*HEAD, kind.definition(), kind.data(T0, LAT, LON, 1, 500))
    assert fixes_of(read_bytes(described)).t_s.tolist() == [POSIX0 + 0.5]
    assert fixes_of(read_bytes(bare)).t_s.tolist() == [POSIX0]


# --- the receiver's own rate, and uptime --------------------------------------------------


def gps(ms: int, uptime: bool = False, utc: int | None = None) -> bytes:
    base = 100 if uptime else T0
    return enc.GPS.data(base + ms // 1000, ms % 1000, LAT + ms, LON, 8000, utc)


def test_the_receivers_rate_is_preferred_to_the_record_of_each_second() -> None:
    data = enc.fit_file(
        *HEAD,
        enc.RECORD.definition(),
        enc.GPS.definition(),
        *(record(i) for i in range(2)),
        *(gps(100 * i) for i in range(20)),
    )
    fixes = fixes_of(read_bytes(data))
    np.testing.assert_allclose(fixes.t_s, POSIX0 + np.arange(20) / 10, atol=1e-6)


def test_metadata_without_places_does_not_displace_records() -> None:
    data = enc.fit_file(
        *HEAD,
        enc.RECORD.definition(),
        enc.GPS.definition(),
        *(record(i) for i in range(2)),
        *(enc.GPS.data(T0, 100 * i, None, None, None, None) for i in range(9)),
    )
    assert len(fixes_of(read_bytes(data)).t_s) == 2


def test_uptime_is_tied_by_correlations_and_follows_their_drift() -> None:
    # 100.250 s of uptime is T0 + 1.000; 1000 s later the unit's clock has lost 20 ms.
    data = enc.fit_file(
        *HEAD,
        enc.CORRELATION.definition(),
        enc.CORRELATION.data(T0 + 1, 100, 0, 250),
        enc.CORRELATION.data(T0 + 1001, 1100, 20, 250),
        enc.GPS.definition(),
        *(gps(ms, uptime=True) for ms in (0, 250, 500_250, 1_000_250, 1_001_250)),
    )
    fixes = fixes_of(read_bytes(data))
    expected = POSIX0 + np.array([0.75, 1.0, 501.01, 1001.02, 1002.02])
    assert fixes.basis == "utc"
    np.testing.assert_allclose(fixes.t_s, expected, atol=1e-5)


def test_uptime_that_nothing_ties_is_a_counter() -> None:
    data = enc.fit_file(*HEAD, enc.GPS.definition(), *(gps(100 * i, uptime=True) for i in range(5)))
    fixes = fixes_of(read_bytes(data))
    assert fixes.basis == "counter"
    np.testing.assert_allclose(fixes.t_s, 100 + np.arange(5) / 10)


def test_the_fixs_own_utc_serves_where_there_is_no_correlation() -> None:
    data = enc.fit_file(
        *HEAD,
        enc.GPS.definition(),
        *(gps(100 * i, uptime=True, utc=T0 + i // 10) for i in range(20)),
    )
    fixes = fixes_of(read_bytes(data))
    assert fixes.basis == "utc"
    np.testing.assert_array_equal(fixes.t_s, POSIX0 + np.arange(20) // 10)


def test_dates_before_and_after_the_first_fix_do_not_mix() -> None:
    # Uptime until the first fix and UTC from then on, without correlation: the uptime is dropped.
    data = enc.fit_file(
        *HEAD, enc.GPS.definition(), gps(0, uptime=True), gps(100, uptime=True), gps(0), gps(100)
    )
    recording = read_bytes(data)
    np.testing.assert_allclose(fixes_of(recording).t_s, [POSIX0, POSIX0 + 0.1], atol=1e-6)
    assert recording.dropped_fixes == 2


# --- inertial samples ---------------------------------------------------------------------

ACC = enc.batch(7, 165, 4, "uint16", 2)
GYRO = enc.batch(8, 164, 4, "uint16", 2)
ACC_G = enc.batch(7, 165, 4, "float32", 5)
ACC_MG = enc.batch(7, 165, 4, "sint16", 8)
GYRO_DPS = enc.batch(8, 164, 4, "float32", 5)
TURN = [0, -65_535, 0, 0, 0, -65_535, -65_535, 0, 0]


def test_calibrated_batches_and_their_times() -> None:
    offsets = (0, 10, 20, 30)
    data = enc.fit_file(
        *HEAD,
        ACC_G.definition(),
        GYRO_DPS.definition(),
        ACC_G.data(T0, 500, offsets, (1, 2, 3, 4), (0,) * 4, (-1,) * 4),
        GYRO_DPS.data(T0, 505, offsets, (90, 180, 270, 360), (0,) * 4, (0,) * 4),
        ACC_G.data(T0, 540, offsets, (5, 6, 7, None), (0,) * 4, (-1,) * 4),
    )
    recording = read_bytes(data)
    imu = recording.imu
    assert imu is not None
    assert recording.fixes is None
    assert imu.basis == "utc"
    np.testing.assert_allclose(imu.t_s, POSIX0 + 0.5 + np.arange(7) / 100, atol=1e-6)
    # 1 g = 9.80665 m/s2, ISO 80000-3.
    np.testing.assert_allclose(imu.acc_mps2[:, 0], 9.80665 * np.arange(1, 8))
    # Turn rates stated 5 ms later are interpolated; 90 deg/s is pi/2.
    expected = np.pi / 2 * np.array([1.5, 2.5, 3.5])
    np.testing.assert_allclose(imu.gyro_radps[1:4, 0], expected, rtol=1e-4)
    assert recording.dropped_imu == 1


def test_compressed_calibrated_values_are_thousandths_of_g() -> None:
    data = enc.fit_file(
        *HEAD,
        ACC_MG.definition(),
        ACC_MG.data(T0, 0, (0, 1, 2, 3), (1000, 0, -1000, 500), (0,) * 4, (0,) * 4),
    )
    imu = read_bytes(data).imu
    assert imu is not None
    np.testing.assert_allclose(imu.acc_mps2[:, 0], 9.80665 * np.array([1, 0, -1, 0.5]))


def test_raw_counts_by_the_last_calibration_before_them() -> None:
    # Worked by hand: counts - level shift - offset, times factor over divisor, turned.
    # (32768+2048+6, 32768-5, 32768-11+1024) -> (1, 0, .5) g -> rows (-y, -z, -x).
    counts = [(34_822,) * 4, (32_763,) * 4, (33_781,) * 4]
    batch = (T0, 0, (0, 1, 2, 3), *counts)
    cal = enc.CALIBRATION
    data = enc.fit_file(
        *HEAD,
        cal.definition(),
        ACC.definition(),
        GYRO.definition(),
        cal.data(0, 1, 2048, 32_768, (6, -5, -11), TURN),
        cal.data(1, 5, 82, 32_768, (0, 0, 0), TURN),
        ACC.data(*batch),
        GYRO.data(T0, 0, (0, 1, 2, 3), (32_768 + 82,) * 4, (32_768,) * 4, (32_768,) * 4),
        cal.data(0, 2, 2048, 32_768, (6, -5, -11), [65_535, 0, 0, 0, 65_535, 0, 0, 0, 65_535]),
        ACC.data(T0 + 1, *batch[1:]),
    )
    imu = read_bytes(data).imu
    assert imu is not None
    np.testing.assert_allclose(imu.acc_mps2[0], 9.80665 * np.array([0, -0.5, -1]), atol=1e-9)
    np.testing.assert_allclose(imu.acc_mps2[4], 9.80665 * np.array([2, 0, 1]), atol=1e-9)
    np.testing.assert_allclose(imu.gyro_radps[0], [0, 0, -np.deg2rad(5)], atol=1e-12)
    # No turn rate lies within a tenth of a second of the second batch, so none is made up.
    assert np.isnan(imu.gyro_radps[4:]).all()


def test_raw_counts_without_a_calibration_are_no_accelerations() -> None:
    data = enc.fit_file(
        *HEAD,
        enc.RECORD.definition(),
        record(0),
        ACC.definition(),
        ACC.data(T0, 0, (0, 1, 2, 3), (1,) * 4, (2,) * 4, (3,) * 4),
    )
    recording = read_bytes(data)
    assert recording.imu is None
    assert recording.dropped_imu == 4
    assert any("calibration" in r for r in recording.remarks)


def test_turn_rates_alone_are_remarked() -> None:
    rates = GYRO_DPS.data(T0, 0, (0, 1, 2, 3), (1,) * 4, (0,) * 4, (0,) * 4)
    head = (*HEAD, enc.RECORD.definition(), record(0))
    recording = read_bytes(enc.fit_file(*head, GYRO_DPS.definition(), rates))
    assert recording.imu is None
    assert any("turn rates" in r for r in recording.remarks)


def test_an_imu_on_uptime_alone_is_a_counter() -> None:
    data = enc.fit_file(
        *HEAD, ACC_G.definition(), ACC_G.data(77, 250, (0, 1, 2, 3), (1,) * 4, (0,) * 4, (0,) * 4)
    )
    imu = read_bytes(data).imu
    assert imu is not None
    assert imu.basis == "counter"
    np.testing.assert_allclose(imu.t_s, 77.25 + np.arange(4) / 1000)


def test_a_file_of_settings_is_named_as_such() -> None:
    with pytest.raises(RecordingError, match="no record") as caught:
        read_bytes(enc.fit_file(*HEAD))
    assert "activity" in str(caught.value)


# --- device files against other libraries -------------------------------------------------

COLUMNS = ("t_s", "latitude_deg", "longitude_deg", "speed_mps", "altitude_m")


def by_fitdecode(path: Path) -> np.ndarray:
    """Fixes of the `record` messages, one row each, as another library decodes them."""
    fitdecode = pytest.importorskip("fitdecode")
    rows = []
    try:
        with fitdecode.FitReader(
            str(path),
            processor=None,
            check_crc=fitdecode.CrcCheck.DISABLED,
            error_handling=fitdecode.ErrorHandling.WARN,
        ) as reader:
            for frame in reader:
                if not isinstance(frame, fitdecode.FitDataMessage) or frame.name != "record":
                    continue

                def first(*names: str, frame: object = frame) -> float:
                    for name in names:
                        for f in frame.fields:  # type: ignore[attr-defined]
                            dev = isinstance(f.field, fitdecode.types.DevField)
                            if f.name == name and f.value is not None and not dev:
                                v = f.value
                                return float(v[0] if isinstance(v, tuple) else v)
                    return np.nan

                rows.append(
                    (
                        first("timestamp") + 631_065_600,
                        first("position_lat") * 180 / 2**31,
                        first("position_long") * 180 / 2**31,
                        first("enhanced_speed", "speed"),
                        first("enhanced_altitude", "altitude"),
                    )
                )
    except fitdecode.FitError:
        pass
    found = np.array(rows).reshape(-1, 5)
    lat, lon, speed = found[:, 1:4].T
    usable = np.isfinite(found[:, 0]) & ~(np.isnan(lat) & np.isnan(lon) & np.isnan(speed))
    usable &= ~((lat == 0) & (lon == 0)) & (np.isnan(lat) == np.isnan(lon))
    return found[usable]


@pytest.mark.filterwarnings("ignore")
@pytest.mark.parametrize("path", real("fit", "*.fit"))
def test_device_files_agree_with_fitdecode_record_for_record(path: Path) -> None:
    expected = by_fitdecode(path)
    if len(expected) == 0 or path.name == "compressed-timestamps.fit":
        with pytest.raises(RecordingError):
            read(path)
        return
    recording = read(path)
    ours = np.stack([getattr(fixes_of(recording), c) for c in COLUMNS], axis=1)
    if path.name == "corrupt-in-the-middle.fit":
        # The other library gives a last record of two halves, dated decades later.
        assert len(ours) == len(expected) - 1
        expected = expected[:-1]
    np.testing.assert_allclose(ours, expected, rtol=0, atol=1e-9)


@pytest.mark.parametrize("path", real("fit", "r*.fit"))
def test_device_files_agree_with_the_vendors_decoder(path: Path) -> None:
    sdk = pytest.importorskip("garmin_fit_sdk")
    messages, errors = sdk.Decoder(sdk.Stream.from_file(str(path))).read(
        convert_datetimes_to_dates=False
    )
    assert not errors
    rows = []
    for m in messages["record_mesgs"]:
        lat, lon = m.get("position_lat", np.nan), m.get("position_long", np.nan)
        speed = m.get("enhanced_speed", m.get("speed", np.nan))
        if not np.isnan([lat, speed]).all():
            rows.append((m["timestamp"] + 631_065_600, lat * 180 / 2**31, lon * 180 / 2**31, speed))
    fixes = fixes_of(read(path))
    ours = np.stack([getattr(fixes, c) for c in COLUMNS[:4]], axis=1)
    np.testing.assert_allclose(ours, np.array(rows), rtol=0, atol=1e-9)


CAR = REAL / "other" / "car-10hz-imu-uptime-clock.fit"


@pytest.mark.skipif(not CAR.exists(), reason="no device file")
def test_a_device_with_uptime_raw_sensors_and_one_correlation() -> None:
    """Every gps_metadata and every accelerometer and gyroscope sample, decoded by another
    library and calibrated one sample at a time here."""
    fitdecode = pytest.importorskip("fitdecode")
    with fitdecode.FitReader(str(CAR), processor=None) as reader:
        frames = [f for f in reader if isinstance(f, fitdecode.FitDataMessage)]

    def get(frame: object, name: str) -> object:
        return frame.get_value(name, fallback=None)  # type: ignore[attr-defined]

    (tie,) = [f for f in frames if f.name == "timestamp_correlation"]
    uptime = get(tie, "system_timestamp") + get(tie, "system_timestamp_ms") / 1000
    utc = get(tie, "timestamp") + get(tie, "timestamp_ms") / 1000 + 631_065_600
    gps_t, gps_v, acc_t, acc, gyro = [], [], [], [], []
    calibration: dict[int, object] = {}
    for f in frames:
        if f.name == "three_d_sensor_calibration":
            calibration[f.get_raw_value("sensor_type")] = f
        elif f.name == "gps_metadata":
            gps_t.append(get(f, "timestamp") + get(f, "timestamp_ms") / 1000 - uptime + utc)
            gps_v.append(get(f, "enhanced_speed"))
        elif f.name in ("accelerometer_data", "gyroscope_data"):
            kind, sensor = ("accel", 0) if f.name[0] == "a" else ("gyro", 1)
            cal = calibration[sensor]
            factor = cal.get_raw_value("calibration_factor")  # type: ignore[attr-defined]
            gain = factor / get(cal, "calibration_divisor")
            turn = np.array(cal.get_raw_value("orientation_matrix")).reshape(3, 3) / 65_535
            start = get(f, "timestamp") + get(f, "timestamp_ms") / 1000 - uptime + utc
            axes = [get(f, f"{kind}_{a}") for a in "xyz"]
            for ms, *counts in zip(get(f, "sample_time_offset"), *axes, strict=True):
                level = np.array(counts) - get(cal, "level_shift") - get(cal, "offset_cal")
                if sensor == 0:
                    acc_t.append(start + ms / 1000)
                    acc.append(turn @ level * gain * 9.80665)
                else:
                    gyro.append(np.deg2rad(turn @ level * gain))
    recording = read(CAR)
    fixes, imu = fixes_of(recording), recording.imu
    assert imu is not None
    assert fixes.basis == imu.basis == "utc"
    np.testing.assert_allclose(fixes.t_s, gps_t, rtol=0, atol=1e-5)
    np.testing.assert_allclose(fixes.speed_mps, gps_v)
    np.testing.assert_allclose(imu.t_s, acc_t, rtol=0, atol=1e-5)
    np.testing.assert_allclose(imu.acc_mps2, acc, rtol=0, atol=1e-9)
    np.testing.assert_allclose(imu.gyro_radps, gyro, rtol=0, atol=1e-9)
    # Physics: a car's mean acceleration is gravity's, to its calibration (2 in 100).
    assert np.linalg.norm(imu.acc_mps2, axis=1).mean() == pytest.approx(9.81, rel=0.03)


@pytest.mark.parametrize("described", [1, 70_000])
def test_a_definition_may_stand_before_each_message_with_developers_fields(described):
    """Also where the field is described anew each time: what says the same is the same."""
    kind = enc.Kind(
        5,
        20,
        (enc.Field(253, "uint32"), enc.Field(0, "sint32"), enc.Field(1, "sint32")),
        (enc.DevField(0, "uint16"),),
    )
    n = 70_000
    assert n > message_scan.MOST_DEFINITIONS
    head = (enc.DEVELOPER_ID.definition(), enc.DEVELOPER_ID.data(list(range(16)), 0))
    description = enc.FIELD_DESCRIPTION.definition() + enc.FIELD_DESCRIPTION.data(
        0, 0, 0x84, "timestamp_ms", "ms"
    )
    size = len(kind.definition()) + len(kind.data(T0, LAT, LON, 250))
    one = kind.definition() + kind.data(T0, LAT, LON, 250)
    messages = bytearray(b"".join(description * (i < described) + one for i in range(n)))
    assert len(one) == size
    data = unclosed(*HEAD, *head, bytes(messages))
    recording = read_bytes(data)
    fixes = fixes_of(recording)
    assert len(fixes.t_s) == n
    assert (fixes.t_s % 1 == 0.25).all()
    assert not any("definitions" in remark for remark in recording.remarks)


def test_more_samples_than_a_recording_has_are_left_out_and_that_is_said(monkeypatch):
    monkeypatch.setattr(message_scan, "MOST_SAMPLES", 50_000)
    monkeypatch.setattr(message_scan, "_COUNT_EVERY_BYTES", 1 << 14)
    for size in (1, 25):
        batch = enc.batch(3, 165, size, "sint16", 2)
        cells = [[1] * size] * 4
        data = unclosed(*HEAD, batch.definition(), batch.data(T0, 0, *cells) * (200_000 // size))
        with pytest.raises(RecordingError, match="more than 50000 samples"):
            read_bytes(data)  # raw counts without a calibration, so nothing is usable


def test_messages_decoded_one_by_one_are_limited_and_that_is_said(monkeypatch):
    monkeypatch.setattr(general_decoder, "MOST_DECODED", 100)
    kind = enc.Kind(
        1,
        20,
        (enc.Field(253, "uint32"), enc.Field(0, "sint32"), enc.Field(1, "sint32"),
         enc.Field(8, "byte", 3)),
    )  # fmt: skip
    rows = b"".join(kind.data(T0 + i, LAT, LON, [1, 2, 3]) for i in range(300))
    for data in (enc.fit_file(*HEAD, kind.definition(), rows), unclosed(kind.definition(), rows)):
        recording = read_bytes(data)
        assert 98 <= len(fixes_of(recording).t_s) <= 100
        assert any("only the first 100 messages" in remark for remark in recording.remarks)


def unclosed(*parts: bytes) -> bytes:
    """A file whose size and checksum were never written; summing up a long one takes seconds."""
    return struct.pack("<BBHI4s", 12, 0x10, 2132, 0, b".FIT") + b"".join(parts) + b"\0\0"


def test_a_copy_that_has_only_begun_is_a_file_that_cannot_be_read(tmp_path):
    """What a stick or a radio has brought so far: every length of the header, and a little more."""
    content = (ROOT / "sample_tracks" / "larch-bend" / "otter.fit").read_bytes()
    path = tmp_path / "half.fit"
    for length in range(1, 80):
        path.write_bytes(content[:length])
        with pytest.raises(RecordingError):
            read(path)
