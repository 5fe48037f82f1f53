"""Laws of every format: told by its content; cut, damaged or rewritten files bear reading."""

from __future__ import annotations

import gzip
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from read_samples import (
    QUANTUM_DEG,
    QUANTUM_MPS,
    WRITERS,
    Sample,
    as_csv,
    as_gpx,
    fixes_of,
    read_bytes,
    real,
    some_run,
)

from pipeline.base.values import Recording
from pipeline.errors import RecordingError
from pipeline.read import SUPPORTED, read, unpacking

FORMATS = sorted(WRITERS)

sample_runs = st.lists(
    st.tuples(
        st.integers(0, 400),  # ms after the one before
        st.floats(-89.0, 89.0).filter(lambda x: abs(x) > 1e-3),
        st.floats(-179.0, 179.0).filter(lambda x: abs(x) > 1e-3),
        st.floats(0.0, 12.5),
    ),
    min_size=1,
    max_size=12,
).map(
    lambda rows: [
        Sample(1_778_605_400 + t_ms / 1000, lat, lon, v)
        for t_ms, (_, lat, lon, v) in zip(
            np.cumsum([1 + r[0] for r in rows]).tolist(), rows, strict=True
        )
    ]
)


def read_or_error(data: bytes) -> Recording | RecordingError:
    """An error must say what was found and what to do; any other exception fails the test."""
    try:
        return read_bytes(data)
    except RecordingError as error:
        return error


def explains(error: RecordingError) -> bool:
    return bool(error.where and error.found and error.expected and error.do)


def test_supported_names_are_the_formats() -> None:
    assert set(SUPPORTED) == set(FORMATS)


@pytest.mark.parametrize("kind", FORMATS)
@pytest.mark.parametrize("name", ["run.fit", "run.gpx", "run.csv", "run", "run.txt"])
def test_the_format_is_told_by_content_not_by_name(kind: str, name: str) -> None:
    recording = read_bytes(WRITERS[kind](some_run()), name)
    assert recording.format == kind
    assert len(fixes_of(recording).t_s) == 8


@pytest.mark.parametrize("kind", FORMATS)
def test_gzip_changes_nothing(kind: str) -> None:
    plain = WRITERS[kind](some_run())
    packed = gzip.compress(plain[:100]) + gzip.compress(plain[100:])  # two members, RFC 1952 2.2
    a, b = fixes_of(read_bytes(plain)), fixes_of(read_bytes(packed))
    np.testing.assert_array_equal(a.t_s, b.t_s)
    np.testing.assert_array_equal(a.latitude_deg, b.latitude_deg)


@given(run=sample_runs)
@settings(max_examples=40, deadline=None)
def test_the_same_samples_in_every_format_agree_within_its_quantum(run: list[Sample]) -> None:
    t_s, lat, lon, v = np.array(run).T
    for kind, write in WRITERS.items():
        fixes = fixes_of(read_bytes(write(run)))
        assert fixes.basis == "utc"
        np.testing.assert_allclose(fixes.t_s, t_s, rtol=0, atol=1e-6, err_msg=kind)
        half = 0.5 * QUANTUM_DEG[kind] + 1e-12
        np.testing.assert_allclose(fixes.latitude_deg, lat, rtol=0, atol=half, err_msg=kind)
        np.testing.assert_allclose(fixes.longitude_deg, lon, rtol=0, atol=half, err_msg=kind)
        half = 0.5 * QUANTUM_MPS[kind] + 1e-9
        np.testing.assert_allclose(fixes.speed_mps, v, rtol=0, atol=half, err_msg=kind)


@pytest.mark.parametrize("kind", FORMATS)
@pytest.mark.parametrize("packed", [False, True])
@given(at=st.floats(0.0, 1.0, exclude_max=True))
@settings(max_examples=60, deadline=None)
def test_a_cut_file_gives_a_prefix_or_a_clear_error(kind: str, packed: bool, at: float) -> None:
    whole = WRITERS[kind](some_run())
    full = fixes_of(read_bytes(whole))
    cut = gzip.compress(whole) if packed else whole
    cut = cut[: int(at * len(cut))]
    recording = read_or_error(cut)
    if isinstance(recording, RecordingError):
        assert explains(recording)
        return
    part = fixes_of(recording)
    n = len(part.t_s)
    for name in ("t_s", "latitude_deg", "longitude_deg"):
        np.testing.assert_array_equal(getattr(part, name), getattr(full, name)[:n])
    np.testing.assert_array_equal(part.speed_mps[: n - 1], full.speed_mps[: n - 1])
    # A log cut at the end of a line looks whole; every other cut is noticed.
    assert recording.remarks or (kind in ("nmea", "csv") and not packed) or n == len(full.t_s)


@pytest.mark.parametrize("kind", FORMATS)
@given(
    hits=st.lists(st.tuples(st.floats(0, 1, exclude_max=True), st.binary(max_size=4)), max_size=6)
)
@settings(max_examples=80, deadline=None)
def test_damage_anywhere_never_gives_a_traceback(
    kind: str, hits: list[tuple[float, bytes]]
) -> None:
    data = bytearray(WRITERS[kind](some_run()))
    for at, junk in hits:
        i = int(at * len(data))
        data[i : i + len(junk) // 2] = junk
    recording = read_or_error(bytes(data))
    if isinstance(recording, RecordingError):
        assert explains(recording)
        return
    if recording.fixes is not None:
        f = recording.fixes
        assert not np.isnan(f.t_s).any()
        placed = ~np.isnan(f.latitude_deg)
        assert (np.abs(f.latitude_deg[placed]) <= 90).all()
        assert (placed | np.isfinite(f.speed_mps)).all()


@given(data=st.binary(max_size=200))
@settings(deadline=None)
def test_any_bytes_give_an_error_that_says_what_to_do_or_a_recording(data: bytes) -> None:
    outcome = read_or_error(data)
    if isinstance(outcome, RecordingError):
        assert explains(outcome)
    else:
        assert outcome.format in SUPPORTED


@pytest.mark.parametrize("kind", FORMATS)
def test_what_is_cut_out_of_a_stream_in_the_order_of_the_file_stays_in_it(kind: str) -> None:
    run = some_run()
    shuffled = [run[i] for i in (3, 0, 1, 7, 2, 4, 6, 5)]
    fixes = fixes_of(read_bytes(WRITERS[kind](shuffled)))
    np.testing.assert_allclose(fixes.t_s, [s.t_s for s in shuffled], atol=1e-6)


@pytest.mark.parametrize("kind", FORMATS)
def test_impossible_places_are_dropped_and_counted(kind: str) -> None:
    run = some_run()
    run[2] = run[2]._replace(latitude_deg=0.0, longitude_deg=0.0)
    recording = read_bytes(WRITERS[kind](run))
    assert len(fixes_of(recording).t_s) == 7
    assert recording.dropped_fixes == 1
    assert run[2].t_s not in fixes_of(recording).t_s


@pytest.mark.parametrize("kind", FORMATS)
def test_a_devices_clock_is_a_counter_in_every_format(kind: str) -> None:
    recording = read_bytes(WRITERS[kind](some_run()), clock="device")
    assert fixes_of(recording).basis == "counter"


@pytest.mark.parametrize("kind", ["gpx", "csv"])
def test_a_stamp_without_zone_is_utc_with_a_remark(kind: str) -> None:
    data = WRITERS[kind](some_run())
    assert b"+00:00" in data
    recording = read_bytes(data.replace(b"+00:00", b""))
    np.testing.assert_allclose(fixes_of(recording).t_s, [s.t_s for s in some_run()], atol=1e-6)
    assert any("zone" in r for r in recording.remarks)
    assert not read_bytes(data).remarks


# Worked values: POSIX seconds are those of POSIX.1-2017, 4.16 ("Seconds Since the Epoch").
# 1496224620 is 2017-05-31T09:57:00Z (blog.csdn.net/.../118792328, with GPS 1180259838);
# 2016-12-31T23:59:60Z was a leap second (IERS Bulletin C 52), the same count as midnight.
@pytest.mark.parametrize(
    ("stamp", "posix"),
    [
        ("2017-05-31T09:57:00Z", 1_496_224_620.0),
        ("2017-05-31T11:57:00.25+02:00", 1_496_224_620.25),
        ("1980-01-06T00:00:00Z", 315_964_800.0),
        ("2016-12-31T23:59:60Z", 1_483_228_800.0),
        ("2017-01-01T00:00:00Z", 1_483_228_800.0),
    ],
)
def test_published_epochs_in_text(stamp: str, posix: float) -> None:
    point = f'<trkpt lat="1" lon="2"><time>{stamp}</time></trkpt>'
    gpx = f"<gpx><trk><trkseg>{point}</trkseg></trk></gpx>"
    assert fixes_of(read_bytes(gpx.encode())).t_s.tolist() == [posix]
    table = f"time_utc,speed_mps\n{stamp},1.5\n"
    assert fixes_of(read_bytes(table.encode())).t_s.tolist() == [posix]


def test_gps_seconds_are_not_corrected_twice() -> None:
    # GPS 1180259838 + 315964800 - 18 = POSIX 1496224620 (GPS - UTC is 18 s since 2017-01-01):
    # an RMC sentence already holds UTC, so 09:57:00 stays 1496224620 and not 18 s less.
    line = b"$GPRMC,095700.00,A,4134.5,N,09345.0,W,1.0,,310517,,,A*"
    check = 0
    for byte in line[1:-1]:
        check ^= byte
    t_s = fixes_of(read_bytes(line + b"%02X\r\n" % check)).t_s[0]
    assert t_s == 1_180_259_838 + 315_964_800 - 18


# --- files that cannot be read ------------------------------------------------------------


def test_a_directory_a_missing_file_and_an_unreadable_one(tmp_path: Path) -> None:
    for path, found in ((tmp_path, "directory"), (tmp_path / "none.fit", "no such file")):
        with pytest.raises(RecordingError, match=found) as caught:
            read(path)
        assert str(path) in str(caught.value)
        assert caught.value.do
    with pytest.raises(RecordingError):
        read(Path("\0"))


@pytest.mark.parametrize(
    ("data", "found"),
    [
        (b"", "empty"),
        (b" \r\n\n", "empty"),
        (b"PK\x03\x04rest", "zip"),
        (b"<html><body>not found</body></html>", "<html>"),
        (b"\x89PNG\r\n\x1a\n\0\0\0\0", "none of the known formats"),
        (b"<gpx><wpt lat='1' lon='2'/></gpx>", "no track points"),
        (b"hello\n", "no line with several cells"),
    ],
)
def test_a_wrong_file_is_named(data: bytes, found: str) -> None:
    with pytest.raises(RecordingError, match=found) as caught:
        read_bytes(data, "robin.fit")
    assert "robin.fit" in str(caught.value)
    assert caught.value.do


def test_more_than_the_bound_is_refused_before_it_fills_the_memory(tmp_path: Path) -> None:
    path = tmp_path / "bomb.gz"
    path.write_bytes(gzip.compress(bytes(5_000_000)))
    with pytest.raises(RecordingError, match="MiB"):
        unpacking.unpacked_recording(path, max_bytes=1_000_000)
    path.write_bytes(bytes(2_000_000))
    with pytest.raises(RecordingError, match="MiB"):
        unpacking.unpacked_recording(path, max_bytes=1_000_000)


def test_xml_that_declares_entities_is_refused() -> None:
    data = as_gpx(some_run())
    bomb = data.replace(
        b'<?xml version="1.0"?>',
        b'<?xml version="1.0"?><!DOCTYPE gpx [<!ENTITY a "aaaa"><!ENTITY b "&a;&a;&a;">]>',
    )
    with pytest.raises(RecordingError, match="entities"):
        read_bytes(bomb)
    harmless = data.replace(b'<?xml version="1.0"?>', b'<?xml version="1.0"?><!DOCTYPE gpx>')
    assert len(fixes_of(read_bytes(harmless)).t_s) == 8


def test_columns_given_for_another_format_are_remarked() -> None:
    recording = read_bytes(as_gpx(some_run()), columns={"time": {"column": "t", "unit": "s"}})
    assert any("columns" in r for r in recording.remarks)


def test_a_clock_of_another_name_is_an_error() -> None:
    with pytest.raises(RecordingError, match="gnss"):
        read_bytes(as_csv(some_run()), clock="sundial")


@pytest.mark.parametrize(
    "path", [p for f in ("fit", "gpx", "tcx", "nmea", "other") for p in real(f)]
)
def test_every_real_file_gives_a_recording_or_a_clear_error(path: Path) -> None:
    outcome = read_or_error(path.read_bytes())
    if isinstance(outcome, RecordingError):
        assert explains(outcome)
        return
    assert outcome.format == (path.suffix[1:] if path.parent.name != "other" else "fit")
    assert outcome.fixes is not None or outcome.imu is not None


def test_no_text_format_needs_pandas(tmp_path: Path) -> None:
    """Arrow's shorter ways to numpy import pandas if it is there, which is slower than reading."""
    for kind in ("csv", "gpx", "tcx", "nmea"):
        (tmp_path / kind).write_bytes(WRITERS[kind](some_run() * 3))
    (tmp_path / "odd").write_bytes(
        b"time_utc,latitude_deg,longitude_deg,speed_mps\n"
        b"2026-05-12T17:00:00Z,48,x,1\n2026-05-12T17:00:01Z,48,16,+1\n,48,16,\n"
    )
    script = (
        "import sys; from pathlib import Path; from pipeline.read import read\n"
        "for path in map(Path, sys.argv[1:]):\n    assert len(read(path).fixes.t_s)\n"
        "print('pandas' in sys.modules)"
    )
    done = subprocess.run(
        [sys.executable, "-c", script, *sorted(map(str, tmp_path.iterdir()))],
        capture_output=True,
        text=True,
        check=True,
    )
    assert done.stdout == "False\n"
