"""The study over worlds: its arithmetic, its words, and one world through it."""

import math
from collections import defaultdict
from datetime import UTC, datetime

import accuracy_study
import numpy as np
import pytest
import row_errors
import worlds_study as study


def result(seed=1, sheet=study.SHEETS[0], failure="", errors=None, **counts):
    return study.WorldResult(seed, sheet, errors or {}, counts, failure)


def test_seeds_are_ranges_and_single_ones_and_none_twice():
    assert study.parse_seeds("1-3,4711,2") == [1, 2, 3, 4711]
    assert study.parse_seeds("7") == [7]
    with pytest.raises(ValueError, match="invalid literal"):
        study.parse_seeds("1-x")


def test_a_score_counts_what_lies_beyond_three_standard_errors():
    one = study.score([(0.1, 0.1), (-0.4, 0.1), (0.0, 0.1), (0.1, 0.1)])
    assert (one.n, one.worst) == (4, pytest.approx(0.4))
    assert one.rms == pytest.approx(math.sqrt(0.18 / 4))
    assert one.bias == pytest.approx(-0.05)
    assert one.ratio == pytest.approx(math.sqrt(18 / 4))
    assert one.beyond == 0.25


def test_without_standard_errors_there_is_neither_ratio_nor_share():
    one = study.score([(0.1, math.nan), (0.3, math.nan)])
    assert math.isnan(one.ratio)
    assert math.isnan(one.beyond)


def test_sessions_of_all_worlds_are_judged_together_and_each_sheet_for_itself():
    results = [
        result(1, errors={"pass moment": [(0.1, 0.1)]}),
        result(2, errors={"pass moment": [(-0.3, 0.1)]}),
        result(2, study.SHEETS[1], errors={"pass moment": [(5.0, 0.1)]}),
    ]
    one = study.scores(results, study.SHEETS[0])["pass moment"]
    assert (one.n, one.rms) == (2, pytest.approx(math.sqrt(0.05)))
    assert study.scores(results, study.SHEETS[1])["pass moment"].n == 1


def test_what_is_asked_is_kept_by_honest_small_errors_and_broken_by_others():
    rng = np.random.default_rng(4)
    honest = rng.normal(0, 0.1, 2000)
    fine = result(errors={"pass moment": [(float(e), 0.1) for e in honest]})
    assert study.shortfalls([fine]) == []
    wide = result(errors={"pass moment": [(float(3 * e), 0.3) for e in honest]})
    assert study.shortfalls([wide]) == ["pass moment, no pass seen: 0.298 s, asked 0.200"]
    boastful = result(errors={"pass moment": [(float(e), 0.05) for e in honest]})
    assert len(study.shortfalls([boastful])) == 2  # the ratio, and beyond three
    leaning = result(errors={"pass moment": [(float(e) + 0.06, 0.12) for e in honest]})
    (said,) = study.shortfalls([leaning])
    assert "mean +0.0" in said
    half = result(sheet=study.SHEETS[1], errors={"pass moment": [(float(e), 0.1) for e in honest]})
    assert study.shortfalls([half]) == []
    tight = result(
        sheet=study.SHEETS[1], errors={"pass moment": [(1.2 * float(e), 0.12) for e in honest]}
    )
    assert len(study.shortfalls([tight])) == 1


def test_the_page_says_which_worlds_were_never_looked_at():
    errors = {"pass moment": [(0.1, 0.1)]}
    results = [result(seed, errors=errors, rows=1) for seed in (1, 2, 3, 24, 4711)]
    text = study.worlds_markdown(results)
    assert "while the estimator was made: 1 to 3, 24." in text
    assert "Never looked at before this table: 4711." in text
    assert "All worlds, no pass seen: 5 takeovers" in text
    assert "Only the worlds never looked at, no pass seen: 1 takeovers" in text
    assert "| pass moment, s | 5 | 0.100 | 0.200 | +0.100 | 1.00 | 0.0 % | 0.10 |" in text
    assert "| 4711 | no pass seen | 1 | 0, 0 | 0, 0 |" in text


def test_a_world_that_fails_is_named_and_the_others_stand(monkeypatch):
    monkeypatch.setattr(study, "SESSION", {"n_reps": 0, "moon": 1})
    failed = study.measure_world((3, study.SHEETS[1]))
    assert failed.failure.startswith("world 3, half of the passes seen: TypeError")
    assert study.world_line(failed) == f"FAILED {failed.failure}"
    assert f"FAILED {failed.failure}" in study.worlds_markdown([failed, result(rows=2)])


def test_an_unclear_outcome_is_counted_apart_and_its_pass_compared():
    truth = {
        "entry_utc_s": 10.0, "go_utc_s": None, "mark_utc_s": None, "v_in_entry_mps": None,
        "v_out_exit_mps": None, "outcome": "passed", "pass_utc_s": 12.0, "zone_time_s": 3.0,
        "baton_zone_time_s": 3.0, "exit_utc_s": 13.0, "pass_m": None, "free_distance_m": None,
        "v_in_pass_mps": None, "v_out_pass_mps": None, "steps_to_pass": None,
    }  # fmt: skip
    names = "mark_t_s go_t_s pass_t_s pass_m zone_time_s v_in_entry_mps v_out_exit_mps "
    names += "v_in_pass_mps v_out_pass_mps free_distance_m"
    row = dict.fromkeys(names.split()) | {"outcome": "unclear", "steps_to_pass": None}
    row |= {name[:-2] + "_sd" + name[-2:]: None for name in names.split() if name[-2:] != "ps"}
    row |= {f"v_{at}_sd_mps": None for at in ("in_entry", "out_exit", "in_pass", "out_pass")}
    row |= {"zero_utc": datetime.fromtimestamp(10.0, UTC), "pass_t_s": 2.5}
    out, counts = defaultdict(list), defaultdict(float)
    row_errors.compare(row | {"pass_t_sd_s": 0.4}, truth, out, counts)
    assert counts["outcomes unclear"] == 1
    assert counts["outcomes wrong"] == 0
    assert out["pass moment"] == [(pytest.approx(0.5), 0.4)]


def test_a_world_goes_through_the_study_and_late_passes_are_judged_by_the_baton(monkeypatch):
    short = study.SESSION | {"n_reps": 3, "spacing_s": 12.0, "fault_share": 0.0}
    monkeypatch.setattr(study, "SESSION", short)
    monkeypatch.setattr(study, "LATE_M", 60.0)  # every pass is late
    found = study.measure_world((1, study.SHEETS[0]))
    assert found.failure == ""
    assert found.counts["rows"] == 3
    assert len(found.errors["zone time, late pass"]) == found.counts["passes"]
    assert set(found.errors) <= set(study.FIGURES)
    assert "world     1, no pass seen" in study.world_line(found)


def test_the_worlds_are_written_only_when_asked(tmp_path, monkeypatch, capsys):
    page = tmp_path / "accuracy.md"
    page.write_text(f"a {study.BEGIN} old {study.END} b")
    asked = []

    def record(seeds, workers):
        asked.append((seeds, workers))
        return [result(4711, errors={"pass moment": [(0.1, 0.1)]}, rows=1)]

    monkeypatch.setattr(accuracy_study, "PAGE", page)
    monkeypatch.setattr(study, "study_worlds", record)
    monkeypatch.setattr(accuracy_study.os, "nice", lambda _: 0)
    words = ["accuracy_study.py", "--worlds", "4711,1-2", "--workers", "8"]
    monkeypatch.setattr(accuracy_study.sys, "argv", words)
    assert accuracy_study.main() == 0
    assert page.read_text().startswith(f"a {study.BEGIN} old")
    assert "falls short" in capsys.readouterr().out
    monkeypatch.setattr(accuracy_study.sys, "argv", [*words, "--write"])
    assert accuracy_study.main() == 0
    assert asked == [([4711, 1, 2], 2)] * 2
    assert page.read_text().startswith(f"a {study.BEGIN}\nWorlds that could be looked at")
    assert page.read_text().endswith(f"{study.END} b")
