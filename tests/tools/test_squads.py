"""The advice study's own ground: many takeovers at once are the generator's takeovers, and lakes
without files have the errors they say they have."""

from dataclasses import replace

import crowd
import numpy as np
import pytest
import squads
import worlds

from pipeline.tables import schema

import people  # isort: skip - from sample_tracks, found by squads
import practice  # isort: skip


def mixed_plans(squad, site, n, rng):
    """Plans of one pair with every fault, and marks so scattered that all ends occur."""
    pi, po = squad.people[:2]
    plans = []
    for k in range(n):
        fault = (None, *practice.FAULTS)[k % 5]
        setup = practice.of_world(rng, site, practice.draw_setup(rng, site), squad.world)
        plan, _ = practice.plan_takeover(
            rng, site, pi, po, squad.reach_m[pi.id, po.id], setup, fault, 0.05, squad.world
        )
        off_m = rng.normal(0, 2.5) if k < n - 1 else -9.0  # and one that nobody can catch up from
        plans.append(replace(plan, mark_s=plan.mark_s + off_m))
    return pi, po, plans


@pytest.mark.parametrize(
    ("event", "rules", "world"),
    [
        ("4x100", "today", None),
        ("4x400", "today", None),
        ("4x100", "older", None),
        ("4x100", "today", 2),  # where all ease before the pass, and brake to match
        ("4x100", "today", 6),  # where they ease before it
    ],
)
def test_many_at_once_are_the_takeovers_of_the_generator(event, rules, world):
    world = None if world is None else worlds.draw_world(world)
    squad, site = squads.draw(3, event=event, rules=rules, world=world)
    pi, po, plans = mixed_plans(squad, site, 10, np.random.default_rng(1))
    many = crowd.take_over(pi, po, plans, 30.0)
    for k, plan in enumerate(plans):
        one = people.take_over(pi, po, plan)
        assert many.go_t_s[k] == pytest.approx(one.go_t, abs=1e-9)
        assert (many.collided[k], many.eased[k], many.slowed[k]) == (
            one.collided,
            one.eased,
            one.slowed,
        )
        assert bool(many.passed[k]) is (one.pass_t is not None)
        if one.pass_t is not None:
            i = round(one.pass_t / people.DT)
            assert many.pass_t_s[k] == pytest.approx(one.pass_t, abs=1e-9)
            gap = (one.s_out - one.s_in)[round(one.go_t / people.DT) : i + 1]
            assert many.nearest_m[k] == pytest.approx(gap.min(), abs=1e-6)
            assert many.pass_m[k] == pytest.approx(0.5 * (one.s_in[i] + one.s_out[i]), abs=1e-6)
        if many.legal[k]:
            exit_t = many.finish_s[k] - many.zone_time_s[k]
            far = np.searchsorted(one.s_out, site.zone_m + 30.0) * people.DT
            leaves = np.searchsorted(one.s_out, site.zone_m) * people.DT
            assert exit_t == pytest.approx(far - leaves, abs=2 * people.DT)
    assert 0 < many.passed.mean() < 1  # else half of this was not looked at


def test_zone_time_is_the_batons():
    squad, site = squads.draw(5)
    pi, po, plans = mixed_plans(squad, site, 12, np.random.default_rng(2))
    many = crowd.take_over(pi, po, plans)
    for k in np.flatnonzero(many.legal):
        one = people.take_over(pi, po, plans[k])
        t = np.arange(len(one.s_in)) * people.DT
        enters = np.interp(0.0, one.s_in, t)
        leaves = np.interp(site.zone_m, one.s_out, t)
        assert many.zone_time_s[k] == pytest.approx(leaves - enters, abs=0.002)


def test_a_farther_mark_is_a_later_and_a_faster_pass():
    squad, site = squads.draw(4)
    pair = squad.people[0].id, squad.people[1].id
    rng = np.random.default_rng(3)
    marks = [(m, 0.0) for m in (5.0, 8.0, 11.0)]
    near, middle, far = crowd.on_marks(squad, site, pair, marks, 120, rng)
    places = [np.nanmean(x.pass_m) for x in (near, middle, far)]
    times = [np.nanmean(x.zone_time_s) for x in (near, middle, far)]
    assert places == sorted(places)
    assert times == sorted(times, reverse=True)
    assert np.mean(near.nearest_m < 0.5) > np.mean(far.nearest_m < 0.5)
    assert near.ran_away.mean() <= far.ran_away.mean()


def test_a_lake_without_files_is_made_anew_the_same_and_differs_by_seed():
    make = squads.lake.__wrapped__  # without what others have made
    first, again, other = (make(seed, evenings=1, reps=4)[0] for seed in (7, 7, 8))
    assert first.exchanges.equals(again.exchanges)
    assert first.curves.equals(again.curves)
    assert not first.exchanges.equals(other.exchanges)
    schema.check_table("exchanges", first.exchanges)
    schema.check_table("speed_curves", first.curves)


def test_errors_of_a_lake_without_files_are_as_large_as_it_says():
    squad, site = squads.draw(11)
    rng = np.random.default_rng(4)
    z = {"zone_time_s": [], "pass_m": [], "free_distance_m": [], "v_in_entry_mps": []}
    for row, plan in squads.takeovers(rng, squad, site, 40, 0.0):
        run = people.take_over(row["in"], row["out"], plan)
        true, seen = (squads.seen(rng, row, run, site, errors)[0] for errors in (0.0, 1.0))
        for name, values in z.items():
            if seen.get(name) is not None and true.get(name) is not None:
                sd = seen[name.rpartition("_")[0] + "_sd_" + name.rpartition("_")[2]]
                values.append((seen[name] - true[name]) / sd)
    for name, values in z.items():
        # forty of them: a standard error of 0.11
        assert 0.6 < np.sqrt(np.mean(np.square(values))) < 1.5, name
