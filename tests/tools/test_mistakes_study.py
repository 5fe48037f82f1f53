"""The study of planted mistakes: what counts as right, as said, and as wrong without a word."""

from datetime import UTC, datetime

import accuracy_study
import mishaps
import mistakes_study as study
import pytest
from mishaps import Planted

ENTRY_S = 1_778_602_900.0
TAPE = study.Kind("a tape", study._REP)
CLOCK = study.Kind("a clock", study._UNIT)
PLANTED = Planted("a tape", None, (2,), 1.0)
WRENS = Planted("a clock", "wren", (2,), 1.0)


def a_truth(**other):
    return {
        "rep": 2, "incoming": "wren", "outgoing": "teal", "outcome": "passed", "zone": 2, "lane": 4,
        "entry_utc_s": ENTRY_S, "go_utc_s": ENTRY_S - 1.0, "mark_utc_s": ENTRY_S - 1.1,
        "exit_utc_s": ENTRY_S + 3.0, "pass_utc_s": ENTRY_S + 2.0, "v_in_entry_mps": 9.5,
        "v_out_exit_mps": 9.0, "v_in_pass_mps": 9.0, "v_out_pass_mps": 8.5, "zone_time_s": 3.0,
        "baton_zone_time_s": 3.0, "pass_m": 18.0, "free_distance_m": 1.2, "steps_to_pass": None,
    } | other  # fmt: skip


def a_row(zero_utc_s=ENTRY_S, **other):
    """A row that says the truth, each figure with a standard error of 0.1."""
    values = {
        "mark_t_s": -1.1, "go_t_s": -1.0, "pass_t_s": 2.0, "pass_m": 18.0, "zone_time_s": 3.0,
        "free_distance_m": 1.2, "v_in_entry_mps": 9.5, "v_out_exit_mps": 9.0,
        "v_in_pass_mps": 9.0, "v_out_pass_mps": 8.5,
    }  # fmt: skip
    row = {
        "rep": 2, "incoming": "wren", "outgoing": "teal", "outcome": "passed", "zone": 2, "lane": 4,
        "zero_utc": datetime.fromtimestamp(zero_utc_s, UTC), "steps_to_pass": None,
        "faults": [], "remarks": [],
    }  # fmt: skip
    for name, value in values.items():
        stem, _, unit = name.rpartition("_")
        row |= {name: value, f"{stem}_sd_{unit}": 0.1}
    return row | other


def judged(row, kind=TAPE, planted=PLANTED, remarks=(), plain_row=None, plain_remarks=()):
    sound = study.Measured((plain_row or a_row(),), tuple(plain_remarks))
    measured = study.Measured(() if row is None else (row,), tuple(remarks))
    return study.judge(kind, planted, 1, a_truth(), measured, sound)


def test_a_row_that_says_the_truth_is_right():
    assert judged(a_row()).said == study.RIGHT
    assert judged(a_row(zone_time_s=3.29, pass_m=17.8)).said == study.RIGHT


@pytest.mark.parametrize(
    "wrong",
    [
        {"zone_time_s": 3.31},
        {"go_t_s": -0.6},
        {"outcome": "not passed"},
        {"outgoing": "jay"},
        {"lane": 5},
        {"zone": 3},
        {"zero_utc_s": ENTRY_S + 0.09},
    ],
)
def test_one_wrong_figure_is_wrong_without_a_word(wrong):
    found = judged(a_row(**wrong))
    assert found.said == study.WORDLESS
    assert found.off


def test_an_unclear_outcome_is_not_a_wrong_one():
    assert judged(a_row(outcome="unclear")).said == study.RIGHT


def test_a_remark_counts_only_where_it_is_new_whatever_its_numbers():
    wrong = {"zone_time_s": 4.0}
    assert judged(a_row(remarks=["the tape is 2.9 m off"], **wrong)).said == study.SAID
    usual = a_row(remarks=["no accelerometer, 0.4 s"])
    assert judged(a_row(remarks=["no accelerometer, 0.5 s"], **wrong), plain_row=usual).said == (
        study.WORDLESS
    )


@pytest.mark.parametrize(
    "remark",
    [
        "no pass: nothing that follows from one is given",
        "the outgoing runner was not seen to cross the exit line",
    ],
)
def test_why_a_cell_is_empty_does_not_excuse_a_wrong_figure(remark):
    assert judged(a_row(outcome="not passed", remarks=[remark])).said == study.WORDLESS


@pytest.mark.parametrize(
    ("kind", "planted", "remark", "said"),
    [
        (TAPE, PLANTED, "rep 2: the sheet says 0.0 m, the traces 2.9", study.SAID),
        (TAPE, PLANTED, "rep 12: the sheet says 0.0 m", study.WORDLESS),
        (TAPE, PLANTED, "sheet line 3: no such mark", study.SAID),
        (CLOCK, WRENS, "wren's unit is 0.42 s late", study.SAID),
        (CLOCK, WRENS, "teal's unit is 0.42 s late", study.WORDLESS),
        (CLOCK, WRENS, "a unit is 0.42 s late", study.WORDLESS),
    ],
)
def test_the_session_has_to_name_the_culprit(kind, planted, remark, said):
    row = a_row(zone_time_s=4.0)
    assert judged(row, kind, planted, [remark]).said == said
    assert judged(row, kind, planted, [remark], plain_remarks=[remark]).said == study.WORDLESS


def test_a_takeover_that_is_gone_needs_a_word_that_does_not_blame_the_traces():
    blame = "sheet line 3: wren to teal was not found in the traces (broken off, or a recording is "
    blame += "missing)"
    assert judged(None).said == study.WORDLESS
    assert judged(None, remarks=[blame]).said == study.WORDLESS
    assert judged(None, remarks=["sheet line 3: its zone is 2, not 3"]).said == study.SAID
    gone = study.Kind("recording gone", study._UNIT)
    assert judged(None, gone, WRENS, ["wren.csv is not there", blame]).said == study.SAID


def test_an_early_start_speaks_for_a_wrong_mark_only():
    row = a_row(mark_t_s=-1.5, faults=["early start"])
    mark = study.Kind("mark", study._REP, on_the_mark=True)
    assert judged(row).said == study.WORDLESS
    assert judged(row, mark).said == study.SAID
    assert judged(row, mark, plain_row=a_row(faults=["early start"])).said == study.WORDLESS


def test_what_is_as_wrong_without_the_mistake_is_counted_apart():
    assert judged(a_row(go_t_s=-0.6), plain_row=a_row(go_t_s=-0.65)).said == study.AS_WITHOUT
    assert judged(a_row(go_t_s=-0.4), plain_row=a_row(go_t_s=-0.6)).said == study.WORDLESS
    both = a_row(go_t_s=-0.6, zone_time_s=4.0)
    assert judged(both, plain_row=a_row(go_t_s=-0.6)).said == study.WORDLESS


def test_a_row_seconds_off_is_still_that_takeover():
    late = a_row(ENTRY_S + 3.0)
    assert study.find_row([late], a_truth()) is late
    assert study.find_row([late], a_truth(outgoing="jay")) is None
    assert study.find_row([a_row(ENTRY_S + 3600.0)], a_truth())["rep"] == 2
    assert study.find_row([a_row(ENTRY_S + 3600.0, rep=3)], a_truth()) is None


def verdict(said, kind="wrong zone", world=1, *off):
    return study.Verdict(kind, world, "rep 1, a to b", said, off)


def test_the_table_counts_takeovers_by_kind_and_names_the_worst():
    off = study.Off("zone time", 0.4, 5.0), study.Off("pass moment", 0.9, -4.0)
    result = study.FamilyResult(
        (
            verdict(study.RIGHT),
            verdict(study.WORDLESS, "wrong zone", 1, off[0]),
            verdict(study.WORDLESS, "wrong zone", 2, off[1]),
            verdict(study.SAID, "wrong lane"),
        ),
        (("wrong lane", "ValueError: no"),),
        5, 1, {"the sheet says # m": 1},
    )  # fmt: skip
    lines = study.mistakes_markdown([result]).splitlines()
    assert "| wrong zone | 2 | 3 | 1 | 0 | 0 | 2 | zone time +0.40 (5.0 sd) | 0 |" in lines
    assert "| wrong lane | 1 | 1 | 0 | 1 | 0 | 0 |  | 1 |" in lines
    assert "| all 2 kinds | 3 | 4 | 1 | 1 | 0 | 2 |  | 1 |" in lines
    assert "5 takeovers, 1 remarks on them" in lines[-1]


def test_every_kind_that_can_be_planted_is_studied_and_no_two_have_one_name():
    kinds = [kind for family in study.FAMILIES.values() for kind in family.kinds]
    assert len({kind.name for kind in kinds}) == len(kinds) >= 30
    assert {kind.plant for kind in kinds} - {None} == set(mishaps.KINDS)
    looked_at = range(1, 25)
    assert all(seed in looked_at for family in study.FAMILIES.values() for seed in family.worlds)


def test_a_crash_is_a_line_and_not_the_end(monkeypatch):
    def crash(*_):
        raise ValueError("gap -140 m")

    monkeypatch.setattr(study, "make_session_tables", crash)
    measured = study.measure_session("session.toml")
    assert measured.crash == "ValueError: gap -140 m"
    found = study.judge(TAPE, PLANTED, 1, a_truth(), measured, study.Measured((a_row(),)))
    assert (found.said, found.off[0].figure) == (study.WORDLESS, "crashed")


def test_one_session_goes_through_the_study(monkeypatch):
    brief = study._BRIEF | {"n_reps": 3, "spacing_s": 12.0}
    kinds = tuple(kind for kind in study._SHEET if kind.name in ("wrong lane", "mark 3 m"))
    monkeypatch.setitem(study.FAMILIES, "sheet", study.Family(brief, (4,), kinds))
    result = study.study_family(("sheet", 4, ""))
    assert result.sound_takeovers == 3
    assert result.crashes == ()
    by_kind = {one.kind: one.touched for one in study.count_kinds([result])}
    assert by_kind == {"mark 3 m": 1, "wrong lane": 3}
    none = study.study_family(("sheet", 4, "no such"))
    assert none.verdicts == ()


def test_the_mistakes_are_written_only_when_all_are_asked_for(tmp_path, monkeypatch, capsys):
    page = tmp_path / "accuracy.md"
    page.write_text(f"a {study.BEGIN} old {study.END} b")
    result = study.FamilyResult((verdict(study.RIGHT),), (), 5, 0, {})
    monkeypatch.setattr(accuracy_study, "PAGE", page)
    monkeypatch.setattr(study, "study_mistakes", lambda *_: [result])
    monkeypatch.setattr(accuracy_study.os, "nice", lambda _: 0)
    for words, written in (([], False), (["--write", "--only", "x"], False), (["--write"], True)):
        monkeypatch.setattr(accuracy_study.sys, "argv", ["accuracy_study.py", "--mistakes", *words])
        assert accuracy_study.main() == 0
        assert (" old " not in page.read_text()) == written
    assert "wrong without a word" in capsys.readouterr().out
