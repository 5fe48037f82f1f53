"""What people really hand in: each slip gets a clear word, loses only what it must, and no old
table. Through the command line as a coach meets it."""

import dataclasses
import gzip
import json
import re
import shutil

import numpy as np
import pyarrow.parquet as pq
import pytest
import small_sessions as small

import pipeline.session.process
from pipeline import errors
from pipeline.base.values import Estimate
from pipeline.cli import app
from pipeline.measure import takeovers
from pipeline.read.practice.session import read_session
from pipeline.tables import schema

WREN = "wren.csv"  # whose file is spoilt; the third takeover is adder's and teal's alone
OTHERS = [("adder", "teal")]


def pairs(tables):
    return [(row["incoming"], row["outgoing"]) for row in tables.exchanges]


def words(tables):
    """All that a run says about its input."""
    own = [f"{row['file']}: {remark}" for row in tables.recordings for remark in row["remarks"]]
    return "\n".join([*tables.remarks, *tables.left_out, *own])


def assert_others_are_measured(tables):
    """The takeover that does not need the spoilt file is as it was, within half its error."""
    (row,) = (r for r in tables.exchanges if (r["incoming"], r["outgoing"]) == OTHERS[0])
    was = small.processed("plain").exchanges[2]
    assert row["outcome"] == was["outcome"] == "passed"
    assert abs(row["zone_time_s"] - was["zone_time_s"]) < was["zone_time_sd_s"]


def cells(change, every=1):
    """Change every n-th row of the spoilt file."""

    def spoil(folder):
        count = iter(range(10**6))
        small.each_row(
            folder / WREN, lambda row: {**row, **change} if next(count) % every == 0 else row
        )

    return spoil


def content(data):
    return lambda folder: (folder / WREN).write_bytes(data)


def gone(folder):
    (folder / WREN).unlink()


def a_folder(folder):
    gone(folder)
    (folder / WREN).mkdir()


def head_only(rows):
    def cut(folder):
        lines = (folder / WREN).read_text().splitlines(keepends=True)
        (folder / WREN).write_text("".join(lines[: rows + 1]))

    return cut


# --- one recording that cannot be used -------------------------------------------------

UNUSABLE = {
    "not there": (gone, ["no such file", "check the name"]),
    "a folder": (a_folder, ["it is a folder", "name the file inside"]),
    "empty": (content(b""), ["empty", "copy it from the unit again"]),
    "only blank lines": (content(b"\r\n\r\n  \n"), ["empty", "copy it"]),
    "gzip of nothing": (content(gzip.compress(b"")), ["empty", "copy it"]),
    "a header alone": (head_only(0), ["no rows", "export"]),
    "a picture": (content(b"\x89PNG\r\n\x1a\n" + bytes(range(256)) * 9), ["none of the known"]),
    "a zip": (content(b"PK\x03\x04" + bytes(60)), ["zip archive", "unpack it"]),
    "a web page": (content(b"<html><body>sign in</body></html>"), ["<html>", "GPX or TCX"]),
    "a letter": (content(b"dear coach, here is my run\n" * 20), ["dear coach", "columns ="]),
    "no position a number": (cells({"latitude_deg": "NaN"}), ["impossible position", "check"]),
    "null island all over": (
        cells({"latitude_deg": "0", "longitude_deg": "0.0"}),
        ["impossible position", "check"],
    ),
    "no time": (cells({"time_utc": ""}), ["no row has a time", "write times so"]),
}


@pytest.mark.parametrize(("spoil", "said"), UNUSABLE.values(), ids=UNUSABLE)
def test_a_recording_that_cannot_be_used_is_left_out_and_named(
    tmp_path, capsys, monkeypatch, spoil, said
):
    folder = small.copied("plain", tmp_path)
    spoil(folder)
    results = []
    whole = pipeline.session.process.make_session_tables
    monkeypatch.setattr(
        pipeline.session.process,
        "make_session_tables",
        lambda *a, **k: results.append(whole(*a, **k)) or results[-1],
    )
    assert app.main(["process", str(folder / "session.toml"), "--out", str(tmp_path / "out")]) == 0
    shown = capsys.readouterr()
    assert "Traceback" not in shown.out + shown.err
    (line,) = [one for one in shown.out.splitlines() if f"{WREN}: " in one]
    assert all(word in line for word in said)
    assert "expected" in line
    tables = small.rows_of(results[0])
    assert pairs(tables) == OTHERS
    assert_others_are_measured(tables)
    assert len(tables.left_out) == 1
    # each rep of the sheet that is lost with it is named by its line
    assert "3 rows of the sheet (lines 2, 3 and 5): no " in words(tables)
    (row,) = (row for row in tables.recordings if row["file"] == WREN)
    assert (row["samples"], row["clock_basis"], row["format"]) == (0, "none", None)
    assert all(word in row["remarks"][0] for word in said)


def test_the_tables_hold_no_folder_above_the_session(tmp_path):
    """Such a folder may bear a person's name."""
    folder = small.copied("plain", tmp_path)
    gone(folder)
    small.run(folder, tmp_path / "out")
    for path in (tmp_path / "out").rglob("*.parquet"):
        assert str(tmp_path) not in str(pq.read_table(path).to_pylist())


def test_check_says_the_same_before_anything_is_computed(tmp_path, capsys):
    folder = small.copied("plain", tmp_path)
    content(b"")(folder)
    assert app.main(["check", str(folder / "session.toml")]) == errors.RecordingError.exit_code
    assert f"{WREN}: the file is empty" in capsys.readouterr().out


def test_three_fixes_are_no_trace(tmp_path):
    folder = small.copied("plain", tmp_path)
    head_only(3)(folder)
    tables = small.run(folder)
    assert pairs(tables) == OTHERS
    assert "wren: no usable satellite fixes" in words(tables)
    assert_others_are_measured(tables)


# --- truncated -------------------------------------------------------------------------


@pytest.mark.parametrize("form", ["csv", "csv.gz", "fit", "fit-record", "gpx", "tcx", "nmea"])
def test_a_file_cut_off_gives_the_takeovers_before_the_cut(tmp_path, form):
    small.make(tmp_path, "plain", formats=(form,))
    (path,) = tmp_path.glob("wren.*")
    kept = path.read_bytes()[: int(0.8 * path.stat().st_size)]
    in_a_line = len(kept.rpartition(b"\n")[2]) > 5
    path.write_bytes(kept if in_a_line else kept[:-20])
    tables = small.run(tmp_path)
    expected = pairs(small.processed("plain"))[:3]
    assert pairs(tables) == expected
    (said,) = (row["remarks"] for row in tables.recordings if row["runner"] == "wren")
    assert re.search(r"cut off|breaks off|broken", " ".join(said))
    assert "sheet line 5" in words(tables)
    assert_others_are_measured(tables)


def test_lines_lost_to_a_bad_card_lose_no_takeover(tmp_path):
    folder = small.copied("plain", tmp_path)
    lines = (folder / WREN).read_text().splitlines()
    spoilt = range(50, len(lines), 97)
    for k in spoilt:
        lines[k] = "#### lost ####"
    (folder / WREN).write_text("\n".join(lines) + "\n")
    tables = small.run(folder)
    assert pairs(tables) == pairs(small.processed("plain"))
    (row,) = (row for row in tables.recordings if row["file"] == WREN)
    assert row["dropped_samples"] == len(spoilt)
    assert f"{len(spoilt)} rows" in words(tables)


# --- numbers that are none -------------------------------------------------------------

FEW_BAD = {
    "null island": (cells({"latitude_deg": "0.0", "longitude_deg": "0.0"}, 9), True),
    "half a position": (cells({"latitude_deg": ""}, 9), True),
    "out of range": (cells({"latitude_deg": "1234.5"}, 9), True),
    "no speed": (cells({"speed_mps": "NaN"}, 7), False),
    "speed 9999": (cells({"speed_mps": "9999"}, 50), False),
    "speed below 0": (cells({"speed_mps": "-1"}, 50), False),
}


@pytest.mark.parametrize(("spoil", "dropped"), FEW_BAD.values(), ids=FEW_BAD)
def test_some_bad_cells_lose_no_takeover(tmp_path, spoil, dropped):
    folder = small.copied("plain", tmp_path)
    spoil(folder)
    assert_all_as_before(small.run(folder), dropped)


@pytest.mark.parametrize("cell", ["NaN", ""])
def test_fixes_with_a_speed_and_no_position_lose_no_takeover(tmp_path, cell):
    folder = small.copied("plain", tmp_path)
    cells({"latitude_deg": cell, "longitude_deg": cell}, 9)(folder)
    assert_all_as_before(small.run(folder), False)


def assert_all_as_before(tables, dropped):
    was = small.processed("plain")
    assert pairs(tables) == pairs(was)
    for a, b in zip(tables.exchanges, was.exchanges, strict=True):
        assert abs(a["zone_time_s"] - b["zone_time_s"]) < b["zone_time_sd_s"]
    (row,) = (row for row in tables.recordings if row["file"] == WREN)
    assert (row["dropped_samples"] > 0) == dropped


def test_one_estimate_that_cannot_be_costs_itself_alone(monkeypatch):
    """As nonsense in one runner's speeds can bring about, at 290 m/s in each seventh cell."""
    whole = takeovers.measure_takeovers

    def one_impossible(*args):
        squad = whole(*args)
        first, *others = squad.takeovers
        impossible = dataclasses.replace(first, v_in_entry=Estimate(99.0, 0.1))
        return dataclasses.replace(squad, takeovers=(impossible, *others))

    monkeypatch.setattr(takeovers, "measure_takeovers", one_impossible)
    rows = small.run(small.simulated("plain").folder).exchanges
    was = small.processed("plain").exchanges
    assert rows[1:] == was[1:]
    assert rows[0]["v_in_entry_mps"] is rows[0]["v_in_entry_sd_mps"] is None
    assert len(rows[0]["remarks"]) > len(was[0]["remarks"])


# --- clocks ----------------------------------------------------------------------------


@pytest.mark.parametrize("by_s", [3_600.0, -7_200.0])
def test_a_clock_hours_off_is_said_and_costs_only_its_runners_takeovers(tmp_path, capsys, by_s):
    folder = small.copied("plain", tmp_path)
    small.later(folder / WREN, by_s)
    tables = small.run(folder)
    assert pairs(tables) in (OTHERS, pairs(small.processed("plain")))  # or put right, and said
    (said,) = (row["remarks"] for row in tables.recordings if row["file"] == WREN)
    assert "clock is off" in " ".join(said)
    assert_others_are_measured(tables)
    assert app.main(["process", str(folder / "session.toml")]) == 0
    assert f"{WREN}: its stamps" in capsys.readouterr().out


def test_a_file_of_another_day_is_left_out_and_said(tmp_path):
    folder = small.copied("plain", tmp_path)
    small.later(folder / WREN, -3 * 86_400.0)
    tables = small.run(folder)
    assert pairs(tables) == OTHERS
    assert "3.0 days before" in words(tables)
    (row,) = (row for row in tables.recordings if row["file"] == WREN)
    assert (row["clock_basis"], row["offset_s"], row["first_utc"]) == ("none", None, None)
    assert_others_are_measured(tables)


def test_a_remark_is_made_once(tmp_path):
    folder = small.copied("plain", tmp_path)
    small.later(folder / WREN, -3 * 86_400.0)
    for row in small.run(folder).recordings:
        assert len(set(row["remarks"])) == len(row["remarks"])


def test_a_sheet_an_hour_off_still_goes_with_the_traces_in_its_order(tmp_path):
    folder = small.copied("plain", tmp_path)
    small.later(folder / "reps.csv", -3_600.0, "start_utc")
    rows = small.run(folder).exchanges
    assert [row["rep"] for row in rows] == [1, 2, 3, 4]


def test_recordings_all_of_another_day_than_the_session_are_said(tmp_path):
    folder = small.copied("plain", tmp_path)
    for path in small.track_files(folder):
        small.later(path, 3 * 86_400.0)
    assert read_session(folder / "session.toml").date in words(small.run(folder))


def test_a_wrong_date_in_the_session_is_said_once_for_all_rows_of_the_sheet(tmp_path):
    folder = small.copied("plain", tmp_path)
    small.edit(folder / "session.toml", lambda t: re.sub(r"date = \S+", "date = 2026-01-01", t))
    tables = small.run(folder)
    assert pairs(tables) == pairs(small.processed("plain"))
    (remark,) = [r for r in tables.remarks if "is not on the session's day, 2026-01-01" in r]
    assert remark.startswith("reps.csv, lines 2 to 5 (4 rows): start_utc: ")


# --- two units of one runner -----------------------------------------------------------


def second_unit(folder, change):
    shutil.copy(folder / WREN, folder / "wren-2.csv")
    change(folder / "wren-2.csv")
    with (folder / "session.toml").open("a") as file:
        file.write('\n[[recording]]\nrunner = "wren"\nfile = "wren-2.csv"\n')


def hundred_metres_north(path):
    small.each_row(
        path, lambda row: {**row, "latitude_deg": f"{float(row['latitude_deg']) + 9e-4:.7f}"}
    )


def three_seconds_late(path):
    small.later(path, 3.0)


DISAGREEING = [
    hundred_metres_north,
    three_seconds_late,
]


@pytest.mark.parametrize("change", DISAGREEING)
def test_two_units_that_disagree_are_named_and_the_likelier_is_used(tmp_path, change):
    folder = small.copied("plain", tmp_path)
    second_unit(folder, change)
    tables = small.run(folder)
    assert_all_as_before_but_for_a_file(tables)
    said = [remark for remark in words(tables).splitlines() if "disagree" in remark]
    assert len(said) == 1
    assert all(name in said[0] for name in ("wren", "wren.csv", "wren-2.csv"))
    assert "was used" in said[0]


def assert_all_as_before_but_for_a_file(tables):
    was = small.processed("plain")
    assert pairs(tables) == pairs(was)
    for a, b in zip(tables.exchanges, was.exchanges, strict=True):
        assert abs(a["zone_time_s"] - b["zone_time_s"]) < b["zone_time_sd_s"]
    assert {row["file"] for row in tables.recordings} >= {WREN, "wren-2.csv"}


def test_two_units_that_agree_are_not_remarked(tmp_path):
    folder = small.copied("plain", tmp_path)
    rng = np.random.default_rng(3)

    def jitter(path):
        small.each_row(
            path,
            lambda row: {
                **row,
                "latitude_deg": f"{float(row['latitude_deg']) + rng.normal(0, 1e-6):.7f}",
            },
        )

    second_unit(folder, jitter)
    tables = small.run(folder)
    assert "disagree" not in words(tables)
    assert_all_as_before_but_for_a_file(tables)


def test_one_file_handed_in_for_two_runners_is_said(tmp_path):
    folder = small.copied("plain", tmp_path)
    shutil.copy(folder / "adder.csv", folder / WREN)
    said = words(small.run(folder))
    assert any("adder.csv" in line and WREN in line for line in said.splitlines())


# --- the sheet -------------------------------------------------------------------------


def test_unknown_runners_in_the_sheet_lose_the_row_and_not_the_takeover(tmp_path):
    folder = small.copied("plain", tmp_path)
    small.each_row(
        folder / "reps.csv", lambda row: {**row, "incoming": "adler"} if row["rep"] == "1" else row
    )
    tables = small.run(folder)
    assert pairs(tables) == pairs(small.processed("plain"))
    assert [row["rep"] for row in tables.exchanges] == [None, 2, 3, 4]
    assert 'reps.csv, line 2: row left out: incoming "adler"' in words(tables)
    assert 'did you mean "adder"?' in words(tables)


# --- what stops the session ------------------------------------------------------------


def features(change):
    def spoil(folder):
        venue = json.loads((folder / "venue.geojson").read_text())
        change(venue["features"])
        (folder / "venue.geojson").write_text(json.dumps(venue))

    return spoil


def zero_length_zone(every):
    entry = {
        (f["properties"]["lane"], f["properties"]["zone"]): f["geometry"]["coordinates"]
        for f in every
        if f["properties"].get("line") == "entry"
    }
    for f in every:
        if f["properties"].get("line") == "exit":
            place = f["properties"]["lane"], f["properties"]["zone"]
            f["geometry"]["coordinates"] = entry[place]


def reversed_lane(every):
    for f in every:
        if f["properties"]["kind"] == "lane":
            f["geometry"]["coordinates"].reverse()


def swapped(every):
    for f in every:
        at = f["geometry"]["coordinates"]
        f["geometry"]["coordinates"] = (
            [p[::-1] for p in at] if isinstance(at[0], list) else at[::-1]
        )


def vertex(at):
    return features(lambda every: every[0]["geometry"]["coordinates"].__setitem__(3, at))


def appended(text):
    def spoil(folder):
        with (folder / "session.toml").open("a") as file:
            file.write(text)

    return spoil


def becomes_a_folder(name):
    def spoil(folder):
        (folder / name).unlink()
        (folder / name).mkdir()

    return spoil


def all_gone(folder):
    for path in small.track_files(folder):
        path.unlink()


STOPS = {
    "zero-length zone": (features(zero_length_zone), 6, ["a zone 0.00 m long", "correct the two"]),
    "lane line reversed": (features(reversed_lane), 6, ["running direction", "turn the order"]),
    "latitude first": (features(swapped), 6, ["look swapped", "longitude first"]),
    "venue at 0, 0": (vertex([0, 0]), 6, ["position 4", "0, 0", "survey it again"]),
    "venue of no number": (vertex([float("nan"), 1]), 6, ["position 4", "not a number", "survey"]),
    "a zone line twice": (features(lambda e: e.append(e[-1])), 6, ["a second exit", "delete"]),
    "no lane in the venue": (features(list.clear), 6, ["no lane's line", "LineString"]),
    "no venue": (lambda f: (f / "venue.geojson").unlink(), 6, ["no such file", "venue"]),
    "venue a folder": (becomes_a_folder("venue.geojson"), 6, ["cannot be read", "check venue"]),
    "venue empty": (lambda f: (f / "venue.geojson").write_text(""), 6, ["empty", "export"]),
    "venue cut off": (
        lambda f: small.edit(f / "venue.geojson", lambda t: t[: len(t) // 2]),
        6,
        ["line 1, column", "no JSON", "export"],
    ),
    "a runner twice": (
        appended('\n[[runner]]\nid = "wren"\n'),
        5,
        ['"wren" stands twice', "delete one"],
    ),
    "a recording twice": (
        appended('\n[[recording]]\nrunner = "wren"\nfile = "./wren.csv"\n'),
        5,
        ["wren.csv", "twice", "delete one"],
    ),
    "a recording of nobody": (
        appended('\n[[recording]]\nrunner = "wrem"\nfile = "x.csv"\n'),
        5,
        ["wrem", 'did you mean "wren"?'],
    ),
    "session cut off": (
        lambda f: small.edit(f / "session.toml", lambda t: t[:-8]),
        5,
        ["not TOML", "correct that line"],
    ),
    "session empty": (lambda f: (f / "session.toml").write_text(""), 5, ["[session]", "expected"]),
    "session a folder": (becomes_a_folder("session.toml"), 5, ["no such file", "check the path"]),
    "no sheet": (lambda f: (f / "reps.csv").unlink(), 5, ["no such file", "drop it"]),
    "sheet empty": (lambda f: (f / "reps.csv").write_text(""), 5, ["empty sheet", "drop reps"]),
    "sheet a folder": (becomes_a_folder("reps.csv"), 5, ["cannot be read", "correct reps"]),
    "no recording at all": (all_gone, 7, ["none of the recordings", "wren.csv: no such file"]),
}  # fmt: skip


@pytest.fixture(scope="module")
def a_lake(tmp_path_factory):
    """An OUT that already holds the session."""
    out = tmp_path_factory.mktemp("lake")
    small.run(small.simulated("plain").folder, out)
    return out, contents(out)


def contents(folder):
    return {p.relative_to(folder): p.read_bytes() for p in folder.rglob("*") if p.is_file()}


@pytest.mark.parametrize(("spoil", "code", "said"), STOPS.values(), ids=STOPS)
def test_what_stops_a_session_says_why_and_leaves_the_old_tables(
    tmp_path, capsys, a_lake, spoil, code, said
):
    out, before = a_lake
    folder = small.copied("plain", tmp_path)
    spoil(folder)
    assert app.main(["process", str(folder / "session.toml"), "--out", str(out)]) == code
    shown = capsys.readouterr()
    assert shown.out == ""
    assert shown.err.startswith("batontrace: " + str(folder))  # where
    assert all(word in shown.err for word in said), shown.err
    assert "Traceback" not in shown.err
    # one problem, one line; several are listed under it
    _, *more = shown.err.rstrip("\n").split("\n")
    assert all(line.startswith("  ") for line in more), shown.err
    assert contents(out) == before


def test_one_runner_alone_is_nothing_measured_and_leaves_the_old_tables(tmp_path, capsys, a_lake):
    out, before = a_lake
    folder = small.copied("plain", tmp_path)
    for path in small.track_files(folder)[1:]:
        path.unlink()
    target = tmp_path / "lake"
    shutil.copytree(out, target)
    code = app.main(["process", str(folder / "session.toml"), "--out", str(target)])
    assert code == errors.NothingMeasured.exit_code
    assert "teal.csv: no such file" in capsys.readouterr().err
    assert contents(target) == before


def test_an_out_that_is_a_file_is_said_and_left_alone(tmp_path, capsys):
    out = tmp_path / "out"
    out.write_text("mine")
    session = small.simulated("plain").folder / "session.toml"
    assert app.main(["process", str(session), "--out", str(out)]) == errors.OutputError.exit_code
    shown = capsys.readouterr().err
    assert shown.startswith(f"batontrace: {out}")
    assert "choose another --out" in shown
    assert out.read_text() == "mine"


def test_processing_again_with_less_replaces_the_session_whole_when_asked_to(tmp_path):
    """Not a mixture of old and new: rows, curves and record are of one run."""
    folder = small.copied("plain", tmp_path)
    small.run(folder, tmp_path / "out")
    gone(folder)
    tables = small.run(folder, tmp_path / "out", anyway=True)
    record = json.loads(next((tmp_path / "out").rglob("provenance.json")).read_text())
    assert record["tables"]["exchanges"]["rows"] == len(tables.exchanges) == 1
    assert WREN not in record["inputs"]
    assert len(list((tmp_path / "out").rglob("*.parquet"))) == len(schema.TABLES)
