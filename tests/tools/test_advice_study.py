"""The advice study's own arithmetic: which marks it asks about, and what its figures say."""

import math

import advice_study as study
import numpy as np
import pytest


def row(mark_m, p, advised=False, reps_pair=2, incoming="robin", stand_m=0.0):
    return {
        "incoming": incoming, "outgoing": "wren", "mark_m": mark_m, "p_in_zone": p,
        "advised": advised, "reps_pair": reps_pair, "outgoing_start_m": stand_m,
    }  # fmt: skip


def case(p, was, squad="a", kind="4x100, bend", advised=False, reps_pair=2, off=0.0, n=400):
    legal = round(was * n)
    return {
        "kind": kind, "squad": squad, "advised": advised, "reps_pair": reps_pair, "n": n,
        "legal": legal, "p_in_zone": p, "p_in_zone_sd": 0.0, "was_in_zone": was,
        "p_ran_into": 0.1, "was_ran_into": 0.2, "p_ran_away": 1 - p, "was_ran_away": 1 - was,
        "zone_time_s": 3.3 + off, "zone_time_sd_s": 0.03, "zone_time_spread_s": 0.12,
        "was_zone_time_s": 3.3, "was_zone_time_spread_s": 0.1,
        "pass_m": 15.0 + 10 * off, "pass_sd_m": 1.0, "pass_spread_m": 4.0,
        "was_pass_m": 15.0, "was_pass_spread_m": 5.0,
    }  # fmt: skip


def test_the_advised_mark_is_asked_about_first_and_each_aim_once_on_either_side():
    marks = [row(m, p) for m, p in ((8, 0.5), (9, 0.9), (10, 0.99), (11, 0.9), (12, 0.5))]
    marks[2]["advised"] = True
    chosen = study.choose_marks(marks)
    assert chosen[0][0]["advised"]
    assert sorted(r["mark_m"] for r, _ in chosen) == [8, 9, 10, 11, 12]
    assert {(r["mark_m"], aim) for r, aim in chosen[1:]} == {
        (8, 0.5),
        (9, 0.9),
        (11, 0.9),
        (12, 0.5),
    }


def test_a_chance_nobody_promises_is_not_asked_about():
    chosen = study.choose_marks([row(10, 0.7, advised=True), row(11, 0.65)])
    assert [aim for _, aim in chosen] == [None]


def test_pairs_are_tried_and_untried_where_there_are_both():
    rows = [row(10, 0.9, reps_pair=k % 2, incoming=f"r{k}") for k in range(20)]
    pairs = study.choose_pairs(rows, np.random.default_rng(0))
    tried = [int(name[1:]) % 2 for name, _ in pairs]
    assert len(set(pairs)) == study.PAIRS
    assert sum(tried) == study.PAIRS // 2
    only = study.choose_pairs(rows[1::2], np.random.default_rng(0))
    assert len(only) == study.PAIRS


def test_cases_of_one_squad_count_as_one_where_they_err_together():
    together = [case(0.9, w, squad=s) for s, w in (("a", 0.8), ("b", 1.0)) for _ in range(50)]
    apart = [case(0.9, w, squad=str(k)) for k, w in enumerate([0.8, 1.0] * 50)]
    mean, se = study.mean_se(together, study.column(together, "was_in_zone"))
    assert mean == pytest.approx(0.9)
    assert se == pytest.approx(0.1)  # two squads, each 0.1 off: 0.1 √2 / √2
    assert study.mean_se(apart, study.column(apart, "was_in_zone"))[1] == pytest.approx(
        0.1 / math.sqrt(99), rel=1e-6
    )


def test_bins_hold_what_was_said_against_what_happened():
    rows = study.binned([case(0.9, 0.8), case(0.91, 0.9, "b"), case(0.5, 0.6, "c")])
    assert [(name, n) for name, n, *_ in rows] == [("35 to 65 %", 1), ("85 to 92.5 %", 2)]
    assert rows[1][2:4] == pytest.approx((0.905, 0.85))


def test_figures_are_signed_said_less_seen_and_z_takes_in_the_chance_of_the_fresh_takeovers():
    f = study.figures([case(0.9, 0.9, off=0.03), case(0.9, 0.9, off=0.03)])
    assert (f.time_bias_s, f.time_rms_s) == pytest.approx((0.03, 0.03))
    own = 0.1 / math.sqrt(360)
    assert f.time_z == pytest.approx(0.03 / math.hypot(0.03, own))
    assert f.spread_ratio == pytest.approx(1.2)
    assert f.place_bias_m == pytest.approx(0.3)
    assert f.place_spread_ratio == pytest.approx(0.8)
    off = study.figures([case(0.9, 0.93)])
    assert off.p_z == pytest.approx(0.03 / math.sqrt(0.9 * 0.1 / 400))


def test_the_page_names_the_risk_that_was_kept_and_the_one_that_was_not():
    kept = [case(0.96, 0.95, s, advised=True) for s in "ab"]
    missed = [case(0.8, 0.7, s, advised=True) for s in "cd"]
    text = study.markdown(kept + missed, 0.05)
    assert "4 advised marks, said to pass in the zone 88.0 %, happened 82.5 %" in text
    assert "2 were said to keep the risk of 5 %: of the takeovers on them 5.0 %" in text
    assert "4x400: no mark was advised." in text
    assert "None was said to keep the risk" in study.markdown(missed, 0.05)


def test_a_few_kinds_or_other_seeds_leave_the_page_alone(tmp_path, monkeypatch, capsys):
    page = tmp_path / "advice.md"
    page.write_text(f"before\n{study.BEGIN}\nold\n{study.END}\nafter\n", encoding="utf-8")
    monkeypatch.setattr(study, "PAGE", page)
    monkeypatch.setattr(study, "PLOT", tmp_path / "plot.svg")
    monkeypatch.setattr(study, "plot", lambda _, path: path.write_text("drawn"))
    monkeypatch.setattr(study, "study", lambda *_: ([case(0.9, 0.9), case(0.9, 0.9, "b")], []))
    for words in (["--only", "bend"], ["--seeds", "50-51"], ["--quick"]):
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
    assert "85 to 92.5 %" in capsys.readouterr().out


def test_a_squad_that_fails_is_named_and_not_counted(monkeypatch):
    def fails(*_):
        raise ValueError("no lake")

    monkeypatch.setattr(study, "cases_of", fails)
    assert study._job((1, 3, None, True)) == ([], "4x100, bend, seed 3: ValueError: no lake")
