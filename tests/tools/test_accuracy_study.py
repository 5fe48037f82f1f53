"""The accuracy study's own arithmetic: rows go with their truth, figures are what they say."""

import math
from datetime import UTC, datetime
from types import SimpleNamespace

import accuracy_study as study
import numpy as np
import pyarrow as pa
import pytest
import row_errors
import small_sessions as small

ENTRY_S = 1_778_602_900.0


def a_truth(entry_utc_s=ENTRY_S, incoming="wren", outcome="passed", **other):
    """Everything the study compares, as truth.json has it."""
    passed = outcome == "passed"
    return {
        "exchange": 1, "incoming": incoming, "outgoing": "teal", "outcome": outcome,
        "entry_utc_s": entry_utc_s, "go_utc_s": ENTRY_S - 1.0, "mark_utc_s": ENTRY_S - 1.1,
        "exit_utc_s": ENTRY_S + 3.0, "pass_utc_s": ENTRY_S + 2.0 if passed else None,
        "v_in_entry_mps": 9.5, "v_out_exit_mps": 9.0, "v_in_pass_mps": 9.0, "v_out_pass_mps": 8.5,
        "zone_time_s": 3.0, "baton_zone_time_s": 3.0 if passed else None, "pass_m": 18.0,
        "free_distance_m": 1.2, "steps_to_pass": 12,
    } | other  # fmt: skip


def a_row(off=0.0, sd=0.1, incoming="wren", outcome="passed", zero_utc_s=ENTRY_S, **other):
    """A row whose every estimate is `off` above a_truth()."""
    values = {
        "mark_t": ("s", -1.1), "go_t": ("s", -1.0), "pass_t": ("s", 2.0), "pass": ("m", 18.0),
        "zone_time": ("s", 3.0), "free_distance": ("m", 1.2), "v_in_entry": ("mps", 9.5),
        "v_out_exit": ("mps", 9.0), "v_in_pass": ("mps", 9.0), "v_out_pass": ("mps", 8.5),
    }  # fmt: skip
    row = {
        "exchange": 1, "incoming": incoming, "outgoing": "teal", "outcome": outcome,
        "zero_utc": datetime.fromtimestamp(zero_utc_s, UTC), "steps_to_pass": 12,
    }  # fmt: skip
    for name, (unit, value) in values.items():
        row[f"{name}_{unit}"], row[f"{name}_sd_{unit}"] = value + off, sd
    return row | other


def compared(row, true):
    out, counts = study.defaultdict(list), study.defaultdict(float)
    row_errors.compare(row, true, out, counts)
    return out, counts


# --- pairing -----------------------------------------------------------------------------


def test_a_row_goes_with_the_nearest_takeover_of_its_incoming_runner():
    truths = [a_truth(ENTRY_S + late) for late in (0.0, 1.0)]
    truths.append(a_truth(ENTRY_S + 0.7, incoming="adder"))
    row = a_row(zero_utc_s=ENTRY_S + 0.8)
    pairs, invented, missed = row_errors.pair_up([row], truths)
    assert pairs == [(row, truths[1])]
    assert (invented, missed) == (0, 2)


def test_one_truth_is_not_given_twice_and_a_row_without_one_is_invented():
    rows = [a_row(), a_row(zero_utc_s=ENTRY_S + 0.2), a_row(zero_utc_s=ENTRY_S + 60)]
    pairs, invented, missed = row_errors.pair_up(rows, [a_truth()])
    assert len(pairs) == 1
    assert (invented, missed) == (2, 0)


def test_a_takeover_that_failed_or_never_reached_the_zone_is_not_missed():
    truths = [a_truth(outcome="not passed"), a_truth(entry_utc_s=None, outcome="not passed")]
    assert row_errors.pair_up([], truths) == ([], 0, 0)
    assert row_errors.pair_up([], [a_truth()])[2] == 1


# --- comparing -----------------------------------------------------------------------------


def test_errors_are_estimate_less_truth_with_their_standard_errors():
    out, counts = compared(a_row(off=0.25, sd=0.1), a_truth())
    for name, values in out.items():
        off = 0.0 if name == "entry moment" else 0.25
        ((error, sd),) = values
        assert error == pytest.approx(off, abs=1e-6), name
        assert math.isnan(sd) if name.endswith(("entry moment", "exit moment")) else sd == 0.1
    assert set(out) == set(study.COLUMNS) - {"curve s", "curve v", "clock"}
    assert counts == {
        "outcomes wrong": 0, "passes": 1, "steps counted": 1, "steps within one": 1,
    }  # fmt: skip


def test_an_entry_too_late_shows_in_every_moment():
    out, _ = compared(a_row(zero_utc_s=ENTRY_S + 0.5), a_truth())
    for name in ("entry moment", "exit moment", "pass moment", "first movement", "mark moment"):
        assert out[name][0][0] == pytest.approx(0.5, abs=1e-6)
    assert out["zone time"][0][0] == pytest.approx(0.0)


def test_what_is_null_on_either_side_is_not_compared():
    row = a_row(go_t_s=None, go_t_sd_s=None, steps_to_pass=None)
    out, counts = compared(row, a_truth(mark_utc_s=None))
    assert "first movement" not in out
    assert "mark moment" not in out
    assert "steps counted" not in counts


@pytest.mark.parametrize(("said", "true"), [("not passed", "passed"), ("passed", "not passed")])
def test_a_wrong_outcome_is_counted_and_its_pass_not_compared(said, true):
    out, counts = compared(a_row(outcome=said), a_truth(outcome=true))
    assert counts["outcomes wrong"] == 1
    assert "passes" not in counts
    assert not {"zone time", "pass place", "free distance"} & set(out)


def test_a_baton_carried_out_by_the_incoming_runner_says_nothing_of_the_outgoing_ones_exit():
    out, _ = compared(a_row(), a_truth(zone_time_s=2.8))
    assert "exit moment" not in out
    assert out["zone time"][0][0] == pytest.approx(0.0)


def test_curves_are_compared_at_their_own_moments():
    t = np.arange(0.0, 8.0, 0.02)
    course = (ENTRY_S + np.arange(-1.0, 9.0, 0.04), 9.0 * np.arange(-1.0, 9.0, 0.04), 9.0)
    truth = SimpleNamespace(
        curves={(1, "incoming"): (course[0], course[1], np.full(len(course[0]), 9.0))}
    )
    table = pa.table(
        {
            "exchange": np.ones(len(t), int), "role": ["incoming"] * len(t), "t_s": t,
            "s_m": 9.0 * t + 0.3, "s_sd_m": np.full(len(t), 0.2), "v_mps": np.full(len(t), 8.9),
            "v_sd_mps": np.full(len(t), 0.05),
        }
    )  # fmt: skip
    out = study.defaultdict(list)
    study._compare_curves(table, [(a_row(), a_truth())], truth, out)
    assert np.array(out["curve s"]) == pytest.approx(np.tile([0.3, 0.2], (10, 1)), abs=1e-5)
    assert np.array(out["curve v"]) == pytest.approx(np.tile([-0.1, 0.05], (10, 1)), abs=1e-5)


@pytest.mark.parametrize(("said_ppm", "off_s"), [(20.0, 0.0), (20.0, 0.012), (30.0, 0.0)])
def test_a_counters_error_is_that_at_the_middle_of_its_file(said_ppm, off_s):
    zero, ppm = ENTRY_S - 1000.0, 20.0
    middle = ENTRY_S + 300.0
    row = {
        "file": "x.csv", "clock_sd_s": 0.004, "drift_ppm": said_ppm,
        "counter_zero_utc": datetime.fromtimestamp(zero + off_s, UTC),
        "first_utc": datetime.fromtimestamp(ENTRY_S, UTC),
        "last_utc": datetime.fromtimestamp(ENTRY_S + 600.0, UTC),
    }  # fmt: skip
    true = {"file": "x.csv", "counter_zero_utc_s": zero, "drift_ppm": ppm}
    out = study.defaultdict(list)
    study._compare_clock(row, SimpleNamespace(recordings=[true]), out)
    # 10 ppm too fast over 1300 s reads 13 ms early
    expected = off_s - (said_ppm - ppm) * 1e-6 * (middle - zero)
    assert out["clock"] == [(pytest.approx(expected, abs=1e-5), 0.004)]


# --- figures and the table -------------------------------------------------------------------


def test_figures_are_root_mean_square_mean_and_ratio():
    n, rms, mean, z, worst = study._figures([(0.3, 0.1), (-0.4, 0.2), (0.0, 0.1)])
    assert n == 3
    assert rms == pytest.approx(math.sqrt(0.25 / 3))
    assert mean == pytest.approx(-0.1 / 3)
    assert z == pytest.approx(math.sqrt((9 + 4) / 3))
    assert worst == pytest.approx(0.4)


def test_honest_standard_errors_have_a_ratio_of_one():
    rng = np.random.default_rng(8)
    sd = rng.uniform(0.01, 0.5, 4000)
    z = study._figures(list(zip(sd * rng.standard_normal(4000), sd, strict=True)))[3]
    assert z == pytest.approx(1.0, abs=0.04)


def test_without_standard_errors_there_is_no_ratio():
    assert math.isnan(study._figures([(0.1, math.nan), (0.2, 0.1)])[3])


def results():
    first = {"zone time": [(0.02, 0.02), (-0.02, 0.02)], "entry moment": [(0.01, math.nan)]}
    second = {"zone time": [(0.06, 0.03)], "pass place": [(1.0, 0.5)]}
    counts = study.defaultdict(float, rows=2, missed=1, passes=2, seconds=0.1)
    more = study.defaultdict(
        float, rows=1, invented=3, passes=1, seconds=0.05,
        **{"steps counted": 4, "steps within one": 3},
    )  # fmt: skip
    return [
        (study.Scenario("one"), first, counts),
        (study.Scenario("two"), second, more),
    ]


def test_the_table_has_a_row_a_scenario_and_a_column_a_figure_that_is_there():
    head, rule, one, two = study.markdown(results()).splitlines()
    cells = [[c.strip() for c in line.strip("|").split("|")] for line in (head, one, two)]
    assert cells[0] == [
        "session", "takeovers", "missed, invented", "zone time, s", "entry moment, s",
        "pass place, m", "steps within 1",
    ]  # fmt: skip
    assert cells[1] == ["one", "2", "1, 0", "0.020 (1.00)", "0.010", "", ""]
    assert cells[2] == ["two", "1", "0, 3", "0.060 (2.00)", "", "1.000 (2.00)", "75 %"]
    assert rule == "|" + "---|" * len(cells[0])


def test_the_page_keeps_its_words_about_the_table(tmp_path, monkeypatch, capsys):
    page = tmp_path / "accuracy.md"
    page.write_text(f"# Before\n{study.BEGIN}\nold\n{study.END}\nafter\n")
    monkeypatch.setattr(study, "PAGE", page)
    monkeypatch.setattr(study, "study", lambda *_: (results(), []))
    monkeypatch.setattr(study.sys, "argv", ["accuracy_study.py"])
    assert study.main() == 0
    table = study.markdown(results())
    expected = f"# Before\n{study.BEGIN}\n{table}\n{study.END}\nafter\n"
    assert page.read_text() == expected
    assert "one: 2 takeovers" in capsys.readouterr().out
    study.main()
    assert page.read_text() == expected


def test_the_faults_have_a_table_of_their_own(tmp_path, monkeypatch, capsys):
    page = tmp_path / "accuracy.md"
    page.write_text(f"a {study.BEGIN} old {study.END} b {study.FAULTS_BEGIN}{study.FAULTS_END} c")
    counts = study.defaultdict(float, {"rows": 9, "late start, right": 3, "late start, false": 1})
    faulty = study.Scenario("faults, here", faulty=True)
    monkeypatch.setattr(study, "PAGE", page)
    monkeypatch.setattr(study, "study", lambda *_: ([(faulty, {}, counts)] * 2, []))
    monkeypatch.setattr(study, "print_detail", lambda _: None)
    monkeypatch.setattr(study.sys, "argv", ["accuracy_study.py", "--faults"])
    assert study.main() == 0
    head, _, here, _, whole = study.fault_markdown([(faulty, {}, counts)] * 2).splitlines()
    place = [cell.strip() for cell in head.split("|")].index("late start")
    assert [cell.strip() for cell in here.split("|")][1:3] == ["here", "9"]
    assert here.split("|")[place].strip() == "3, 0, 1"
    assert [cell.strip() for cell in whole.split("|")][1:3] == ["all", "18"]
    assert whole.split("|")[place].strip() == "6, 0, 2"
    text = page.read_text()
    assert text.startswith(f"a {study.BEGIN} old {study.END} b {study.FAULTS_BEGIN}\n| session")
    assert text.endswith(f" |\n{study.FAULTS_END} c")
    assert "late start" in capsys.readouterr().out


def test_the_study_asks_for_sessions_that_show_every_kind_of_fault():
    faulty = [s for s in study.SCENARIOS if s.faulty]
    assert all(s.options["fault_share"] == 1.0 for s in faulty)
    assert {s.options.get("rules") for s in faulty} == {None, "older"}
    assert not any("fault_share" in s.options for s in study.SCENARIOS if not s.faulty)


def test_a_look_at_some_scenarios_leaves_the_page_alone(tmp_path, monkeypatch, capsys):
    page = tmp_path / "accuracy.md"
    page.write_text("mine")
    asked = []

    def record(indices, seeds, workers):
        asked.append((indices, list(seeds), workers))
        return [], ["18 Hz, rough, seed 7: ValueError: no"]

    monkeypatch.setattr(study, "PAGE", page)
    monkeypatch.setattr(study, "study", record)
    words = ["accuracy_study.py", "--only", "rough", "--seeds", "7-9", "--workers", "1"]
    monkeypatch.setattr(study.sys, "argv", words)
    assert study.main() == 1  # something failed
    assert page.read_text() == "mine"
    assert "FAILED 18 Hz, rough, seed 7" in capsys.readouterr().out
    ((indices, seeds, workers),) = asked
    assert (seeds, workers) == ([7, 8, 9], 1)
    assert [i for i, s in enumerate(study.SCENARIOS) if "rough" in s.name] == indices != []


def test_every_scenario_is_one_of_the_generators(tmp_path):
    names = [s.name for s in study.SCENARIOS]
    assert len(set(names)) == len(names)
    for number, scenario in enumerate(study.SCENARIOS):
        options = {**scenario.options, "n_reps": 1, "n_runners": 2, "distractors": ()}
        options |= {"spacing_s": 5.0, "imu": False, "curves": False}
        small.simulate.make_session(tmp_path / str(number), 1, **options)


# --- one small session through it -------------------------------------------------------------


def test_a_session_goes_through_the_study():
    options = {k: v for k, v in small.OPTIONS["plain"].items() if k != "seed"}
    with study.tempfile.TemporaryDirectory() as folder:
        errors, counts = study.errors_of(
            study.Path(folder), options, small.OPTIONS["plain"]["seed"]
        )
    assert counts["rows"] == 4
    assert counts["missed"] == counts["invented"] == counts["outcomes wrong"] == 0
    assert len(errors["zone time"]) == counts["passes"] == 4
    assert counts["seconds"] > 0
    assert np.abs(np.array(errors["zone time"])[:, 0]).max() < 0.1
    assert len(errors["curve s"]) > 60
    assert set(errors) <= set(study.COLUMNS)


def test_a_session_that_fails_is_named_and_not_counted(monkeypatch):
    monkeypatch.setattr(study, "SCENARIOS", (study.Scenario("odd", {"place": "moon", "x": 1}),))
    index, errors, counts, said = study._job((0, 12))
    assert (index, errors, counts) == (0, {}, {})
    assert said.startswith("odd, seed 12: TypeError")
