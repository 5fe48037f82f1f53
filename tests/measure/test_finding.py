"""Finding takeovers among all that a squad does, and matching them to the sheet."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from straight import axis

from pipeline.base import geodesy
from pipeline.base.values import Rep
from pipeline.measure import finding
from pipeline.measure.traces import Trace

LANE = axis()
UTC = 1.778e9


def runs(t, *parts):
    """Place along the lane: `parts` are (start, target speed, seconds, tau), one after another; in
    each the speed tends to its target."""
    speed = np.zeros(t.size)
    step = np.diff(t, prepend=t[0])
    v = 0.0
    for i in range(t.size):
        target, tau = 0.0, 0.5
        for start, goal, seconds, slow in parts:
            if start <= t[i] < start + seconds:
                target, tau = goal, slow
        v += (target - v) * -np.expm1(-step[i] / tau)
        speed[i] = v
    return np.concatenate([[0.0], np.cumsum((speed[1:] + speed[:-1]) / 2 * step[1:])]), speed


def trace(name, t, s, speed, aside=0.0, lane=LANE, utc=UTC):
    origin = (lane.origin_lat_deg, lane.origin_lon_deg, lane.origin_alt_m)
    east_north = np.column_stack([s, np.full(t.size, -aside), np.zeros(t.size)])
    lat, lon, _ = geodesy.from_enu(east_north, origin)
    pace = np.abs(speed)
    return Trace(name, utc + t, lat, lon, pace, pace, round(1 / np.diff(t).mean()))


def runner(name, stand, *parts, rate=10.0, until=60.0, **other):
    t = np.arange(0.0, until, 0.01)
    s, v = runs(t, *parts)
    seen = slice(None, None, round(100 / rate))
    return trace(name, t[seen], stand + s[seen], v[seen], **other)


def incoming(at=10.0, name="ada", rate=10.0, **other):
    """Sets off 30 m before the zone at `at`, enters it about 4 s later, eases 2 s after that."""
    return runner(name, -30.0, (at, 9.5, 6.2, 1.2), (at + 6.2, 2.0, 3.0, 0.8), rate=rate, **other)


def outgoing(at=13.6, name="bo", rate=10.0, lasts=6.5, **other):
    return runner(name, 3.0, (at, 9.8, lasts, 1.2), rate=rate, **other)


def find(*traces, lane=LANE):
    by_name = {one.runner: one for one in traces}
    places = {name: one.on_axis(lane) for name, one in by_name.items()}
    return finding.candidates(by_name, places, lane, 0)


# --- one takeover, once -----------------------------------------------------------------


@pytest.mark.parametrize("rate", [1.0, 5.0, 10.0])
def test_takeover_is_found_once(rate):
    (one,) = find(incoming(rate=rate), outgoing(rate=rate))
    assert (one.incoming, one.outgoing, one.completed) == ("ada", "bo", True)
    entry = float(np.interp(0.0, incoming().on_axis(LANE).s_m, incoming().t_s))
    assert one.entry_s == pytest.approx(entry, abs=0.2)
    assert one.go_s == pytest.approx(UTC + 13.6, abs=1 / rate + 0.4)
    assert one.set_off_s == pytest.approx(UTC + 10.0, abs=1 / rate + 0.4)
    assert one.exit_s > one.entry_s
    assert one.stands_m == pytest.approx((-30.0, 3.0), abs=0.5)


def test_every_takeover_of_an_evening_is_found():
    # Two reps with a walk back between them.
    t = np.arange(0.0, 220.0, 0.1)

    def evening(name, stand, begin):
        s, v = runs(t, (begin, 9.5, 6.2, 1.2), (begin + 90.0, 9.5, 6.2, 1.2))
        home = np.interp(t, [begin + 30, begin + 70], [0.0, -1.0])
        first = np.interp(begin + 30.0, t, s)
        walked = np.where(home < 0, 1.4, 0.0) * ((t > begin + 30) & (t < begin + 70))
        return trace(name, t, stand + s + home * first, np.maximum(v, walked))

    found = find(evening("ada", -30.0, 10.0), evening("bo", 3.0, 13.6))
    assert [(c.incoming, c.outgoing) for c in found] == [("ada", "bo")] * 2
    assert np.diff([c.entry_s for c in found])[0] == pytest.approx(90.0, abs=0.1)


def test_missed_takeover_is_found_as_tried():
    # The outgoing runner leaves far too early, is never reached and runs on.
    (one,) = find(incoming(10.0), outgoing(11.9))
    assert not one.completed
    assert one.closest_m > finding.NEAR_M


# --- what is none --------------------------------------------------------------------------


def test_a_run_alone_is_none():
    assert find(incoming()) == []
    standing = runner("bo", 3.0)
    assert find(incoming(), standing) == []
    assert find(outgoing(), runner("ada", -30.0)) == []


def test_two_side_by_side_are_none():
    one = runner("ada", -30.0, (10.0, 9.5, 8.0, 1.2))
    other = runner("bo", -30.0, (10.1, 9.4, 8.0, 1.2), aside=1.22)
    assert find(one, other) == []


def test_walk_back_is_none():
    t = np.arange(0.0, 60.0, 0.1)
    walk = 40.0 - np.clip(t - 5, 0, 40) * 1.5
    speed = np.full(t.size, 1.5)
    assert find(trace("ada", t, walk, speed), trace("bo", t, walk - 2.0, speed)) == []
    assert find(trace("ada", t, walk, speed), outgoing()) == []
    jog = -60.0 + np.clip(t - 5, 0, 50) * 2.5  # towards the zone, but nobody's sprint
    assert find(trace("ada", t, jog, np.full(t.size, 2.5)), outgoing(25.0)) == []


def test_rep_broken_off_before_the_zone_is_none():
    # The incoming runner pulls up 10 m before the zone; the other sets off all the same.
    pulled = runner("ada", -30.0, (10.0, 9.5, 2.4, 1.2), (12.4, 0.0, 5.0, 0.5))
    assert pulled.on_axis(LANE).s_m.max() < -5.0
    assert find(pulled, outgoing()) == []


def test_outgoing_who_hardly_starts_is_none():
    false_start = runner("bo", 3.0, (13.6, 4.0, 0.8, 0.6))
    assert find(incoming(), false_start) == []


def test_outgoing_who_starts_when_the_other_has_gone_by_is_none():
    by = runner("ada", -30.0, (10.0, 9.5, 9.0, 1.2), (19.0, 2.0, 3.0, 0.8))
    assert find(by, outgoing(15.6)) == []


def test_another_lane_or_another_time_is_none():
    assert find(incoming(), outgoing(aside=6.1)) == []
    assert find(incoming(), outgoing(aside=finding.OFF_LANE_M + 5.0)) == []
    assert find(incoming(10.0), outgoing(40.0)) == []


@pytest.mark.parametrize(
    ("incoming_m", "outgoing_m", "takeovers"),
    [
        (0.0, 0.0, True),
        (7.7, 7.7, True),
        (10.3, 10.3, False),
        (10.3, 7.0, False),
        (7.0, 10.3, False),
    ],
    ids=["on it", "beside it", "far off", "incoming far off", "outgoing far off"],
)
def test_a_takeover_lies_within_nine_metres_of_its_lane(incoming_m, outgoing_m, takeovers):
    """Slow errors of two metres, a neighbour's lane and a survey's mistake come to about that."""
    found = find(incoming(aside=incoming_m), outgoing(aside=outgoing_m))
    assert len(found) == takeovers


def test_runs_the_other_way_are_none():
    t = np.arange(0.0, 60.0, 0.1)
    s, v = runs(t, (10.0, 9.5, 6.2, 1.2))
    s_out, v_out = runs(t, (13.6, 9.8, 6.5, 1.2))
    assert find(trace("ada", t, 60.0 - s, v), trace("bo", t, 27.0 - s_out, v_out)) == []


def test_nobody_there_is_none():
    assert find() == []
    empty = np.empty(0)
    nobody = Trace("ada", empty, empty, empty, empty, empty, 10.0)
    assert find(nobody, outgoing()) == []


# --- symmetries ------------------------------------------------------------------------------


def squad():
    return [
        incoming(10.0, "ada"),
        outgoing(13.6, "bo"),
        incoming(35.0, "cy"),
        outgoing(38.6, "di"),
        runner("eve", -6.0, aside=4.0),
    ]


@settings(max_examples=12, deadline=None)
@given(st.permutations(range(5)))
def test_order_of_the_runners_does_not_matter(order):
    people = squad()
    assert find(*(people[i] for i in order)) == find(*people)
    assert len(find(*people)) == 2


@settings(max_examples=12, deadline=None)
@given(st.integers(-(10**6), 10**6))
def test_another_day_changes_times_only(shift):
    moments = ("entry_s", "go_s", "set_off_s", "exit_s")
    here = find(incoming(), outgoing())
    there = find(incoming(utc=UTC + shift), outgoing(utc=UTC + shift))
    assert len(here) == len(there) == 1
    for field in finding.TakeoverCandidate.__dataclass_fields__:
        a, b = getattr(here[0], field), getattr(there[0], field)
        if field in moments:
            assert b - a == pytest.approx(shift, abs=1e-4)
        elif isinstance(a, float | tuple):
            assert b == pytest.approx(a, abs=1e-4)
        else:
            assert a == b


def test_same_takeover_on_two_axes_counts_once():
    other = axis(lane=4)
    people = {one.runner: one for one in (incoming(), outgoing())}
    lists = []
    for i, lane in enumerate((LANE, other)):
        places = {name: one.on_axis(lane) for name, one in people.items()}
        lists.append(finding.candidates(people, places, lane, i))
    for lane, chosen in ((3, 0), (4, 1)):
        (one,) = finding.across_axes(lists, (LANE, other), (), lane)
        assert one.axis == chosen
    (told,) = finding.across_axes(lists, (LANE, other), [row("ada", "bo", lane=4)], 3)
    assert told.axis == 1
    assert finding.across_axes([], (), (), None) == []


# --- two pairs at once -------------------------------------------------------------------------


def two_pairs():
    """ada to bo, who leaves early, and cy to di, who leaves late, in lanes beside each other: di
    comes nearer to ada than bo does."""
    return {
        one.runner: one
        for one in (
            incoming(10.0, "ada"),
            outgoing(13.35, "bo"),
            incoming(10.6, "cy", aside=0.6),
            outgoing(13.85, "di", aside=0.6),
        )
    }


def pairs_found(reps, lane=3):
    people = two_pairs()
    places = {name: one.on_axis(LANE) for name, one in people.items()}
    found = finding.across_axes([finding.candidates(people, places, LANE, 0)], (LANE,), reps, lane)
    return {one.pair for one in found}


@pytest.mark.parametrize(
    "reps",
    [
        [("ada", "bo"), ("cy", "di")],
        [("cy", "di"), ("ada", "bo")],
        [("ada", "bo")],
        [("cy", "di")],
        [("ada", "bo"), ("bo", "cy"), ("cy", "di"), ("ada", "di", UTC + 900.0)],
    ],
    ids=["both named", "the other way round", "one named", "the other named", "another time"],
)
def test_the_sheet_comes_before_nearness(reps):
    """Who is near whom crosses the pairs; the sheet knows who ran to whom."""
    assert ("ada", "di") in pairs_found([])
    rows = [row(one, other, start_utc_s=at[0] if at else None) for one, other, *at in reps]
    assert pairs_found(rows) == {("ada", "bo"), ("cy", "di")}


def test_squads_that_run_at_once_keep_an_order_each():
    """The sheet has one squad's rows first and then the other's."""
    found = [
        seen(*pair, UTC + 100.0 * k + late)
        for k in range(3)
        for pair, late in ((("ada", "bo"), 0.0), (("cy", "di"), 2.0))
    ]
    reps = [row("ada", "bo", rep=k) for k in range(3)] + [row("cy", "di", rep=k) for k in range(3)]
    pairs = finding.match(found, reps, (LANE,))
    assert [c for c, _ in pairs] == found
    assert [r.rep for _, r in pairs] == [0, 0, 1, 1, 2, 2]


def test_takeovers_at_once_may_be_written_in_either_order():
    found = [seen("ada", "bo", UTC), seen("bo", "cy", UTC + 100.0), seen("di", "ada", UTC + 103.0)]
    reps = [row("ada", "bo"), row("di", "ada"), row("bo", "cy")]
    assert dict(finding.match(found, reps, (LANE,))) == {
        found[0]: reps[0],
        found[1]: reps[2],
        found[2]: reps[1],
    }


# --- the sheet ---------------------------------------------------------------------------------


def row(one, other, **more):
    return Rep(line=2, incoming=one, outgoing=other, **more)


def seen(one, other, entry, **more):
    facts = {
        "axis": 0,
        "incoming": one,
        "outgoing": other,
        "entry_s": entry,
        "go_s": entry - 0.5,
        "set_off_s": entry - 4.0,
        "exit_s": entry + 3.0,
        "closest_m": 1.0,
        "completed": True,
        "offset_m": 0.0,
        "stands_m": (-30.0, 3.0),
    }
    return finding.TakeoverCandidate(**{**facts, **more})


names = st.sampled_from([("ada", "bo"), ("bo", "ada"), ("cy", "di"), ("ada", "di")])


@settings(max_examples=60, deadline=None)
@given(st.lists(names, max_size=7), st.lists(names, max_size=7))
def test_matching_keeps_both_orders_and_all_names(ran, wrote):
    found = [seen(*pair, UTC + 100.0 * i) for i, pair in enumerate(ran)]
    reps = [row(*pair) for pair in wrote]
    pairs = finding.match(found, reps, (LANE,))
    assert [c for c, _ in pairs if c is not None] == found
    rows = [r for _, r in pairs if r is not None]
    assert len(rows) == len(reps)
    assert all(a is b for a, b in zip(rows, reps, strict=True))
    both = [(c, r) for c, r in pairs if c is not None and r is not None]
    assert all((c.incoming, c.outgoing) == (r.incoming, r.outgoing) for c, r in both)
    assert len(both) == longest_common(ran, wrote)


def longest_common(a, b):
    """Length of the longest common subsequence, by its recursion."""
    if not a or not b:
        return 0
    if a[-1] == b[-1]:
        return longest_common(a[:-1], b[:-1]) + 1
    return max(longest_common(a[:-1], b), longest_common(a, b[:-1]))


def test_start_and_tape_tell_equal_rows_apart():
    found = [seen("ada", "bo", UTC + 100.0)]
    late = [row("ada", "bo", start_utc_s=UTC - 500.0), row("ada", "bo", start_utc_s=UTC + 96.0)]
    assert finding.match(found, late, (LANE,)) == [(None, late[0]), (found[0], late[1])]
    taped = [row("ada", "bo", incoming_start_m=30.0), row("ada", "bo", incoming_start_m=22.0)]
    assert finding.match(found, taped, (LANE,)) == [(found[0], taped[0]), (None, taped[1])]


def test_another_zone_is_another_takeover():
    found = [seen("ada", "bo", UTC)]
    reps = [row("ada", "bo", zone=2)]
    assert all(c is None or r is None for c, r in finding.match(found, reps, (LANE,)))
    assert finding.match(found, [row("ada", "bo", zone=1)], (LANE,))[0][0] is found[0]


# --- what it costs ----------------------------------------------------------------------------


def evenings_on_end(count, noise_m=0.0):
    """A rep every 90 s; with noise, fixes thrown about so that the lines are crossed for ever."""
    t = np.arange(0.0, 90.0 * count, 0.1)
    rng = np.random.default_rng(count)
    made = []
    for name, stand, begin in (("ada", -30.0, 10.0), ("bo", 3.0, 13.6)):
        into = t % 90.0
        s, v = runs(np.arange(0.0, 90.0, 0.1), (begin, 9.5, 6.2, 1.2))
        which = np.round(into * 10).astype(int) % len(s)
        place = stand + s[which] + rng.normal(0.0, noise_m, len(t)) if noise_m else stand + s[which]
        speed = np.abs(rng.normal(5.0, 4.0, len(t))) if noise_m else v[which]
        made.append(trace(name, t, place, speed))
    return made


@pytest.mark.parametrize("noise_m", [0.0, 12.0])
def test_looking_costs_as_much_more_as_there_is_more_to_see(monkeypatch, noise_m):
    """Counted, not timed: pairs of a launch and an entry that are looked at, and neighbours in
    time that they are compared with. An hour of noise has thousands of either."""
    looked, compared = [], []
    judge, near = finding._judge_candidate, finding._KeptMoments.near
    monkeypatch.setattr(finding, "_judge_candidate", lambda *a: looked.append(1) or judge(*a))
    monkeypatch.setattr(finding._KeptMoments, "near", lambda *a: compared.append(1) or near(*a))
    costs = []
    for count in (5, 20):
        find(*evenings_on_end(count, noise_m))
        costs.append((len(looked), len(compared)))
        looked.clear()
        compared.clear()
    (few, few_compared), (many, many_compared) = costs
    assert few >= 5
    assert many <= 4.6 * few
    assert many_compared <= 4.6 * few_compared + 4


def test_rows_and_candidates_are_aligned_as_one_by_one():
    """Against every way of pairing two short orders."""
    rng = np.random.default_rng(7)
    for _ in range(60):
        found = find(*evenings_on_end(3))[: rng.integers(0, 4)]
        names = [("ada", "bo"), ("bo", "ada")]
        reps = [row(*names[rng.integers(0, 2)]) for _ in range(rng.integers(0, 4))]
        worth, pairs = finding._best_alignment(found, reps, [LANE])
        assert worth == pytest.approx(best_by_trying(found, reps), abs=1e-12)
        told = sum(finding.rate_likeness(one, row, [LANE]) for one, row in pairs if one and row)
        assert told == pytest.approx(worth, abs=1e-12)


def best_by_trying(found, reps):
    if not found or not reps:
        return 0.0
    return max(
        finding.rate_likeness(found[0], reps[0], [LANE]) + best_by_trying(found[1:], reps[1:]),
        best_by_trying(found[1:], reps),
        best_by_trying(found, reps[1:]),
    )
