"""GPX and TCX: compared with reference libraries, and the rare cases of both formats."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
from read_samples import as_gpx, as_tcx, fixes_of, read_bytes, real, some_run

from pipeline.errors import RecordingError
from pipeline.read import read
from pipeline.read.screening import GPS_EPOCH_S


def posix(moment: datetime) -> float:
    return (moment if moment.tzinfo else moment.replace(tzinfo=UTC)).timestamp()


@pytest.mark.parametrize("path", real("gpx", "*.gpx"))
def test_device_files_agree_with_gpxpy_point_for_point(path: Path) -> None:
    gpxpy = pytest.importorskip("gpxpy")
    parsed = gpxpy.parse(path.read_text("utf-8-sig"))
    points = [p for track in parsed.tracks for seg in track.segments for p in seg.points]
    points = [p for p in points if p.time and posix(p.time) >= GPS_EPOCH_S]
    if not points:
        with pytest.raises(RecordingError, match="track point"):
            read(path)
        return
    fixes = fixes_of(read(path))
    assert fixes.t_s.tolist() == [posix(p.time) for p in points]
    assert fixes.latitude_deg.tolist() == [p.latitude for p in points]
    assert fixes.longitude_deg.tolist() == [p.longitude for p in points]
    for name, theirs in (
        ("speed_mps", "speed"),
        ("altitude_m", "elevation"),
        ("hdop", "horizontal_dilution"),
        ("satellites", "satellites"),
    ):
        expected = np.array([getattr(p, theirs) for p in points], dtype=float)
        np.testing.assert_array_equal(getattr(fixes, name), expected, err_msg=name)


@pytest.mark.parametrize("path", real("tcx", "*.tcx"))
def test_device_files_agree_with_tcxreader_point_for_point(path: Path) -> None:
    tcxreader = pytest.importorskip("tcxreader.tcxreader")
    exercise = tcxreader.TCXReader().read(str(path))
    points = [p for p in exercise.trackpoints if p.latitude is not None]
    fixes = fixes_of(read(path))
    assert fixes.t_s.tolist() == [posix(p.time) for p in points]
    assert fixes.latitude_deg.tolist() == [p.latitude for p in points]
    assert fixes.longitude_deg.tolist() == [p.longitude for p in points]
    assert fixes.altitude_m.tolist() == [p.elevation for p in points]


def test_all_tracks_and_segments_and_nothing_else() -> None:
    def point(tag: str, second: int) -> str:
        return f'<{tag} lat="48" lon="16"><time>2026-05-12T17:00:{second:02d}Z</time></{tag}>'

    data = (
        f"<gpx>{point('wpt', 1)}<rte>{point('rtept', 2)}</rte>"
        f"<trk><trkseg>{point('trkpt', 3)}</trkseg><trkseg/><trkseg>{point('trkpt', 4)}</trkseg>"
        f"</trk><trk><trkseg>{point('trkpt', 5)}</trkseg></trk></gpx>"
    )
    t_s = fixes_of(read_bytes(data.encode())).t_s
    assert (t_s - t_s[0]).tolist() == [0.0, 1.0, 2.0]


@pytest.mark.parametrize(
    "speed",
    [
        "<speed>7.25</speed>",
        "<extensions><speed>7.25</speed></extensions>",
        '<extensions><a:speed xmlns:a="urn:one">7.25</a:speed></extensions>',
        '<extensions><b:TPX xmlns:b="urn:two"><b:Speed> 7.25 </b:Speed></b:TPX></extensions>',
    ],
)
@pytest.mark.parametrize("namespace", ["1/0", "1/1"])
def test_speed_in_any_place_and_namespace(speed: str, namespace: str) -> None:
    data = (
        f'<gpx xmlns="http://www.topografix.com/GPX/{namespace}"><trk><trkseg>'
        f'<trkpt lon="16" lat="48"><!-- odd --><time>2026-05-12T17:00:00.5Z</time>{speed}</trkpt>'
        "</trkseg></trk></gpx>"
    )
    assert fixes_of(read_bytes(data.encode())).speed_mps.tolist() == [7.25]


def test_points_that_are_no_fixes_are_dropped_and_counted() -> None:
    body = (
        '<trkpt lat="48" lon="16"><time>2026-05-12T17:00:00Z</time></trkpt>'
        '<trkpt lat="48" lon="16"/>'  # no time
        '<trkpt lat="48" lon="16"><time>yesterday</time></trkpt>'
        '<trkpt lat="91" lon="16"><time>2026-05-12T17:00:01Z</time></trkpt>'
        '<trkpt lat="NaN" lon="16"><time>2026-05-12T17:00:01Z</time></trkpt>'
        '<trkpt lat="48" lon="16"><time>2026-05-12T17:00:02Z</time><fix>none</fix></trkpt>'
        '<trkpt lat="48" lon="16"><time>1970-01-01T00:00:02Z</time></trkpt>'
        '<trkpt lat="48" lon="16"><time>2026-05-12T17:00:03Z</time><speed>-1</speed></trkpt>'
    )
    recording = read_bytes(f"<gpx><trk><trkseg>{body}</trkseg></trk></gpx>".encode())
    assert len(fixes_of(recording).t_s) == 2
    assert recording.dropped_fixes == 6
    assert np.isnan(fixes_of(recording).speed_mps[1])


def test_a_pause_without_position_is_no_dropped_fix() -> None:
    data = as_tcx(some_run()).replace(
        b"</Track>",
        b"<Trackpoint><Time>2026-05-12T17:03:30Z</Time><HeartRateBpm><Value>150</Value>"
        b"</HeartRateBpm></Trackpoint></Track>",
    )
    recording = read_bytes(data)
    assert len(fixes_of(recording).t_s) == 8
    assert recording.dropped_fixes == 0


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16"])
def test_encodings_and_leading_space(encoding: str) -> None:
    text = as_gpx(some_run()).decode().replace('<?xml version="1.0"?>', "")
    if encoding == "utf-16":
        text = '<?xml version="1.0" encoding="utf-16"?>' + text
    lead = b"" if encoding != "utf-8" else b"\r\n  "
    assert len(fixes_of(read_bytes(lead + text.encode(encoding))).t_s) == 8


def test_nothing_but_the_break_is_lost_of_a_broken_document() -> None:
    data = as_gpx(some_run()).replace(b"</trkpt>\n", b"</trkpt>\n<broken", 1)
    recording = read_bytes(data)
    assert len(fixes_of(recording).t_s) == 8
    assert any("broken in one place (line 2: " in r for r in recording.remarks)
    assert recording.dropped_fixes == 0
