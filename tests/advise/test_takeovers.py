"""What a takeover says of its two runners: the generator's truth within the errors said, nothing
from nothing, and the same whatever order the tables are in."""

import functools

import numpy as np
import pyarrow as pa
import pytest
import squads
from hypothesis import given, settings
from hypothesis import strategies as st
from random_tables import random_table

from pipeline.advise import laws, takeovers
from pipeline.base.relays import OLDER_BACK_M

import people  # isort: skip - from sample_tracks, found by squads

SEEDS = (4, 21)  # evenings with takeovers that failed
REPS = 12
PARTS = {"start": 4, "lag": 1, "cost": 1, "entry": 3, "reach": 1, "look": 1}
NUMBERS = ("mark_m", "stand_m", "zone_m", "back_m", "zone_time_s", "zone_time_sd_s", "p_in_zone",
           "ran_into", "eased_from", "eased_by", "waited_to", "age_days", "utc_s")  # fmt: skip


class Evening:
    """One evening of a squad, once with errors and once without; row i of all is takeover i."""

    def __init__(self, seed, rules="today", n=REPS):
        self.squad, self.site = squads.draw(seed, rules=rules)
        rng = np.random.default_rng([seed, 2])
        plans = squads.takeovers(rng, self.squad, self.site, n, 0.15)
        self.rows, self.plans = zip(*plans, strict=True)
        tables = [
            squads.tables(seed, self.squad, self.site, 1, n, errors=errors) for errors in (1.0, 0.0)
        ]
        (self.exchanges, self.curves), (self.exact_exchanges, self.exact_curves) = tables
        self.seen = takeovers.gather_reps(self.exchanges, self.curves, "4x100")
        self.exact = takeovers.gather_reps(self.exact_exchanges, self.exact_curves, "4x100")


@pytest.fixture(scope="module", autouse=True)
def each_takeover_is_run_once():
    """With and without errors it is the same run, and running is what takes time."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(people, "take_over", functools.cache(people.take_over))
        yield


@pytest.fixture(scope="module")
def evenings():
    return [Evening(seed) for seed in SEEDS]


@pytest.fixture(scope="module")
def older():
    return Evening(5, rules="older", n=8)


def known(matter):
    return np.trace(matter.information, axis1=1, axis2=2) > 0


def scalar(matter):
    """Value and standard error of one component, NaN where nothing is known."""
    info = matter.information[:, 0, 0]
    with np.errstate(divide="ignore", invalid="ignore"):
        return matter.weighted[:, 0] / info, 1.0 / np.sqrt(info)


def vector(matter, i):
    """Which components of takeover i are known, their values and covariance."""
    has = np.diag(matter.information[i]) > 0
    cov = np.linalg.inv(matter.information[i][np.ix_(has, has)])
    return has, cov @ matter.weighted[i][has], cov


def column(table, name):
    return table.column(name).to_numpy(zero_copy_only=False)


def filled(table, name, values):
    """The table with these values in a column."""
    k = table.schema.get_field_index(name)
    values = np.broadcast_to(values, table.num_rows)
    return table.set_column(k, table.schema.field(k), pa.array(values))


# --- the generator's truth ------------------------------------------------------------------------


def true_lags(evening):
    """From the incoming runner at the mark to the first movement, s, by the runs themselves."""
    out = []
    for row, plan in zip(evening.rows, evening.plans, strict=True):
        run = people.take_over(row["in"], row["out"], plan)
        at_mark = np.interp(plan.mark_s, run.s_in, np.arange(len(run.s_in)) * people.DT)
        out.append(run.go_t - at_mark)
    return np.array(out)


def test_lag_is_that_of_the_runs(evenings):
    z = []
    for evening in evenings:
        lag, sd = scalar(evening.seen.lag)
        true = true_lags(evening)
        meant = np.array([plan.lag_s for plan in evening.plans])
        late = meant >= 0.0  # who leaves before the mark does so about when it is meant
        np.testing.assert_allclose(true[late], meant[late], atol=0.01)
        np.testing.assert_allclose(true[~late], meant[~late], atol=0.06)
        assert np.all(np.isfinite(lag))
        np.testing.assert_allclose(scalar(evening.exact.lag)[0], true, atol=0.01)
        z.append((lag - true) / sd)
    z = np.concatenate(z)
    assert len(z) > 15
    assert 0.6 < np.sqrt(np.mean(z**2)) < 1.5


def test_stand_is_where_the_feet_were(evenings):
    for evening in evenings:
        true = np.array([plan.out_from_s for plan in evening.plans]) - evening.site.back_s
        np.testing.assert_allclose(evening.exact.stand_m, true, atol=0.02)
        np.testing.assert_allclose(evening.seen.stand_m, true, atol=0.3)
        assert np.std(evening.seen.stand_m - true) < 0.12


def test_distance_at_the_first_movement(evenings):
    for evening in evenings:
        look, sd = scalar(evening.seen.look)
        exact, _ = scalar(evening.exact.look)
        # before the mark or after it, by what the incoming runner runs in the lag
        true = np.array(
            [
                plan.out_from_s - plan.mark_s - plan.lag_s * 0.93 * row["in"].top_mps
                for row, plan in zip(evening.rows, evening.plans, strict=True)
            ]
        )
        np.testing.assert_allclose(exact, true, atol=0.35)
        z = (look - exact) / sd
        assert 0.55 < np.sqrt(np.mean(z**2)) < 1.6


def test_entry_speed_and_how_it_changes(evenings):
    z = []
    for evening in evenings:
        at_line = column(evening.exact_exchanges, "v_in_entry_mps")
        for i in np.flatnonzero(known(evening.seen.entry) & known(evening.exact.entry)):
            _, exact, _ = vector(evening.exact.entry, i)
            _, seen, cov = vector(evening.seen.entry, i)
            assert exact[0] == pytest.approx(at_line[i], abs=0.12)
            z.append((seen[0] - exact[0]) / np.sqrt(cov[0, 0]))
            # speed changes little about the line, and a fade is no collapse
            assert np.all(np.abs(seen[1:]) < 1.0)
    assert len(z) > 15
    # the law's misfit is allowed for besides the error put on, so below one
    assert 0.25 < np.sqrt(np.mean(np.square(z))) < 1.3


def test_a_straight_gain_and_a_straight_fade_come_back(evenings):
    # 0.2 m/s gained each second before the line, 0.3 m/s lost each second after it
    evening = evenings[0]
    t = column(evening.curves, "t_s")
    v = 9.0 + 0.2 * np.minimum(t, 0.0) - 0.3 * np.maximum(t, 0.0)
    seen = takeovers.gather_reps(evening.exchanges, filled(evening.curves, "v_mps", v), "4x100")
    gains = 0
    for i in range(REPS):
        has, x, _ = vector(seen.entry, i)
        np.testing.assert_allclose(x, np.array([9.0, 0.2, 0.3])[has], atol=1e-6)
        gains += has[:2].all()
    assert gains > REPS / 2
    # a fade is seen of who runs on inside the zone with some metres to spare
    apart = filled(evening.exchanges, "pass_t_s", 3.0)
    away = np.asarray(evening.curves["role"]) == "outgoing"
    curves = filled(evening.curves, "v_mps", v)
    curves = filled(curves, "s_m", column(curves, "s_m") + 20.0 * away)
    seen = takeovers.gather_reps(apart, curves, "4x100")
    whole = 0
    for i in range(REPS):
        has, x, _ = vector(seen.entry, i)
        np.testing.assert_allclose(x, np.array([9.0, 0.2, 0.3])[has], atol=1e-6)
        whole += has.all()
    assert whole > REPS / 2


def test_the_speeds_own_error_is_added_once(evenings):
    # a receiver's scale is the same at all points: averaging them takes nothing off it
    evening = evenings[0]
    alone, added = (
        takeovers.gather_reps(
            filled(evening.exchanges, "v_in_entry_sd_mps", sd), evening.curves, "4x100"
        ).entry
        for sd in (0.0, 0.2)
    )
    for i in range(REPS):
        difference = vector(added, i)[2] - vector(alone, i)[2]
        expected = np.zeros_like(difference)
        expected[0, 0] = 0.2**2
        np.testing.assert_allclose(difference, expected, atol=1e-9)


def test_reach_is_the_distance_at_the_pass(evenings):
    for evening in evenings:
        exact, _ = scalar(evening.exact.reach)
        true = np.array([plan.reach_m for plan in evening.plans])
        passed = column(evening.exchanges, "outcome") == "passed"
        np.testing.assert_array_equal(known(evening.seen.reach), passed)
        # as far as the arms reach, or nearer where the hand was late
        assert np.all((exact - true)[passed] < 0.02)
        assert np.median((true - exact)[passed]) < 0.02
        seen, sd = scalar(evening.seen.reach)
        z = (seen - exact)[passed] / sd[passed]
        assert 0.6 < np.sqrt(np.mean(z**2)) < 1.6


def test_the_fitted_start_is_the_course_until_the_pass(evenings):
    looked = 0
    for evening in evenings:
        courses = takeovers._curves_by_role(evening.exact_exchanges, evening.exact_curves)
        rows = evening.exact_exchanges.to_pylist()
        for i in np.flatnonzero(known(evening.exact.start)):
            _, x, _ = vector(evening.exact.start, i)
            t, s = courses[i]["outgoing"][:2]
            go, end = rows[i]["go_t_s"], rows[i]["pass_t_s"]
            for metres in (5.0, 8.0):
                at = float(np.interp(evening.exact.stand_m[i] + metres, s, t)) - go
                if end is not None and go + at < end - 0.5:
                    # 0.01 s are 0.07 m here: better than a single exponential from a fixed origin
                    assert laws.seconds_to(metres, *x[:3]) == pytest.approx(at, abs=0.015)
                    looked += 1
    assert looked > 15


def test_time_to_20_m_is_known_as_well_as_said(evenings):
    z = []
    for evening in evenings:
        for i in np.flatnonzero(known(evening.seen.start) & known(evening.exact.start)):
            _, x, cov = vector(evening.seen.start, i)
            _, exact, _ = vector(evening.exact.start, i)
            x, exact, cov = x[:3], exact[:3], cov[:3, :3]
            eps = 1e-4
            base = laws.seconds_to(20.0, *x)
            slope = [(laws.seconds_to(20.0, *(x + eps * u)) - base) / eps for u in np.eye(3)]
            z.append((base - laws.seconds_to(20.0, *exact)) / np.sqrt(slope @ cov @ slope))
    assert 0.5 < np.sqrt(np.mean(np.square(z))) < 1.6


def test_pulling_up_after_a_failed_takeover_is_no_slow_start(evenings):
    failed = 0
    for evening in evenings:
        for i in np.flatnonzero(column(evening.exchanges, "outcome") != "passed"):
            if not known(evening.exact.start)[i]:
                continue
            _, x, _ = vector(evening.exact.start, i)
            person, plan = evening.rows[i]["out"], evening.plans[i]
            full = person.top_mps * plan.out_effort * plan.bend
            assert 0.94 * full < x[0] < 1.06 * full
            failed += 1
    assert failed >= 2


def test_what_the_arm_costs_is_small_and_not_negative_on_the_whole(evenings):
    for evening in evenings:
        cost, _ = scalar(evening.exact.cost)
        ok = known(evening.exact.cost)
        assert ok.sum() > 5
        assert np.min(cost[ok]) > -0.02
        assert 0.0 < np.mean(cost[ok]) < 0.06


@pytest.mark.parametrize(("lost_share", "eased"), [(0.025, False), (0.035, True)])
def test_who_loses_three_in_a_hundred_before_the_pass_has_eased(evenings, lost_share, eased):
    evening = evenings[0]
    passes = column(evening.exchanges, "pass_t_s").astype(float)
    number = column(evening.exchanges, "exchange")
    end = dict(zip(number, passes, strict=True))
    until = np.array([end[k] for k in column(evening.curves, "exchange")])
    slower = column(evening.curves, "t_s") > until - 0.3
    v = np.where(slower, 9.0 * (1.0 - lost_share), 9.0)
    seen = takeovers.gather_reps(evening.exchanges, filled(evening.curves, "v_mps", v), "4x100")
    passed = np.isfinite(passes)
    assert passed.sum() > 5
    np.testing.assert_array_equal(np.isfinite(seen.eased_from)[passed], eased)


def test_who_ran_and_where(evenings):
    for evening in evenings:
        seen = evening.seen
        assert [seen.runners[k] for k in seen.incoming] == [row["in"].id for row in evening.rows]
        assert [seen.runners[k] for k in seen.outgoing] == [row["out"].id for row in evening.rows]
        np.testing.assert_array_equal(seen.zone_m, 30.0)
        np.testing.assert_array_equal(seen.back_m, 0.0)
        assert np.all(seen.p_in_zone[column(evening.exchanges, "outcome") != "passed"] == 0.0)
        feet = {row[who].id: row[who].foot_m for row in evening.rows for who in ("in", "out")}
        for name, foot in zip(seen.runners, seen.feet_m, strict=True):
            assert foot == feet[name] if name in feet else np.isnan(foot)


# --- which line is the back line ------------------------------------------------------------------


def test_older_back_line_is_found_from_the_mark(older):
    assert older.site.back_s == OLDER_BACK_M
    np.testing.assert_array_equal(older.seen.back_m, older.site.back_s)
    true = np.array([plan.out_from_s for plan in older.plans]) - older.site.back_s
    np.testing.assert_allclose(older.seen.stand_m, true, atol=0.3)


def test_older_zone_is_told_from_the_mark_even_where_its_length_is_not_known(older):
    # no zone time, no length: the mark alone, which is reckoned from the back line
    table = without(older.exchanges, "zone_time_s", "zone_speed_mps", "zone_time_sd_s")
    np.testing.assert_array_equal(takeovers.gather_reps(table, older.curves, "4x100").back_m, -10.0)


def test_without_marks_the_zones_length_says(older, evenings):
    for evening, back in ((older, -10.0), (evenings[0], 0.0)):
        table = without(evening.exchanges, "mark_m", "mark_t_s", "mark_t_sd_s", "go_lag_s")
        seen = takeovers.gather_reps(table, evening.curves, "4x100")
        told = np.isfinite(column(table, "zone_time_s"))
        np.testing.assert_array_equal(seen.back_m[told], back)
        assert told.sum() > 5


# --- nothing from nothing -------------------------------------------------------------------------


def without(table, *names):
    """The table with nulls in these columns."""
    for name in names:
        k = table.schema.get_field_index(name)
        field = table.schema.field(k)
        table = table.set_column(k, field, pa.nulls(table.num_rows, field.type))
    return table


@pytest.mark.parametrize(
    ("columns", "gone"),
    [
        (("go_t_s", "go_t_sd_s", "go_lag_s"), {"lag", "start", "cost", "look"}),
        (("mark_m", "mark_t_s", "mark_t_sd_s", "go_lag_s"), {"lag"}),
        (("free_distance_m", "free_distance_sd_m"), {"reach"}),
        (("v_in_entry_mps", "v_in_entry_sd_mps"), {"entry"}),
        (("zone_time_s", "zone_time_sd_s", "zone_speed_mps"), set()),
    ],
)
def test_a_null_gives_no_information_and_takes_none_elsewhere(evenings, columns, gone):
    evening = evenings[0]
    seen = takeovers.gather_reps(without(evening.exchanges, *columns), evening.curves, "4x100")
    for name in PARTS:
        matter = getattr(seen, name)
        if name in gone:
            assert not matter.information.any()
            assert not matter.weighted.any()
        else:
            np.testing.assert_array_equal(known(matter), known(getattr(evening.seen, name)))


def test_without_curves_there_are_lags_and_reaches_alone(evenings):
    evening = evenings[0]
    seen = takeovers.gather_reps(evening.exchanges, evening.curves.slice(0, 0), "4x100")
    for name in PARTS:
        matter = getattr(seen, name)
        if name in ("lag", "reach"):
            np.testing.assert_array_equal(matter.weighted, getattr(evening.seen, name).weighted)
        else:
            assert not matter.information.any()
    assert np.all(np.isnan(seen.stand_m))


def test_curves_of_one_runner_alone_say_nothing_of_the_distance_between_them(evenings):
    evening = evenings[0]
    out = evening.curves.filter(pa.array(column(evening.curves, "role") == "outgoing"))
    seen = takeovers.gather_reps(evening.exchanges, out, "4x100")
    assert not seen.look.information.any()
    assert not seen.entry.information.any()
    np.testing.assert_array_equal(seen.start.weighted, evening.seen.start.weighted)


def test_a_relay_nobody_ran_has_no_takeovers(evenings):
    seen = takeovers.gather_reps(evenings[0].exchanges, evenings[0].curves, "4x400")
    assert seen.runners == ()
    assert len(seen.utc_s) == 0
    for name, p in PARTS.items():
        assert getattr(seen, name).information.shape == (0, p, p)
    assert not seen.blind
    assert evenings[0].seen.blind


def test_events_come_by_how_often_they_were_run(evenings):
    few = ["4x400"] * 4 + ["4x100"] * (REPS - 4)
    assert takeovers.rank_events(filled(evenings[0].exchanges, "event", few)) == ["4x100", "4x400"]


# --- order does not matter ------------------------------------------------------------------------


def equal(one, other):
    for name in PARTS:
        for part in ("information", "weighted"):
            np.testing.assert_array_equal(
                getattr(getattr(one, name), part), getattr(getattr(other, name), part)
            )
    for name in (*NUMBERS, "incoming", "outgoing", "feet_m"):
        np.testing.assert_array_equal(getattr(one, name), getattr(other, name))
    assert one.runners == other.runners


@settings(max_examples=4, deadline=None)
@given(st.integers(0, 1000))
def test_rows_may_come_in_any_order(evenings, seed):
    rng = np.random.default_rng(seed)
    evening = evenings[0]
    exchanges = evening.exchanges.take(pa.array(rng.permutation(evening.exchanges.num_rows)))
    curves = evening.curves.take(pa.array(rng.permutation(evening.curves.num_rows)))
    equal(takeovers.gather_reps(exchanges, curves, "4x100"), evening.seen)


def test_sessions_may_come_in_any_order_and_bear_any_name(evenings):
    one, two = evenings
    tables = [(x.exchanges, x.curves) for x in (one, two)]
    forth, back = (
        takeovers.gather_reps(*(pa.concat_tables(x) for x in zip(*pair, strict=True)), "4x100")
        for pair in (tables, tables[::-1])
    )
    equal(forth, back)
    assert len(forth.utc_s) == 2 * REPS
    assert forth.sessions == tuple(sorted(forth.sessions))
    named = []
    for table in (one.exchanges, one.curves):
        named.append(filled(table, "session", "zander"))
    equal(takeovers.gather_reps(*named, "4x100"), one.seen)


# --- tables of all kinds --------------------------------------------------------------------------


@settings(max_examples=10, deadline=None)
@given(st.integers(0, 100_000), st.sampled_from(["4x100", "4x200", "4x400"]))
def test_any_tables_give_finite_information(seed, event):
    exchanges = random_table("exchanges", rows=6, seed=seed)
    exchanges = filled(exchanges, "event", event)
    curves = random_table("speed_curves", rows=250, seed=seed + 1)
    seen = takeovers.gather_reps(exchanges, curves, event)
    assert len(seen.utc_s) == 6
    for name, p in PARTS.items():
        matter = getattr(seen, name)
        assert matter.information.shape == (6, p, p)
        assert np.all(np.isfinite(matter.information))
        assert np.all(np.isfinite(matter.weighted))
        scale = np.abs(matter.information).max(initial=1.0)
        assert np.linalg.eigvalsh(matter.information).min() > -1e-9 * scale
    assert np.all(seen.zone_m > 0.0)


def test_a_zone_of_no_length_is_not_believed(evenings):
    table = filled(evenings[0].exchanges, "zone_speed_mps", 0.0)
    np.testing.assert_array_equal(
        takeovers.gather_reps(table, evenings[0].curves, "4x100").zone_m, 30.0
    )


def test_a_course_that_is_no_sprint_says_nothing(evenings):
    # a walk, as where a unit was taken off or the wrong file was named
    evening = evenings[0]
    curves = filled(evening.curves, "v_mps", 1.3)
    seen = takeovers.gather_reps(evening.exchanges, curves, "4x100")
    for name in ("start", "entry", "cost"):
        assert not getattr(seen, name).information.any()


def test_what_one_course_says_does_not_depend_on_those_before_it(evenings):
    """A belief that a fit wrote into would be another for the next."""
    before = takeovers.START_PRIOR.copy()
    evening = evenings[0]
    one, other = (
        takeovers.gather_reps(evening.exchanges, evening.curves, "4x100") for _ in range(2)
    )
    np.testing.assert_array_equal(one.start.weighted, other.start.weighted)
    np.testing.assert_array_equal(takeovers.START_PRIOR, before)
