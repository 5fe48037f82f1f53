"""The study of films: its groups, its arithmetic, its words, and one world through it."""

import accuracy_study
import films_study as study
import pytest
import worlds_study


def result(seed=1, failure="", errors=None, **counts):
    return study.FilmResult(seed, errors or {}, counts, failure)


def seen(name, view, *exchanges):
    rows = [{"event": "pass", "exchange": k} for k in exchanges]
    return {"id": name, "view": view, "rows": rows}


@pytest.mark.parametrize(
    ("films", "group"),
    [
        ([seen("one", "all", 3)], study.FILMED),
        ([seen("one", "all", 4)], study.SAME_SQUAD),
        ([seen("one", "passes", 3)], study.PASSES_ALONE),
        ([seen("one", "passes", 4)], study.NO_LINES),
        ([seen("one", "passes", 3), seen("two", "exit side", 4)], study.PASSES_ALONE),
        ([seen("one", "passes", 3), seen("two", "exit side", 3)], study.FILMED),
    ],
)
def test_a_takeover_is_judged_by_what_films_showed_of_it_and_of_its_squad(films, group):
    views = {one["id"]: one["view"] for one in films}
    assert study._group({"exchange": 3}, films, views) == group


def test_what_is_asked_is_told_where_it_falls_short():
    key = (study.FILMED, "pass moment")
    assert study.shortfalls([result(errors={key: [(0.02, 0.02), (-0.02, 0.02)]})]) == []
    (words,) = study.shortfalls([result(errors={key: [(0.04, 0.04)]})])
    assert words == "filmed, pass moment: 0.040, asked 0.030"
    (words,) = study.shortfalls([result(errors={key: [(0.02, 0.01)]})])
    assert "ratio 2.00" in words


def test_the_page_says_which_worlds_were_never_looked_at_and_counts_misread_rows():
    errors = {(study.SAME_SQUAD, "pass place"): [(0.5, 0.5)]}
    counts = {"rows": 3, "misread": 2, "misread and used": 1}
    text = study.films_markdown(
        [result(2, errors=errors, **counts), result(4711, errors=errors, **counts)]
    )
    assert "Never looked at before this table: 4711." in text
    assert "All worlds: 6 takeovers" in text
    assert "Only the worlds never looked at: 3 takeovers" in text
    assert "misread by 0.1 s and more 4, of which used 2" in text
    row = "| not filmed, same squad | pass place, m | 2 | 0.500 | 0.900 | +0.500 | 1.00 | 0.0 % |"
    assert row in text


def test_a_world_goes_through_the_study(monkeypatch):
    short = worlds_study.SESSION | {"n_reps": 4, "spacing_s": 12.0, "fault_share": 0.0}
    monkeypatch.setattr(worlds_study, "SESSION", short)
    found = study.measure_world(1)
    assert found.failure == ""
    assert found.counts["rows"] == 4
    assert found.errors["gates held out", "gate"]
    assert "world     1, 4 takeovers" in study.result_line(found)
    monkeypatch.setattr(worlds_study, "SESSION", {"n_reps": 0, "moon": 1})
    assert study.measure_world(1).failure.startswith("world 1: TypeError")


def test_the_films_are_written_only_when_asked(tmp_path, monkeypatch):
    page = tmp_path / "accuracy.md"
    page.write_text(f"a {study.BEGIN} old {study.END} b")
    monkeypatch.setattr(accuracy_study, "PAGE", page)
    monkeypatch.setattr(study, "study_films", lambda seeds, _workers: [result(s) for s in seeds])
    monkeypatch.setattr(accuracy_study.os, "nice", lambda _: 0)
    words = ["accuracy_study.py", "--films", "4711"]
    monkeypatch.setattr(accuracy_study.sys, "argv", words)
    assert accuracy_study.main() == 0
    assert page.read_text().startswith(f"a {study.BEGIN} old")
    monkeypatch.setattr(accuracy_study.sys, "argv", [*words, "--write"])
    assert accuracy_study.main() == 0
    assert page.read_text().startswith(f"a {study.BEGIN}\nWorlds that could be looked at")
