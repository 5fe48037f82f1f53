"""The advice study's own arithmetic: what a mark is worth, what the coaches' rules do, which marks
are asked about, and what its figures say."""

import math

import advice_study as study
import numpy as np
import pytest
import squads
import true_marks
import worlds

from pipeline.tables import lake

N, MARKS = 400, np.arange(4.0, 20.0, 0.5)


def made_marks(seed=0, spread_m=2.0, slope=1.2):
    """A pair whose pass comes `slope` metres later for each metre of mark, at 15 m where the mark
    is at 10; where it comes after 30 m there is none. The later, the faster."""
    rng = np.random.default_rng(seed)
    place = 15.0 + slope * (MARKS - 10.0) + spread_m * rng.normal(size=(N, 1))
    passed = place <= 32.0
    time = 6.5 - 0.02 * place
    return true_marks.TrueMarks(
        marks_m=MARKS,
        legal=passed & (place >= 0.0) & (place <= 30.0),
        pass_m=np.where(passed, place, np.nan),
        zone_time_s=np.where(passed, time - 3.0, np.nan),
        finish_s=np.where(passed, time, np.nan),
        ran_into=place < 3.0,
        zone_m=30.0,
    )


def row(mark_m, p, advised=False):
    return {"mark_m": mark_m, "p_in_zone": p, "advised": advised}


def case(said, was, seed=1, **more):
    return {
        "what": "level", "level": said, "side": "near", "seed": seed, "pair": ("a", "b"), "reps": 2,
        "said": said, "said_sd": 0.0, "was": was, "n": 400, "mark_off_m": 0.5, "mark_sd_m": 0.25,
        "time_off_s": 0.03, "time_sd_s": 0.03, "time_spread_s": 0.12, "time_spread_was_s": 0.1,
        "pass_spread_m": 4.0, "pass_spread_was_m": 5.0,
    } | more  # fmt: skip


# --- what a mark is worth -------------------------------------------------------------------


def test_the_dearer_a_failure_the_nearer_the_best_mark():
    truth = made_marks()
    best = [MARKS[int(np.argmin(truth.loss_s(price)))] for price in (1.0, 3.0, 10.0)]
    assert best == sorted(best, reverse=True)
    assert best[0] > best[-1]
    for price in (1.0, 3.0, 10.0):
        assert truth.regret_s(MARKS, price).min() == 0.0
        assert (truth.regret_s(MARKS, price) >= 0.0).all()


def test_a_mark_is_worth_its_time_and_what_its_failures_cost():
    truth = made_marks(slope=1.5)
    k = int(np.argmin(np.abs(MARKS - 10.0)))
    assert truth.legal[:, k].all()
    assert truth.loss_s(3.0)[k] == pytest.approx(truth.finish_s[:, k].mean(), abs=0.005)
    fails = 1.0 - truth.chance("legal", 19.0)
    assert fails > 0.1
    dearer = np.interp(19.0, MARKS, truth.loss_s(5.0) - truth.loss_s(3.0))
    assert dearer == pytest.approx(2.0 * fails, abs=0.01)


def test_running_into_each_other_costs_what_it_is_said_to():
    truth = made_marks(slope=2.0)
    extra = truth.loss_s(3.0, 1.0) - truth.loss_s(3.0)
    assert extra[0] == pytest.approx(truth.chance("ran_into", MARKS[0]), abs=0.01)
    assert extra[-1] == pytest.approx(0.0, abs=1e-9)


def test_fresh_takeovers_make_a_later_pass_of_a_farther_mark(tmp_path, monkeypatch):
    monkeypatch.setattr(true_marks, "MARKS_M", np.arange(4.0, 15.0, 1.5))
    monkeypatch.setattr(true_marks, "ANEW", 40)
    squad, site = squads.draw(3, n_runners=4, world=worlds.draw_world(3))
    truth = true_marks.find_true_marks(squad, site, study.names_of(squad)[0], 0.0, 1)
    both = np.isfinite(truth.pass_m[:, :-1]) & np.isfinite(truth.pass_m[:, 1:])
    later = truth.pass_m[:, 1:] - truth.pass_m[:, :-1]
    assert both.sum() > 40
    assert np.mean(later[both]) > 0.5
    assert (truth.finish_s > truth.zone_time_s)[truth.legal].all()
    true_marks.store(truth, tmp_path / "truth.npz")
    again = true_marks.read_stored(tmp_path / "truth.npz")
    assert np.array_equal(again.pass_m, truth.pass_m, equal_nan=True)
    assert again.zone_m == truth.zone_m


# --- the coaches ------------------------------------------------------------------------------


def test_a_foot_after_each_miss_ends_where_passes_fall_inside_the_band():
    truth, rng = made_marks(spread_m=0.5), np.random.default_rng(1)
    for start in (4.5, 19.0):  # a pass at 8 m, and at 26
        ends = true_marks.a_foot_after_each_miss(truth, start, 0.3, (1, 2, 48), rng)
        places = 15.0 + 1.2 * (ends[48] - 10.0)
        assert (places > true_marks.BAND_M[0] - 1.0).all()
        assert (places < true_marks.BAND_M[1] + 1.0).all()
        assert abs(ends[1] - start).max() == pytest.approx(0.3)


def test_a_pass_that_never_came_moves_the_mark_nearer():
    truth, rng = made_marks(spread_m=0.1, slope=3.0), np.random.default_rng(1)
    assert np.isnan(truth.pass_m[:, -1]).all()
    ends = true_marks.a_foot_after_each_miss(truth, MARKS[-1], 0.3, (1,), rng)
    assert ends[1] == pytest.approx(MARKS[-1] - 0.3)
    means = true_marks.mean_of_places_seen(truth, MARKS[-1], (1,), rng)
    assert (means[1] < MARKS[-1]).all()


def test_the_mean_of_places_puts_the_pass_where_it_is_wished():
    truth, rng = made_marks(), np.random.default_rng(1)
    ends = true_marks.mean_of_places_seen(truth, 6.0, (1, 4, 48), rng)
    there = 10.0 + (true_marks.WISHED_M - 15.0) / 1.2
    assert ends[48].mean() == pytest.approx(there, abs=0.15)
    assert ends[48].std() < ends[4].std() < ends[1].std()


def test_the_rule_of_thumb_is_25_to_30_feet():
    assert worlds.trade_mark_feet(9.3) == pytest.approx(25.0)
    assert worlds.trade_mark_feet(10.8) == worlds.trade_mark_feet(12.0) == pytest.approx(30.0)
    assert worlds.farthest_mark_feet(9.3) == pytest.approx(40.0)


# --- lakes and marks --------------------------------------------------------------------------


def test_a_lake_of_fewer_reps_is_the_beginning_of_one_of_more():
    tables = study.make_tables(2, 3, None)
    for count in (1, 2):
        exchanges, curves = study.first_reps(tables, count)
        rows = exchanges.to_pylist()
        squad, _ = study.draw_squad(2)
        for pair in study.names_of(squad):
            assert sum((r["incoming"], r["outgoing"]) == pair for r in rows) == count
        keys = {(r["session"], r["exchange"]) for r in rows}
        assert {(r["session"], r["exchange"]) for r in curves.to_pylist()} == keys
    found = lake.Lake(study.Path("lake"), *study.first_reps(tables, 1), {})
    assert {r["outgoing_start_m"] for r in study.advise(found, 3.0)} == {study.STAND_M}


def test_files_hold_the_same_squad_and_as_many_reps(tmp_path):
    rows = study.lake_through_files(1, 1, str(tmp_path)).exchanges.to_pylist()
    squad, _ = study.draw_squad(1)
    assert [(r["incoming"], r["outgoing"]) for r in rows] == study.names_of(squad)
    assert {r["outgoing_start_m"] for r in rows} == {study.STAND_M}
    again = study.lake_through_files(1, 1, str(tmp_path)).exchanges.to_pylist()
    assert again == rows


def test_each_level_is_asked_about_on_either_side_of_the_safest_mark():
    rows = [row(m, p) for m, p in ((8, 0.5), (9, 0.9), (10, 0.99), (11, 0.9), (12, 0.5))]
    chosen = [(side, level, r["mark_m"]) for side, level, r in study.choose_levels(rows)]
    assert chosen == [
        ("near", 0.5, 8), ("near", 0.9, 9), ("near", 0.99, 10),
        ("far", 0.5, 12), ("far", 0.9, 11), ("far", 0.99, 10),
    ]  # fmt: skip
    assert study.choose_levels([]) == []


def test_a_chance_nobody_promises_is_not_asked_about():
    chosen = study.choose_levels([row(10, 0.72), row(11, 0.65)])
    assert {level for _, level, _ in chosen} == {0.7}


# --- figures ----------------------------------------------------------------------------------


def test_cases_of_one_squad_count_as_one_where_they_err_together():
    together = [case(0.9, w, seed=s) for s, w in ((1, 0.8), (2, 1.0)) for _ in range(50)]
    apart = [case(0.9, w, seed=k) for k, w in enumerate([0.8, 1.0] * 50)]
    mean, se = study.mean_se(together, "was")
    assert mean == pytest.approx(0.9)
    assert se == pytest.approx(0.1)  # two squads, each 0.1 off: 0.1 √2 / √2
    assert study.mean_se(apart, "was")[1] == pytest.approx(0.1 / math.sqrt(99), rel=1e-6)


def test_ratios_take_in_the_chance_of_the_fresh_takeovers():
    r = study.ratios([case(0.9, 0.93), case(0.9, 0.87)])
    assert r.chance == pytest.approx(0.03 / math.sqrt(0.9 * 0.1 / 400))
    assert r.mark == pytest.approx(0.5 / math.hypot(0.25, 5.0 / 20.0))
    assert r.time == pytest.approx(0.03 / math.hypot(0.03, 0.1 / 20.0))
    assert r.time_bias_s == pytest.approx(0.03)
    assert (r.time_spread, r.pass_spread) == pytest.approx((1.2, 0.8))


def coached_marks():
    return [
        {"what": "mark", "who": who, "failure_s": price, "reps": reps, "seed": seed}
        | {"regret_s": regret / reps, "was": 0.95}
        | (case(0.97, 0.95, seed, what="mark", reps=reps) if who == study.TOOL else {})
        for who, regret in zip(study.WHO, (0.04, 0.4, 0.2), strict=True)
        for price in study.FAILURES_S
        for reps in (1, 2)
        for seed in (1, 2)
    ]


def test_the_tables_say_who_lost_how_much_and_what_came_true():
    marks = coached_marks()
    text = study.regret_table(marks)
    assert "| 3 s | the tool | 0.040 ± 0.000 | 0.020 ± 0.000 |" in text
    assert "| 3 s | a foot after each miss | 0.400 ± 0.000 | 0.200 ± 0.000 |" in text
    assert "| 97.0, 95.0 % | 97.0, 95.0 % |" in text
    level = study.level_table([case(0.9, 0.8, seed=1), case(0.9, 0.9, seed=2)])
    assert "| 90 % | 2 | 90.0 % | 85.0 % ± 5.0 | 85.0 % ± 5.0 |  | -5.0 (2) |" in level
    into = study.into_table([{"what": "into", "said": 0.02, "was": 0.04, "seed": s} for s in "ab"])
    assert "| 1 to 3 % | 2 | 2.0 % | 4.0 % ± 0.0 |" in into


def test_other_squads_counts_or_files_leave_the_page_alone(tmp_path, monkeypatch, capsys):
    cases = [*coached_marks(), case(0.9, 0.9), case(0.9, 0.9, 2)]
    page = tmp_path / "advice.md"
    page.write_text(f"before\n{study.BEGIN}\nold\n{study.END}\nafter\n", encoding="utf-8")
    monkeypatch.setattr(study, "PAGE", page)
    monkeypatch.setattr(study, "PLOT", tmp_path / "plot.svg")
    monkeypatch.setattr(study, "study", lambda *_: (cases, []))
    for words in (["--seeds", "1-2"], ["--reps", "2"], ["--files"]):
        monkeypatch.setattr("sys.argv", ["advice_study.py", *words])
        assert study.main() == 0
        assert "old" in page.read_text(encoding="utf-8")
    assert not (tmp_path / "plot.svg").exists()
    monkeypatch.setattr("sys.argv", ["advice_study.py"])
    assert study.main() == 0
    text = page.read_text(encoding="utf-8")
    assert text.startswith("before\n")
    assert text.endswith("after\n")
    assert "old" not in text
    assert (tmp_path / "plot.svg").exists()
    assert "| 90 % | 2 | 90.0 %" in capsys.readouterr().out


def test_a_squad_that_fails_is_named_and_not_counted(monkeypatch):
    def fails(*_):
        raise ValueError("no lake")

    monkeypatch.setattr(study, "cases_of", fails)
    work = study.Work(3, (1,), None, False)
    assert study._job(work) == ([], "squad 3: ValueError: no lake")
