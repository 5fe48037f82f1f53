"""Progress: published fits come back, truth lies in the intervals as often as they say, bad reps
count for little, and what cannot be known is null."""

import math
from datetime import timedelta

import numpy as np
import pyarrow as pa
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from random_tables import random_table

from pipeline.advise import trend as model
from pipeline.advise.backtest import Foretold
from pipeline.advise.progress import MarkKnowledge, progress_table
from pipeline.errors import InputError
from pipeline.tables import schema

DAY = 86_400.0
FIRST = 1_778_602_800.0  # 2026-05-12T16:20:00Z


def takeovers(*rows: dict) -> pa.Table:
    """Exchanges of otter to heron, a week apart by `week`, three minutes by place in the list."""
    columns = {column.name: [] for column in schema.facts("exchanges").columns}
    for place, row in enumerate(rows):
        week = row.get("week", 0)
        full = {
            "session": f"week-{week}",
            "exchange": place + 1,
            "event": "4x100",
            "zone": 1,
            "lane": 4,
            "incoming": "otter",
            "outgoing": "heron",
            "outcome": "passed",
            "zero_utc": FIRST + 7 * DAY * week + 180.0 * place,
            "pass_basis": "inferred",
            "faults": [],
            "remarks": [],
            **row,
        }
        for name, values in columns.items():
            values.append(full.get(name))
    return schema.conform("exchanges", columns)


def timed(zone_time_s: float, **more) -> dict:
    return {"zone_time_s": zone_time_s, "zone_time_sd_s": 0.02, **more}


def marked(lag_s: float = 0.2, mark_m: float = 9.0, **more) -> dict:
    return timed(
        more.pop("zone_time_s", 3.3), mark_m=mark_m, mark_t_s=-1.0, mark_t_sd_s=0.01,
        go_t_s=lag_s - 1.0, go_t_sd_s=0.01, go_lag_s=lag_s, pass_t_s=1.5, pass_t_sd_s=0.1,
        v_in_entry_mps=9.0, v_in_entry_sd_mps=0.05, p_in_zone=1.0, **more,
    )  # fmt: skip


def one(table: pa.Table, **options) -> dict:
    return progress_table(table, **options).to_pylist()[0]


# --- against published fits --------------------------------------------------------------

# Yield of dyestuff (g) of six batches, five samples each: Davies & Goldsmith, Statistical Methods
# in Research and Production, 4th ed. 1972. Restricted maximum likelihood as published with lme4
# (Bates, Mächler, Bolker & Walker, J Stat Softw 67, 2015, and its manual; from memory): mean
# 1527.5 ± 19.383, between batches 1764.05, within 2451.25, criterion 319.6543.
DYESTUFF = (
    1545, 1440, 1440, 1520, 1580, 1540, 1555, 1490, 1560, 1495, 1595, 1550, 1605, 1510, 1560,
    1445, 1440, 1595, 1465, 1545, 1595, 1630, 1515, 1635, 1625, 1520, 1455, 1450, 1480, 1445,
)  # fmt: skip
WITHIN, BETWEEN = 2451.25, 1764.05


def surface(series, spread, ratio):
    spread, ratio = np.atleast_1d(spread), np.atleast_1d(ratio)
    flat = np.zeros((len(spread), len(ratio)))
    return model._likelihood(series, model.SpreadGrid(spread, ratio, flat, flat))


def test_published_batches_come_back():
    y = np.array(DYESTUFF, dtype=float)
    batches = model.Series(y, np.zeros(30), np.repeat(np.arange(6), 5), np.ones((30, 1)))
    s, r = math.sqrt(WITHIN), math.sqrt(BETWEEN / WITHIN)
    at = surface(batches, s, r)
    assert at.value[0, 0, 0] == pytest.approx(1527.5, abs=1e-6)
    assert math.sqrt(at.cov[0, 0, 0, 0]) == pytest.approx(19.383, abs=1e-3)
    criterion = -2 * at.log_likelihood[0, 0] + 29 * math.log(2 * math.pi)
    assert criterion == pytest.approx(319.6543, abs=1e-4)
    around = surface(batches, s * np.array([0.97, 1, 1.03]), r * np.array([0.97, 1, 1.03]))
    assert np.argmax(around.log_likelihood) == 4  # the middle one


# NIST Statistical Reference Datasets, Linear Regression, "Norris" (ozone monitors); data and
# certified values from memory. Straight line, 36 points.
NORRIS = """0.1 0.2 338.8 337.4 118.1 118.2 888.0 884.6 9.2 10.1 228.1 226.5 668.5 666.3 998.5 996.3
449.1 448.6 778.9 777.0 559.2 558.2 0.3 0.4 0.1 0.6 778.1 775.5 668.8 666.9 339.3 338.0 448.9 447.5
10.8 11.6 557.7 556.0 228.3 228.1 998.0 995.8 888.8 887.6 119.6 120.2 0.3 0.3 0.6 0.3 557.6 556.8
339.3 339.1 888.0 887.2 998.5 999.0 778.9 779.0 10.2 11.1 117.6 118.3 228.9 229.2 668.4 669.1
449.2 448.9 0.2 0.5"""


def test_a_certified_straight_line_comes_back():
    y, x = np.array(NORRIS.split(), dtype=float).reshape(-1, 2).T
    line = model.Series(y, np.zeros(36), np.arange(36), np.column_stack([np.ones(36), x]))
    at = surface(line, 0.884796396144373, 0.0)
    assert at.value[0, 0] == pytest.approx([-0.262323073774029, 1.00211681802045], rel=1e-8)
    sd = np.sqrt(np.diag(at.cov[0, 0]))
    assert sd == pytest.approx([0.232818234301152, 0.429796848199937e-03], rel=1e-8)


def test_a_share_is_that_of_jeffreys():
    # Beta(k + 1/2, n - k + 1/2): mean and variance are arithmetic
    days = np.arange(8)
    share = model.legal_share(np.array([1.0] * 7 + [0.0]), days, alike=0.0)
    assert share.value == pytest.approx(7.5 / 9)
    assert share.sd == pytest.approx(math.sqrt(7.5 * 1.5 / (9**2 * 10)))


# --- truth comes back --------------------------------------------------------------------


def squad(seed: int, pairs: int = 8, days: int = 4, reps: int = 3):
    """Rows of invented pairs by `incoming`, and each one's level, trend, and a change to add."""
    rng = np.random.default_rng(seed)
    rows, truth = [], {}
    for k in range(pairs):
        level, trend, change = rng.normal([3.3, 0.0, 0.0], [0.1, 0.03, 0.15])
        spread = 0.06 * math.exp(0.3 * rng.standard_normal())
        truth[f"in-{k}"] = (level, trend, change)
        for day in range(days):
            common = 0.04 * rng.standard_normal()
            for _ in range(reps):
                y = (
                    level
                    + common
                    + trend * (day - days + 1)
                    + math.hypot(spread, 0.03) * rng.standard_normal()
                )
                rows.append(
                    {"incoming": f"in-{k}", "week": day, "zone_time_s": y, "zone_time_sd_s": 0.03}
                )
    return rows, truth


def coverage(values, sds, truths, quantile):
    off = np.abs(np.subtract(values, truths)) / np.array(sds)
    return float(np.mean(off < quantile))


def test_levels_and_trends_lie_in_their_intervals_as_often_as_they_say():
    off = {"zone_time_s": [], "zone_time_trend_s": []}
    for seed in range(15):
        rows, truth = squad(seed)
        for row in progress_table(takeovers(*rows)).to_pylist():
            level, trend, _ = truth[row["incoming"]]
            off["zone_time_s"].append((row["zone_time_s"] - level) / row["zone_time_sd_s"])
            trends = (row["zone_time_trend_s"] - trend) / row["zone_time_trend_sd_s"]
            off["zone_time_trend_s"].append(trends)
    for name, values in off.items():
        assert len(values) == 120
        assert 0.88 < np.mean(np.abs(values) < 1.96) < 0.99, name
        assert 0.58 < np.mean(np.abs(values) < 1.00) < 0.80, name
        assert abs(np.mean(values)) < 0.3, name


def test_the_change_with_the_mark_lies_in_its_interval():
    off = []
    for seed in range(12):
        rows, truth = squad(seed)
        for row in rows:
            late = row["week"] >= 2
            _, trend, change = truth[row["incoming"]]
            row["mark_m"] = 9.0 + 0.5 * late
            row["zone_time_s"] += change * late - trend * (row["week"] - 3)  # no trend beside it
        for row in progress_table(takeovers(*rows)).to_pylist():
            true = truth[row["incoming"]][2]
            off.append((row["zone_time_change_s"] - true) / row["zone_time_change_sd_s"])
            assert row["reps_since_move"] == 6
    assert 0.88 < np.mean(np.abs(off) < 1.96) < 0.99
    assert 0.58 < np.mean(np.abs(off) < 1.00) < 0.82


def test_shares_and_their_trends_lie_in_their_intervals():
    shares, trends = [], []
    rng = np.random.default_rng(7)
    for _ in range(250):
        day = np.repeat(np.arange(4), 5)
        at = (day - 3).astype(float)
        level, slope = rng.normal([1.0, 0.0], [1.0, 0.4])
        p = 1 / (1 + np.exp(-(level + slope * (at + 1.5))))
        legal = (rng.random(20) < p).astype(float)
        middle = 1 / (1 + math.exp(-level))
        share = model.legal_share(legal, day, alike=0.0)
        trend = model.legal_trend(legal, day, at, alike=0.0)
        shares.append((share.value - p.mean()) / share.sd)
        trends.append((trend.value - middle * (1 - middle) * slope) / trend.sd)
    for off in (shares, trends):
        assert 0.90 < np.mean(np.abs(off) < 1.96) < 0.99
        assert 0.60 < np.mean(np.abs(off) < 1.00) < 0.82


def test_a_straight_course_over_the_weeks_comes_back_whole():
    rows = [timed(3.4 - 0.02 * week, week=week) for week in (0, 1, 2, 5) for _ in range(2)]
    row = one(takeovers(*rows))
    assert row["zone_time_s"] == pytest.approx(3.3, abs=1e-4)
    assert row["zone_time_trend_s"] == pytest.approx(-0.02, abs=1e-4)
    assert row["reps"] == 8
    assert row["sessions"] == 4


def test_many_reps_give_the_slope_of_the_share():
    # expected counts instead of drawn ones: the posterior mean lies at the truth
    day = np.repeat(np.arange(3), 400)
    p = 1 / (1 + np.exp(-(0.5 + 0.6 * (day - 1.0))))
    legal = np.concatenate([np.arange(400) < round(400 * q) for q in p[::400]]).astype(float)
    trend = model.legal_trend(legal, day, day - 2.0, alike=0.0)
    middle = 1 / (1 + math.exp(-0.5))
    assert trend.value == pytest.approx(middle * (1 - middle) * 0.6, abs=0.005)
    assert 0.01 < trend.sd < 0.03  # p(1-p) / sqrt(sum p(1-p) x^2) = 0.0182 with p(1-p) = 0.22


# --- what must not matter ----------------------------------------------------------------


def busy(seed: int = 3) -> pa.Table:
    rng = np.random.default_rng(seed)
    pairs = [("otter", "heron"), ("heron", "otter"), ("stoat", "heron")]
    rows = []
    for week in (0, 1, 3):
        for k in range(9):
            a, b = pairs[k % 3]
            legal = bool(rng.random() < 0.8)
            rows.append(
                marked(
                    lag_s=rng.normal(0.2, 0.05), mark_m=9.0 + 0.5 * (week > 0), incoming=a,
                    outgoing=b, week=week, zone_time_s=rng.normal(3.3, 0.08),
                    outcome="passed" if legal else "not passed",
                    free_distance_m=rng.normal(1.2, 0.1), free_distance_sd_m=0.1,
                )
            )  # fmt: skip
    return takeovers(*rows)


@settings(max_examples=3, deadline=None)
@given(st.permutations(range(27)))
def test_the_order_of_rows_changes_nothing(order):
    assert progress_table(busy().take(pa.array(order))).equals(progress_table(busy()))


def test_names_of_sessions_change_nothing():
    table = busy()
    place = table.column_names.index("session")
    turned = {
        name: f"z-{9 - i}" for i, name in enumerate(sorted(set(table["session"].to_pylist())))
    }
    names = pa.array([turned[name] for name in table["session"].to_pylist()])
    assert progress_table(table.set_column(place, table.field("session"), names)).equals(
        progress_table(table)
    )


@pytest.mark.parametrize("hours", [-31 * 24, 5, 7.5, 1000])
def test_later_dates_change_only_dates(hours):
    table = busy()
    place = table.column_names.index("zero_utc")
    later = pa.array(
        [t + timedelta(hours=hours) for t in table["zero_utc"].to_pylist()],
        table.field("zero_utc").type,
    )
    moved = progress_table(table.set_column(place, table.field("zero_utc"), later))
    dates = ["first_utc", "last_utc", "mark_since_utc"]
    plain = progress_table(table)
    assert moved.drop_columns(dates).equals(plain.drop_columns(dates))
    for name in dates:
        old, new = plain[name].to_pylist(), moved[name].to_pylist()
        assert new == [t + timedelta(hours=hours) for t in old]


def test_another_event_changes_nothing_and_can_be_left_out():
    long = takeovers(*[timed(2.7 + 0.1 * k, event="4x400", week=k) for k in range(4)])
    both = pa.concat_tables([busy(), long])
    assert progress_table(both, event="4x100").equals(progress_table(busy()))
    assert progress_table(both, event="4x400").equals(progress_table(long))
    assert progress_table(both).num_rows == 4
    assert progress_table(both, event="4x200").num_rows == 0


@settings(max_examples=30, deadline=None)
@given(legal=st.lists(st.floats(0, 1), min_size=4, max_size=12), alike=st.floats(0, 0.5))
def test_shares_of_failures_mirror_those_of_passes(legal, alike):
    p = np.array(legal)
    day = np.arange(len(p)) // 2
    at = (day - day[-1]).astype(float)
    for figure in (
        lambda q: model.legal_share(q, day, alike),
        lambda q: model.legal_trend(q, day, at, alike),
    ):
        ours, mirrored = figure(p), figure(1 - p)
        assert mirrored.sd == pytest.approx(ours.sd, rel=1e-9)
    assert mirrored.value == pytest.approx(-ours.value, abs=1e-9)
    share = model.legal_share(p, day, alike).value
    assert model.legal_share(1 - p, day, alike).value == pytest.approx(1 - share)


# --- few reps ----------------------------------------------------------------------------


def test_one_takeover_gives_a_level_and_nulls_with_reasons():
    row = one(takeovers(marked()))
    assert row["zone_time_s"] == pytest.approx(3.3)
    assert row["zone_time_sd_s"] > 0.05  # far more than its own 0.02: it may have been a fluke
    empty = [name for name, value in row.items() if value is None]
    trends = ["zone_time_trend_s", "go_lag_trend_s", "free_distance_trend_m", "p_in_zone_trend"]
    moves = ["reps_since_move", "zone_time_change_s", "go_lag_change_s", "p_in_zone_change"]
    assert {*trends, *moves, "free_distance_m"} <= set(empty)
    assert row["mark_m"] == 9.0
    assert row["mark_since_utc"] == row["first_utc"]
    text = "; ".join(row["remarks"])
    for reason in ("one takeover only", "no trend", "never moved", "no gap measured"):
        assert reason in text


def test_a_takeover_of_which_nothing_is_known_is_still_a_row():
    row = one(takeovers({"outcome": "unclear"}))
    assert row["reps"] == 1
    assert all(row[name] is None for name in ("zone_time_s", "p_in_zone", "mark_m", "mark_sd_m"))


def test_nights_set_days_apart_not_dates():
    def trend(hours):
        rows = [timed(3.3, zero_utc=FIRST + hours * 3600.0 * k) for k in range(2)]
        return one(takeovers(*rows))["zone_time_trend_s"]

    assert trend(9.0) is None  # morning and afternoon, over midnight UTC or not
    assert trend(16.0) == pytest.approx(0.0, abs=1e-9)


def test_reps_of_one_day_tell_less_than_as_many_on_many_days():
    values = np.random.default_rng(1).normal(3.3, 0.05, 12)
    together = one(takeovers(*[timed(y) for y in values]))
    apart = one(takeovers(*[timed(y, week=k) for k, y in enumerate(values)]))
    # a trend beside the level doubles its error at the end of the line, and yet:
    assert together["zone_time_sd_s"] > 0.8 * apart["zone_time_sd_s"]
    legal = np.ones(12)
    many = model.legal_share(legal, np.arange(12), alike=0.2)
    assert model.legal_share(legal, np.zeros(12, int), alike=0.2).sd > 1.5 * many.sd


def test_a_new_pair_leans_on_the_squad_and_lets_go():
    def new_sd(squad_spread, new):
        rng = np.random.default_rng(2)
        rows = [
            timed(rng.normal(3.3, squad_spread), week=k % 4, incoming=name)
            for name in ("stoat", "rowan", "larch")
            for k in range(12)
        ]
        table = progress_table(takeovers(*rows, *new))
        return next(r for r in table.to_pylist() if r["incoming"] == "otter")["zone_time_sd_s"]

    single = [timed(3.3)]
    assert new_sd(0.2, single) > 2 * new_sd(0.03, single)
    rng = np.random.default_rng(3)
    many = [timed(rng.normal(3.3, 0.05), week=k // 4) for k in range(32)]
    assert new_sd(0.2, many) < 1.8 * new_sd(0.03, many)


# --- bad reps ----------------------------------------------------------------------------


@pytest.mark.parametrize("late_s", [1.0, 5.0, 60.0])
def test_a_collision_moves_a_level_by_a_bounded_amount(late_s):
    rng = np.random.default_rng(4)
    clean = [timed(y, week=k // 4) for k, y in enumerate(rng.normal(3.3, 0.05, 16))]
    row = one(takeovers(*clean))
    hit = one(takeovers(*clean[:14], timed(clean[14]["zone_time_s"] + late_s, week=3), clean[15]))
    moved = abs(hit["zone_time_s"] - row["zone_time_s"])
    assert moved < 0.06  # the day's mean moves by a quarter of it, 0.25 s or more
    assert hit["zone_time_sd_s"] < 2 * row["zone_time_sd_s"]


# --- marks -------------------------------------------------------------------------------


def test_a_tape_within_half_a_foot_is_the_same_mark():
    laid = [9.0, 9.15, 8.9, 9.5, 9.4, 9.45]
    rows = [marked(mark_m=m, week=k) for k, m in enumerate(laid)]
    rows.insert(4, timed(3.3, week=3))  # without a mark in the sheet: belongs to none
    row = one(takeovers(*rows))
    assert row["mark_m"] == 9.45
    assert row["reps_since_move"] == 3
    assert row["mark_since_utc"].timestamp() == pytest.approx(FIRST + 21 * DAY + 3 * 180)
    assert one(takeovers(*rows), foot_m=1.2)["reps_since_move"] is None  # all one mark


def test_a_change_compares_with_the_mark_just_before():
    laid = [8.0] * 4 + [9.0] * 4 + [10.0] * 4
    lag = [0.9] * 4 + [0.30] * 4 + [0.20] * 4
    outcome = ["not passed"] * 8 + ["passed"] * 4
    rows = [
        marked(lag_s=g, mark_m=m, week=k // 2, outcome=o, zone_time_s=3.0 + g)
        for k, (m, g, o) in enumerate(zip(laid, lag, outcome, strict=True))
    ]
    row = one(takeovers(*rows))
    assert row["go_lag_change_s"] == pytest.approx(-0.1, abs=1e-6)
    assert row["zone_time_change_s"] == pytest.approx(-0.1, abs=1e-6)
    assert row["p_in_zone_change"] == pytest.approx(0.8, abs=0.15)  # none of four, all of four
    assert row["go_lag_change_sd_s"] < 0.1


def test_a_mark_moved_within_the_evening_is_judged_better():
    # what the evening does to all reps alike falls out of the difference
    values = np.random.default_rng(5).normal(0.2, 0.04, 8)

    def change_sd(weeks_of):
        return one(
            takeovers(
                *[
                    marked(lag_s=g, mark_m=9.0 + (k >= 4), week=weeks_of(k))
                    for k, g in enumerate(values)
                ]
            )
        )["go_lag_change_sd_s"]

    assert change_sd(lambda _: 0) < 0.8 * change_sd(lambda k: int(k >= 4))


def test_failed_passes_count_and_unclear_ones_do_not():
    ok, failed = marked(), timed(3.3, outcome="not passed")
    unclear, unsaid = timed(3.3, outcome="unclear", p_in_zone=0.9), timed(3.3)
    share = one(takeovers(ok, ok, ok, failed))["p_in_zone"]
    assert share < one(takeovers(ok, ok, ok))["p_in_zone"]
    # the same reps' worth whatever lies beside them
    assert one(takeovers(ok, ok, ok, failed, unclear, unsaid))["p_in_zone"] == share


def test_what_the_models_say_of_a_pair_stands_in_its_row():
    pair = ("otter", "heron")
    told = Foretold(takeovers=7, p_in_zone=0.86, p_held=0.9, times=6, z=1.1)
    row = one(
        takeovers(marked(), marked()),
        known={pair: MarkKnowledge(0.3, 0.021)},
        foretold={pair: told},
    )
    assert (row["mark_sd_m"], row["practice_gain_s"], row["reps_needed"]) == (0.3, 0.021, None)
    assert [row[x] for x in ("foretold", "p_foretold", "p_foretold_held", "foretold_z")] == [
        7, 0.86, 0.9, 1.1,
    ]  # fmt: skip
    bare = one(takeovers(marked(), marked()))
    names = ("mark_sd_m", "practice_gain_s", "foretold", "foretold_z")
    assert [bare[name] for name in names] == [None] * 4


def test_a_visual_change_has_no_mark_to_settle():
    known = {("otter", "heron"): MarkKnowledge(0.3, 0.021)}
    row = one(takeovers(timed(2.7, event="4x400")), known=known)
    assert (row["mark_sd_m"], row["practice_gain_s"]) == (None, None)
    assert "changed by sight: no check mark" in row["remarks"]
    assert not any("lag" in remark for remark in row["remarks"])


# --- anything that obeys the schema ------------------------------------------------------


@settings(max_examples=12, deadline=None)
@given(seed=st.integers(0, 99_999), rows=st.integers(0, 25), names=st.integers(2, 4))
def test_any_exchanges_give_a_table(seed, rows, names):
    rng = np.random.default_rng(seed)
    table = random_table("exchanges", rows=rows, seed=seed)
    columns = {name: table[name].to_pylist() for name in table.column_names}
    columns["event"] = rng.choice(["4x100", "4x400"], rows).tolist()
    for role in ("incoming", "outgoing"):
        columns[role] = [f"r{k}" for k in rng.integers(0, names, rows)]
    day = rng.integers(0, 4, rows).tolist()
    columns["session"] = [f"s{k}" for k in day]
    columns["zero_utc"] = [
        t + timedelta(days=3 * k) for t, k in zip(columns["zero_utc"], day, strict=True)
    ]
    out = progress_table(schema.conform("exchanges", columns))
    assert schema.check_table("progress", out) is out
    assert sum(out["reps"].to_pylist()) == rows
    keys = list(zip(*(out[n].to_pylist() for n in ("event", "incoming", "outgoing")), strict=True))
    assert keys == sorted(set(keys))


def test_a_missing_column_is_named():
    with pytest.raises(InputError, match="no column zone_time_sd_s"):
        progress_table(busy().drop_columns(["zone_time_sd_s"]))


def test_a_table_from_before_foot_lengths_serves():
    assert progress_table(busy().drop_columns(["foot_m"])).equals(progress_table(busy()))
