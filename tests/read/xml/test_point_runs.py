"""Points read as columns equal those that the XML parser reads, or are left to the parser."""

from __future__ import annotations

import math
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
import text_tracks
from checkout import SAMPLES
from hypothesis import example, given, settings
from hypothesis import strategies as st
from read_samples import REAL, as_gpx, as_tcx, fixes_of, read_bytes, some_run

from pipeline.read import stamps
from pipeline.read import text_columns as short_texts
from pipeline.read.xml import gpx, point_runs, points, tcx
from pipeline.read.xml.point_runs import PointNames, runs

NAMES = {"gpx": gpx._GPX_NAMES, "tcx": tcx._TCX_NAMES}
TRACKS = {
    "gpx": text_tracks.gpx(60),
    "tcx": text_tracks.tcx(60, lap=25),
}


@pytest.fixture(scope="module", autouse=True)
def _short_runs() -> Iterator[None]:
    """Short runs count here, so that many short documents can be tried."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(point_runs, "_LEAST", 8)
        yield


def same_or_left(data: bytes, names: PointNames) -> points.Walk | None:
    """The columns, if the document was read by columns. Fails where they differ from the walk's."""
    careful = points.walk(data, names)
    quick = points.walk_runs(data, names)
    if quick is not None:
        np.testing.assert_array_equal(quick.columns, careful.columns)
        assert careful.fault is None
        assert quick.fault is None
    return quick


def points_in_runs(data: bytes, names: PointNames) -> int:
    return sum(len(run.columns["t_s"]) for run in runs(data, names))


@pytest.mark.parametrize("kind", NAMES)
def test_a_regular_track_never_meets_the_careful_walk(
    kind: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    expected = fixes_of(read_bytes(TRACKS[kind]))
    careful = points.walk(TRACKS[kind], NAMES[kind])
    monkeypatch.delattr(points, "walk")
    fixes = fixes_of(read_bytes(TRACKS[kind]))
    for name in ("t_s", "latitude_deg", "longitude_deg", "speed_mps", "altitude_m"):
        column = careful.columns[:, points.Point._fields.index(name)]
        np.testing.assert_array_equal(getattr(fixes, name), column)
        np.testing.assert_array_equal(getattr(fixes, name), getattr(expected, name))
    laps = 1 if kind == "gpx" else 3
    assert points_in_runs(TRACKS[kind], NAMES[kind]) >= len(fixes.t_s) - 2 * laps


@pytest.mark.parametrize(
    "path",
    [
        pytest.param(p, id=p.name)
        for kind in NAMES
        for p in sorted([*(REAL / kind).glob("*"), *SAMPLES.rglob(f"*.{kind}")])
    ],
)
def test_files_of_devices_and_samples(path: Path) -> None:
    quick = same_or_left(path.read_bytes(), NAMES[path.suffix[1:]])
    if path.is_relative_to(SAMPLES):
        assert quick is not None


POINT = b'<trkpt lat="48" lon="16"><time>2026-05-12T17:00:00Z</time></trkpt>'
SPLINTERS = [
    b"<!--", b"-->", b"<![CDATA[", b"]]>", b"<?x?>", b"<?batontrace-run 0?>", b"&amp;", b"&#48;",
    b"&", b"<", b">", b'"', b"'", b"/", b"=", b" ", b"\n", b"\t", b"\x00", b"\x0b", b"\xc3\xa9",
    b"\xff", b"--", b"0", b"-", b"+", b"_", b".", b"e5", b"nan", b"inf", b"none", b"Z", b"T",
    b"+02:00", b"<speed/>", b"<speed>1</speed>", b"<fix>none</fix>", b"<time></time>",
    b"<ele> </ele>",
    b"<a><speed>2</speed></a>", b"<speed>\n<a>2</a></speed>", b"<!-- odd -->", b"<trkpt>",
    b"</trkpt>", b"<trkseg>", b"</trkseg>", b"</trkseg><trkseg>", POINT, b"<x:b>1</x:b>",
    b'<b xmlns:x="urn:y">1</b>', b"<!DOCTYPE gpx>", b"<Track>", b"</Track>", b"<Trackpoint>",
    b"</Trackpoint>", b'<wpt lat="1" lon="2">', b"</wpt>",
]  # fmt: skip
splinters = st.one_of(st.sampled_from(SPLINTERS), st.binary(max_size=3))
edits = st.lists(
    st.tuples(st.floats(0, 1), st.integers(0, 40), splinters, st.integers(1, 12)), max_size=3
)
PLAIN = {"gpx": as_gpx(some_run() * 4), "tcx": as_tcx(some_run() * 4)}


@pytest.mark.parametrize("kind", NAMES)
@given(edits=edits, dense=st.booleans())
@example(edits=[(0.99, 0, b"]]>", 1)], dense=True)
@settings(deadline=None, max_examples=80)
def test_whatever_is_done_to_a_track_it_reads_the_same(
    kind: str, edits: list[tuple[float, int, bytes, int]], dense: bool
) -> None:
    data = PLAIN[kind] if dense else TRACKS[kind]
    for at, cut, put, times in edits:
        place = int(at * len(data))
        data = data[:place] + put * times + data[place + cut :]
    same_or_left(data, NAMES[kind])


ANCHORS = [b"</time>", b"</Time>", b'lat="', b'"><', b"<ele>", b"</speed>", b"</Speed>", b"t>\n"]


@pytest.mark.parametrize("kind", NAMES)
@given(
    anchor=st.sampled_from(ANCHORS),
    put=st.lists(splinters, min_size=1, max_size=3),
    here=st.lists(st.booleans(), min_size=1, max_size=5),
    dense=st.booleans(),
)
@settings(deadline=None, max_examples=80)
def test_whatever_stands_in_many_points_reads_the_same(
    kind: str, anchor: bytes, put: list[bytes], here: list[bool], dense: bool
) -> None:
    first, *others = (PLAIN[kind] if dense else TRACKS[kind]).split(anchor)
    data = first + b"".join(
        anchor + (put[i % len(put)] if here[i % len(here)] else b"") + other
        for i, other in enumerate(others)
    )
    same_or_left(data, NAMES[kind])


def track(*points: bytes, before: bytes = b"", after: bytes = b"") -> bytes:
    return (
        b'<gpx xmlns:x="urn:x"><trk><trkseg>'
        + before
        + b"\n".join(points)
        + after
        + b"</trkseg></trk></gpx>"
    )


def some_points(n: int = 20, inner: bytes = b"<speed>%d.5</speed>") -> list[bytes]:
    """`inner` may hold the point's number."""
    holds = b"%" in inner
    return [
        b'<trkpt lat="48.0%02d" lon="16"><time>2026-05-12T17:00:%02dZ</time>%b</trkpt>'
        % (i, i, inner % i if holds else inner)
        for i in range(n)
    ]


@pytest.mark.parametrize(
    "inner",
    [
        b"<speed>%d.5</speed>",
        b"<ele>%d</ele><x:Speed>1</x:Speed><speed>2</speed>",
        b"<speed> %d </speed>",
        b"<speed>1_%d</speed>",
        b"<speed>nan</speed><ele>x%d</ele>",
        b'<x:a b="%d" xmlns:y="urn:y"><y:hdop>1e0</y:hdop></x:a><sat>7</sat>',
        b"<speed/><hdop>%d</hdop>",
        b"<fix>none</fix>",
        b"<name>&lt;</name>",
        b"<time>1999-01-01T00:00:%02dZ</time>",
    ],
)
def test_what_a_point_may_hold(inner: bytes) -> None:
    quick = same_or_left(track(*some_points(inner=inner)), NAMES["gpx"])
    assert (quick is None) == (b"&" in inner)


@pytest.mark.parametrize(
    "data",
    [
        track(*some_points(), before=b"<!--", after=b"-->"),
        track(*some_points(), before=b"<![CDATA[", after=b"]]>"),
        track(*some_points(), before=b'<trkpt lat="1" lon="2">', after=b"</trkpt>"),
        track(*some_points(inner=b"<speed>%d<x/></speed>")),
        track(*some_points(inner=b"<speed>\n<v>%d</v></speed>")),
        track(*some_points(inner=b"<!-- %d -->")),
        track(*some_points(inner=b"<name>\xc3\xa9%d</name>")),
        track(*some_points())[:-30],
        track(*some_points(), after=b"</gpx>"),
        track(*some_points()).replace(b"urn:x", b"urn:" + point_runs.TARGET.encode()),
        b'<!DOCTYPE gpx [<!ATTLIST trkpt lat CDATA "5">]>' + track(*some_points()),
        b'<?xml version="1.0" encoding="cp1252"?>' + track(*some_points()),
        track(*some_points()).decode().encode("utf-16"),
        track(*(p.replace(b'"', b"'") for p in some_points())),
        track(*(p.replace(b"trkpt", b"x:trkpt") for p in some_points())),
        track(*some_points(5)),
        track(),
        b"",
    ],
)
def test_what_proves_nothing_is_left_to_the_parser(data: bytes) -> None:
    assert same_or_left(data, NAMES["gpx"]) is None


def test_one_odd_point_does_not_spoil_the_rest() -> None:
    points = some_points(60)
    points[20] = POINT
    points[40] = points[40].replace(b"16", b"")
    data = track(*points)
    quick = same_or_left(data, NAMES["gpx"])
    assert quick is not None
    assert len(quick.columns) == 60
    assert points_in_runs(data, NAMES["gpx"]) > 50


@pytest.mark.parametrize(
    "odd", [b"]]>", b"\x01", b"\x7f", b"\n", b"&amp;", b"&", b"\xe9", b"<!-- -->", b"7<b/>", b""]
)
@pytest.mark.parametrize("at", [0, 1, 30, 59])
def test_one_odd_value_is_read_as_the_parser_reads_it(odd: bytes, at: int) -> None:
    points = some_points(60, inner=b"<speed>1</speed><x:speed>2</x:speed><name>%d</name>")
    for plain in (b"<speed>1<", b"<name>%d<" % at):
        changed = list(points)
        name, _, _ = plain.partition(b">")
        changed[at] = points[at].replace(plain, name + b">" + odd + b"<")
        assert changed != points
        same_or_left(track(*changed), NAMES["gpx"])


def test_short_runs_are_left_to_the_parser(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(point_runs, "_LEAST", 20)
    assert same_or_left(track(*some_points(20)), NAMES["gpx"]) is None
    assert same_or_left(track(*some_points(30)), NAMES["gpx"]) is not None


def test_a_track_of_nothing_but_changes_is_soon_given_up() -> None:
    """Each point that begins no run costs a look, and the number of looks is limited."""
    points = [POINT.replace(b"</time>", b"</time>" + b"<a/>" * (i % 7)) for i in range(2000)]
    looks = 0

    def counted(*_: object) -> tuple[object, ...]:
        nonlocal looks
        looks += 1
        return ()

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(point_runs, "_slots", counted)
        assert runs(track(*points), NAMES["gpx"]) == []
    assert looks <= point_runs._MOST_TRIES + 1


# --- values ----------------------------------------------------------------------------


def laid_out(
    texts: list[bytes],
) -> tuple[short_texts.Bytes, short_texts.Offsets, short_texts.Offsets]:
    """A buffer that holds the texts with something between them."""
    ends = np.cumsum([len(t) + 1 for t in texts], dtype=np.int64) - 1
    starts = ends - [len(t) for t in texts]
    return np.frombuffer(b"|".join(texts) + b"|", np.uint8), starts, ends


def by_float(text: bytes) -> float:
    try:
        return float(text)
    except ValueError:
        return math.nan


number_texts = st.one_of(
    st.floats().map(lambda x: repr(x).encode()),
    st.decimals(allow_nan=False).map(lambda x: str(x).encode()),
    st.text("0123456789+-._eEnaifNx ", max_size=12).map(str.encode),
    st.binary(max_size=6),
)


@given(st.lists(number_texts, min_size=1, max_size=12))
@example([b"1", b"+1", b"1_0", b" 2 ", b"5.", b".5", b"1e400", b"-nan", b"nan(1)", b"0x10", b""])
@settings(deadline=None)
def test_numbers_are_what_float_makes_of_them(texts: list[bytes]) -> None:
    for some in (texts, *([t] for t in texts)):
        found = short_texts.float_values(short_texts.cut_texts(*laid_out(some)))
        np.testing.assert_array_equal(found, [by_float(t) for t in some])


stamp_texts = st.one_of(
    st.builds(
        "{:04d}-{:02d}-{:02d}{}{:02d}:{:02d}:{:02d}{}{}".format,
        st.integers(0, 2400) | st.integers(1999, 2030),
        st.integers(0, 13),
        st.integers(0, 32),
        st.sampled_from("TTTT t"),
        st.integers(0, 25),
        st.integers(0, 61),
        st.integers(0, 61),
        st.sampled_from(["", ".1", ".12", ".123", ".123456", ".1234567", ".123456789", ",5", "."]),
        st.sampled_from(["Z", "Z", "", "+00:00", "-05:30", "+23:59", "+24:00", "z", " Z", "+02"]),
    ),
    st.text("0123456789-:T.Z+ W", max_size=26),
)


@given(st.lists(stamp_texts, min_size=1, max_size=8))
@example(["0001-01-01T00:00:00Z", "2026-02-29T00:00:00Z", "2024-02-29T23:59:59.999999Z"])
@example(["2026-05-12T17:00:00Z", "2026-05-12T17:0A:00Z", "2026-05-12T17:00:0/Z"])
@example(["2026-05-12T17:00:00.100+02:00", "2026-05-12T17:00:00.100+01:00", ""])
@settings(deadline=None)
def test_stamps_together_are_what_each_is_alone(texts: list[str]) -> None:
    t_s, zoned = stamps.iso_stamps(*laid_out([t.encode() for t in texts]))
    expected = [stamps.iso_stamp(t) for t in texts]
    np.testing.assert_array_equal(t_s, [s.posix_s for s in expected])
    assert zoned.tolist() == [float(s.zoned) for s in expected]
