"""Check marks: one advised row a pair, whole half foot-lengths, reps on a mark counted, risk kept.

Lakes are of invented squads (tests/support/squads.py); the last test lets such squads
run on what was advised.
"""

from dataclasses import asdict, astuple, replace
from pathlib import Path

import crowd
import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pytest
import squads
from hypothesis import HealthCheck, given
from hypothesis import settings as trials
from hypothesis import strategies as st
from lakes import ordered_pairs, random_lake
from made_pairs import pair_squad

from pipeline.advise import decisions, marks, takeovers
from pipeline.advise.settings import Settings
from pipeline.errors import NothingMeasured, UsageError
from pipeline.tables import schema
from pipeline.tables.lake import Lake

FEW = {"outer": 24, "inner": 16}  # draws: enough for laws that hold draw by draw
FIXED = Settings(stand_m=0.0, **FEW)


def advise_table(lake: Lake, settings: Settings) -> pa.Table:
    """The table `marks` of a lake."""
    return marks.marks_table(decisions.advise_lake(lake, settings))


@pytest.fixture(scope="module")
def practice():
    """A lake, and the squad and the site that it comes from."""
    return squads.lake(5, n_runners=4, evenings=2, reps=10)


@pytest.fixture(scope="module")
def known(practice):
    return practice[0]


@pytest.fixture(scope="module")
def looked():
    return squads.lake(5, n_runners=4, evenings=2, reps=8, event="4x400", place="straight")[0]


@pytest.fixture(scope="module")
def squad(known):
    (one,) = decisions.find_squads(known, FIXED)
    return one


@pytest.fixture(scope="module")
def advice(squad):
    return marks.advise_squad(squad, FIXED)


@pytest.fixture(scope="module")
def visual(looked):
    (one,) = decisions.find_squads(looked, Settings())
    return marks.advise_squad(one, Settings(**FEW))


def by_pair(advice) -> dict:
    return {(pair.incoming, pair.outgoing): pair for pair in advice.pairs}


# --- the table ---------------------------------------------------------------------------------


@pytest.mark.parametrize("which", ["advice", "visual"])
def test_every_pair_tried_or_not_in_both_orders_has_one_advised_row(which, request):
    advice = request.getfixturevalue(which)
    table = schema.check_table("marks", marks.marks_table([advice]))
    advised = table.filter(table["advised"])
    pairs = list(zip(*(advised[x].to_pylist() for x in ("incoming", "outgoing")), strict=True))
    assert pairs == ordered_pairs(advice.squad.runners)
    untried = pc.sum(pc.equal(advised["reps_pair"], 0)).as_py()
    assert 0 < untried < len(pairs)  # else half of this was not looked at
    assert set(table["event"].to_pylist()) == {advice.squad.event}
    for pair in advice.pairs:
        marks_m = pair.candidates.mark_m
        assert (np.diff(marks_m) > 0).all()
        assert len(marks_m) >= 5


def test_reps_are_of_the_incoming_as_incoming_and_the_outgoing_as_outgoing(known, advice):
    for pair in advice.pairs:
        given_ = pc.equal(known.exchanges["incoming"], pair.incoming)
        taken = pc.equal(known.exchanges["outgoing"], pair.outgoing)
        assert pair.reps == pc.sum(given_).as_py() + pc.sum(taken).as_py()
        assert pair.reps_pair == pc.sum(pc.and_(given_, taken)).as_py()
        assert ("pair never tried" in " ".join(pair.remarks)) is (pair.reps_pair == 0)


def test_marks_lie_on_half_foot_lengths_of_the_receiver(known, advice):
    feet = dict(zip(*(known.exchanges[x].to_pylist() for x in ("outgoing", "foot_m")), strict=True))
    assert len(set(feet.values())) > 1  # else the wrong runner's foot would do
    for row in marks.marks_table([advice]).to_pylist():
        assert (2 * row["mark_feet"]).is_integer()
        assert row["mark_m"] == pytest.approx(row["mark_feet"] * feet[row["outgoing"]], abs=1e-9)


def test_a_runner_who_only_brought_the_baton_has_feet_too(known):
    rows = known.exchanges.to_pylist()
    wren = rows[0]["incoming"]
    only = pc.not_equal(known.exchanges["outgoing"], wren)
    table = advise_table(replace(known, exchanges=known.exchanges.filter(only)), FIXED)
    feet = [row["mark_feet"] for row in table.to_pylist() if row["outgoing"] == wren]
    assert feet
    assert None not in feet


def test_without_a_foot_length_there_are_no_feet_until_it_is_given(known):
    exchanges = known.exchanges
    none = pa.nulls(exchanges.num_rows, pa.float64())
    for name in ("foot_m", "incoming_foot_m"):
        place = exchanges.column_names.index(name)
        exchanges = exchanges.set_column(place, exchanges.schema.field(name), none)
    barefoot = replace(known, exchanges=exchanges)
    wren = exchanges["outgoing"][0].as_py()
    table = advise_table(barefoot, replace(FIXED, feet_m={wren: 0.25}))
    for row in table.to_pylist():
        assert (row["mark_feet"] is not None) is (row["outgoing"] == wren)
        if row["mark_feet"] is not None:
            assert row["mark_m"] == pytest.approx(0.25 * row["mark_feet"], abs=1e-9)


@pytest.fixture
def with_magpie(known):
    """The lake with magpie, who is known from one takeover of another relay."""
    row = known.exchanges.to_pylist()[0] | {"event": "4x200", "exchange": 999, "incoming": "magpie"}
    names = schema.facts("exchanges").names
    more = schema.conform("exchanges", {name: [row[name]] for name in names})
    return replace(known, exchanges=pa.concat_tables([known.exchanges, more]))


def test_a_newcomer_is_paired_with_everybody_and_known_worse_than_they(known, with_magpie):
    (old, *others) = sorted(set(known.exchanges["incoming"].to_pylist()))
    table = advise_table(
        with_magpie, replace(FIXED, event="4x100", team=(old, "magpie", others[0]))
    )
    advised = table.filter(table["advised"]).to_pylist()
    rows = {(row["incoming"], row["outgoing"]): row for row in advised}
    assert list(rows) == ordered_pairs((old, "magpie", others[0]))
    for own, other in (((old, "magpie"), (old, others[0])), (("magpie", old), (others[0], old))):
        assert rows[own]["mark_sd_m"] > rows[other]["mark_sd_m"]
        assert rows[own]["zone_time_sd_s"] > rows[other]["zone_time_sd_s"]
        assert 0 < rows[own]["reps"] < rows[other]["reps"]  # the known runner's alone
        assert rows[own]["reps_pair"] == 0
    assert rows[old, "magpie"]["mark_feet"] is None


def test_who_joins_the_team_moves_nobody_elses_mark(known, with_magpie):
    names = sorted(set(known.exchanges["incoming"].to_pylist()))[:2]
    alone, joined = (
        advise_table(with_magpie, replace(FIXED, event="4x100", team=team))
        for team in (tuple(names), (names[0], "magpie", names[1]))
    )
    known_only = pc.and_(*(pc.is_in(joined[x], pa.array(names)) for x in ("incoming", "outgoing")))
    kept = joined.filter(known_only)
    for name in alone.column_names:
        if alone[name].type == pa.float64():
            was, now = (np.array(t[name].to_pylist(), dtype=float) for t in (alone, kept))
            assert now == pytest.approx(was, abs=1e-6, nan_ok=True), name
        else:
            assert kept[name].to_pylist() == alone[name].to_pylist(), name


def test_chances_fit_together(advice):
    for pair in advice.pairs:
        one = pair.candidates
        p, into, away = one.p_in_zone, one.p_ran_into, one.p_ran_away
        assert (p + away <= 1.0 + 1e-9).all()
        free = pair.candidates.reps_on_mark == 0  # reps on a mark speak for that mark alone
        assert (np.diff(away[free]) >= -0.02).all()
        assert (np.diff(into[free]) <= 0.02).all()
        farther = pair.candidates.pass_m
        assert farther[-1] > farther[0]
        assert pair.candidates.zone_time_s[-1] < pair.candidates.zone_time_s[0]


def test_the_baton_loss_is_against_a_baton_that_keeps_the_incoming_speed(squad, advice):
    for pair in advice.pairs:
        v = squad.entry.mean[squad.index(pair.incoming), 0]
        free = pair.best.reps_on_mark == 0  # reps on the mark move the time alone
        if free:
            ideal = pair.best.zone_time_s - pair.best.baton_loss_s
            assert ideal == pytest.approx(30.0 / v, rel=0.02)


def test_the_same_seed_gives_the_same_table_and_another_nearly_the_same_advice(squad, advice):
    again = marks.advise_squad(squad, FIXED)
    assert marks.marks_table([again]).equals(marks.marks_table([advice]))
    other = marks.advise_squad(squad, replace(FIXED, seed=2))
    assert not marks.marks_table([other]).equals(marks.marks_table([advice]))
    moved = [a.best.mark_m - b.best.mark_m for a, b in zip(advice.pairs, other.pairs, strict=True)]
    assert np.abs(moved).max() < 1.5


# --- what is not known, and what is not the same each time ---------------------------------------


def by_hand(**how) -> marks.PairAdvice:
    """A pair whose errors and spreads are set, with nothing in the lake behind it."""
    nothing = takeovers.gather_reps(
        schema.empty_table("exchanges"), schema.empty_table("speed_curves"), "4x100"
    )
    squad = replace(pair_squad(**how), reps=nothing)
    asked = Settings(stand_m=0.0, outer=64, inner=32)
    return by_pair(marks.advise_squad(squad, asked))["robin", "wren"]


def test_ten_times_the_reps_make_errors_smaller_and_leave_spreads():
    few, many = by_hand(), by_hand(error=10**-0.5)
    k = few.advised + int(np.abs(few.candidates.p_in_zone[few.advised :] - 0.8).argmin())
    assert np.array_equal(few.candidates.mark_m[: k + 1], many.candidates.mark_m[: k + 1])
    for name in ("p_in_zone_sd", "zone_time_sd_s", "pass_sd_m", "mark_sd_m", "closing_sd_mps"):
        ratio = getattr(many.at(k), name) / getattr(few.at(k), name)
        assert 0.15 < ratio < 0.6, name  # a third
    for name in ("zone_time_spread_s", "pass_spread_m"):
        assert 0.85 < getattr(many.at(k), name) / getattr(few.at(k), name) < 1.15, name
    # and what is better known may be trusted with a farther mark
    assert many.best.mark_m >= few.best.mark_m


def test_runners_known_exactly_leave_chance_and_no_error():
    """Groups of draws differ then by luck alone, which is taken out again."""
    pair, usual = by_hand(error=0.0), by_hand()
    chancy = (pair.candidates.p_in_zone > 0.2) & (pair.candidates.p_in_zone < 0.8)
    assert chancy.sum() > 3
    # by luck alone the shares of 32 reps would differ by 0.07 or more
    assert pair.candidates.p_in_zone_sd[chancy].max() < 0.05
    assert pair.candidates.zone_time_sd_s[chancy].max() < 0.015
    assert pair.best.p_in_zone_sd < 0.3 * usual.at(pair.advised).p_in_zone_sd


def test_an_uneven_pair_is_given_a_nearer_mark_and_a_wider_spread():
    steady, uneven = by_hand(spread=0.5), by_hand(spread=1.5)
    assert uneven.best.mark_m < steady.best.mark_m
    assert uneven.best.zone_time_spread_s > 1.5 * steady.best.zone_time_spread_s
    assert uneven.best.zone_time_s > steady.best.zone_time_s


# --- what is asked for ------------------------------------------------------------------------


def test_reps_on_a_mark_are_counted_and_change_no_chance_by_themselves(known):
    """They are in the runners' figures already: counted once more they would make kinks."""
    (advice,) = decisions.advise_lake(known, replace(FIXED, stand_m=None))
    on = {pair: one.candidates.reps_on_mark for pair, one in by_pair(advice).items()}
    assert sum(reps.sum() for reps in on.values()) > 5
    for pair, reps in on.items():
        assert reps.sum() <= by_pair(advice)[pair].reps_pair
    for one in advice.pairs:
        p = one.candidates.p_in_zone
        assert np.abs(np.diff(p, n=2)).max() < 0.08  # no kinks; a rep more or less made 0.1 of it


def test_a_dearer_failure_never_asks_for_a_riskier_mark(squad):
    costs = (0.0, 0.3, 1.0, 3.0, 10.0, 100.0)
    told = [by_pair(marks.advise_squad(squad, replace(FIXED, failure_s=c))) for c in costs]
    for names in told[0]:
        chances = [one[names].best.p_in_time for one in told]
        assert chances == sorted(chances), names
    assert np.mean([a.best.p_in_time for a in told[1].values()]) < np.mean(
        [a.best.p_in_time for a in told[-1].values()]
    )


def test_a_dearer_collision_never_asks_for_more_of_them(squad):
    costs = (0.0, 0.5, 1.0, 5.0)
    told = [by_pair(marks.advise_squad(squad, replace(FIXED, collision_s=c))) for c in costs]
    for names in told[0]:
        chances = [one[names].best.p_ran_into for one in told]
        assert chances == sorted(chances, reverse=True), names


def test_the_mark_advised_is_the_one_with_the_least_loss_and_the_loss_is_the_sum(advice):
    for pair in advice.pairs:
        curve = pair.candidates
        assert curve.loss_s[pair.advised] == curve.loss_s.min()
        risks = FIXED.failure_s * (1.0 - curve.p_in_time) + FIXED.collision_s * curve.p_ran_into
        time = curve.loss_s - risks
        # what is left is time: of a takeover as good as a baton carried through, and not much more
        assert np.abs(time).max() < 2.0
        assert (curve.loss_sd_s > 0.0).all()


def test_more_practice_is_worth_less_the_more_is_known():
    few, many, all_ = (by_hand(error=e) for e in (2.0, 0.7, 0.0))
    assert few.practice_gain_s > many.practice_gain_s >= all_.practice_gain_s >= 0.0
    assert all_.practice_gain_s < 0.01
    assert few.practice_gain_s > 0.02


def test_an_earlier_latest_pass_is_a_nearer_mark(squad, advice):
    asked = marks.advise_squad(squad, replace(FIXED, latest_m=18.0))
    nearer = 0
    for plain, early in zip(advice.pairs, asked.pairs, strict=True):
        assert (early.candidates.p_in_time <= early.candidates.p_in_zone + 1e-9).all()
        assert np.array_equal(plain.candidates.p_in_time, plain.candidates.p_in_zone)
        nearer += early.best.mark_m < plain.best.mark_m
        if early.best.p_in_time < 0.9:
            assert "later than 18 m" in " ".join(early.remarks)
    assert nearer >= len(advice.pairs) // 2


def test_a_tail_wind_is_run_in_less_time(squad, advice):
    wind = marks.advise_squad(squad, replace(FIXED, wind_mps=2.0))
    gains = []
    for plain, pair in zip(advice.pairs, wind.pairs, strict=True):
        at = plain.best.mark_m  # one and the same mark
        time = np.interp(at, pair.candidates.mark_m, pair.candidates.zone_time_s)
        gains.append(1.0 - time / plain.best.zone_time_s)
    # Linthorne 1994: 2 m/s over 100 m are 0.10 s, about one per cent
    assert 0.003 < np.mean(gains) < 0.017


def test_the_usual_stand_is_kept_unless_a_better_one_is_asked_for(squad):
    usual = marks.advise_squad(squad, replace(FIXED, stand_m=None))
    own = squad.reps
    for pair in usual.pairs:
        i, j = squad.index(pair.incoming), squad.index(pair.outgoing)
        stood = own.stand_m[(own.incoming == i) & (own.outgoing == j)]
        wanted = np.median(stood[np.isfinite(stood)]) if np.isfinite(stood).any() else 0.0
        assert abs(pair.stand_m - wanted) <= 0.25 or pair.stand_m == 0.0
    free = marks.advise_squad(squad, replace(FIXED, stand_m=None, free_stand=True))
    assert all(0.0 <= pair.stand_m <= 15.0 for pair in free.pairs)
    # the choice is made on fewer candidates and draws than the table is
    better = [a.best.loss_s - b.best.loss_s for a, b in zip(free.pairs, usual.pairs, strict=True)]
    assert np.mean(better) < 0.02


def test_the_older_zones_are_twenty_metres_after_ten_of_acceleration(squad):
    asked = marks.advise_squad(squad, replace(FIXED, older=True))
    assert (asked.conditions.zone_m, asked.conditions.back_m) == (20.0, -10.0)
    for pair in asked.pairs:
        assert 1.5 < pair.best.zone_time_s < 2.7  # 20 m at 8 to 12 m/s, more or less
        assert 0.0 < pair.best.pass_m < 20.0
        assert pair.best.reps_on_mark == 0  # all practice was on today's zones


def test_moving_the_tape_is_read_from_the_curve(advice):
    for pair in advice.pairs:
        assert astuple(marks.move_tape(pair, 0.0)) == pytest.approx((0.0,) * 5)
        step = round(pair.foot_m / np.diff(pair.candidates.mark_m)[0])
        k = pair.advised
        for feet, to in ((1.0, k + step), (-1.0, k - step)):
            change = marks.move_tape(pair, feet)
            if not 0 <= to < len(pair.candidates.mark_m):
                assert change is None
                continue
            for name, by in asdict(change).items():
                there, here = (getattr(one, name) for one in (pair.at(to), pair.best))
                assert by == pytest.approx(there - here, abs=1e-9), name
        farther = marks.move_tape(pair, 1.0)
        if farther is not None:
            assert farther.pass_m > 0
            assert farther.p_ran_away >= 0
    assert marks.move_tape(advice.pairs[0], 1000.0) is None


# --- by sight ---------------------------------------------------------------------------------


def test_in_the_visual_change_the_mark_is_a_place_and_the_gap_what_is_seen(visual):
    assert visual.conditions.zone_m == 20.0  # World Athletics Technical Rules 24.3: 4x400 m
    for pair in visual.pairs:
        marks_m, gap = pair.candidates.mark_m, pair.candidates.gap_at_go_m
        assert (np.diff(gap) > 0).all()
        # trunks: from the other's to the own, wherever the receiver stands
        assert gap == pytest.approx(marks_m + pair.stand_m, abs=0.3)
        assert pair.pace in marks.PACES
        assert "visual change" in " ".join(pair.remarks)
    table = marks.marks_table([visual])
    assert set(table["pace"].to_pylist()) <= set(marks.PACES)


def test_the_pace_is_the_coachs_where_given_and_no_matter_of_the_blind_change(visual, squad):
    told = marks.advise_squad(visual.squad, Settings(stand_m=0.0, pace=0.9, **FEW))
    full = marks.advise_squad(visual.squad, Settings(stand_m=0.0, pace=1.0, **FEW))
    assert {pair.pace for pair in told.pairs} == {0.9}
    for both in zip(told.pairs, full.pairs, strict=True):
        curves = [pair.candidates for pair in both]
        at = max(c.mark_m[0] for c in curves)  # a place that both have
        part, all_ = (np.interp(at, c.mark_m, c.closing_mps) for c in curves)
        assert part > all_
    asked = replace(FIXED, team=squad.runners[:2])
    plain, paced = (marks.advise_squad(squad, replace(asked, pace=pace)) for pace in (None, 0.8))
    assert marks.marks_table([plain]).equals(marks.marks_table([paced]))


# --- what cannot be ----------------------------------------------------------------------------


@pytest.mark.parametrize(
    "nonsense",
    [
        {"failure_s": -1.0}, {"failure_s": 101.0}, {"failure_s": float("nan")},
        {"collision_s": -0.5}, {"collision_s": float("inf")}, {"wind_mps": 30.0},
        {"wind_mps": float("nan")}, {"stand_m": -1.0}, {"stand_m": 40.0}, {"latest_m": 0.0},
        {"latest_m": 90.0}, {"feet_m": {"wren": 3.0}}, {"seed": -1},
        {"pace": 0.0}, {"pace": -1.0}, {"pace": float("inf")},
    ],
    ids=str,
)  # fmt: skip
def test_settings_refuse_nonsense_and_say_what_can_be(nonsense):
    with pytest.raises(UsageError) as caught:
        Settings(**nonsense)
    value = next(iter(nonsense.values()))
    found = value["wren"] if isinstance(value, dict) else value
    assert str(found) in caught.value.found
    assert caught.value.where
    assert caught.value.expected


def test_a_team_of_one_is_none(squad):
    with pytest.raises(UsageError, match="two runners"):
        marks.advise_squad(squad, replace(FIXED, team=(squad.runners[0],)))


def test_an_event_that_nobody_ran_names_those_that_were(known):
    with pytest.raises(UsageError, match="4x100") as caught:
        advise_table(known, replace(FIXED, event="4x200"))
    assert "4x200" in str(caught.value)


def test_a_lake_without_a_takeover_is_nothing_measured():
    empty = Lake(
        Path("out"), schema.empty_table("exchanges"), schema.empty_table("speed_curves"), {}
    )
    with pytest.raises(NothingMeasured):
        advise_table(empty, Settings())


@pytest.mark.filterwarnings("error")
@given(st.integers(0, 10_000), st.integers(2, 9), st.sampled_from(["4x100", "4x400", "4x200"]))
@trials(max_examples=8, deadline=None, suppress_health_check=[HealthCheck.too_slow])
def test_no_lake_is_too_odd(seed, rows, event):
    """The table holds to its schema, or a pair is left out with a word."""
    advice = decisions.advise_lake(random_lake(seed, rows, event), Settings(outer=8, inner=8))[0]
    table = schema.check_table("marks", marks.marks_table([advice]))
    told = {(p.incoming, p.outgoing) for p in advice.pairs}
    assert pc.sum(table["advised"]).as_py() in (None, len(told))
    for a, b in ordered_pairs(advice.squad.runners):
        assert ((a, b) in told) is not any(x.startswith(f"{a} to {b}:") for x in advice.remarks)


# --- is it true ---------------------------------------------------------------------------------


def test_of_marks_said_to_be_safe_as_many_are(practice):
    """Fresh squads run on marks of every chance; tests/tools/advice_study.py does so at length."""
    said, came, times = [], [], []
    another = squads.lake(22, n_runners=4, evenings=1, reps=10)
    for seed, (lake, squad, site) in ((5, practice), (22, another)):
        rng = np.random.default_rng(seed)
        advice = decisions.advise_lake(lake, Settings(stand_m=0.0, outer=32, inner=16))[0]
        pair = advice.pairs[2 * seed % 12]
        p = pair.candidates.p_in_zone
        ks = [int(np.argmin(np.abs(p - aim))) for aim in (0.3, 0.6, 0.88, 0.95)]
        places = [(pair.at(k).mark_m, pair.stand_m) for k in ks]
        done = crowd.on_marks(squad, site, (pair.incoming, pair.outgoing), places, 40, rng)
        said += [p[k] for k in ks]
        came += [one.legal.mean() for one in done]
        times += [
            np.nanmean(one.zone_time_s[one.legal]) - pair.at(k).zone_time_s
            for k, one in zip(ks[2:], done[2:], strict=True)
        ]
    said, came = np.array(said), np.array(came)
    safe = said > 0.85
    assert safe.sum() >= 4
    assert 0.75 < came[safe].mean() <= 1.0
    assert came[safe].mean() == pytest.approx(said[safe].mean(), abs=0.12)
    # far marks: those who wait ease and get it after all oftener than said (docs/advice.md)
    assert came[said < 0.75].mean() < came[safe].mean()
    assert np.mean(np.abs(said - came)) < 0.25
    assert abs(np.mean(times)) < 0.08
