"""A unit on a wrist: an arm that stops, a knock, a swing again; and all that is none of it."""

import made_wrists
import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

from pipeline.measure import wrists

G = 9.80665
MOMENTS = np.arange(1.0, 6.0, 0.02)
STRIDE_HZ = 2.2


def swinging(still=((3.0, 3.6),), knocks=(), rate_hz=100.0, starts_s=0.0, seed=1):
    """Time and force of an arm that stands, swings from `starts_s` on, and is still at times."""
    rng = np.random.default_rng(seed)
    t = np.arange(-3.0, 8.0, 1 / rate_hz)
    turn = 2 * np.pi * STRIDE_HZ * t
    swing = G * np.stack([5 + 3 * np.cos(2 * turn), 6 * np.sin(turn), 1.5 * np.cos(turn)], 1)
    bounce = G * np.stack([1 + 0.5 * np.sin(2 * turn), 0.2 * np.sin(turn), 0.1 * turn**0], 1)
    rests = np.zeros(t.size, dtype=bool)
    for begin, end in still:
        rests |= (t >= begin) & (t < end)
    force = np.where(rests[:, None], bounce, swing)
    force[t < starts_s] = [G, 0.0, 0.0]
    force += 0.5 * rng.standard_normal(force.shape)
    for when, size in knocks:
        force[:, 1] += size * G * (np.abs(t - when) < 0.006)
    return t, force


def stream_of(t_s, force, role="outgoing", clock_sd_s=0.003):
    return wrists.WristStream("heron", role, t_s, force, clock_sd_s)


def sign_of(t_s, force, start_s=0.0, **options):
    found = wrists.find_sign(stream_of(t_s, force, **options), MOMENTS, start_s)
    assert isinstance(found, wrists.WristSign), found
    return found


def moment_of(sign):
    weight = sign.density / sign.density.sum()
    mean = weight @ MOMENTS
    return mean, np.sqrt(weight @ (MOMENTS - mean) ** 2)


# --- the sign ------------------------------------------------------------------------------------


@pytest.mark.parametrize("rate_hz", [25.0, 50.0, 100.0, 200.0])
def test_an_arm_that_stops_for_a_while_shows_the_pass_before_it_swings_again(rate_hz):
    sign = sign_of(*swinging(rate_hz=rate_hz))
    mean, sd = moment_of(sign)
    usual = wrists.CHANGE_BEFORE_SWING_S["outgoing"]
    assert mean == pytest.approx(3.6 - usual.value, abs=0.07)
    assert sd < 0.15
    assert sign.chance > 0.8
    assert sign.hand_back.value == pytest.approx(3.0, abs=0.05)


def test_a_knock_tells_the_moment_better():
    mean, sd = moment_of(sign_of(*swinging(knocks=[(3.47, 15.0)])))
    assert mean == pytest.approx(3.47 + wrists.CHANGE_AFTER_KNOCK_S.value, abs=0.02)
    assert sd < 0.8 * moment_of(sign_of(*swinging()))[1]


def test_a_knock_on_a_swinging_arm_is_none():
    found = wrists.find_sign(stream_of(*swinging((), [(3.4, 15.0)])), MOMENTS, 0.0)
    assert isinstance(found, wrists.NoSign)
    assert not found.unusable


@pytest.mark.parametrize("role", ["incoming", "outgoing"])
def test_an_arm_that_swings_on_gives_no_sign(role):
    found = wrists.find_sign(stream_of(*swinging(()), role=role), MOMENTS, 0.0)
    assert isinstance(found, wrists.NoSign)
    assert not found.unusable


def test_an_arm_that_is_still_before_the_start_gives_no_sign():
    t, force = swinging((), starts_s=1.5)
    assert isinstance(wrists.find_sign(stream_of(t, force), MOMENTS, 1.5), wrists.NoSign)


def test_a_hand_that_goes_back_twice_leaves_both_open():
    sign = sign_of(*swinging(((2.6, 3.1), (3.6, 4.1))))
    near = [sign.density[np.abs(MOMENTS - at) < 0.2].sum() * 0.02 for at in (3.0, 4.0)]
    assert min(near) > 0.2
    assert sign.hand_back.sd > 0.3


def test_the_receiver_alone_has_a_hand_that_goes_back():
    assert sign_of(*swinging(((3.0, 3.4),)), role="incoming").hand_back is None


@pytest.mark.parametrize("long_s", [1.0, 1.5, 2.0])
def test_a_hand_that_was_back_for_long_has_its_own_moment_or_none(long_s):
    found = wrists.find_sign(stream_of(*swinging(((3.6 - long_s, 3.6),))), MOMENTS, 0.0)
    back = None if isinstance(found, wrists.NoSign) else found.hand_back
    assert back is None or abs(back.value - (3.6 - long_s)) < 3 * back.sd


@given(st.integers(0, 1000))
@settings(max_examples=10, deadline=None)
def test_it_does_not_matter_how_the_unit_sits(seed):
    t, force = swinging(knocks=[(3.47, 6.0)])
    turned = force @ Rotation.random(rng=np.random.default_rng(seed)).as_matrix().T
    one, other = sign_of(t, force), sign_of(t, turned)
    np.testing.assert_allclose(one.density, other.density, atol=1e-6)
    assert one.chance == pytest.approx(other.chance)


def test_a_later_clock_moves_the_sign():
    sign = sign_of(*swinging())
    later = sign.later(0.25)
    np.testing.assert_allclose(
        sign.log_likelihood(MOMENTS), later.log_likelihood(MOMENTS + 0.25), atol=1e-12
    )
    assert later.hand_back.value == pytest.approx(sign.hand_back.value + 0.25)


def test_a_doubtful_clock_widens_the_sign():
    spread = [moment_of(sign_of(*swinging(), clock_sd_s=sd))[1] for sd in (0.0, 0.1, 0.3)]
    assert spread[0] < spread[1] < spread[2]
    assert spread[2] > 0.25


# --- what cannot be used -------------------------------------------------------------------------


def without(t_s, force, keep):
    return t_s[keep], force[keep]


@pytest.mark.parametrize(
    ("spoil", "word"),
    [
        (lambda t, a: without(t, a, t < 5.0), "no samples"),
        (lambda t, a: without(t, a, t > 1.5), "no samples"),
        (lambda t, a: without(t, a, t > 99.0), "no samples"),
        (lambda t, a: without(t, a, (t < 3.2) | (t > 3.5)), "missing"),
        (lambda t, a: without(t, a, np.arange(t.size) % 7 == 0), "samples a second"),
        (lambda t, a: (t, np.where(t[:, None] > 3.4, np.nan, a)), "missing"),
    ],
)
def test_a_stream_with_holes_is_not_used_and_that_is_said(spoil, word):
    found = wrists.find_sign(stream_of(*spoil(*swinging())), MOMENTS, 0.0)
    assert found.unusable
    assert word in found.words


@pytest.mark.parametrize("sd", [0.6, np.inf, np.nan])
def test_a_clock_that_nobody_knows_is_not_used(sd):
    found = wrists.find_sign(stream_of(*swinging(), clock_sd_s=sd), MOMENTS, 0.0)
    assert found.unusable


@given(
    st.sampled_from([25.0, 60.0, 200.0]),
    st.sampled_from([0.0, 1e-9, 1.0, 1e3, 1e6]),
    st.sampled_from([1e-3, 8 * G, 1e9]),
    st.integers(0, 10_000),
    st.sampled_from(["incoming", "outgoing"]),
)
@settings(max_examples=60, deadline=None)
@example(100.0, 0.0, 1.0, 0, "outgoing")
def test_whatever_it_felt_the_sign_is_finite_and_bounded(rate_hz, size, clip, seed, role):
    rng = np.random.default_rng(seed)
    t = np.arange(-3.0, 8.0, 1 / rate_hz)
    slow = np.repeat(rng.exponential(size=(t.size // 20 + 1, 1)) ** 3, 20, axis=0)[: t.size]
    force = np.clip(size * slow * rng.standard_normal((t.size, 3)), -clip, clip)
    found = wrists.find_sign(stream_of(t, force, role=role), MOMENTS, 0.0)
    if isinstance(found, wrists.NoSign):
        return
    assert wrists.LEAST_CHANCE <= found.chance <= wrists.RIGHT_WITH_KNOCK
    log = found.log_likelihood(MOMENTS)
    assert np.isfinite(log).all()
    assert (found.density >= 0).all()
    assert found.density.sum() * 0.02 < 1.1
    assert log.min() >= np.log((1 - found.chance) / (MOMENTS[-1] - MOMENTS[0])) - 1e-9


# --- used with other evidence --------------------------------------------------------------------


def posterior(log):
    weight = np.exp(log - log.max())
    weight /= weight.sum()
    mean = weight @ MOMENTS
    return weight, mean, float(np.sqrt(weight @ (MOMENTS - mean) ** 2))


def believed(mean, sd):
    return -0.5 * ((MOMENTS - mean) / sd) ** 2


def test_a_sign_that_agrees_settles_the_pass():
    sign = sign_of(*swinging(knocks=[(3.47, 15.0)]))
    weight, mean, sd = posterior(believed(3.3, 0.2) + sign.log_likelihood(MOMENTS))
    assert mean == pytest.approx(3.5, abs=0.03)
    assert wrists.is_sensed([sign], MOMENTS, weight, sd)


def test_a_sign_elsewhere_is_overruled():
    sign = sign_of(*swinging())
    weight, mean, sd = posterior(believed(2.0, 0.2) + sign.log_likelihood(MOMENTS))
    assert mean == pytest.approx(2.0, abs=0.02)
    assert sign.chance_right(MOMENTS, weight) < 0.1
    assert not wrists.is_sensed([sign], MOMENTS, weight, sd)


def test_nothing_is_sensed_without_a_sign():
    weight, _, sd = posterior(believed(3.0, 0.01))
    assert not wrists.is_sensed([], MOMENTS, weight, sd)


# --- the clock -----------------------------------------------------------------------------------


@pytest.mark.parametrize("off_s", [-1.0, -0.2, 0.0, 0.4])
def test_the_arm_tells_when_it_starts(off_s):
    t, force = swinging(())
    assert wrists.arm_lateness(stream_of(t + off_s, force), 0.0) == pytest.approx(off_s, abs=0.05)


def test_an_arm_that_never_rests_tells_no_start():
    t, force = swinging((), starts_s=-9.0)
    assert wrists.arm_lateness(stream_of(t, force), 0.0) is None


def test_more_starts_make_a_clock_surer():
    late = wrists.ARM_STARTS_S + 0.3
    assert wrists.find_clock_off([]) is None
    assert wrists.find_clock_off([late]) is None
    assert wrists.find_clock_off([late] * 5) == pytest.approx(0.3)
    assert wrists.find_clock_off([wrists.ARM_STARTS_S - 1.0]) == pytest.approx(-1.0)


# --- arms of invented squads ---------------------------------------------------------------------


def found_in(kind, seeds, **options):
    """Sign or none, and the true pass, of both arms of two takeovers a squad."""
    out = []
    for seed in seeds:
        kinds = {"incoming": kind, "outgoing": kind}
        for one in made_wrists.made_takeovers(seed, 2, kinds, **options):
            moments = np.arange(one.go_s + 0.3, one.end_s + 1.2, 0.02)
            for role, worn in one.wrists.items():
                stream = stream_of(worn.t_s, worn.acc_mps2, role=role)
                start = 0.0 if role == "incoming" else one.go_s
                out.append((wrists.find_sign(stream, moments, start), one.pass_s))
    return out


def test_arms_that_reach_show_the_pass_and_the_others_do_not():
    reach = [
        (sign, pass_s)
        for sign, pass_s in found_in("reach", range(1, 5), rate_hz=100.0)
        if pass_s is not None
    ]
    signs = [(sign, at) for sign, at in reach if isinstance(sign, wrists.WristSign)]
    assert len(signs) > 0.5 * len(reach)
    near = [sign.chance_right(sign.t_s, _close(sign.t_s, at)) > 0.8 for sign, at in signs]
    assert np.mean(near) > 0.8
    others = [one for one, _ in found_in("other arm", range(1, 5), rate_hz=100.0)]
    assert sum(isinstance(one, wrists.WristSign) for one in others) < 0.15 * len(others)


def _close(t_s, at_s):
    """Weights of one who knows the moment to a tenth of a second."""
    weight = np.exp(-0.5 * ((t_s - at_s) / 0.1) ** 2)
    return weight / weight.sum()
