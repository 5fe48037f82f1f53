"""Clocks from the consistency of takeovers: what is off is found, what is right is left alone."""

import numpy as np
import pytest

from pipeline.measure import agreement
from pipeline.measure.agreement import GapByOffset, find_clock_offsets

OFFSETS = np.linspace(-0.6, 0.6, 241)
RUNNERS = ("wren", "adder", "teal", "lynx")
SPEED_MPS = 9.0


def squad(seed, off=None, reps=16, usual_m=0.7, names=RUNNERS, sd_m=0.2, taped=True):
    """Takeovers of a squad whose units' stamps are late by `off` (s by runner)."""
    rng = np.random.default_rng(seed)
    off = off or {}
    out = []
    for k in range(reps):
        incoming, outgoing = names[k % len(names)], names[(k + 1 + k // len(names)) % len(names)]
        if incoming == outgoing:
            outgoing = names[(k + 1) % len(names)]
        nearest = usual_m + rng.normal(0, 0.25) + rng.normal(0, sd_m)
        late = off.get(outgoing, 0.0) - off.get(incoming, 0.0)
        gaps = nearest - SPEED_MPS * (OFFSETS + late)
        out.append(GapByOffset(incoming, outgoing, OFFSETS, gaps, sd_m, 0.95, taped, SPEED_MPS))
    return out


@pytest.mark.parametrize("usual_m", [0.2, 0.7, 1.2])
def test_sound_clocks_are_left_alone(usual_m):
    for seed in range(12):
        offsets = find_clock_offsets(squad(seed, usual_m=usual_m)).offsets
        assert not any(one.corrected for one in offsets.values())
        assert all(one.offset.sd < 0.012 for one in offsets.values())


@pytest.mark.parametrize("late_s", [-0.4, -0.2, 0.2, 0.4])
def test_a_clock_that_is_off_is_found_with_its_standard_error(late_s):
    z = []
    for seed in range(12):
        who = RUNNERS[seed % 4]
        offsets = find_clock_offsets(squad(seed, {who: late_s})).offsets
        assert offsets[who].corrected
        assert [name for name, one in offsets.items() if one.corrected] == [who]
        z.append((offsets[who].offset.value + late_s) / offsets[who].offset.sd)
    assert np.sqrt(np.mean(np.square(z))) < 1.4


def test_two_clocks_may_be_off():
    names = ("wren", "adder", "teal", "lynx", "robin", "finch")
    found = find_clock_offsets(squad(3, {"adder": 0.3, "robin": -0.25}, 30, names=names)).offsets
    assert {name for name, one in found.items() if one.corrected} == {"adder", "robin"}


def test_two_units_alone_show_only_their_difference():
    pair = squad(5, {"adder": 0.3}, 8, names=("wren", "adder"))
    found = find_clock_offsets(pair).offsets
    (who,) = [name for name, one in found.items() if one.corrected]
    other = "wren" if who == "adder" else "adder"
    assert found[who].rivals == (other,)
    assert abs(found[who].offset.value) == pytest.approx(0.3, abs=0.1)


def test_without_tapes_a_slow_error_is_no_clock():
    """A tenth of a second is a metre, and so far off two units' places can be all evening."""
    found = find_clock_offsets(squad(7, {"adder": 0.1}, taped=False)).offsets
    assert not found["adder"].corrected
    assert found["adder"].offset.sd > 0.01


def test_coarse_stamps_are_used_as_what_they_are():
    rough = find_clock_offsets(squad(9, {"teal": 0.05}), {"teal": 0.29}).offsets["teal"]
    assert rough.corrected
    assert rough.offset.value == pytest.approx(-0.05, abs=0.08)
    assert 0.01 < rough.offset.sd < 0.06


def test_nothing_is_said_without_takeovers():
    assert find_clock_offsets([]).offsets == {}


def test_densities_are_densities():
    gaps = np.linspace(-40.0, 60.0, 200_001)
    step = gaps[1] - gaps[0]
    assert agreement.met_density(gaps, 0.2, 0.7).sum() * step == pytest.approx(1.0, abs=1e-3)
    assert 0.9 < agreement.missed_density(gaps, 0.2, 0.7).sum() * step < 1.4


def test_the_words_say_whose_how_far_and_what_was_done():
    late = agreement.ClockOffset(agreement.Estimate(-0.42, 0.03), True)
    assert (
        agreement.correction_in_words("robin", late)
        == "robin's unit is 0.42 ± 0.03 s late against the others: corrected"
    )
