"""Readers under fire: cut, flipped, packed into bombs, nested, endless, and fuzzed.

The law: a reader gives a value that keeps its promises or raises its own error, whatever the
bytes; the command line ends with one of its exit codes and shows no traceback. What would fill
the memory runs in a child that may not have much.
"""

from __future__ import annotations

import csv
import gzip
import io
import json
import os
import random
import shutil
import socket
import struct
import subprocess
import sys
import textwrap
from pathlib import Path

import fit_encoder as enc
import fuzz
import numpy as np
import pytest
import small_sessions as small
from checkout import SAMPLES
from command import run
from read_samples import WRITERS

from pipeline.base.plain_file import plain_file_bytes
from pipeline.base.values import Rep
from pipeline.errors import InputError, RecordingError, SessionError, VenueError
from pipeline.read import read, unpacking
from pipeline.read.practice.session import read_session
from pipeline.read.practice.survey import read_survey

POSIX = pytest.mark.skipif(sys.platform == "win32", reason="needs POSIX limits and files")
CODES = {0, 2, 3, 4, 5, 6, 7, 8}  # those that README.md promises; 70 is a defect
ROOM_BYTES = 400 << 20  # of a child's address space beyond what the libraries take
MOST_S = 30  # of a processor's time, for each file
SECOND = 1_000_000_000  # FIT seconds
HEADERS = b"time_utc,latitude_deg,longitude_deg\n"


def assert_unharmed(target: str, data: bytes) -> None:
    said = fuzz.fault(fuzz.TARGETS[target], data)
    assert said is None, f"{target}, {len(data)} bytes, begins {data[:60]!r}\n{said}"


# --- fuzzed --------------------------------------------------------------------------------


@pytest.mark.parametrize("target", fuzz.TARGETS)
def test_what_fuzzing_kept_is_read_or_refused(target):
    """Inputs that reach lines of their own, and those that once did harm."""
    kept = fuzz.corpus(target)
    assert kept
    for path in kept:
        assert_unharmed(target, path.read_bytes())


@pytest.mark.parametrize("target", fuzz.TARGETS)
def test_some_mutated_inputs_are_read_or_refused(target):
    """A short search from a fixed seed; tests/tools/fuzz.py searches as long as one likes."""
    kept = [path.read_bytes() for path in fuzz.corpus(target)]
    chosen = random.Random(1).sample(kept, min(len(kept), 15))
    found = fuzz.search(fuzz.TARGETS[target], chosen, seed=1, until=lambda tried: tried >= 100)
    assert found.faults == {}
    assert len(found.steps) > 40


def hidden_fault(data: bytes) -> None:
    """Fails where each of the first bytes begins with a bit pattern of its own."""
    nibbles = [byte >> 4 for byte in data[:3].ljust(3, b"\0")]
    if nibbles[0] == 4:  # noqa: SIM102
        if nibbles[1] == 5:  # noqa: SIM102
            if nibbles[2] == 9:
                raise ValueError("found")


def test_the_search_is_led_by_what_it_has_not_seen(monkeypatch):
    """It finds what chance alone would not, and says what it was."""
    monkeypatch.setattr(fuzz, "WATCHED", str(Path(__file__)))
    target = fuzz.Target(hidden_fault, fuzz.PLAIN, (b"   ",))
    found = fuzz.search(target, (), 1, lambda tried: tried >= 12_000)
    (said,) = found.faults
    assert "ValueError: found" in said
    with pytest.raises(ValueError, match="found"):
        hidden_fault(found.faults[said])


def test_a_reader_that_waits_is_a_fault(monkeypatch):
    if not hasattr(os, "mkfifo"):
        pytest.skip("no such signals here")
    monkeypatch.setattr(fuzz, "LONGEST_S", 0.05)
    said = fuzz.fault(fuzz.Target(wait, (), ()), b"")
    assert said is not None
    assert "longer than" in said


def wait(_data: bytes) -> None:
    while True:
        pass


# --- cut and flipped -----------------------------------------------------------------------

SMALL = {name: make(fuzz.run_of(4)) for name, make in WRITERS.items()}
SMALL["gzip"] = gzip.compress(SMALL["csv"], mtime=0)


@pytest.mark.parametrize("form", SMALL)
def test_a_file_cut_at_any_byte_gives_what_stands_before_the_cut(tmp_path, form):
    path = tmp_path / "recording"
    path.write_bytes(SMALL[form])
    whole = read(path).fixes
    assert whole is not None
    assert len(whole.t_s) == 4
    most = 0
    for end in range(len(SMALL[form])):
        path.write_bytes(SMALL[form][:end])
        try:
            fixes = read(path).fixes
        except RecordingError as error:
            fuzz.explains(error)
            continue
        if fixes is not None:
            most = max(most, len(fixes.t_s))
            assert len(fixes.t_s) <= 4
            # the last may be a number cut short; those before it are as they were
            assert np.isin(fixes.t_s[:-1], whole.t_s).all()
            known = whole.latitude_deg[: len(fixes.t_s) - 1]
            assert np.array_equal(fixes.latitude_deg[:-1], known)
    assert most >= 3


@pytest.mark.parametrize("form", ["fit", "gpx", "tcx", "nmea", "csv"])
def test_every_bit_flipped_is_read_or_refused(form):
    data = WRITERS[form](fuzz.run_of(3))
    step = max(1, 8 * len(data) // 500) | 1  # odd: all bits of a byte come round
    for bit in range(0, 8 * len(data), step):
        changed = bytearray(data)
        changed[bit // 8] ^= 1 << bit % 8
        assert_unharmed(form, bytes(changed))


def tracks() -> list[Path]:
    names = ("*.fit", "*.gpx", "*.tcx", "*.nmea", "*.csv", "*.gz")
    found = [path for name in names for path in SAMPLES.glob(f"larch*/{name}")]
    return [path for path in sorted(found) if path.name != "reps.csv"]


def test_sample_files_cut_near_their_start_and_anywhere_are_read_or_refused(tmp_path):
    """`python tests/tools/fuzz.py fit --cut FILE` cuts one at every byte."""
    rng = random.Random(2)
    path = tmp_path / "recording"
    assert len(tracks()) > 12
    for track in tracks():
        data = track.read_bytes()
        cuts = [*range(rng.randrange(16), 2048, 64), len(data) - rng.randrange(1, 2048)]
        for end in cuts:
            path.write_bytes(data[:end])
            try:
                fuzz.sound(read(path))
            except RecordingError as error:
                fuzz.explains(error)


# --- bombs ---------------------------------------------------------------------------------


def test_gzip_is_bounded_by_what_it_unpacks_to(tmp_path, monkeypatch):
    path = tmp_path / "bomb.gz"
    row = b"2026-05-12T17:03:20Z,48.1,16.7\n"
    monkeypatch.setattr(unpacking, "_ALWAYS_ALLOWED_BYTES", 1 << 16)
    for content in (bytes(1 << 20), b"\n" * (1 << 20), HEADERS + row * 40_000):
        path.write_bytes(gzip.compress(content))
        with pytest.raises(RecordingError, match="times its size"):
            read(path)
    path.write_bytes(gzip.compress(HEADERS + row) * 2000)
    with pytest.raises(RecordingError, match="MiB"):
        unpacking.unpacked_recording(path, max_bytes=100_000)
    path.write_bytes(gzip.compress(gzip.compress(HEADERS + row)))
    with pytest.raises(RecordingError, match="gzip inside gzip"):
        read(path)


def bomb() -> bytes:
    """A gigabyte of line ends in a megabyte."""
    packed = io.BytesIO()
    with gzip.GzipFile(fileobj=packed, mode="wb", mtime=0, compresslevel=1) as file:
        file.write(HEADERS)
        for _ in range(256):
            file.write(b"\n" * (1 << 22))
    return packed.getvalue()


def fit_long_among_short() -> bytes:
    """One array of 255 among half a million messages of one."""
    short = enc.Kind(1, 165, (enc.Field(2, "uint8"),))
    long = enc.Kind(2, 165, (enc.Field(2, "uint8", 255),))
    return unsigned(short.definition(), short.data(1) * 500_000, long.definition(), long.data(1))


def fit_of_definitions() -> bytes:
    kinds = [enc.Kind(1, 20, (enc.Field(253, "uint32"), enc.Field(i % 251, "uint8", 1 + i // 251)))
             for i in range(60_000)]  # fmt: skip
    return unsigned(*(kind.definition()[:-3] + bytes([i % 251, i // 251 % 255, 2])
                      for i, kind in enumerate(kinds)))  # fmt: skip


def fit_of_files() -> bytes:
    return enc.fit_file() * 50_000


def fit_of_a_size_that_is_none() -> bytes:
    return struct.pack("<BBHI4s", 12, 0x10, 2132, 0xFFFFFFF0, b".FIT") + b"\x41" * 1_000_000


def unsigned(*parts: bytes) -> bytes:
    """A FIT file that was never closed, as there is no time to sum it up bit by bit."""
    return struct.pack("<BBHI4s", 12, 0x10, 2132, 0, b".FIT") + b"".join(parts) + b"\0\0"


def gpx_deep() -> bytes:
    return b"<gpx>" + b"<a>" * 100_000


def gpx_long_value() -> bytes:
    return (
        b'<gpx><trk><trkseg><trkpt lat="' + b"1" * 5_000_000 + b'" lon="1"/></trkseg></trk></gpx>'
    )


def tcx_deep() -> bytes:
    return b"<TrainingCenterDatabase>" + b"<Trackpoint>" * 100_000


def nmea_long() -> bytes:
    return b"$GPRMC,1" + b"," * 5_000_000 + b"*00\r\n"


def csv_wide() -> bytes:
    cells = b",".join(b"c%d" % i for i in range(200_000))
    return cells + b"\n" + b"1," * 200_000 + b"\n"


def csv_one_line() -> bytes:
    return HEADERS + b"x" * 5_000_000


def gpx_of_nested_points() -> bytes:
    return b"<gpx><trk><trkseg>" + b"<trkpt>" * 45_000


def gpx_of_long_names() -> bytes:
    """One namespace of 90 kB, and names in it that are all different."""
    names = b"".join(b"<a%d/>" % i for i in range(9000))
    return b'<gpx xmlns="' + b"u" * 90_000 + b'"><trk><trkseg>' + names


def gpx_of_endless_tags() -> bytes:
    return b"<gpx><trk><trkseg>" + (b'<trkpt lat="' + b"1" * 300_000) * 20


def gpx_of_one_point() -> bytes:
    return b"<gpx><trk><trkseg><trkpt>" + b"<ele>1</ele>" * 200_000


def gpx_of_breaks() -> bytes:
    return b"<gpx><trk><trkseg>" + b"<trkpt &>" * 300_000


def fit_of_packed_times() -> bytes:
    kind = enc.Kind(1, 20, (enc.Field(253, "uint8"), enc.Field(2, "uint16")))
    return unsigned(kind.definition(), kind.data(1, 1) * 1_000_000)


def fit_of_long_batches() -> bytes:
    kind = enc.Kind(1, 165, (enc.Field(5, "uint8", 200),))
    return unsigned(kind.definition(), kind.data([1] * 200) * 5_000)


def nmea_of_commas() -> bytes:
    return b"$GPRMC,1*4A\r\n" + b"," * 20_000_000


def nmea_of_dollars() -> bytes:
    return b"$GPRMC,1*4A\r\n" + b"$" * 6_000_000


def csv_of_quotes() -> bytes:
    return HEADERS + b'"' * 5_000_000 + b"\n" + b'",x"\n' * 100_000


def csv_of_tiny_lines() -> bytes:
    return HEADERS + b"x\n" * 300_000


def csv_of_bytes_that_are_no_text() -> bytes:
    return HEADERS + b"\xff,1,1\n" * 100_000 + b"\xff" * 5_000_000


def csv_of_no_lines() -> bytes:
    return b"," * 5_000_000


def gzip_of_many_parts() -> bytes:
    return gzip.compress(b"", mtime=0) * 300_000


LARGE = (bomb, fit_long_among_short, fit_of_definitions, fit_of_files, fit_of_a_size_that_is_none,
         gpx_deep, gpx_long_value, tcx_deep, nmea_long, csv_wide, csv_one_line,
         gpx_of_nested_points, gpx_of_long_names, gpx_of_endless_tags, gpx_of_one_point,
         gpx_of_breaks, fit_of_packed_times, fit_of_long_batches, nmea_of_commas, nmea_of_dollars,
         csv_of_quotes, csv_of_tiny_lines, csv_of_bytes_that_are_no_text, csv_of_no_lines,
         gzip_of_many_parts)  # fmt: skip


def lines_of_child(script: str) -> list[str]:
    """What a script prints, run by itself, where limits cost nobody else."""
    done = subprocess.run(
        [sys.executable, "-c", textwrap.dedent(script)],
        capture_output=True,
        text=True,
        check=False,
        env={**os.environ, "PYTHONPATH": os.pathsep.join(p for p in sys.path if p)},
    )
    assert done.returncode == 0, done.stderr[-2000:]
    return done.stdout.splitlines()


@POSIX
def test_what_would_fill_the_memory_does_not(tmp_path):
    """In a child that has 400 MiB, and 30 s for each; each file is a few megabytes at most."""
    for make in LARGE:
        (tmp_path / make.__name__).write_bytes(make())
    child = f"""
        import pathlib, resource, sys
        import pipeline.read.csv.reader
        from pipeline.errors import RecordingError
        from pipeline.read import read
        pages = int(open("/proc/self/statm").read().split()[0]) if sys.platform == "linux" else 0
        room = pages * resource.getpagesize() + {ROOM_BYTES}
        if pages:
            resource.setrlimit(resource.RLIMIT_AS, (room, room))
        for path in sorted(pathlib.Path({str(tmp_path)!r}).iterdir()):
            used = sum(resource.getrusage(resource.RUSAGE_SELF)[:2])
            resource.setrlimit(resource.RLIMIT_CPU, (int(used) + {MOST_S}, -1))
            try:
                read(path)
                print(path.name, "read")
            except RecordingError as error:
                print(path.name, len(str(error)), *error.lines)
        """
    said = dict(line.split(" ", 1) for line in lines_of_child(child))
    assert set(said) == {make.__name__ for make in LARGE}
    assert not [name for name, words in said.items() if "more memory than there is" in words]
    assert all(words == "read" or int(words.split()[0]) < 2000 for words in said.values())


def test_want_of_memory_is_said(tmp_path, monkeypatch):
    path = tmp_path / "recording"
    path.write_bytes(SMALL["csv"])

    def none_left(*_: object) -> None:
        raise MemoryError

    monkeypatch.setattr("pipeline.read.read_csv", none_left)
    with pytest.raises(RecordingError, match="more memory than there is"):
        read(path)


LAUGHS = (
    '<!DOCTYPE gpx [<!ENTITY a "ha">'
    + "".join(
        f'<!ENTITY {b} "{f"&{a};" * 10}">' for a, b in zip("abcdefgh", "bcdefghi", strict=True)
    )
    + "]><gpx><name>&i;</name></gpx>"
)
DECLARING = {
    "a billion laughs": LAUGHS,
    "one long entity many times": f'<!DOCTYPE gpx [<!ENTITY a "{"x" * 50_000}">]>'
    f"<gpx>{'&a;' * 50_000}</gpx>",
    "a file of the system": '<!DOCTYPE gpx [<!ENTITY a SYSTEM "file:///etc/passwd">]><gpx>&a;</gpx>',
    "a parameter": '<!DOCTYPE gpx [<!ENTITY % a SYSTEM "file:///dev/zero"> %a;]><gpx></gpx>',
    "a value for every element": f'<!DOCTYPE gpx [<!ATTLIST trkpt a CDATA "{"x" * 50_000}">]><gpx>'
    + "<trkpt/>" * 50_000
    + "</gpx>",
}  # fmt: skip


@pytest.mark.parametrize("encoding", ["utf-8", "utf-16", "utf-8-sig"])
@pytest.mark.parametrize("text", DECLARING.values(), ids=DECLARING)
def test_xml_with_declarations_of_its_own_is_refused(tmp_path, text, encoding):
    path = tmp_path / "track.gpx"
    path.write_bytes(text.encode(encoding))
    with pytest.raises(RecordingError, match="declares entities"):
        read(path)


def test_an_external_dtd_is_neither_read_nor_a_reason_to_refuse(tmp_path):
    path = tmp_path / "track.gpx"
    start = b'<?xml version="1.0"?>'
    dtd = start + b'<!DOCTYPE gpx SYSTEM "/dev/zero">'
    path.write_bytes(SMALL["gpx"].replace(start, dtd))
    fixes = read(path).fixes
    assert fixes is not None
    assert len(fixes.t_s) == 4


# --- what is no file -----------------------------------------------------------------------


def specials(folder: Path) -> dict[str, Path]:
    """Things one cannot or should not read as files."""
    pipe, plug = folder / "pipe", folder / "plug"
    os.mkfifo(pipe)
    (folder / "folder").mkdir()
    (folder / "loop").symlink_to(folder / "loop")
    (folder / "link").symlink_to(pipe)
    (folder / "zero").symlink_to("/dev/zero")
    with socket.socket(socket.AF_UNIX) as server:
        home = os.getcwd()
        os.chdir(folder)  # the name of a socket has to be short
        server.bind(plug.name)
        os.chdir(home)
    names = ("pipe", "plug", "folder", "loop", "link", "zero")
    found = {name: folder / name for name in names}
    found["device"] = Path("/dev/zero")
    found["nowhere"] = folder / "nowhere"
    found["through a file"] = folder / "a-file" / "b"
    (folder / "a-file").write_text("x")
    found["a long name"] = folder / ("x" * 300)
    found["a null"] = folder / "x\0y"
    return found


@POSIX
def test_pipes_devices_and_the_like_are_refused_by_every_reader(tmp_path):
    with fuzz.within(20.0):
        for name, path in specials(tmp_path).items():
            with pytest.raises(OSError, match=r"it is|o such|null|too long|Too many"):
                plain_file_bytes(path, 1 << 20)
            with pytest.raises(RecordingError) as refused:
                read(path)
            assert refused.value.do, name
            if name != "folder":  # that of a session holds a session.toml
                with pytest.raises(SessionError):
                    read_session(path)
            home = fuzz.home().path
            toml = home.with_name("special.toml")
            if name in ("a null", "a long name", "device"):
                continue
            inside = home.parent / f"special-{name.replace(' ', '-')}"
            if not inside.is_symlink():
                inside.symlink_to(path)
            for key, kind in (("venue", VenueError), ("reps", SessionError)):
                text = fuzz.SESSION.replace(
                    f'{key} = "{"venue.geojson" if key == "venue" else "reps.csv"}"',
                    f'{key} = "{inside.name}"',
                )
                toml.write_text(text)
                with pytest.raises(kind):
                    read_session(toml)


@POSIX
def test_a_file_that_states_no_size_is_read_no_farther_than_the_bound(tmp_path):
    if not Path("/proc/self/maps").exists():
        pytest.skip("no such files here")
    assert b"python" in plain_file_bytes(Path("/proc/self/maps"), 1 << 20)
    with pytest.raises(OSError, match="larger than"):
        plain_file_bytes(Path("/proc/self/maps"), 100)
    path = tmp_path / "exact"
    path.write_bytes(b"x" * 100)
    assert plain_file_bytes(path, 100) == b"x" * 100
    with pytest.raises(OSError, match="larger than"):
        plain_file_bytes(path, 99)
    assert plain_file_bytes(tmp_path / "exact", 1 << 30) == b"x" * 100


@pytest.mark.parametrize("key", ["venue", "reps", "file"])
@pytest.mark.parametrize(
    "place", ["/etc/passwd", "../../../../etc/passwd", "a/../../../b", "x\\u0000y"]
)
def test_a_path_far_from_the_session_is_refused(tmp_path, key, place):
    """One to a folder beside it is not: venues are shared."""
    named = {"venue": "venue.geojson", "reps": "reps.csv", "file": "robin.fit"}[key]
    (tmp_path / "a").mkdir()
    text = fuzz.SESSION.replace(f'"{named}"', f'"{place}"')
    (tmp_path / "a" / "session.toml").write_text(text)
    with pytest.raises(SessionError, match=r"leads out of|null character"):
        read_session(tmp_path / "a")


# --- absurd numbers ------------------------------------------------------------------------

TIMES = ("1e15", "1e300", "-1e300", "inf", "1e400", "9" * 400, "7258118401", "0")


@pytest.mark.parametrize("time_s", TIMES)
def test_a_time_that_is_none_is_left_out_by_every_command(tmp_path, time_s):
    folder = small.copied("plain", tmp_path)
    (folder / "wren.csv").write_text(
        "time_s,latitude_deg,longitude_deg\n" + f"{time_s},48.1,16.7\n" * 50
    )
    for words in (("check",), ("process", "--out", tmp_path / "out")):
        code, said, complained = run(words[0], folder / "session.toml", *words[1:])
        assert code in CODES, complained
        assert "Traceback" not in said + complained
    if time_s not in ("0", "-1e300"):
        with pytest.raises(RecordingError, match=r"time|usable"):
            read(folder / "wren.csv")


def test_absurd_numbers_in_session_and_venue_get_a_word(tmp_path):
    huge = "9" * 5000
    spoilt = {
        "session": [
            fuzz.SESSION.replace("lane = 4", f"lane = {value}")
            for value in (huge, "0x" + "f" * 9000, "1e400", "nan", "[" * 5000)
        ]
        + [fuzz.SESSION.replace("0.30", value) for value in (huge, "inf", "0x" + "f" * 9000)]
        + [fuzz.SESSION.replace("2026-05-12\n", f"{day}\n") for day in ("0000-01-01", "-1-01-01")],
        "venue": [
            fuzz.VENUE.replace('"lane": 4', f'"lane": {value}')
            for value in (huge, f'"{huge}"', "1e400", "NaN", "[" * 900 + "]" * 900)
        ]
        + [fuzz.VENUE.replace("16.4,", f"{value},") for value in (huge, "1e308", "-Infinity")]
        + ["[" * 100_000, '{"type":' * 50_000],
    }
    for target, texts in spoilt.items():
        for text in texts:
            assert_unharmed(target, text.encode())
            path = tmp_path / ("session.toml" if target == "session" else "venue.geojson")
            for name, whole in (("session.toml", fuzz.SESSION), ("venue.geojson", fuzz.VENUE)):
                (tmp_path / name).write_text(whole)
            (tmp_path / "reps.csv").write_text(fuzz.SHEET)
            path.write_text(text)
            with pytest.raises(InputError):
                read_session(tmp_path)


# --- many of everything --------------------------------------------------------------------


def test_a_sheet_of_a_hundred_thousand_rows_and_a_thousand_runners(tmp_path):
    """Rows nobody can use are counted, and the first of them told; not each in a line."""
    runners = "".join(f'[[runner]]\nid = "r{i}"\n' for i in range(1000))
    recordings = "".join(f'[[recording]]\nrunner = "r{i}"\nfile = "{i}.fit"\n' for i in range(1000))
    head = fuzz.SESSION.partition("[[runner]]")[0]
    (tmp_path / "session.toml").write_text(head + runners + recordings)
    (tmp_path / "venue.geojson").write_text(fuzz.VENUE)
    good = "".join(f"{i},1,4,r{i % 1000},r{(i + 1) % 1000}\n" for i in range(50_000))
    bad = "".join(f"{i},1,4,x{i},r1\n" for i in range(50_000))
    (tmp_path / "reps.csv").write_text("rep,zone,lane,incoming,outgoing\n" + good + bad)
    session = read_session(tmp_path)
    assert session.reps is not None
    assert len(session.reps) == 50_000
    assert len(session.recordings) == 1000
    assert len(session.remarks) < 200
    assert any("49950 more remarks" in remark for remark in session.remarks)


HEAD = fuzz.SESSION.partition("[[runner]]")[0]
SHEET_HEAD = "rep,zone,lane,incoming,outgoing,mark_m,note\n"
COACH_FILES = {  # a file of each kind that once took gigabytes or minutes, and what is said
    "a key of dots": ("session.toml", "a" + ".a" * 20_000 + " = 1\n" + fuzz.SESSION, "dots"),
    "a key of quoted dots": ("session.toml", '["a"' + ' . "a"' * 20_000 + "]\n", "dots"),
    "deep tables": ("session.toml", "a = " + "{a=" * 20_000, "nested too deep"),
    "deep lists": ("session.toml", "a = " + "[" * 20_000, "nested too deep"),
    "misspelt runners": (
        "session.toml",
        HEAD
        + "".join(f'[[runner]]\nid = "runner{i}"\n' for i in range(3000))
        + "".join(f'[[recording]]\nrunner = "runer{i}"\nfile = "{i}"\n' for i in range(3000)),
        "3000 problems",
    ),
    "a runner many times": ("session.toml", HEAD + '[[runner]]\nid = "a"\n' * 20_000, "problems"),
    "lines": ("reps.csv", SHEET_HEAD + "\n" * 16_000_000, "more than 200000 lines"),
    "tiny rows": ("reps.csv", SHEET_HEAD + "a\x0b" * 5_000_000, "more than 200000 lines"),
    "columns": ("reps.csv", SHEET_HEAD.strip() + ",a" * 100_000 + "\n", "100007 columns"),
    "sightings": (
        "film.csv",
        fuzz.FILM
        + "1,,,pass,,,36,\n" * 50_000
        + "".join(f"1,,,gate,b{i},\n" for i in range(50_000)),
        "more remarks like these",
    ),
    "lists": ("venue.geojson", "[" + "[]," * 20_000_000, "more brackets"),
    "objects": ("venue.geojson", "[" + "{}," * 20_000_000, "more brackets"),
}


@POSIX
def test_a_coachs_files_that_would_fill_the_memory_do_not(tmp_path):
    """In a child that has 400 MiB, and 30 s for each."""
    for number, (spoilt, text, _) in enumerate(COACH_FILES.values()):
        folder = tmp_path / str(number)
        folder.mkdir()
        toml = f"{fuzz.SESSION}\n{fuzz.OBSERVER}" if spoilt == "film.csv" else fuzz.SESSION
        whole = {"session.toml": toml, "reps.csv": fuzz.SHEET, "venue.geojson": fuzz.VENUE}
        for name, content in (whole | {spoilt: text}).items():
            (folder / name).write_text(content)
    child = f"""
        import pathlib, resource, sys
        from pipeline.errors import InputError
        from pipeline.read.practice.session import read_session
        pages = int(open("/proc/self/statm").read().split()[0]) if sys.platform == "linux" else 0
        room = pages * resource.getpagesize() + {ROOM_BYTES}
        if pages:
            resource.setrlimit(resource.RLIMIT_AS, (room, room))
        for number in range({len(COACH_FILES)}):
            used = sum(resource.getrusage(resource.RUSAGE_SELF)[:2])
            resource.setrlimit(resource.RLIMIT_CPU, (int(used) + {MOST_S}, -1))
            try:
                remarks = read_session(pathlib.Path({str(tmp_path)!r}) / str(number)).remarks
                print(len(remarks), " ".join(remarks)[-3000:])
            except InputError as error:
                print(len(str(error).splitlines()), str(error)[:3000].replace(chr(10), " "))
        """
    for (name, (_, _, words)), said in zip(COACH_FILES.items(), lines_of_child(child), strict=True):
        assert words in said, name
        assert int(said.split()[0]) <= 52, name


@pytest.mark.parametrize("place", ["top", "[session]", "[[runner]]"])
def test_a_session_of_many_strange_keys_is_told_in_a_page(tmp_path, place):
    keys = "".join(f"strange{i} = 1\n" for i in range(5000))
    text = (
        keys + fuzz.SESSION
        if place == "top"
        else fuzz.SESSION.replace(place, f"{place}\n{keys}", 1)
    )
    for name, content in (("session.toml", text), ("reps.csv", fuzz.SHEET),
                          ("venue.geojson", fuzz.VENUE)):  # fmt: skip
        (tmp_path / name).write_text(content)
    remarks = read_session(tmp_path).remarks
    assert len(remarks) == 51
    assert any("4950 more remarks" in remark for remark in remarks)


@POSIX
def test_a_survey_that_is_no_file_is_refused(tmp_path):
    with fuzz.within(20.0):
        for path in specials(tmp_path).values():
            with pytest.raises(VenueError):
                read_survey(path)


def test_a_survey_cell_longer_than_a_parser_takes_is_an_error(tmp_path):
    path = tmp_path / "survey.csv"
    path.write_text(fuzz.SURVEY + "x" * 200_000 + ",1,2,\n")
    former = csv.field_size_limit(131_072)  # Python's own; other libraries here may have raised it
    try:
        with pytest.raises(VenueError, match="line 4"):
            read_survey(path)
    finally:
        csv.field_size_limit(former)


def test_a_quote_astray_in_a_sheet_costs_no_row_and_is_said(tmp_path):
    """Where a cell in quotes holds several lines of text, it is still one cell."""
    (tmp_path / "session.toml").write_text(fuzz.SESSION)
    (tmp_path / "venue.geojson").write_text(fuzz.VENUE)
    rows = [f"{i},1,4,robin,wren,7.6,{'good' if i % 2 else 'late'}\n" for i in range(1, 200)]
    notes = [*rows[:50], '50,1,4,robin,wren,7.6,"two\nlines, of text"\n', *rows[50:]]
    astray = [*rows[:100], rows[100].replace("7.6,", '7.6,"'), *rows[101:]]
    both = [*notes[:120], notes[120].replace("7.6", '"7.6'), *notes[121:]]
    last = [*rows[:-1], rows[-1].replace("7.6,", '7.6,"')]
    for text, quotes in ((rows, 0), (notes, 0), (astray, 1), (both, 1), (last, 1)):
        (tmp_path / "reps.csv").write_text(SHEET_HEAD + "".join(text))
        session = read_session(tmp_path)
        assert session.reps is not None
        assert len(session.reps) == len(text)
        assert [r.mark_m for r in session.reps] == [7.6] * len(text)
        assert sum("a quote has no other" in remark for remark in session.remarks) == quotes
    assert "two\nlines, of text" in [
        r.note for r in read_reps(tmp_path, SHEET_HEAD + "".join(notes))
    ]


def read_reps(folder: Path, sheet: str) -> tuple[Rep, ...]:
    (folder / "reps.csv").write_text(sheet)
    return read_session(folder).reps or ()


def test_a_venue_of_a_thousand_wrong_features_is_told_in_a_page(tmp_path):
    path = tmp_path / "venue.geojson"
    features = [fuzz._feature("lane", [[0, 0], [1, 1]])] * 1000
    path.write_text(json.dumps({"type": "FeatureCollection", "features": features}))
    shutil.copy(path, fuzz.home().path.with_name("wrong.geojson"))
    toml = fuzz.home().path.with_name("wrong.toml")
    toml.write_text(fuzz.SESSION.replace("venue.geojson", "wrong.geojson"))
    with pytest.raises(VenueError) as told:
        read_session(toml)
    assert "1000 problems" in str(told.value)
    assert len(str(told.value).splitlines()) < 100
