"""CSV: plain headers, the session's columns, units, separators, and headers that are not plain."""

from __future__ import annotations

import tomllib
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from read_samples import fixes_of, read_bytes

from pipeline.base.values import Imu, Recording
from pipeline.errors import RecordingError

G_MPS2 = 9.80665  # ISO 80000-3
IMU_COLUMNS: dict[str, dict[str, str]] = {
    "time": {"column": "ms", "unit": "ms"},
    **{f"acc_{a}": {"column": f"a{a}_g", "unit": "g"} for a in "xyz"},
    **{f"gyro_{a}": {"column": f"g{a}_dps", "unit": "deg/s"} for a in "xyz"},
}
IMU_TEXT = "ms,ax_g,ay_g,az_g,gx_dps,gy_dps,gz_dps\n0,1,0,0,180,0,0\n10,0,-2,1,0,0,90\n"


def read_text(text: str, encoding: str = "utf-8", **how: Any) -> Recording:
    return read_bytes(text.encode(encoding), **how)


def imu_of(recording: Recording) -> Imu:
    assert recording.imu is not None
    return recording.imu


def test_the_contracts_example_of_columns() -> None:
    recording = read_text(IMU_TEXT, columns=IMU_COLUMNS, clock="device")
    imu = imu_of(recording)
    assert recording.fixes is None
    assert imu.basis == "counter"
    np.testing.assert_allclose(imu.t_s, [0.0, 0.01])
    np.testing.assert_allclose(imu.acc_mps2, [[G_MPS2, 0, 0], [0, -2 * G_MPS2, G_MPS2]])
    np.testing.assert_allclose(imu.gyro_radps, [[np.pi, 0, 0], [0, 0, np.pi / 2]])


@pytest.mark.parametrize(
    ("header", "value", "column", "si"),
    [
        ("speed_mps", "7.5", "speed_mps", 7.5),
        ("speed_kmh", "36", "speed_mps", 10.0),
        ("Speed [km/h]", "36", "speed_mps", 10.0),
        ("speed (kn)", "10", "speed_mps", 10 * 1852 / 3600),
        ("speed_mph", "10", "speed_mps", 4.4704),
        ("hdop", "0.8", "hdop", 0.8),
        ("satellites", "11", "satellites", 11.0),
        ("altitude_m", "-12.5", "altitude_m", -12.5),
        ("altitude_ft", "1000", "altitude_m", 304.8),
        ("latitude_deg", "-48.5", "latitude_deg", -48.5),
    ],
)
def test_plain_headers_and_their_units(header: str, value: str, column: str, si: float) -> None:
    base = {"time_s": "1778605400.5", "latitude_deg": "48.1", "longitude_deg": "16.2"}
    base = {h: v for h, v in base.items() if h != header} | {header: value}
    recording = read_text(",".join(base) + "\n" + ",".join(base.values()) + "\n")
    assert getattr(fixes_of(recording), column).tolist() == pytest.approx([si])
    assert not recording.remarks


@pytest.mark.parametrize(
    ("acc", "gyro", "acc_si", "gyro_si"),
    [
        ("mps2", "radps", 1.0, 1.0),
        ("g", "dps", G_MPS2, np.pi / 180),
        ("mg", "mdps", G_MPS2 / 1000, np.pi / 180_000),
    ],
)
def test_inertial_units(acc: str, gyro: str, acc_si: float, gyro_si: float) -> None:
    names = ["time_ms", *(f"acc_{a}_{acc}" for a in "xyz"), *(f"gyro_{a}_{gyro}" for a in "xyz")]
    imu = imu_of(read_text(",".join(names) + "\n5,1,2,3,4,5,6\n"))
    np.testing.assert_allclose(imu.t_s, [0.005])
    np.testing.assert_allclose(imu.acc_mps2, np.array([[1, 2, 3]]) * acc_si)
    np.testing.assert_allclose(imu.gyro_radps, np.array([[4, 5, 6]]) * gyro_si)


@pytest.mark.parametrize(
    ("unit", "value", "seconds"),
    [
        ("s", "1778605400.25", 1_778_605_400.25),
        ("ms", "1778605400250", 1_778_605_400.25),
        ("us", "1778605400250000", 1_778_605_400.25),
        ("µs", "1778605400250000", 1_778_605_400.25),
        ("ns", "1778605400250000000", 1_778_605_400.25),
        ("utc", "2026-05-12T17:03:20.25Z", 1_778_605_400.25),
        ("ISO 8601", "2026-05-12 19:03:20.250+02:00", 1_778_605_400.25),
    ],
)
def test_units_of_time_since_1970_are_utc(unit: str, value: str, seconds: float) -> None:
    columns = {"time": {"column": "t", "unit": unit}, "speed": {"column": "v", "unit": "m/s"}}
    fixes = fixes_of(read_text(f"t,v\n{value},3\n", columns=columns))
    assert fixes.basis == "utc"
    np.testing.assert_allclose(fixes.t_s, [seconds], rtol=0, atol=1e-6)


def test_a_count_that_is_no_date_is_a_counter_and_remarked() -> None:
    recording = read_text("time_s,speed_mps\n12.5,3\n12.6,3\n")
    assert fixes_of(recording).basis == "counter"
    assert any("not UTC" in r for r in recording.remarks)
    device = read_text("time_s,speed_mps\n12.5,3\n12.6,3\n", clock="device")
    assert not device.remarks


def test_which_of_two_times() -> None:
    text = "time_ms,time_utc,speed_mps\n500,2026-05-12T17:03:20Z,3\n"
    assert fixes_of(read_text(text)).t_s.tolist() == [1_778_605_400.0]
    assert fixes_of(read_text(text, clock="device")).t_s.tolist() == [0.5]


ROWS = [(1_778_605_400.1, 48.125, 16.25, 7.5), (1_778_605_400.2, 48.126, 16.251, 7.625)]


@pytest.mark.parametrize("delimiter", [",", ";", "\t"])
@pytest.mark.parametrize("decimal", [".", ","])
@pytest.mark.parametrize("newline", ["\n", "\r\n", "\r"])
@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "latin-1"])
def test_dialects(delimiter: str, decimal: str, newline: str, encoding: str) -> None:
    quote = '"' if delimiter == decimal else ""
    lines = ["time_s,latitude_deg,longitude_deg,speed_mps,Läufer".replace(",", delimiter)]
    for row in ROWS:
        cells = [f"{quote}{x!r}{quote}".replace(".", decimal) for x in row]
        lines.append(delimiter.join([*cells, "Rößl"]))
    recording = read_text(newline.join([*lines, ""]), encoding)
    fixes = fixes_of(recording)
    ours = np.stack([fixes.t_s, fixes.latitude_deg, fixes.longitude_deg, fixes.speed_mps], axis=1)
    np.testing.assert_allclose(ours, ROWS, rtol=0, atol=1e-9)
    assert not recording.remarks


def test_iso_times_with_decimal_commas() -> None:
    text = "time_utc;speed_mps\n2026-05-12T17:03:20,125Z;3,5\n2026-05-12T17:03:20,250Z;4,5\n"
    fixes = fixes_of(read_text(text))
    np.testing.assert_allclose(fixes.t_s, [1_778_605_400.125, 1_778_605_400.25], atol=1e-6)
    assert fixes.speed_mps.tolist() == [3.5, 4.5]


def test_a_preamble_comments_and_a_last_separator() -> None:
    text = (
        "# exported\nLogger;model 3\nserial;17\n\ntime_s;speed_mps;\n1778605400;3;\n1778605401;4;\n"
    )
    assert fixes_of(read_text(text)).speed_mps.tolist() == [3.0, 4.0]


def test_fixes_and_inertial_samples_in_one_file() -> None:
    lines = ["time_ms,acc_x_g,acc_y_g,acc_z_g,latitude_deg,longitude_deg,speed_mps"]
    for i in range(20):
        fix = f"{48 + i * 1e-6:.6f},16,{i}" if i % 10 == 0 else ",,"
        lines.append(f"{1778605400000 + 10 * i},0,0,1,{fix}")
    recording = read_text("\n".join([*lines, ""]))
    assert imu_of(recording).t_s.shape == (20,)
    assert imu_of(recording).gyro_radps.shape == (0, 3)
    np.testing.assert_allclose(fixes_of(recording).t_s, [1_778_605_400.0, 1_778_605_400.1])
    assert (recording.dropped_fixes, recording.dropped_imu) == (0, 0)


def test_a_fix_repeated_beside_every_inertial_sample_is_used_once() -> None:
    lines = ["time_ms,acc_x_g,acc_y_g,acc_z_g,latitude_deg,longitude_deg,speed_mps"]
    for i in range(40):
        fix = f"{48 + i // 10 * 1e-6:.6f},16,{5 + i // 10}"
        lines.append(f"{1778605400000 + 10 * i},0,0,{1 + i % 3},{fix}")
    recording = read_text("\n".join([*lines, ""]))
    np.testing.assert_allclose(
        fixes_of(recording).t_s, 1_778_605_400 + np.arange(4) / 10, atol=1e-6
    )
    assert len(imu_of(recording).t_s) == 40
    assert any("repeat" in r for r in recording.remarks)


def test_cells_and_rows_that_are_none_are_counted() -> None:
    text = (
        "time_s,latitude_deg,longitude_deg,speed_mps\n"
        "1778605400,48,16,3\n1778605401,48,16,fast\n1778605402,48\n,48,16,3\n"
        "1778605403,0,0,3\n1778605404,NaN,NaN,3\n1778605405,95,16,3\n1778605406,48,,3\n"
    )
    recording = read_text(text)
    np.testing.assert_array_equal(fixes_of(recording).t_s - 1_778_605_400, [0, 1, 4])
    np.testing.assert_array_equal(fixes_of(recording).speed_mps, [3, np.nan, 3])
    assert recording.dropped_fixes == 5
    assert any("are not numbers" in r for r in recording.remarks)
    assert any("cells" in r for r in recording.remarks)


def test_a_last_line_that_may_be_cut_is_left_out() -> None:
    # "1.2" may be what is left of "1.25"; no number is better than a wrong one.
    recording = read_text("time_s,speed_mps\n1778605400,1.25\n1778605401,1.2")
    assert fixes_of(recording).speed_mps.tolist() == [1.25]
    assert recording.dropped_fixes == 1
    assert any("cut" in r for r in recording.remarks)


# --- what is not plain ----------------------------------------------------------------------


def columns_line(error: RecordingError) -> dict[str, dict[str, str]]:
    line = error.do[error.do.index("columns = ") :]
    return tomllib.loads(line)["columns"]  # type: ignore[no-any-return]


def test_the_error_names_the_headers_and_its_line_settles_it() -> None:
    with pytest.raises(RecordingError) as caught:
        read_text(IMU_TEXT)
    assert "'ax_g'" in str(caught.value)
    columns = columns_line(caught.value)
    assert columns == IMU_COLUMNS
    assert len(imu_of(read_text(IMU_TEXT, columns=columns)).t_s) == 2


def test_the_line_for_fixes() -> None:
    text = "lat,lon,time,v\n48.1,16.1,2026-05-12T17:03:20Z,3\n"
    with pytest.raises(RecordingError) as caught:
        read_text(text)
    fixes = fixes_of(read_text(text, columns=columns_line(caught.value)))
    assert fixes.t_s.tolist() == [1_778_605_400.0]
    assert fixes.speed_mps.tolist() == [3.0]


@pytest.mark.parametrize(
    ("headers", "missing"),
    [
        ("time_s,latitude_deg", "longitude"),
        ("time_s,acc_x_g,acc_y_g", "acc_z"),
        ("speed_mps,hdop", "time"),
        ("time_s,hdop", "position, speed or acceleration"),
        ("alpha,beta", "time"),
    ],
)
def test_what_is_missing_is_named(headers: str, missing: str) -> None:
    row = ",".join("1" for _ in headers.split(","))
    with pytest.raises(RecordingError, match=missing) as caught:
        read_text(f"{headers}\n{row}\n")
    assert columns_line(caught.value)


@pytest.mark.parametrize(
    ("columns", "found", "expected"),
    [
        ({"time": {"column": "ms", "unit": "fortnight"}}, "fortnight", "ms"),
        ({"tme": {"column": "ms", "unit": "ms"}}, "no such quantity", "time"),
        ({"time": {"column": "millis", "unit": "ms"}}, "millis", "'ax_g'"),
        ({"acc_x": {"column": "ax_g"}}, "unit", "m/s2"),
    ],
)
def test_columns_that_do_not_fit(
    columns: dict[str, dict[str, str]], found: str, expected: str
) -> None:
    with pytest.raises(RecordingError, match=found) as caught:
        read_text(IMU_TEXT, columns=columns)
    assert expected in caught.value.expected
    assert "columns." in caught.value.where


def test_a_measurement_in_no_known_unit_is_remarked() -> None:
    recording = read_text("time_s,speed_mps,acc_x,heart_rate\n1778605400,1,2,3\n")
    assert [r for r in recording.remarks if "acc_x" in r and "heart" not in r]


@pytest.mark.parametrize(
    ("text", "found"),
    [
        ("time_s,speed_mps\n", "no rows"),
        ("time_utc,speed_mps\n12/05/2026 17:03,2\n", "12/05/2026"),
        ("time_utc,speed_mps\n1778605400,2\n", "a number of 10 digits"),
        ("time_s,latitude_deg,longitude_deg\n1778605400,0,0\n", "1 at an impossible position"),
    ],
)
def test_files_without_a_usable_row(text: str, found: str) -> None:
    with pytest.raises(RecordingError, match=found) as caught:
        read_text(text)
    assert caught.value.do


@given(
    rows=st.lists(
        st.tuples(*[st.floats(-1e6, 1e6, allow_subnormal=False)] * 3), min_size=1, max_size=20
    ),
    delimiter=st.sampled_from(";\t"),
)
@settings(deadline=None)
def test_numbers_come_back_exactly_whatever_the_decimal_sign(
    rows: list[tuple[float, float, float]], delimiter: str
) -> None:
    header = delimiter.join(["time_ms", "acc_x_mps2", "acc_y_mps2", "acc_z_mps2"])
    for decimal in ".,":
        lines = [
            delimiter.join([str(i), *(repr(x).replace(".", decimal) for x in row)])
            for i, row in enumerate(rows)
        ]
        imu = imu_of(read_text("\n".join([header, *lines, ""])))
        np.testing.assert_array_equal(imu.acc_mps2, rows)
