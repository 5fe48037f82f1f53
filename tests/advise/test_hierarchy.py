"""The hierarchical estimate: truth comes back within its errors, the published one-way examples,
and what it tends to where there is nothing, little and plenty to go by."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.special import ndtri

from pipeline.advise import hierarchy

FIXED = 1e9  # reps' worth of belief in a variance: it stays where it is put

PRIOR = hierarchy.Prior(
    np.array([9.5, 1.25, 0.05]), np.array([1.5, 0.25, 0.12]),
    np.array([0.4, 0.12, 0.05]), np.array([0.15, 0.05, 0.02]),
)  # fmt: skip
ONE = hierarchy.Prior(np.array([0.15]), np.array([0.10]), np.array([0.04]), np.array([0.045]))


def flat(mean_sd, between, within, between_df=FIXED, within_df=FIXED):
    """A prior of one component that says nothing of the mean."""
    return hierarchy.Prior(
        np.array([0.0]), np.array([mean_sd]), np.array([between]), np.array([within]),
        between_df, within_df,
    )  # fmt: skip


def scalars(y, sd):
    """Measurements of one component in information form."""
    a = 1.0 / np.broadcast_to(np.asarray(sd, dtype=float), np.shape(y)) ** 2
    return a[:, None, None], (a * y)[:, None]


def solved(y, sd, runner, n, prior, **other):
    values = scalars(np.asarray(y, dtype=float), sd)
    return hierarchy.estimate_effects(*values, np.asarray(runner), n, prior, **other)


def sds(effects):
    return np.sqrt(np.diagonal(effects.cov, axis1=1, axis2=2))


def same(one, other, at=slice(None), **tol):
    """Two estimates are equal, the other's runners taken in the order `at`."""
    for name in ("within", "squad", "squad_cov", "between", "blunders"):
        np.testing.assert_allclose(getattr(one, name), getattr(other, name), **tol)
    for name in ("mean", "cov", "scale", "spread_df", "pull", "weight"):
        np.testing.assert_allclose(getattr(one, name), getattr(other, name)[at], **tol)


# --- squads drawn from the model ------------------------------------------------------------------


def squad(rng, prior, n=6, most=14, blunders=0.0):
    """Truth, spread and measurements of a squad: runner 0 has no reps, the others 1 to `most`.
    Half the measurements see only one or two directions."""
    p = len(prior.mean)
    mean = prior.mean + prior.mean_sd * rng.standard_normal(p)
    own = mean + prior.between * rng.standard_normal((n, p))
    scale = 10.0 / rng.chisquare(10.0, n)
    runner = np.repeat(np.arange(n), [0, *rng.integers(1, most + 1, n - 1)])
    wide = np.where(rng.random(len(runner)) < blunders, hierarchy.BLUNDER, 1.0)
    spread = prior.within * np.sqrt(scale[runner])[:, None] * wide[:, None]
    x = own[runner] + spread * rng.standard_normal((len(runner), p))
    information, weighted = [], []
    for one in x:
        rows = int(rng.integers(1, p + 2))
        h = rng.standard_normal((rows, p)) / prior.within
        sd = rng.uniform(0.3, 3.0, rows)
        y = h @ one + sd * rng.standard_normal(rows)
        information.append(h.T @ (h / sd[:, None] ** 2))
        weighted.append(h.T @ (y / sd**2))
    seen = np.array(information).reshape(-1, p, p), np.array(weighted).reshape(-1, p), runner
    return own, scale, seen


@pytest.mark.parametrize("blunders", [0.0, 0.05])
@pytest.mark.parametrize("prior", [ONE, PRIOR], ids=["one component", "three components"])
def test_truth_comes_back_within_its_errors(prior, blunders):
    rng = np.random.default_rng(1)
    new, known, spreads = [], [], []
    for _ in range(60 // len(prior.mean)):
        own, scale, seen = squad(rng, prior, blunders=blunders)
        effects = hierarchy.estimate_effects(*seen, len(own), prior)
        z = (effects.mean - own) / sds(effects)
        new.append(z[0])
        known.append(z[1:].ravel())
        true = prior.within * np.sqrt(scale)[:, None]
        spreads.append((np.log(effects.spread) - np.log(true))[1:].ravel())
    # 60 errors of new runners, 300 of known ones
    assert 0.75 < np.sqrt(np.mean(np.square(known))) < 1.3
    assert 0.7 < np.sqrt(np.mean(np.square(new))) < 1.35
    # a runner's spread: his share of it is known to a fifth to begin with, and not one-sided
    assert np.std(np.concatenate(spreads)) < 0.3
    assert abs(np.median(np.concatenate(spreads))) < 0.15


def test_reported_means_are_the_gaussian_posterior_for_the_reported_variances():
    # An independent solution: every rep written out as plain measurements of (M, mu_1 ... mu_J),
    # rank-deficient ones included, one dense linear system for all.
    rng = np.random.default_rng(2)
    own, _, (information, weighted, runner) = squad(rng, PRIOR)
    found = hierarchy.estimate_effects(
        information, weighted, runner, len(own), PRIOR, blunders=False
    )
    n, p = own.shape
    # unknowns: squad's mean, then each runner's departure from it
    prior_cov = np.kron(np.diag(np.r_[0.0, np.ones(n)]), found.between)
    prior_cov[:p, :p] = np.diag(PRIOR.mean_sd**2)
    precision = np.linalg.inv(prior_cov)
    load = precision @ np.r_[PRIOR.mean, np.zeros(n * p)]
    for a, ay, j in zip(information, weighted, runner, strict=True):
        values, vectors = np.linalg.eigh(a)
        seen = values > 1e-9 * values.max()
        h = vectors[:, seen].T  # what it sees, with variance 1 / value each
        y = (h @ ay) / values[seen]
        noise = np.diag(1.0 / values[seen]) + h @ (found.scale[j] * found.within) @ h.T
        design = np.zeros((len(y), (n + 1) * p))
        design[:, :p] = design[:, (j + 1) * p : (j + 2) * p] = h
        precision = precision + design.T @ np.linalg.solve(noise, design)
        load = load + design.T @ np.linalg.solve(noise, y)
    cov = np.linalg.inv(precision)
    x = cov @ load
    for j in range(n):
        pick = np.zeros((p, (n + 1) * p))
        pick[:, :p] = pick[:, (j + 1) * p : (j + 2) * p] = np.eye(p)
        off = (found.mean[j] - pick @ x) / sds(found)[j]
        assert np.abs(off).max() < 0.01
        np.testing.assert_allclose(np.sqrt(np.diag(pick @ cov @ pick.T)), sds(found)[j], rtol=0.01)
    np.testing.assert_allclose(
        np.sqrt(np.diag(cov)[:p]), np.sqrt(np.diag(found.squad_cov)), rtol=0.01
    )


# --- published examples ---------------------------------------------------------------------------

# Rubin, J Educ Stat 6 (1981) 377-401: coaching in eight schools, effect and standard error.
SCHOOLS = np.array([28.0, 8.0, -3.0, 7.0, -1.0, 1.0, 18.0, 12.0])
SCHOOLS_SD = np.array([15.0, 10.0, 16.0, 11.0, 9.0, 11.0, 10.0, 18.0])


def test_eight_schools_pooled():
    # Gelman et al., Bayesian Data Analysis, "eight schools": with no difference between schools the
    # pooled estimate is 7.7 with standard error 4.1 (from memory).
    found = solved(SCHOOLS, SCHOOLS_SD, np.arange(8), 8, flat(1e4, 0.01, 0.01), blunders=False)
    np.testing.assert_allclose(found.mean[:, 0], 7.7, atol=0.05)
    np.testing.assert_allclose(sds(found)[:, 0], 4.1, atol=0.05)


def test_eight_schools_apart():
    # and with nothing in common each school keeps its own effect and standard error
    found = solved(SCHOOLS, SCHOOLS_SD, np.arange(8), 8, flat(1e4, 1e3, 0.01), blunders=False)
    np.testing.assert_allclose(found.mean[:, 0], SCHOOLS, atol=0.1)
    np.testing.assert_allclose(sds(found)[:, 0], SCHOOLS_SD, rtol=1e-3)


@pytest.mark.parametrize("between", [3.0, 5.0, 10.0])
def test_eight_schools_shrunk(between):
    # In between: a sum over a fine grid of the squad's mean, each school's part in closed form.
    found = solved(SCHOOLS, SCHOOLS_SD, np.arange(8), 8, flat(1e4, between, 0.01), blunders=False)
    grid = np.linspace(-60.0, 80.0, 20_001)
    wide = SCHOOLS_SD**2 + between**2
    logs = -0.5 * np.sum((SCHOOLS[:, None] - grid) ** 2 / wide[:, None], axis=0)
    mass = np.exp(logs - logs.max())
    mass /= mass.sum()
    share = between**2 / wide
    means = share[:, None] * SCHOOLS[:, None] + (1.0 - share[:, None]) * grid
    expected = means @ mass
    spread = np.sqrt((means**2) @ mass - expected**2 + share * SCHOOLS_SD**2)
    np.testing.assert_allclose(found.mean[:, 0], expected, atol=0.01)
    np.testing.assert_allclose(sds(found)[:, 0], spread, rtol=2e-3)


# Davies, Statistical Methods in Research and Production (1947), yields of six batches of dyestuff,
# five samples each; in Box & Tiao, Bayesian Inference in Statistical Analysis (1973), 5.1.2.
DYESTUFF = np.array(
    [
        [1545, 1440, 1440, 1520, 1580],
        [1540, 1555, 1490, 1560, 1495],
        [1595, 1550, 1605, 1510, 1560],
        [1445, 1440, 1595, 1465, 1545],
        [1595, 1630, 1515, 1635, 1625],
        [1520, 1455, 1450, 1480, 1445],
    ],
    dtype=float,
)
# Published of it: mean squares 11271.5 between and 2451.25 within batches, hence standard
# deviations of 42.0 between and 49.5 within; by maximum likelihood 37.3 and 49.5 (from memory).
BETWEEN_MS, WITHIN_MS = 11271.5, 2451.25
BETWEEN_SD, BETWEEN_SD_ML, WITHIN_SD = 42.0, 37.3, 49.5


def dyestuff(values, df):
    batch = np.repeat(np.arange(6), 5)
    prior = flat(5000.0, BETWEEN_SD, WITHIN_SD, df, df)
    return solved(values.ravel(), 0.01, batch, 6, prior, blunders=False)


def test_dyestuff_as_typed_is_the_published_one():
    means = DYESTUFF.mean(axis=1)
    assert 5.0 * means.var(ddof=1) == pytest.approx(BETWEEN_MS, abs=0.1)
    assert DYESTUFF.var(axis=1, ddof=1).mean() == pytest.approx(WITHIN_MS, abs=0.01)


def test_dyestuff_one_way_effects():
    found = dyestuff(DYESTUFF, 1e-6)
    # batches that scatter more count less here, so alike and not the same
    assert np.sqrt(found.between[0, 0]) == pytest.approx(BETWEEN_SD_ML, abs=2.0)
    assert np.sqrt(np.mean(found.spread**2)) == pytest.approx(WITHIN_SD, abs=3.0)
    assert found.squad[0] == pytest.approx(DYESTUFF.mean(), abs=1.0)
    means = DYESTUFF.mean(axis=1)
    share = 1.0 - WITHIN_MS / BETWEEN_MS
    best = means.mean() + share * (means - means.mean())  # best linear unbiased prediction
    np.testing.assert_allclose(found.mean[:, 0], best, atol=3.0)
    assert np.all(np.abs(found.mean[:, 0] - means.mean()) < np.abs(means - means.mean()) + 0.5)


def test_one_way_effects_of_equally_steady_batches_are_maximum_likelihood():
    # The batches' own means, all with one batch's scatter: then nothing tells them apart in
    # steadiness and the closed form of balanced maximum likelihood holds.
    scatter = np.array([-60.0, -35.0, 5.0, 30.0, 60.0])
    means = DYESTUFF.mean(axis=1)
    values = means[:, None] + scatter
    found = dyestuff(values, 1e-6)
    within = np.sum(scatter**2) / 4.0
    between = means.var() - within / 5.0
    assert found.within[0, 0] == pytest.approx(within, rel=0.01)
    assert found.between[0, 0] == pytest.approx(between, rel=0.02)
    share = between / (between + within / 5.0)
    best = means.mean() + share * (means - means.mean())
    np.testing.assert_allclose(found.mean[:, 0], best, atol=1.0)


# --- limits ---------------------------------------------------------------------------------------


def test_nobody_with_a_rep_is_the_prior():
    nothing = np.zeros((0, 3, 3)), np.zeros((0, 3)), np.zeros(0, dtype=np.intp)
    found = hierarchy.estimate_effects(*nothing, 4, PRIOR)
    np.testing.assert_allclose(found.mean, np.tile(PRIOR.mean, (4, 1)))
    np.testing.assert_allclose(sds(found), np.tile(np.hypot(PRIOR.mean_sd, PRIOR.between), (4, 1)))
    np.testing.assert_allclose(found.spread, np.tile(PRIOR.within, (4, 1)))
    assert np.all(found.weight == 0.0)


def test_reps_that_say_nothing_are_no_reps():
    rng = np.random.default_rng(3)
    _, _, (information, weighted, runner) = squad(rng, PRIOR)
    found = hierarchy.estimate_effects(information, weighted, runner, 6, PRIOR)
    more = hierarchy.estimate_effects(
        np.concatenate([np.zeros((5, 3, 3)), information]),
        np.concatenate([np.zeros((5, 3)), weighted]),
        np.concatenate([[0, 1, 2, 3, 4], runner]),
        6,
        PRIOR,
    )
    same(found, more, rtol=1e-12)


def test_a_component_nobody_measured_stays_at_its_prior():
    rng = np.random.default_rng(4)
    _, _, (information, weighted, runner) = squad(rng, PRIOR)
    information, weighted = information.copy(), weighted.copy()
    information[:, 2, :] = information[:, :, 2] = 0.0
    weighted[:, 2] = 0.0
    found = hierarchy.estimate_effects(information, weighted, runner, 6, PRIOR)
    first = np.hypot(PRIOR.mean_sd[2], PRIOR.between[2])
    assert np.all(np.abs(found.mean[:, 2] - PRIOR.mean[2]) < 0.3 * first)
    assert np.all(sds(found)[:, 2] > 0.8 * first)
    assert np.all(sds(found)[1:, 0] < 0.5 * np.hypot(PRIOR.mean_sd[0], PRIOR.between[0]))


def test_a_runner_without_reps_is_the_squads_mean_give_or_take_what_runners_differ():
    rng = np.random.default_rng(5)
    _, _, seen = squad(rng, PRIOR)
    found = hierarchy.estimate_effects(*seen, 6, PRIOR)
    np.testing.assert_allclose(found.mean[0], found.squad, rtol=1e-6)
    np.testing.assert_allclose(found.cov[0], found.squad_cov + found.between, atol=1e-5)
    np.testing.assert_allclose(found.pull[0], np.eye(3), atol=1e-3)  # he follows it wholly
    np.testing.assert_allclose(found.spread[0], np.sqrt(np.diag(found.within)), rtol=1e-6)


def test_one_exact_rep_is_known_to_the_spread_from_rep_to_rep():
    # where runners differ much: that rep is all there is of him
    prior = flat(10.0, 5.0, 0.2)
    found = solved([3.7], 1e-4, [0], 2, prior, blunders=False)
    assert found.mean[0, 0] == pytest.approx(3.7, abs=0.01)
    assert sds(found)[0, 0] == pytest.approx(0.2, rel=0.01)
    assert sds(found)[1, 0] > 5.0


def test_many_reps_are_the_runners_own_mean():
    rng = np.random.default_rng(6)
    own = np.array([0.05, 0.35])
    runner = np.repeat([0, 1], 400)
    y = own[runner] + rng.normal(0.0, 0.05, 800)
    found = solved(y, 0.01, runner, 3, ONE, blunders=False)
    means = np.array([y[runner == j].mean() for j in (0, 1)])
    np.testing.assert_allclose(found.mean[:2, 0], means, atol=5e-4)
    error = 0.05 / np.sqrt(400)
    np.testing.assert_allclose(sds(found)[:2, 0], error, rtol=0.15)
    np.testing.assert_allclose(found.spread[:2, 0], 0.05, rtol=0.1)
    assert np.all(np.abs(found.pull[:2]) < 0.01)  # he has let go of the squad


def test_error_shrinks_with_reps_and_spread_does_not():
    errors, spreads = [], []
    for n in (5, 20, 80, 320):
        y = 0.2 + 0.05 * ndtri((np.arange(n) + 0.5) / n)  # as even as a sample can be
        found = solved(y, 0.01, np.zeros(n, dtype=int), 1, ONE, blunders=False)
        errors.append(float(sds(found)[0, 0]))
        spreads.append(float(found.spread[0, 0]))
        assert found.spread_sd[0, 0] == pytest.approx(
            found.spread[0, 0] / np.sqrt(2.0 * (hierarchy.SPREAD_DF + n))
        )
    # fourfold the reps, half the error
    np.testing.assert_allclose(np.array(errors[:-1]) / errors[1:], 2.0, atol=0.35)
    np.testing.assert_allclose(spreads, 0.05, rtol=0.15)


def test_the_unsteady_runner_is_told_from_the_steady():
    rng = np.random.default_rng(8)
    runner = np.repeat([0, 1, 2], 60)
    spread = np.array([0.02, 0.05, 0.10])
    y = 0.2 + spread[runner] * rng.standard_normal(180)
    found = solved(y, 0.01, runner, 3, ONE, blunders=False)
    assert np.all(np.abs(found.spread[:, 0] - spread) < 3.0 * found.spread_sd[:, 0])
    assert np.all(np.diff(sds(found)[:, 0]) > 0.0)


# --- blunders -------------------------------------------------------------------------------------


def test_a_blunder_moves_little_and_is_seen():
    rng = np.random.default_rng(9)
    y = rng.normal(0.2, 0.045, 20)
    runner = np.zeros(20, dtype=int)
    before = solved(y, 0.01, runner, 1, ONE)
    wild = np.append(y, 1.2)
    after = solved(wild, 0.01, np.zeros(21, dtype=int), 1, ONE)
    believed = solved(wild, 0.01, np.zeros(21, dtype=int), 1, ONE, blunders=False)
    moved = after.mean[0, 0] - before.mean[0, 0]
    assert abs(moved) < 0.2 * (believed.mean[0, 0] - before.mean[0, 0])
    assert after.spread[0, 0] < 1.15 * before.spread[0, 0]
    assert believed.spread[0, 0] > 2.0 * before.spread[0, 0]
    assert after.blunders > before.blunders
    assert believed.blunders == 0.0


def test_the_share_of_blunders_is_learned():
    rng = np.random.default_rng(10)
    runner = np.repeat(np.arange(6), 100)
    for share in (0.0, 0.2):
        wide = np.where(rng.random(600) < share, hierarchy.BLUNDER, 1.0)
        y = 0.15 + 0.04 * runner / 5 + 0.045 * wide * rng.standard_normal(600)
        found = solved(y, 0.01, runner, 6, ONE)
        assert found.blunders == pytest.approx(share, abs=0.06)


# --- symmetries -----------------------------------------------------------------------------------


@settings(max_examples=10, deadline=None)
@given(st.integers(0, 10_000))
def test_neither_the_order_of_reps_nor_the_runners_numbers_matter(seed):
    rng = np.random.default_rng(seed)
    _, _, (information, weighted, runner) = squad(rng, PRIOR, most=6)
    weight = rng.uniform(0.3, 1.0, len(runner))
    one = hierarchy.estimate_effects(information, weighted, runner, 6, PRIOR, weight)
    order, number = rng.permutation(len(runner)), rng.permutation(6)
    other = hierarchy.estimate_effects(
        information[order], weighted[order], number[runner][order], 6, PRIOR, weight[order]
    )
    same(one, other, number, rtol=1e-4, atol=1e-7)


@settings(max_examples=10, deadline=None)
@given(st.integers(0, 10_000))
def test_a_rep_that_counts_twice_is_the_rep_and_its_double(seed):
    rng = np.random.default_rng(seed)
    _, _, (information, weighted, runner) = squad(rng, PRIOR, most=6)
    times = rng.integers(1, 4, len(runner))
    one = hierarchy.estimate_effects(information, weighted, runner, 6, PRIOR, times.astype(float))
    other = hierarchy.estimate_effects(
        *(np.repeat(x, times, axis=0) for x in (information, weighted, runner)), 6, PRIOR
    )
    same(one, other, rtol=1e-4, atol=1e-7)


@settings(max_examples=10, deadline=None)
@given(st.integers(0, 10_000), st.floats(0.01, 1000.0))
def test_the_unit_does_not_matter(seed, unit):
    rng = np.random.default_rng(seed)
    _, _, (information, weighted, runner) = squad(rng, ONE, most=6)
    one = hierarchy.estimate_effects(information, weighted, runner, 6, ONE)
    scaled = hierarchy.Prior(
        ONE.mean * unit, ONE.mean_sd * unit, ONE.between * unit, ONE.within * unit
    )
    other = hierarchy.estimate_effects(information / unit**2, weighted / unit, runner, 6, scaled)
    np.testing.assert_allclose(other.mean, one.mean * unit, rtol=1e-3, atol=1e-4 * unit)
    np.testing.assert_allclose(other.cov, one.cov * unit**2, rtol=1e-2)
    np.testing.assert_allclose(other.spread, one.spread * unit, rtol=1e-2)


# --- over the weeks -------------------------------------------------------------------------


def walking(walk, within=0.1):
    prior = flat(10.0, 1.0, within)
    return hierarchy.Prior(
        prior.mean, prior.mean_sd, prior.between, prior.within, FIXED, FIXED, np.array([walk])
    )


@pytest.mark.parametrize("walk", [0.01, 0.05, 0.3])
def test_a_walk_is_what_the_joint_normal_law_of_all_days_says(walk, monkeypatch):
    """Against the textbook's conditional mean of jointly normal figures, written out in full."""
    monkeypatch.setattr(hierarchy, "SPREAD_DF", FIXED)  # all are as steady as the squad
    rng = np.random.default_rng(8)
    weeks, runner = np.array([9.0, 9.0, 6.0, 2.0, 2.0, 0.0, 5.0, 1.0]), np.array([0] * 6 + [1] * 2)
    y, error = rng.normal(0.0, 0.5, 8), 0.07
    found = solved(y, error, runner, 2, walking(walk), weeks=weeks, blunders=False)
    # figures of now (2), then the reps; the squad's mean is 0 give or take 10, runners differ by 1
    same = (runner[:, None] == runner).astype(float)
    shared = np.minimum(weeks[:, None], weeks) * walk**2
    of_reps = 100.0 + same * (1.0 + shared) + np.diag(np.full(8, 0.1**2 + error**2))
    now = 100.0 + (np.arange(2)[:, None] == runner).astype(float)
    wanted = now @ np.linalg.solve(of_reps, y)
    left = 100.0 + np.eye(2) - now @ np.linalg.solve(of_reps, now.T)
    np.testing.assert_allclose(found.mean[:, 0], wanted, atol=2e-3)
    np.testing.assert_allclose(found.cov[:, 0, 0], np.diag(left), rtol=0.02)


def test_a_change_over_the_weeks_comes_back_within_its_error():
    rng = np.random.default_rng(3)
    z = []
    for _ in range(60):
        weeks = np.repeat(np.arange(8.0, -1.0, -1.0), 4)
        slope = rng.normal(0.0, 0.05)
        y = 9.0 - slope * weeks + rng.normal(0.0, 0.1, len(weeks))
        found = solved(y, 0.05, np.zeros(len(y), int), 1, walking(0.05), weeks=weeks)
        z.append((found.change.per_week[0, 0] - slope) / found.change.sd[0, 0])
        assert abs(found.mean[0, 0] - 9.0) < 0.25
    assert 0.6 < np.sqrt(np.mean(np.square(z))) < 1.3


def test_one_day_tells_of_no_change():
    found = solved([9.0, 9.1], 0.05, np.array([0, 0]), 1, walking(0.05), weeks=np.array([3.0, 3.0]))
    assert np.isnan(found.change.per_week).all()


def test_more_days_than_are_told_apart_cost_hardly_anything(monkeypatch):
    rng = np.random.default_rng(5)
    weeks = np.repeat(np.arange(40.0), 3)
    y = 9.0 + rng.normal(0.0, 0.1, len(weeks))
    who = np.zeros(len(y), int)
    found = solved(y, 0.05, who, 1, walking(0.05), weeks=weeks, blunders=False)
    monkeypatch.setattr(hierarchy, "MOST_DAYS", 100)
    whole = solved(y, 0.05, who, 1, walking(0.05), weeks=weeks, blunders=False)
    assert abs(found.mean[0, 0] - whole.mean[0, 0]) < 0.5 * sds(whole)[0, 0]
    np.testing.assert_allclose(sds(found), sds(whole), rtol=0.1)


def test_a_figure_that_nothing_tells_of_takes_no_trend_from_the_others():
    weeks = np.repeat([3.0, 2.0, 1.0, 0.0], 3)
    information = np.tile(np.diag([400.0, 0.0, 0.0]), (12, 1, 1))
    weighted = information[:, :, 0] * (9.0 + 0.05 * (3.0 - weeks))[:, None]
    prior = hierarchy.Prior(
        PRIOR.mean, PRIOR.mean_sd, PRIOR.between, PRIOR.within, walk=np.array([0.05, 0.01, 0.01])
    )
    who = np.zeros(12, int)
    found = hierarchy.estimate_effects(information, weighted, who, 1, prior, weeks=weeks)
    assert found.change.per_week[0, 0] == pytest.approx(0.05, abs=1e-6)
    assert np.isfinite(found.change.sd[0, 0])
    assert np.isnan(found.change.per_week[0, 1:]).all()
