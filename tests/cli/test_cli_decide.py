"""The commands that advise, as a stranger meets them: what they print, write, refuse."""

import html
import itertools
import math
import re
import shutil
from pathlib import Path

import pandas as pd
import pytest
from command import run
from lakes import NAMES, QUICK, ordered_pairs, store_lake
from random_tables import random_table
from stored_sessions import ASKED, files_below

from pipeline import errors
from pipeline.advise import decisions
from pipeline.advise.settings import Settings
from pipeline.base import defaults
from pipeline.base.words import CAUTION, TENTH, chance_in_words
from pipeline.cli import terminal
from pipeline.cli.terminal import signed
from pipeline.tables import folders, lake, schema, writing

FLAT = [word for name in NAMES for word in ("--flat", f"{name}=48.0")]
# What each command writes.
TABLES = {
    "runners": {"runners"},
    "marks": {"runners", "marks", "progress", "causes", "verdicts"},
    "order": {"runners", "orders"},
    "progress": {"progress"},
}
EVENTS = ("4x100", "4x400")
HOSTILE = ("<script>alert(1)</script>", "[red]x[/red]", "../../etc/passwd", '=1+1|"ß\N{SNOWMAN}')


pytestmark = pytest.mark.usefixtures("light")


@pytest.fixture(scope="module")
def done(two_events, tmp_path_factory):
    """Each command run once: what it said, and where its tables are."""
    found = {}
    for command in TABLES:
        out = Path(shutil.copytree(two_events, tmp_path_factory.mktemp(command) / "out"))
        found[command] = (*run(command, out), out)
    return found


# --- what is said and written --------------------------------------------------------------------


@pytest.mark.parametrize("command", TABLES)
def test_a_command_says_plain_words_and_writes_its_tables(done, command):
    code, said, complained, out = done[command]
    assert (code, complained) == (0, "")
    assert "\x1b" not in said
    assert "nan" not in re.findall(r"\w+", said)
    written = {path.parent.name for path in out.glob("*/part-0.parquet")}
    assert written == TABLES[command]
    assert f"Written in {out}: " in said
    for name in written:
        assert f" {name}" in said.split(f"Written in {out}:")[1]
        frame = pd.read_parquet(out / name / "part-0.parquet")
        assert len(frame) > 0
        assert list(frame.columns) == list(schema.facts(name).names)


@pytest.mark.parametrize("command", ["marks", "order"])
def test_where_marks_are_advised_the_cautions_stand(done, command):
    said = done[command][1]
    assert CAUTION in said
    assert ("In the zone" in said) or ("in the zone" in said) or ("in zone, %" in said)
    if command == "marks":
        assert TENTH in said


def test_marks_prints_a_line_a_pair_with_what_the_table_holds(done):
    _, said, _, out = done["marks"]
    table = lake.read_decision(out, "marks")
    used = {
        (row["event"], row["incoming"], row["outgoing"]): row["mark_m"]
        for row in lake.read_decision(out, "progress").to_pylist()
    }
    advised = table.filter(table["advised"]).to_pylist()
    events = {event: said.split(f"{event}: zone")[1].split("Pairs:")[0] for event in EVENTS}
    for row in advised:
        lines = events[row["event"]].splitlines()
        wanted = f"{row['mark_m']:.2f}"
        (line,) = [
            x for x in lines if x.split()[:2] == [row["incoming"], row["outgoing"]] and wanted in x
        ]
        for column, digits in (("pass_m", 0), ("zone_time_s", 2)):
            stem = column.rsplit("_", 1)
            sd, spread = (row[f"{stem[0]}_{word}_{stem[1]}"] for word in ("sd", "spread"))
            assert f"{row[column]:.{digits}f} ± {math.hypot(sd, spread):.{digits}f}" in line
        assert chance_in_words(row["p_in_zone"]) in line
        mark_m = used.get((row["event"], row["incoming"], row["outgoing"]))
        if row["event"] == "4x100" and mark_m is not None:
            foot_m = row["mark_m"] / row["mark_feet"]
            feet = [
                x.replace("½", ".5").replace("−", "-") for x in (line.split()[2], line.split()[5])
            ]
            assert float(feet[0]) == pytest.approx(mark_m / foot_m, abs=0.51)
            moved = (row["mark_m"] - mark_m) / foot_m
            assert float(feet[1]) == pytest.approx(moved, abs=0.51)
    assert "One foot-length farther" in said
    assert "One foot-length nearer" in said


def test_the_list_of_marks_fits_eighty_columns(done):
    _, said, _, _ = done["marks"]
    heads = [x for x in said.splitlines() if x.startswith("incoming  outgoing")]
    rows = [x for x in said.splitlines() if x.split()[:1] and x.split()[0] in NAMES]
    assert len(heads) == 2
    assert len(rows) == 2 * len(ordered_pairs(NAMES))
    assert max(map(len, (*heads, *rows))) <= 80


def test_both_commands_say_what_their_advice_is_for(out):
    for command in ("marks", "order"):
        said = run(command, out, "--print-only")[1]
        assert "for practice speed; a failure costs 3 s (final)" in said
        assert f"running into each other {defaults.COLLISION_S:g} s more" in said
        words = ("--speed", "race", "--stake", "4.5", "--collisions", "time")
        said = run(command, out, *words, "--print-only")[1]
        assert (
            "for race speed; a failure costs 4.5 s, running into each other its time alone" in said
        )


def test_a_crouched_start_is_said_to_change_next_to_nothing(out):
    assert "Salo & Bezodis" not in run("marks", out, "--print-only")[1]
    assert "Salo & Bezodis" in run("marks", out, "--start", "crouched", "--print-only")[1]


def test_one_pairs_whole_curve_is_printed(out):
    code, said, _ = run("marks", out, "--pair", "heron", "otter")
    assert code == 0
    table = lake.read_decision(out, "marks").to_pylist()
    rows = [r for r in table if (r["incoming"], r["outgoing"]) == ("heron", "otter")]
    lines = [x for x in said.splitlines() if re.match(r"\s*(advised\s+)?\d+½?\s+\d+\.\d\d\s", x)]
    assert len(lines) == len(rows)
    (advised,) = [x for x in lines if "advised" in x]
    (row,) = [r for r in rows if r["advised"]]
    assert f" {row['mark_m']:.2f} " in advised


def test_progress_says_how_runners_change_and_how_often_the_advice_held(done):
    _, said, _, out = done["progress"]
    rows = [row for row in lake.read_decision(out, "progress").to_pylist() if row["foretold"]]
    n = sum(row["foretold"] for row in rows)
    told, held = (
        10 * sum(row["foretold"] * row[name] for row in rows) / n
        for name in ("p_foretold", "p_foretold_held")
    )
    assert n > 0
    assert f"of {n} takeovers foretold from the days before, {told:.1f} in 10 were" in said
    assert f"{held:.1f} in 10 did" in said
    assert "more practice" in said
    assert "needed" not in said
    # no back-test without an earlier day, and none in `marks`
    rows = lake.read_decision(done["marks"][3], "progress").to_pylist()
    assert {row["foretold"] for row in rows} == {None}


def test_progress_and_runners_say_how_each_runner_changes(tmp_path):
    store_lake(tmp_path, evenings=3, reps=8)
    said = {command: run(command, tmp_path)[1] for command in ("progress", "runners")}
    rows = lake.read_decision(tmp_path, "runners").to_pylist()
    changed = [row for row in rows if row["lag_trend_s"] is not None]
    assert changed
    for words, row in itertools.product(said.values(), changed):
        (line,) = [
            x
            for x in words.split("change over a week")[1].splitlines()
            if x.split()[:1] == [row["runner"]]
        ]
        for column in ("lag_trend_s", "t20_trend_s"):
            sd = row[schema.sd_column("runners", column)]
            wanted = "-" if sd is None else f"{signed(row[column], 3)} ± {sd:.3f}"
            assert wanted in line


def test_orders_are_printed_with_their_marks_and_who_drops_out(out):
    names = ("magpie", *NAMES[1:])
    store_lake(out, seed=1, names=names, evenings=1, reps=6, event="4x400")  # magpie's only one
    words = ("--event", "4x100", "--team", "heron,otter,rowan,stoat", "--team", "magpie")
    code, said, _ = run("order", out, *words)
    assert code == 0
    first = lake.read_decision(out, "orders").to_pylist()[0]
    legs = [first[f"leg{k}"] for k in (1, 2, 3, 4)]
    (line,) = [x for x in said.splitlines() if x.split()[:1] == ["1"]]
    assert line.split()[1:5] == legs
    assert f"{first['time_s']:.2f} ± {first['time_sd_s']:.2f}" in line
    assert "right, left, right, left" in said
    for one, other in itertools.pairwise(legs):
        assert f"{one} to {other}: " in said.split("Marks of the first order")[1]
    for name in legs:
        assert f"without {name}: " in said.split("If one drops out")[1]


def test_wishes_of_the_command_line_are_kept(out):
    words = ("--fix", "otter=4", "--forbid", "heron=1", "--hand", "rowan=left")
    assert run("order", out, *words, "--lane", 7)[0] == 0
    rows = lake.read_decision(out, "orders").to_pylist()
    assert [[r[f"leg{k}"] for k in (1, 2, 3, 4)] for r in rows] == [
        ["stoat", "rowan", "heron", "otter"]
    ]
    assert {row["lane"] for row in rows} == {7}


@pytest.mark.parametrize(
    ("words", "field", "value"),
    [
        (("--stake", "heat"), "failure_s", 10.0),
        (("--stake", 2.5), "failure_s", 2.5),
        (("--collisions", "time"), "collision_s", 0.0),
        (("--speed", "race"), "race", True),
        (("--wind", -1.5), "wind_mps", -1.5),
        (("--start", "crouched"), "crouched", True),
        (("--stand", 3), "stand_m", 3.0),
        (("--stand", "best"), "free_stand", True),
        (("--pace", 0.9), "pace", 0.9),
        (("--rules", "older"), "older", True),
        (("--latest-pass", 22), "latest_m", 22.0),
        (("--foot", "otter=0.27", "--foot", "a=b=0.3"), "feet_m", {"otter": 0.27, "a=b": 0.3}),
        (("--seed", 7), "seed", 7),
        (("--event", "4x400"), "event", "4x400"),
        (("--team", "a,b", "--team", " c ,a"), "team", ("a", "b", "c")),
    ],
    ids=lambda x: str(x[0]) if isinstance(x, tuple) else "",
)
def test_every_option_arrives(words, field, value, monkeypatch):
    asked = []

    def catch(out, settings, *, pair, write, progress):
        assert (pair, progress) == (None, None)  # no bar where no terminal is
        asked.append((out, settings, write))
        raise errors.UsageError("caught", "here")

    monkeypatch.setattr(decisions, "decide_marks", catch)
    assert run("marks", "lake", *words)[0] == 2
    ((out, settings, write),) = asked
    assert (out, write) == ("lake", True)
    assert getattr(settings, field) == value
    # and nothing else was moved
    plain = Settings(**QUICK)
    others = {f for f in Settings.__dataclass_fields__ if f != field}
    assert all(getattr(settings, f) == getattr(plain, f) for f in others)


@pytest.mark.parametrize("command", TABLES)
def test_print_only_writes_nothing(season, command):
    before = files_below(season)
    code, said, _ = run(command, season, "--print-only")
    assert code == 0
    assert "Nothing written" in said
    assert files_below(season) == before


def test_an_event_is_taken_alone(two_events, tmp_path):
    out = shutil.copytree(two_events, tmp_path / "out")
    assert run("marks", out, "--event", "4x400")[0] == 0
    assert set(lake.read_decision(out, "marks")["event"].to_pylist()) == {"4x400"}
    out = shutil.copytree(two_events, tmp_path / "other")
    assert run("progress", out, "--event", "4x100")[0] == 0
    assert set(lake.read_decision(out, "progress")["event"].to_pylist()) == {"4x100"}


# --- the card --------------------------------------------------------------------------------


def test_the_card_holds_all_pairs(out, tmp_path):
    page = tmp_path / "cards" / "evening.html"  # a folder that is made for it
    code, said, _ = run("marks", out, "--card", page, "--print-only")
    assert code == 0
    assert f"Card: {page}" in said
    text = html.unescape(re.sub(r"<[^>]+>", " ", page.read_text(encoding="utf-8")))
    found = decisions.decide_marks(out, Settings(**QUICK), write=False)
    pairs = found.advices[0].pairs
    assert [(p.incoming, p.outgoing) for p in pairs] == ordered_pairs(NAMES)
    for pair in pairs:
        assert pair.incoming in text
        assert f"{pair.best.mark_m:.2f}" in text
    assert "stop on pain" in text


def test_a_card_leaves_no_relay_out(two_events, tmp_path):
    page = tmp_path / "card.html"
    code, said, _ = run("marks", two_events, "--card", page, "--print-only")
    assert code == 0
    assert f"Card: {page} ({', '.join(EVENTS)}, a sheet each)" in said
    text = page.read_text(encoding="utf-8")
    assert [f"{what}, {event}" in text for what, event in zip(
        ("Check marks", "When to go"), EVENTS, strict=True)] == [True, True]  # fmt: skip


def test_an_order_has_a_card_with_its_three_marks(out, tmp_path):
    page = tmp_path / "race.html"
    code, said, _ = run("order", out, "--lane", "6", "--card", page, "--print-only")
    assert code == 0
    text = html.unescape(re.sub(r"<[^>]+>", " ", page.read_text(encoding="utf-8")))
    marks = [line for line in said.splitlines() if "receiver" in line and "feet" in line]
    assert len(marks) >= 3
    for zone in (1, 2, 3):
        metres = re.search(r"([\d.]+) m, receiver", marks[zone - 1])
        assert metres
        assert f"zone {zone}, lane 6" in text
        assert f"{metres[1]} m" in text.replace("\xa0", " ")
    assert "stop on pain" in text
    assert run("order", out, "--card", tmp_path / "race.pdf")[0] == errors.UsageError.exit_code
    # practice speed, and a race is for race speed: said on both
    for words in (said, text):
        assert "These marks are for practice speed" in words
    code, said, _ = run("order", out, "--speed", "race", "--card", page, "--print-only")
    assert "for practice speed" not in said + page.read_text(encoding="utf-8")


def test_a_card_that_cannot_be_written_is_an_output_error(out, tmp_path):
    (tmp_path / "file").touch()
    code, _, complained = run("marks", out, "--card", tmp_path / "file" / "card.html")
    assert code == errors.OutputError.exit_code
    assert "cannot be written" in complained


def test_ids_are_words_whatever_they_look_like(tmp_path):
    out, page = tmp_path / "out", tmp_path / "card.html"
    store_lake(out, names=HOSTILE)
    inside = {path for path in tmp_path.rglob("*") if not path.is_relative_to(out)}
    for words in (("runners",), ("marks", "--card", page), ("order",), ("progress",)):
        code, said, complained = run(words[0], out, *words[1:])
        assert (code, complained) == (0, "")
        assert all(terminal.show_unseen(name) in said for name in HOSTILE), words[0]
    text = page.read_text(encoding="utf-8")
    assert "<script" not in text.lower().split("</head>")[1]
    after = {path for path in tmp_path.rglob("*") if not path.is_relative_to(out)}
    assert after - inside == {page}
    names = set(lake.read_decision(out, "runners")["runner"].to_pylist())
    assert names == set(HOSTILE)
    assert run("order", out, "--fix", f"{HOSTILE[3]}=4", "--print-only")[0] == 0


# --- what cannot be ----------------------------------------------------------------------------


@pytest.mark.parametrize("command", TABLES)
@pytest.mark.parametrize("kind", ["missing", "empty", "a file", "no session"])
def test_an_out_without_sessions_says_how_to_get_one(command, kind, tmp_path):
    out = tmp_path / "out"
    if kind == "a file":
        out.write_text("mine")
    elif kind != "missing":
        out.mkdir()
        if kind == "no session":
            (out / "exchanges").mkdir()
    before = files_below(tmp_path)
    code, said, complained = run(command, out)
    assert code == errors.InputError.exit_code
    assert said == ""
    assert str(out) in complained
    assert f"batontrace process SESSION.toml --out {out}" in complained
    assert complained.count("\n") == 1
    assert files_below(tmp_path) == before


@pytest.mark.parametrize("command", ["runners", "marks"])
def test_a_session_that_is_broken_is_named_and_the_others_serve(command, out):
    folders.part_path(out, "speed_curves", "evening-5-1").write_bytes(b"PAR1 but no table")
    code, said, complained = run(command, out)
    assert (code, complained) == (0, "")
    assert "session evening-5-1 was left out" in said.split("Remarks")[1]


def test_a_lake_of_sessions_without_a_takeover_has_nothing_measured(tmp_path):
    tables = {name: schema.empty_table(name) for name in schema.TABLES}
    tables["recordings"] = random_table("recordings", "quiet")
    writing.write_session(tmp_path, "quiet", tables, ASKED)
    for command in TABLES:
        code, _, complained = run(command, tmp_path)
        assert code == errors.NothingMeasured.exit_code
        assert "no takeover" in complained


# Words, and what the complaint has to hold.
NONSENSE = {
    "event": (("marks", "--event", "5x100"), ("5x100", "4x100, 4x400")),
    "event, order": (("order", "--event", "5x100"), ("5x100", "4x100, 4x400")),
    "event, runners": (("runners", "--event", ""), ("event", "4x100, 4x400")),
    "event, progress": (("progress", "--event", "4x"), ("4x", "4x100, 4x400")),
    "team of one": (("marks", "--team", "heron"), ("heron", "two runners or more")),
    "team of three": (("order", "--team", "heron,otter,rowan"), ("team", "four or more")),
    "pair": (("marks", "--pair", "heron", "gull"), ("heron to gull", "two runners")),
    "stake": (("marks", "--stake", 150), ("cost of a failure", "150", "0 to 100")),
    "stake, below 0": (("order", "--stake", -1), ("cost of a failure", "-1", "seconds")),
    "stake, no number": (("marks", "--stake", "nan"), ("--stake nan", "heat, final, record")),
    "stake, no such case": (("order", "--stake", "semi"), ("semi", "heat, final, record")),
    "collisions": (("marks", "--collisions", "never"), ("--collisions never", "avoid, time")),
    "collisions, below 0": (("order", "--collisions", -1), ("running into", "-1", "seconds")),
    "wind": (("order", "--wind", 40), ("wind", "40", "m/s")),
    "stand": (("marks", "--stand", -3), ("stand", "-3", "metres")),
    "stand, words": (("marks", "--stand", "there"), ("--stand there", "metres", "best")),
    "stand, no number": (("marks", "--stand", "nan"), ("--stand nan", "metres", "best")),
    "pace": (("marks", "--pace", 0), ("pace", "0", "share")),
    "latest": (("marks", "--latest-pass", 400), ("400", "metres")),
    "seed": (("progress", "--seed", -1), ("seed", "-1")),
    "foot": (("marks", "--foot", "heron"), ("--foot heron", "RUNNER=")),
    "foot, words": (("marks", "--foot", "heron=big"), ("--foot", "big", "number")),
    "foot, too long": (("marks", "--foot", "heron=3"), ("heron", "3", "metres")),
    "card": (("marks", "--card", "card.pdf"), ("card.pdf", ".html")),
    "lane": (("order", "--lane", 12), ("lane", "12", "1 to 9")),
    "fix, no leg": (("order", "--fix", "heron"), ("--fix heron", "RUNNER=LEG")),
    "fix, leg 5": (("order", "--fix", "heron=5"), ("--fix", "5", "1, 2, 3 or 4")),
    "fix, stranger": (("order", "--fix", "gull=1"), ("gull", "heron, otter, rowan, stoat")),
    "fix, twice": (
        ("order", "--fix", "heron=1", "--fix", "otter=1"),
        ("no order is left", "leg 1"),
    ),
    "forbid": (("order", "--forbid", "=1"), ("--forbid =1", "RUNNER=LEG")),
    "forbid, all": (
        ("order", *(word for name in NAMES for word in ("--forbid", f"{name}=2"))),
        ("no order is left", "leg 2: nobody"),
    ),
    "hand": (("order", "--hand", "heron=both"), ("heron", "both", "left or right")),
    "flat": (("order", "--flat", "heron=fast"), ("--flat", "fast", "47.9")),
    "flat, stranger": (("order", "--flat", "gull=48"), ("gull", "heron, otter, rowan, stoat")),
    "no flat": (("order", "--event", "4x400"), ("flat", "--flat")),
    "flat of some": (("order", "--event", "4x400", *FLAT[:4]), ("rowan", "--flat")),
    "hand, 4x400": (("order", "--event", "4x400", *FLAT, "--hand", "heron=left"), ("hands",)),
}


@pytest.mark.parametrize(("words", "holds"), NONSENSE.values(), ids=NONSENSE)
def test_nonsense_is_a_usage_error_that_says_what_can_be(words, holds, season, two_events):
    out = two_events if "--event" in words else season
    before = files_below(out)
    code, _, complained = run(words[0], out, *words[1:], "--print-only")
    assert code == errors.UsageError.exit_code
    for part in holds:
        assert part in complained
    assert complained.startswith("batontrace: ")
    assert complained.count("\n") == 1
    assert "Traceback" not in complained
    assert files_below(out) == before


@pytest.mark.parametrize(
    "words",
    [
        ("marks",),
        ("marks", "x", "--speed", "slow"),
        ("marks", "x", "--risk", 0.1),
        ("runners", "x", "--half-life", 30),
        ("order", "--stak"),
    ],
)
def test_a_wrong_command_line_shows_the_usage(words):
    code, _, complained = run(*words)
    assert code == errors.UsageError.exit_code
    assert "Usage" in complained
    assert "Traceback" not in complained


def test_a_4x400_needs_flat_times_and_runs_with_them(two_events, tmp_path):
    out = shutil.copytree(two_events, tmp_path / "out")
    assert run("order", out, "--event", "4x400", *FLAT)[0] == 0
    rows = lake.read_decision(out, "orders").to_pylist()
    assert {row["event"] for row in rows} == {"4x400"}
    # four legs of 48.0 s flat: faster than their sum, for three have a flying start
    assert all(4 * 44.0 < row["time_s"] < 4 * 48.0 for row in rows)
