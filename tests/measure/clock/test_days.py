"""Stamps that are off: other days left out, half hours set right."""

import numpy as np
import pytest
from clock_recordings import UTC, fixes_of, recording

from pipeline.measure.clock import ties


def squad(off_s=0.0):
    """Three runners who take over from one another in turn, the second's stamps off."""
    rng = np.random.default_rng(7)
    t = np.arange(0, 900.0, 0.2)
    starts = 40.0 + np.cumsum(rng.uniform(50, 75, 12))
    out = []
    for k, name in enumerate("abc"):
        knots = [(0.0, -20.0 * k)]
        for rep, start in enumerate(starts):
            if rep % 3 == k:  # comes in from 40 m before, at 8 m/s
                knots += [(start - 6, -40.0), (start, -40.0), (start + 8, 24.0)]
            elif (rep + 1) % 3 == k:  # leaves 3 m in front of the other
                knots += [(start - 6, 0.0), (start + 4.6, 0.0), (start + 9.6, 40.0)]
        when, where = np.array(knots).T
        x = np.interp(t, when, where) + rng.normal(0, 0.1, t.size)
        v = np.abs(np.gradient(np.interp(t, when, where), t))
        utc = UTC + (off_s if name == "b" else 0.0)
        out.append(recording(name, fixes_of(t, v, x, None, utc)))
    return out


@pytest.mark.parametrize("off", [3600.0, -7200.0, 1800.0, -34200.0])
def test_whole_hours_off_are_set_right_and_said(off):
    tracks = ties.tie(squad(off))
    assert [t.fixes_clock.offset_s for t in tracks] == [0.0, -off, 0.0]
    assert any("corrected" in word for word in tracks[1].remarks)
    assert tracks[1].fixes.t_s[0] == pytest.approx(UTC)


def test_good_stamps_are_left_alone():
    assert all(t.fixes_clock.offset_s == 0.0 for t in ties.tie(squad()))
    assert all(t.fixes_clock.offset_s == 0.0 for t in ties.tie(squad()[:1]))


def test_minutes_off_are_no_time_zone_and_stay():
    tracks = ties.tie(squad(1300.0))
    assert tracks[1].fixes_clock.offset_s == 0.0
    assert tracks[1].remarks
    assert not tracks[0].remarks


def test_a_file_of_another_day_is_left_out_and_said():
    tracks = ties.tie(squad(86400.0 * 7))
    assert tracks[1].fixes is None
    assert tracks[1].fixes_clock.basis == "none"
    assert "7.0 days after" in tracks[1].remarks[0]
    assert tracks[0].fixes is not None


def test_order_of_the_files_does_not_matter():
    given = squad(3600.0)
    there = ties.tie(given)
    back = ties.tie(given[::-1])[::-1]
    for a, b in zip(there, back, strict=True):
        assert a.fixes_clock == b.fixes_clock
        assert np.array_equal(a.fixes.t_s, b.fixes.t_s)


# --- eight units -----------------------------------------------------------------------------


def eight(offs, reps=32):
    """Eight runners, of whom the first runs to the second in every eighth rep; the rest take turns.
    `offs` says by name how far [s] a unit's stamps are off."""
    rng = np.random.default_rng(8)
    names = "abcdefgh"
    t = np.arange(0, 110.0 * reps + 100.0, 0.2)
    knots = {name: [(0.0, -30.0 * k)] for k, name in enumerate(names)}
    for rep in range(reps):
        start = 40.0 + 110.0 * rep + float(rng.uniform(0, 40))
        pair = (0, 1) if rep % 8 == 0 else rng.permutation(8)[:2]
        one, other = (names[k] for k in pair)
        knots[one] += [(start - 9, -40.0), (start, -40.0), (start + 8, 24.0)]
        knots[other] += [(start - 9, 0.0), (start + 4.6, 0.0), (start + 9.6, 40.0)]
    out = []
    for name in names:
        when, where = np.array(knots[name]).T
        x = np.interp(t, when, where) + rng.normal(0, 0.1, t.size)
        v = np.abs(np.gradient(np.interp(t, when, where), t))
        out.append(recording(name, fixes_of(t, v, x, None, UTC + offs.get(name, 0.0))))
    return out


@pytest.mark.parametrize("off", [3600.0, -3600.0, 1800.0])
@pytest.mark.parametrize("wrong", ["a", "b", "ab", "ad"])
def test_of_eight_those_that_are_off_are_corrected_and_no_other(wrong, off):
    tracks = ties.tie(eight(dict.fromkeys(wrong, off)))
    met = [t.fixes_clock.offset_s for t in tracks]
    assert met == [-off if t.spec.runner in wrong else 0.0 for t in tracks]
    assert {t.spec.runner for t in tracks if t.remarks} == set(wrong)


def test_two_files_that_contradict_each_other_stay_and_say_so():
    tracks = ties.tie(eight({"b": 3600.0})[:2])
    assert [t.fixes_clock.offset_s for t in tracks] == [0.0, 0.0]
    assert all("nothing was corrected" in t.remarks[-1] for t in tracks)
