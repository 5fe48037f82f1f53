"""Overlays: the two courses, the baton and the moments of the tables, on the zone and the clock."""

import functools

import numpy as np
import pytest
import squads
from random_tables import with_values

from pipeline.show import scenes
from pipeline.show.figures import overlays
from pipeline.show.figures.figure import Bracket, Curve, Dot
from pipeline.tables import schema


@functools.cache
def several(event="4x100", seen=False):
    lake, _, _ = squads.lake(3, n_runners=4, evenings=2, reps=10, event=event)
    exchanges = lake.exchanges
    if seen:
        exchanges = with_values(exchanges, pass_basis="seen")
    return scenes.read_scenes(exchanges, lake.curves)


def one_that(is_so):
    return next(one for one in several() if is_so(one))


def passed():
    return one_that(lambda one: one.passed and one.gap_at_pass is not None)


def items(figure, kind):
    return [item for panel in figure.panels for item in panel.items if isinstance(item, kind)]


@pytest.mark.parametrize("view", overlays.VIEWS)
def test_the_curves_are_those_of_the_tables(view):
    one = passed()
    figure = overlays.takeover_overlay(one, view)
    for role, course in (("incoming", one.incoming), ("outgoing", one.outgoing)):
        (curve,) = [c for c in items(figure, Curve) if c.ink == role]
        at = course.s_m if view == "zone" else course.t_s
        inside = (at >= figure.x.low) & (at <= figure.x.high)
        np.testing.assert_array_equal(curve.x, at[inside])
        np.testing.assert_array_equal(curve.y, course.v_mps[inside])
        np.testing.assert_array_equal(curve.sd, course.v_sd_mps[inside])
        assert curve.word == f"{course.runner}, {role}"


def test_on_the_zone_the_curves_are_the_free_distance_apart_at_the_pass():
    one = passed()
    figure = overlays.takeover_overlay(one, "zone")
    dots = {dot.ink: dot for dot in figure.panels[0].items if isinstance(dot, Dot)}
    (bracket,) = items(figure, Bracket)
    apart = dots["outgoing"].x - dots["incoming"].x
    assert apart == pytest.approx(bracket.x1 - bracket.x0)
    assert apart == pytest.approx(one.gap_at_pass.value, abs=0.25)  # the moment's own error
    assert bracket.word.startswith(f"{one.gap_at_pass.value:.1f}")


def test_on_the_clock_both_stand_at_the_same_moment():
    one = passed()
    figure = overlays.takeover_overlay(one, "clock")
    dots = [dot for dot in figure.panels[0].items if isinstance(dot, Dot)]
    assert {dot.x for dot in dots} == {one.row["pass_t_s"]}
    assert not items(figure, Bracket)


@pytest.mark.parametrize("view", overlays.VIEWS)
def test_the_distance_in_its_panel_is_that_of_the_row(view):
    one = passed()
    (dot,) = [d for d in overlays.takeover_overlay(one, view).panels[1].items if isinstance(d, Dot)]
    assert (dot.y, dot.y_sd) == (one.gap_at_pass.value, one.gap_at_pass.sd)
    where = one.pass_place if view == "zone" else one.moment("pass").t
    assert (dot.x, dot.x_sd) == (where.value, where.sd)


@pytest.mark.parametrize("view", overlays.VIEWS)
def test_every_moment_has_its_line(view):
    one = passed()
    lines = {line.word: line for line in overlays.takeover_overlay(one, view).uprights}
    assert list(lines) == ["mark", "go", "entry", "pass", "exit"]
    for moment in one.moments:
        where = moment.s if view == "zone" else moment.t
        assert lines[moment.what].x == where.value
    assert lines["pass"].x_sd == (one.pass_place if view == "zone" else one.moment("pass").t).sd


@pytest.mark.parametrize("seen", [True, False])
def test_a_pass_that_was_seen_is_full_and_solid_an_inferred_one_hollow_and_dashed(seen):
    one = next(one for one in several(seen=seen) if one.passed)
    figure = overlays.takeover_overlay(one, "zone")
    assert {dot.full for dot in items(figure, Dot)} == {seen}
    assert [line.dashed for line in figure.uprights if line.word == "pass"] == [not seen]
    assert any("inferred" in note for note in figure.notes) is not seen


def test_a_takeover_that_was_not_passed_has_no_pass_and_says_so():
    one = one_that(lambda one: not one.passed)
    figure = overlays.takeover_overlay(one, "zone")
    assert not items(figure, Dot)
    assert "pass" not in [line.word for line in figure.uprights]
    assert "does not pass" in figure.description
    (baton,) = [curve for curve in items(figure, Curve) if curve.ink == "baton"]
    assert baton.breaks == ()


def test_the_baton_s_pen_is_lifted_where_it_changes_hands():
    one = passed()
    (baton,) = [
        c for c in items(overlays.takeover_overlay(one, "clock"), Curve) if c.ink == "baton"
    ]
    (cut,) = baton.breaks
    handed = one.row["pass_t_s"]
    assert baton.x[cut - 1] == baton.x[cut] == handed
    assert baton.y[cut - 1] == pytest.approx(one.incoming.at(handed, "v_mps"))
    assert baton.y[cut] == pytest.approx(one.outgoing.at(handed, "v_mps"))


def test_signs_stand_every_half_second_or_every_five_metres():
    one = passed()
    (zone,) = [
        c for c in items(overlays.takeover_overlay(one, "zone"), Curve) if c.ink == "incoming"
    ]
    times = np.interp(zone.signs[:, 0], one.incoming.s_m, one.incoming.t_s)
    np.testing.assert_allclose(np.diff(times), 0.5, atol=0.03)
    (clock,) = [
        c for c in items(overlays.takeover_overlay(one, "clock"), Curve) if c.ink == "incoming"
    ]
    places = np.interp(clock.signs[:, 0], one.incoming.t_s, one.incoming.s_m)
    np.testing.assert_allclose(np.diff(places), 5.0, atol=0.3)


@pytest.mark.parametrize("view", overlays.VIEWS)
def test_laid_over_each_rep_has_its_curves_and_all_are_counted(view):
    pair = several()[0].pair
    own = [one for one in several() if one.pair == pair]
    assert len(own) > 1
    figure = overlays.pair_overlay(own, view)
    for rep, one in enumerate(own):
        inks = [c.ink for c in items(figure, Curve) if c.rep == rep]
        assert sorted(inks) == ["incoming", "outgoing", "plain"]
        dots = [d for d in items(figure, Dot) if d.rep == rep]
        assert len(dots) == (3 if one.passed else 0)
    assert f" {len(own)} takeovers. " in figure.notes[0]
    assert f"{len(own)} takeovers" in figure.title


def test_none_laid_over_is_an_error():
    with pytest.raises(ValueError, match="no takeover"):
        overlays.pair_overlay([], "zone")


def test_a_change_by_sight_has_no_mark():
    one = several("4x400")[0]
    assert one.zone_m == 20.0
    words = [line.word for line in overlays.takeover_overlay(one, "zone").uprights]
    assert "mark" not in words
    assert "entry" in words


@pytest.mark.parametrize("missing", ["incoming", "outgoing", "both"])
def test_a_missing_course_leaves_the_rest(missing):
    lake, _, _ = squads.lake(3, n_runners=4, evenings=1, reps=2)
    import pyarrow.compute as pc

    there = lake.curves
    if missing == "both":
        there = schema.empty_table("speed_curves")
    else:
        there = there.filter(pc.not_equal(there["role"], missing))
    for one in scenes.read_scenes(lake.exchanges, there):
        figure = overlays.takeover_overlay(one, "zone")
        inks = {curve.ink for curve in items(figure, Curve)}
        assert missing not in inks
        assert overlays.has_no_curves(one) is (missing == "both")
        assert figure.x.high > figure.x.low
