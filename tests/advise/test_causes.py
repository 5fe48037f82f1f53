"""What a takeover lost and to what: the arithmetic of the parts, and what they answer to."""

import math
from dataclasses import replace

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pytest
import squads

from pipeline.advise import causes, marks, rep_values
from pipeline.advise.runners import estimate_squad
from pipeline.advise.settings import Settings
from pipeline.advise.takeovers import gather_reps
from pipeline.tables import schema


def advised(found, event, **changes):
    """Advice on a lake; `changes` replace arrays of the reps it rests on."""
    squad = estimate_squad(gather_reps(found.exchanges, found.curves, event))
    squad = replace(squad, reps=replace(squad.reps, **changes))
    return marks.advise_squad(squad, Settings(outer=8, inner=16, stand_m=0.0))


@pytest.fixture(scope="module")
def practice():
    found, _, _ = squads.lake(9, n_runners=3, evenings=2, reps=10)
    advice = advised(found, "4x100")
    return found.exchanges, advice, causes.find_causes(found.exchanges, [advice])


def part(loss, cause):
    (found,) = (one for one in loss.parts if one.cause == cause)
    return found


def changed(exchanges, only=None, **columns):
    """`exchanges` with numbers added to columns of floats: in every row, or in the one given."""
    for name, by in columns.items():
        at = exchanges.schema.get_field_index(name)
        here = pa.array([by * (only in (None, k)) for k in range(exchanges.num_rows)])
        exchanges = exchanges.set_column(
            at, exchanges.schema.field(at), pc.add(exchanges[name].combine_chunks(), here)
        )
    return exchanges


# --- arithmetic ---------------------------------------------------------------------------


def test_shapley_gives_everybody_the_mean_over_the_orders():
    # Two have a left glove, one a right one; a pair is worth 1. Of the six orders the right glove
    # completes a pair in four, each left one in one.
    def worth(numbers):
        return float(1 in numbers and bool({2, 3} & numbers))

    members = [{k + 1 for k in range(3) if c >> k & 1} for c in range(8)]
    values = np.array([worth(one) for one in members])
    assert causes.shapley_weights(3) @ values == pytest.approx([4 / 6, 1 / 6, 1 / 6])


def test_what_adds_up_is_given_back_as_it_is():
    rng = np.random.default_rng(1)
    own = rng.normal(size=6)
    values = np.array([sum(own[k] for k in range(6) if c >> k & 1) for c in range(64)])
    assert causes.shapley_weights(6) @ values == pytest.approx(own)
    odd = rng.normal(size=64)
    assert (causes.shapley_weights(6) @ odd).sum() == pytest.approx(odd[-1] - odd[0])


def test_the_parts_add_up_and_every_takeover_has_its_place(practice):
    exchanges, _, losses = practice
    assert len(losses) == exchanges.num_rows
    told = [loss for loss in losses if loss.parts]
    assert len(told) > 10
    for loss in told:
        assert [one.cause for one in loss.parts] == list(causes.CAUSES)
        assert sum(one.lost.value for one in loss.parts) == pytest.approx(loss.lost.value)
        assert all(math.isfinite(one.lost.value) and one.lost.sd >= 0 for one in loss.parts)
    table = causes.causes_table(losses)
    schema.check_table("causes", table)
    assert table.num_rows == len(told) * len(causes.CAUSES)


# --- what the parts answer to ---------------------------------------------------------------


def test_a_start_that_is_later_costs_as_much_and_nothing_else_does(practice):
    exchanges, advice, _ = practice
    exchanges = changed(exchanges, pass_sd_m=50.0)  # it would have moved: it says nothing here
    never = replace(advice.squad.easing, share=0.0, share_reps=1e6)  # an early pass saves none
    advice = replace(advice, squad=replace(advice.squad, easing=never))
    before = causes.find_causes(exchanges, [advice])
    later = changed(exchanges, go_t_s=0.3, zone_time_s=0.3)
    after = causes.find_causes(later, [advice])
    compared = 0
    for old, new in zip(before, after, strict=True):
        timely = old.notes.get("start") == "left on time"
        eased = "braking" in old.notes
        if not (old.parts and new.parts and timely) or eased:
            continue
        compared += 1
        assert new.lost.value - old.lost.value == pytest.approx(0.3, abs=0.02)
        gained = part(new, "start").lost.value - part(old, "start").lost.value
        assert gained == pytest.approx(0.3, abs=0.06)
        assert new.notes["start"].startswith("left 0.")
        assert new.notes["start"].endswith("s late")
        assert part(new, "start").moved_pass_m < part(old, "start").moved_pass_m
    assert compared > 3


def test_a_slower_run_is_the_receivers_or_the_easings(practice):
    exchanges, advice, before = practice
    told = [k for k, one in enumerate(before) if one.parts][:4]
    for k in told:
        after = causes.find_causes(changed(exchanges, only=k, zone_time_s=0.2), [advice])
        eased = before[k].notes.get("braking", "").startswith("the receiver slowed")
        cause = "braking" if eased else "outgoing speed"
        more = part(after[k], cause).lost.value - part(before[k], cause).lost.value
        assert more == pytest.approx(0.2, abs=0.03)  # what is usual follows by a little
        assert after[k].lost.value > before[k].lost.value + 0.15


def test_a_tape_that_lay_nearer_costs_what_the_runner_takes_for_the_way(practice):
    exchanges, advice, before = practice
    squad = advice.squad
    v = float(np.mean(squad.entry.mean[:, 0]))
    later = changed(exchanges, mark_t_s=2 / v, go_t_s=2 / v, zone_time_s=2 / v)
    marks_m = squad.reps.mark_m - 2.0
    nearer = replace(advice, squad=replace(squad, reps=replace(squad.reps, mark_m=marks_m)))
    lost = []
    for old, new in zip(before, causes.find_causes(later, [nearer]), strict=True):
        if old.parts and new.parts:
            lost.append(part(new, "mark").lost.value - part(old, "mark").lost.value)
            assert new.move_feet > old.move_feet
    assert len(lost) > 5
    assert np.median(lost) == pytest.approx(2 / v, rel=0.25)


def test_nothing_differs_where_nothing_differed(practice):
    """A takeover that is the usual one in everything loses nothing to any cause."""
    exchanges, advice, _ = practice
    squad, pair = advice.squad, advice.pairs[0]
    i, j = squad.index(pair.incoming), squad.index(pair.outgoing)
    where = advice.conditions
    runs = rep_values.estimate_runs(squad, causes.rows_of_reps(exchanges, squad), where)
    game = causes.pair_game(squad, runs, i, j, pair, where, 1)
    time_s, place_m = causes.coalition_values(squad, game, game.draws.usual)
    assert np.abs(causes.shapley_weights(6) @ time_s).max() < 1e-9
    assert np.abs(causes.shapley_weights(6) @ place_m).max() < 1e-9


# --- what cannot be told ----------------------------------------------------------------------


def test_no_parts_without_a_pass_a_zone_time_or_the_zone(practice):
    exchanges, advice, losses = practice
    outcomes = exchanges["outcome"].to_pylist()
    for loss, outcome in zip(losses, outcomes, strict=True):
        if outcome == "not passed":
            assert (loss.parts, loss.lost, loss.why) == ((), None, "not passed")
    older = replace(advice, conditions=replace(advice.conditions, zone_m=20.0, back_m=-10.0))
    assert {one.why for one in causes.find_causes(exchanges, [older])} == {
        "the mark advised is for another zone"
    }
    at = exchanges.schema.get_field_index("zone_time_s")
    none = pa.nulls(exchanges.num_rows, pa.float64())
    untimed = exchanges.set_column(at, exchanges.schema.field(at), none)
    assert all(not one.parts and one.why for one in causes.find_causes(untimed, [advice]))


def test_without_a_tape_the_start_stands_for_both(practice):
    exchanges, advice, _ = practice
    squad = advice.squad
    none = np.full(exchanges.num_rows, np.nan)
    bare = replace(advice, squad=replace(squad, reps=replace(squad.reps, mark_m=none)))
    losses = causes.find_causes(exchanges, [bare])
    assert any(one.parts for one in losses)
    assert all(one.move_feet is None for one in losses)
    assert all("tape" not in one.notes.get("mark", "") for one in losses)


def test_one_odd_takeover_leaves_the_others_as_they_are(practice):
    exchanges, advice, before = practice
    times = exchanges["zone_time_s"].to_pylist()
    spoilt = next(k for k, one in enumerate(before) if one.parts)
    times[spoilt] = 1e5
    at = exchanges.schema.get_field_index("zone_time_s")
    odd = exchanges.set_column(at, exchanges.schema.field(at), pa.array(times, pa.float64()))
    after = causes.find_causes(odd, [advice])
    assert (after[spoilt].parts, after[spoilt].why) == ((), "its figures do not fit together")
    for k, (old, new) in enumerate(zip(before, after, strict=True)):
        assert k == spoilt or (old.why, len(old.parts)) == (new.why, len(new.parts))


def test_a_change_by_sight_has_a_distance_in_place_of_the_start():
    found, _, _ = squads.lake(2, n_runners=3, evenings=2, reps=8, event="4x400", place="straight")
    losses = causes.find_causes(found.exchanges, [advised(found, "4x400")])
    told = [one for one in losses if one.parts]
    assert told
    for loss in told:
        assert sum(one.lost.value for one in loss.parts) == pytest.approx(loss.lost.value)
        assert loss.move_feet is None
        assert "set off" in loss.notes["start"]
