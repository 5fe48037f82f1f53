"""From lakes to tables of decisions: what is written, from what, and what lakes may be like.

Lakes lie on disk here: evenings of invented squads (tests/support/squads.py), stored as
processing stores them. The last test processes a sample session and asks for advice on it.
"""

import contextlib
import itertools
import json
import math
import shutil
from collections import Counter
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
import pytest
from checkout import SAMPLES
from hypothesis import HealthCheck, given
from hypothesis import settings as trials
from hypothesis import strategies as st
from lakes import NAMES, QUICK, ordered_pairs, random_lake, store_lake
from random_tables import with_values
from stored_sessions import ASKED, files_below

from pipeline.advise import decisions, orders
from pipeline.advise.decisions import Wishes
from pipeline.advise.settings import Settings
from pipeline.errors import InputError, NothingMeasured, OutputError, UsageError
from pipeline.session.process import make_session_tables
from pipeline.tables import folders, lake, provenance, schema, writing

LARCH = SAMPLES / "larch-straight"


pytestmark = pytest.mark.usefixtures("light")


def asked(**how) -> Settings:
    return Settings(**{**QUICK, **how})


# --- tables on disk ----------------------------------------------------------------------------


def test_marks_writes_what_it_returns_where_everybody_finds_it(two_events, tmp_path):
    out = Path(shutil.copytree(two_events, tmp_path / "out"))
    found = decisions.decide_marks(out, asked())
    assert set(found.tables) == {"runners", "marks", "progress", "causes", "verdicts"}
    for name, table in found.tables.items():
        schema.check_table(name, table)
        assert lake.read_decision(out, name).equals(table)
        frame = pd.read_parquet(out / name / "part-0.parquet")
        assert len(frame) == table.num_rows > 0
        assert list(frame.columns) == list(schema.facts(name).names)
    frame = pd.read_parquet(out / "marks" / "part-0.parquet")
    one_each = frame[frame.advised].groupby(["event", "incoming", "outgoing"]).size()
    assert set(one_each) == {1}
    assert len(one_each) == 2 * len(ordered_pairs(NAMES))
    assert (frame.practice_gain_s.notna() == frame.advised).all()
    numbers = frame.select_dtypes("number").drop(columns=["mark_feet", "practice_gain_s"])
    assert not numbers.isna().any().any()


def test_each_record_says_what_its_table_rests_on(out):
    decisions.decide_marks(out, asked(failure_s=2.0, seed=9))
    read = {f"exchanges/session={x}/part-0.parquet" for x in ("evening-5-1", "evening-5-2")}
    for name in ("runners", "marks", "progress"):
        record = json.loads((out / "provenance" / f"{name}.json").read_text())
        assert read < set(record["inputs"])
        for path, digest in record["inputs"].items():
            assert provenance.file_sha256(out / path) == digest
        assert (record["settings"]["failure_s"], record["settings"]["seed"]) == (2.0, 9)
        assert record["versions"]
        assert record["tables"][name]["sha256"] == provenance.file_sha256(
            out / name / "part-0.parquet"
        )


def test_the_same_seed_gives_the_same_bytes_and_another_does_not(out, season, tmp_path):
    decisions.decide_marks(out, asked())
    again = Path(shutil.copytree(season, tmp_path / "again"))
    decisions.decide_marks(again, asked())
    for name in ("runners", "marks", "progress"):
        assert (out / name / "part-0.parquet").read_bytes() == (
            again / name / "part-0.parquet"
        ).read_bytes()
    decisions.decide_marks(again, asked(seed=2))
    assert lake.read_decision(out, "runners").equals(lake.read_decision(again, "runners"))
    assert not lake.read_decision(out, "marks").equals(lake.read_decision(again, "marks"))


def test_old_tables_survive_a_write_that_fails(out):
    decisions.decide_marks(out, asked())
    blocked = out / "progress" / "part-0.parquet"
    blocked.unlink()
    (blocked / "something").mkdir(parents=True)  # a folder where the file is to be
    before = files_below(out)
    with pytest.raises(OutputError) as caught:
        decisions.decide_marks(out, asked(seed=2))
    assert str(out) in caught.value.where
    assert files_below(out) == before
    assert lake.read_decision(out, "marks").num_rows > 0


def test_decisions_do_not_become_data(out):
    """Tables of decisions in OUT change nothing in the next ones."""
    first = decisions.decide_marks(out, asked()).tables
    second = decisions.decide_marks(out, asked()).tables
    assert all(first[name].equals(second[name]) for name in first)


# --- one or several events ---------------------------------------------------------------------


def test_events_are_advised_apart(two_events):
    both = decisions.decide_marks(two_events, asked(), write=False).tables["marks"]
    alone = [
        decisions.decide_marks(two_events, asked(event=event), write=False).tables["marks"]
        for event in ("4x100", "4x400")
    ]
    assert both.equals(pa.concat_tables(alone))
    assert set(alone[1]["event"].to_pylist()) == {"4x400"}


@pytest.mark.parametrize("told", ["2026-05-11", None])
def test_a_card_has_the_day_of_the_track_not_of_utc(out, told):
    """An evening past midnight in UTC is the evening before at the track, as its session says."""
    newest = lake.read_lake(out).exchanges.to_pylist()[-1]
    own = lake.read_lake(out, newest["session"])
    tables = {name: schema.empty_table(name) for name in schema.TABLES}
    tables |= {"exchanges": with_values(own.exchanges, date=told), "speed_curves": own.curves}
    writing.write_session(out, newest["session"], tables, ASKED)
    (facts,) = decisions.gather_card_facts(decisions.decide_marks(out, Settings(**QUICK)))
    assert facts.date == (told or f"{newest['zero_utc']:%Y-%m-%d}")
    (race, _) = decisions.gather_race_card(
        decisions.decide_order(out, Settings(**QUICK), Wishes({}))
    )
    assert race.date == facts.date


def test_the_order_is_of_the_most_practised_event(two_events):
    found = decisions.decide_order(two_events, asked(), Wishes({}), write=False)
    assert set(found.tables["orders"]["event"].to_pylist()) == {"4x100"}


def test_a_visual_change_has_no_mark_that_practice_could_settle(two_events):
    rows = decisions.decide_progress(two_events, asked(), write=False).tables["progress"]
    gains = [(row["event"], row["practice_gain_s"] is None) for row in rows.to_pylist()]
    assert set(gains) == {("4x100", False), ("4x400", True)}


# --- orders -----------------------------------------------------------------------------------


def test_orders_keep_the_wishes_and_are_ranked(season):
    wishes = Wishes({"otter": 4}, (("heron", 1),), {"rowan": "left"})
    found = decisions.decide_order(season, asked(), wishes, write=False)
    rows = schema.check_table("orders", found.tables["orders"]).to_pylist()
    # rowan carries in the left hand: leg 2, for 4 is the otter's
    assert {(r["leg1"], r["leg2"], r["leg3"], r["leg4"]) for r in rows} == {
        ("stoat", "rowan", "heron", "otter")
    }
    free = decisions.decide_order(season, asked(), Wishes({}), write=False)
    rows = free.tables["orders"].to_pylist()
    assert len(rows) == math.factorial(4)
    assert [row["rank"] for row in rows] == list(range(1, 25))
    assert [row["loss_s"] for row in rows] == sorted(row["loss_s"] for row in rows)
    assert sum(row["p_best"] for row in rows) == pytest.approx(1.0)
    assert all(0.0 <= row["p_legal"] <= 1.0 for row in rows)


@pytest.fixture
def with_magpie(out):
    """A lake in which magpie is known from the 4x400 alone."""
    names = ("magpie", *NAMES[1:])
    store_lake(out, seed=1, names=names, evenings=1, reps=6, event="4x400")
    return out


def test_a_newcomer_is_a_reserve_and_nobody_is_missed_to_advantage(with_magpie):
    found = decisions.decide_order(
        with_magpie, asked(team=(*NAMES, "magpie")), Wishes({}), write=False
    )
    assert any("magpie" in one and "squad's mean" in one for one in found.remarks)
    assert found.orders.legs.shape == (math.perm(5, 4), 4)
    assert {one.out for one in found.reserves} <= {*NAMES, "magpie"}
    assert len(found.reserves) == 4  # of the first order
    for one in found.reserves:
        assert one.order is not None
        assert one.out not in one.order
        assert one.costs_s >= 0.0


def test_flat_times_of_strangers_are_refused(season):
    with pytest.raises(UsageError, match="gull"):
        decisions.decide_order(season, asked(), Wishes({}), flat_s={"gull": 48.0}, write=False)


# --- names that are not there ---------------------------------------------------------------


@pytest.mark.parametrize(
    "ask",
    [
        lambda out: decisions.decide_marks(out, asked(team=("oter", "heron"))),
        lambda out: decisions.decide_marks(out, asked(feet_m={"oter": 0.3})),
        lambda out: decisions.decide_marks(out, asked(), pair=("oter", "heron")),
        lambda out: decisions.decide_progress(out, asked(team=("heron", "oter"))),
        lambda out: decisions.decide_order(out, asked(team=(*NAMES, "oter")), Wishes({})),
        lambda out: decisions.decide_order(out, asked(), Wishes({"oter": 4})),
        lambda out: decisions.decide_order(out, asked(), Wishes({}, (("oter", 4),))),
        lambda out: decisions.decide_order(out, asked(), Wishes({}, hands={"oter": "left"})),
        lambda out: decisions.decide_order(out, asked(), Wishes({}), flat_s={"oter": 48.0}),
    ],
    ids=["team", "foot", "pair", "progress", "order", "fix", "forbid", "hand", "flat"],
)
def test_a_misspelt_runner_gets_no_marks(season, ask):
    before = files_below(season)
    with pytest.raises(UsageError, match=r'oter.*one of otter.*did you mean "otter"\?'):
        ask(season)
    assert files_below(season) == before


# --- a team ----------------------------------------------------------------------------------


def test_a_teams_progress_is_of_its_pairs_and_the_same_as_in_any_team(season):
    """What practice is worth to a pair is its own: the same among four as among two."""
    every = decisions.decide_progress(season, asked(), write=False)
    team = ("heron", "otter")
    own = decisions.decide_progress(season, asked(team=team), write=False)
    rows = own.tables["progress"].to_pylist()
    assert rows
    assert {name for row in rows for name in (row["incoming"], row["outgoing"])} == set(team)
    same = [
        r for r in every.tables["progress"].to_pylist() if {r["incoming"], r["outgoing"]} == {*team}
    ]
    assert rows == same


def rows_of(out, name, keep):
    table = lake.read_decision(out, name)
    return [{**row, "remarks": []} for row in table.to_pylist() if keep(row)]


def test_a_part_replaces_its_own_pairs_and_keeps_the_others(out):
    """And each row says, or its record, on which settings it rests."""
    decisions.decide_marks(out, asked(failure_s=2.0))
    team = ("heron", "otter")

    def outside(row):
        return not {row["incoming"], row["outgoing"]} <= {*team}

    before = {name: rows_of(out, name, outside) for name in ("marks", "progress")}
    found = decisions.decide_marks(out, asked(team=team, failure_s=5.0))
    assert any("table marks: kept" in one for one in found.remarks)
    for name in before:
        assert before[name]
        assert rows_of(out, name, outside) == before[name]
        own = rows_of(out, name, lambda row: not outside(row))
        assert own == [{**row, "remarks": []} for row in found.tables[name].to_pylist()]
    told = [row for row in lake.read_decision(out, "marks").to_pylist() if row["advised"]]
    earlier = "from an earlier run, with cost of a failure, s: 2"
    for row in told:
        assert (earlier in row["remarks"]) == outside(row)
    record = json.loads((out / "provenance" / "marks.json").read_text())
    (kept,) = record["kept"]
    assert (record["settings"]["failure_s"], kept["settings"]["failure_s"]) == (5.0, 2.0)
    assert {tuple(key) for key in kept["rows"]} == {
        (row["event"], row["incoming"], row["outgoing"]) for row in before["marks"]
    }
    decisions.decide_progress(out, asked(team=("rowan", "stoat")))
    assert len(lake.read_decision(out, "progress")) == len(before["progress"]) + len(
        found.tables["progress"]
    )
    decisions.decide_marks(out, asked())  # all of them: nothing is kept
    assert "kept" not in json.loads((out / "provenance" / "marks.json").read_text())


def test_parts_of_three_runs_are_each_told_of(out):
    decisions.decide_marks(out, asked(failure_s=2.0))
    decisions.decide_marks(out, asked(team=("heron", "otter"), failure_s=1.0))
    decisions.decide_marks(out, asked(team=("rowan", "stoat"), failure_s=5.0))
    record = json.loads((out / "provenance" / "marks.json").read_text())
    assert sorted(one["settings"]["failure_s"] for one in record["kept"]) == [1.0, 2.0]
    assert sum(len(one["rows"]) for one in record["kept"]) == len(ordered_pairs(NAMES)) - 2


def test_one_relays_decisions_leave_the_others(two_events, tmp_path):
    out = Path(shutil.copytree(two_events, tmp_path / "out"))
    decisions.decide_marks(out, asked())
    names = ("runners", "marks", "progress")
    before = {name: rows_of(out, name, lambda row: row["event"] == "4x400") for name in names}
    decisions.decide_marks(out, asked(event="4x100", seed=5))
    decisions.decide_runners(out, asked(event="4x100"))
    decisions.decide_order(out, asked(event="4x100"), Wishes({}))
    for name in names:
        assert before[name]
        assert rows_of(out, name, lambda row: row["event"] == "4x400") == before[name]
    flat = dict.fromkeys(NAMES, 48.0)
    for lane in (3, 5):  # the second replaces the first, and neither the orders of the 4x100
        decisions.decide_order(out, asked(event="4x400"), Wishes({}), lane=lane, flat_s=flat)
    lanes = {(row["event"], row["lane"]) for row in rows_of(out, "orders", lambda _: True)}
    assert lanes == {("4x100", 4), ("4x400", 5)}


def test_a_part_beside_a_broken_table_says_what_is_lost(out):
    decisions.decide_marks(out, asked())
    (out / "marks" / "part-0.parquet").write_bytes(b"PAR1")
    found = decisions.decide_marks(out, asked(team=("heron", "otter")))
    assert any("nothing of other pairs and relays was kept" in one for one in found.remarks)
    assert lake.read_decision(out, "marks").equals(found.tables["marks"])


# --- lakes as they come -------------------------------------------------------------------------


def test_a_broken_session_is_left_out_and_the_others_go_on(out, season):
    path = folders.part_path(out, "exchanges", "evening-5-2")
    path.write_bytes(path.read_bytes()[:-40])
    found = decisions.decide_runners(out, asked())
    assert any("evening-5-2" in remark for remark in found.remarks)
    whole = decisions.decide_runners(season, asked(), write=False)
    reps = [pc.sum(x.tables["runners"]["reps_in"]).as_py() for x in (found, whole)]
    assert 0 < reps[0] < reps[1]
    assert reps[1] == 10


def test_a_lake_of_broken_sessions_is_an_input_error_and_keeps_what_was_advised(out):
    decisions.decide_runners(out, asked())
    for path in (out / "exchanges").rglob("*.parquet"):
        path.write_bytes(b"PAR1")
    before = files_below(out)
    with pytest.raises(InputError):
        decisions.decide_marks(out, asked())
    assert files_below(out) == before


@pytest.mark.filterwarnings("error")
@given(st.integers(0, 10_000), st.integers(1, 8), st.sampled_from(["4x100", "4x400"]))
@trials(
    max_examples=4,
    deadline=None,
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.function_scoped_fixture],
)
def test_no_lake_is_too_odd_for_a_decision(seed, rows, event):
    odd = random_lake(seed, rows, event)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(decisions.lake, "read_lake", lambda _: odd)
        for ask in (decisions.decide_runners, decisions.decide_marks, decisions.decide_progress):
            found = {}
            with contextlib.suppress(UsageError, NothingMeasured):  # said as what they are
                found = ask(Path("out"), asked(), write=False).tables
            for name, table in found.items():
                schema.check_table(name, table)


def test_takeovers_without_curves_still_give_runners(out):
    """A lake whose curves were lost but whose table of them is whole."""
    for session in ("evening-5-1", "evening-5-2"):
        tables = {
            name: schema.read_part(folders.part_path(out, name, session), name)
            for name in schema.TABLES
        }
        tables["speed_curves"] = schema.empty_table("speed_curves")
        writing.write_session(out, session, tables, ASKED)
    rows = decisions.decide_marks(out, asked()).tables["runners"].to_pylist()
    assert {row["runner"] for row in rows} == set(NAMES)
    assert all(row["lag_sd_s"] < row["v_max_sd_mps"] for row in rows)  # lags need no curve


def test_from_tracks_to_marks_and_an_order(tmp_path):
    make_session_tables(LARCH / "session.toml", tmp_path)
    found = decisions.decide_marks(tmp_path, Settings())  # with few draws marks jump by a metre
    advised = found.tables["marks"].filter(found.tables["marks"]["advised"]).to_pylist()
    assert [(r["incoming"], r["outgoing"]) for r in advised] == ordered_pairs(
        ("heron", "otter", "rowan", "stoat")
    )
    sheet = pd.read_csv(LARCH / "reps.csv")
    feet = {"otter": 0.26, "heron": 0.28, "rowan": 0.31, "stoat": 0.30}  # session.toml
    tried = Counter(zip(sheet.incoming, sheet.outgoing, strict=True))
    used = sheet.groupby(["incoming", "outgoing"]).mark_feet.mean()
    for row in advised:
        pair = row["incoming"], row["outgoing"]
        assert row["reps_pair"] == tried[pair]
        assert row["mark_feet"] == pytest.approx(row["mark_m"] / feet[row["outgoing"]])
        if pair in used.index:  # the squad's own marks brought passes at 12 to 23 m of 30
            assert abs(row["mark_m"] - used[pair] * feet[row["outgoing"]]) < 3.0
    ranked = decisions.decide_order(tmp_path, asked(race=True), Wishes({})).tables["orders"]
    assert ranked.num_rows == 24
    # four legs at the zone speeds of this squad, 30 m in 2.97 to 3.1 s, and one standing start
    assert 39.0 < ranked["time_s"][0].as_py() < 46.0
    assert np.all(np.diff(ranked["loss_s"].to_numpy()) >= 0)
    held_out = decisions.decide_validation(tmp_path).tables["validation"]
    assert held_out["event"].unique().to_pylist() == ["gate"]
    # a body's depth, and less than a metre's time
    assert 0.1 < held_out["lead_m"][0].as_py() < 0.6
    assert held_out["rms_s"][0].as_py() < 0.06
    written = {p.parent.name for p in tmp_path.glob("*/part-0.parquet")}
    assert written == set(schema.DECISIONS) - {"race_parts"}  # nobody raced


def test_marks_of_a_race_are_made_for_the_wind_of_their_zones(season):
    still = decisions.decide_order(season, asked(), Wishes({}), write=False)
    windy = decisions.decide_order(season, asked(wind_mps=3.0), Wishes({}), write=False)
    first = windy.orders.names()
    told = {
        (one.incoming, one.outgoing): [r for r in one.remarks if "along its zone" in r]
        for one in windy.advice.pairs
    }
    for pair, words in told.items():
        needed = pair in set(itertools.pairwise(first))
        assert bool(words) is needed
    # round the lap a wind is nearly nothing
    assert abs(windy.orders.time_s.min() - still.orders.time_s.min()) < 0.4


def test_a_leg_is_run_at_the_speed_of_free_arms(season):
    """The law of the start before a blind pass has one arm soon to go back; a leg has not."""
    (advice,) = decisions.advise_lake(lake.read_lake(season), asked(event="4x100"))
    quick = replace(advice, squad=replace(advice.squad, after=shifted(advice.squad.after, 0.4)))
    slow = replace(advice, squad=replace(advice.squad, after=shifted(advice.squad.after, 0.0)))
    one, other = (orders.gather_legs(x, 4).v_max_mps.mean() for x in (quick, slow))
    assert one - other == pytest.approx(0.4, abs=0.02)


def shifted(effects, by):
    return replace(effects, mean=np.full_like(effects.mean, by))
