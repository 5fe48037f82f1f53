"""Pages and pictures from a lake on disk: what is written, where, what is refused."""

import os
import re
import shutil
from datetime import timedelta
from pathlib import Path

import pyarrow as pa
import pytest
import squads
from command import run
from html_page import Page
from hypothesis import given, settings
from hypothesis import strategies as st
from lakes import NAMES, newest, store_lake, store_two_events
from random_tables import table_of
from stored_sessions import ASKED, files_below

from pipeline.advise import decisions
from pipeline.advise.settings import Settings
from pipeline.base.words import CAUTION
from pipeline.errors import InputError, OutputError, UsageError
from pipeline.show import file_names, publish, report_files
from pipeline.show.figures import slides
from pipeline.tables import folders, lake, schema, writing

pytestmark = pytest.mark.usefixtures("light")


@pytest.fixture(scope="module")
def season(tmp_path_factory):
    """Two evenings with decisions; do not write here."""
    out = tmp_path_factory.mktemp("season") / "out"
    store_lake(out)
    decisions.decide_marks(out, Settings())
    return out


def pairs(out, session=None):
    return [
        (r["incoming"], r["outgoing"]) for r in lake.read_lake(out, session).exchanges.to_pylist()
    ]


def most_tried(out):
    found = pairs(out)
    return max(found, key=found.count)


def digest(folder):
    return {
        name: content
        for name, content in files_below(folder).items()
        if not name.startswith(report_files.REPORT_FOLDER)
    }


# --- pages ----------------------------------------------------------------------------------------


def test_marks_for_another_zone_are_left_out_and_named(tmp_path):
    squad, site = squads.draw(41, n_runners=4, rules="older")
    exchanges, curves = squads.tables(41, squad, site, evenings=1, reps=6)
    session = exchanges["session"][0].as_py()
    tables = {name: schema.empty_table(name) for name in schema.TABLES}
    tables |= {"exchanges": exchanges, "speed_curves": curves}
    for older in (False, True):
        out = tmp_path / str(older)
        writing.write_session(out, session, tables, ASKED)
        decisions.decide_marks(out, Settings(older=older, outer=8, inner=8))
        done = publish.write_page(out)
        told = any("another zone" in words for words in done.remarks)
        assert told is not older
        assert ("Advised: " in done.path.read_text(encoding="utf-8")) is older


def test_the_newest_session_is_reported_where_none_is_named(out):
    done = publish.write_page(out)
    newest = max(lake.read_lake(out).exchanges.to_pylist(), key=lambda row: row["zero_utc"])
    assert done.path == out / "report" / f"session-{newest['session']}.html"
    assert done.takeovers == len(pairs(out, newest["session"]))
    text = done.path.read_text(encoding="utf-8")
    assert f"Takeovers, {newest['session']}" in text


def test_a_session_by_name_and_a_file_by_name(out, tmp_path):
    first = lake.session_ids(out)[0]
    done = publish.write_page(out, session=first, to=tmp_path / "deep" / "my.html")
    assert done.path.is_file()
    assert not (out / "report").exists()
    assert f"Takeovers, {first}" in done.path.read_text(encoding="utf-8")


def test_a_pair_over_all_sessions_or_in_one(out):
    pair = most_tried(out)
    everywhere = publish.write_page(out, pair=pair)
    assert everywhere.takeovers == pairs(out).count(pair)
    session = next(s for s in lake.session_ids(out) if pair in pairs(out, s))
    once = publish.write_page(out, pair=pair, session=session)
    assert once.takeovers == pairs(out, session).count(pair)
    assert once.path != everywhere.path
    assert "evening" in everywhere.path.read_text(encoding="utf-8")


def test_marks_and_weeks_are_on_the_page_once_they_are_worked_out(out):
    pair = most_tried(out)
    text = publish.write_page(out, pair=pair).path.read_text(encoding="utf-8")
    assert "Advised: " in text
    assert "Over all sessions" in text
    for name in ("marks", "progress"):
        shutil.rmtree(out / name)
    text = publish.write_page(out, pair=pair).path.read_text(encoding="utf-8")
    assert "Advised: " not in text
    assert "Over all sessions" not in text


def test_the_same_tables_give_the_same_bytes_and_nothing_else_changes(out):
    before, ids = digest(out), lake.session_ids(out)
    first = publish.write_page(out).path.read_bytes()
    assert publish.write_page(out).path.read_bytes() == first
    picture = publish.write_figure(out, pair=most_tried(out)).path
    bytes_before = picture.read_bytes()
    publish.write_figure(out, pair=most_tried(out))
    assert picture.read_bytes() == bytes_before
    assert digest(out) == before
    assert lake.session_ids(out) == ids


def test_what_the_page_rests_on_changes_with_every_table_it_shows(out):
    pair = most_tried(out)

    def said():
        return re.search(r"SHA-256 [^;]*", publish.write_page(out, pair=pair).path.read_text())[0]

    first = said()
    shutil.rmtree(out / "marks")
    assert said() != first


def _all_tables(exchanges, curves):
    """A session's tables, those that are not looked at empty."""
    empty = {name: schema.empty_table(name) for name in schema.TABLES}
    return empty | {"exchanges": exchanges, "speed_curves": curves}


def test_a_takeover_that_was_not_passed_has_the_zone_of_the_others(tmp_path):
    squad, site = squads.draw(4, n_runners=3, rules="older")
    exchanges, curves = squads.tables(4, squad, site, evenings=1, reps=6)
    rows = exchanges.to_pylist()
    nothing = [c.name for c in schema.facts("exchanges").columns if c.nullable]
    kept = ("rep", "mark_m", "mark_t_s", "mark_t_sd_s", "go_t_s", "go_t_sd_s", "go_lag_s", "foot_m")
    rows[2] |= {name: None for name in nothing if name not in kept} | {"outcome": "not passed"}
    exchanges = table_of("exchanges", rows)
    session = rows[0]["session"]
    writing.write_session(tmp_path, session, _all_tables(exchanges, curves), ASKED)
    alone = publish.write_figure(tmp_path, exchange=3, to=tmp_path / "x.svg").path.read_text()
    assert "zone, 20 m" in alone
    pair = (rows[2]["incoming"], rows[2]["outgoing"])
    assert "zone of 20 m" in publish.write_page(tmp_path, pair=pair).path.read_text()


def test_takeovers_in_zones_of_two_lengths_are_kept_apart(tmp_path):
    pair = None
    for rules, days in (("older", 0), ("today", 30)):
        squad, site = squads.draw(4, n_runners=3, rules=rules)
        exchanges, curves = squads.tables(4, squad, site, evenings=1, reps=8)
        rows = [
            row | {"session": rules, "zero_utc": row["zero_utc"] + timedelta(days=days)}
            for row in exchanges.to_pylist()
        ]
        exchanges = table_of("exchanges", rows)
        place = curves.schema.get_field_index("session")
        curves = curves.set_column(
            place, curves.schema.field(place), pa.array([rules] * len(curves), pa.string())
        )
        writing.write_session(tmp_path, rules, _all_tables(exchanges, curves), ASKED)
        pair = pair or (rows[0]["incoming"], rows[0]["outgoing"])
    text = publish.write_page(tmp_path, pair=pair).path.read_text()
    assert "zone of 20 m" in text
    assert "zone of 30 m" in text
    done = publish.write_figure(tmp_path, pair=pair, to=tmp_path / "x.svg")
    assert "zone, 30 m" in done.path.read_text()
    assert "zone, 20 m" not in done.path.read_text()
    assert any("zones of another length" in remark for remark in done.remarks)


def test_what_was_left_out_is_on_the_page(out):
    session = lake.session_ids(out)[0]
    folders.part_path(out, "speed_curves", session).unlink()
    pair = next(iter(pairs(out)))
    text = publish.write_page(out, pair=pair).path.read_text(encoding="utf-8")
    assert f"session {session} was left out" in text


def test_a_page_holds_no_path_and_no_time_of_now(out):
    text = publish.write_page(out).path.read_text(encoding="utf-8")
    assert str(out) not in text
    assert str(out.parent) not in text


def test_two_relays_of_one_pair_stand_apart_and_can_be_chosen(tmp_path):
    out = store_two_events(tmp_path / "out")
    rows = lake.read_lake(out).exchanges.to_pylist()
    by_event = {
        e: {(r["incoming"], r["outgoing"]) for r in rows if r["event"] == e}
        for e in ("4x100", "4x400")
    }
    pair = min(by_event["4x100"] & by_event["4x400"])
    both = Page(publish.write_page(out, pair=pair).path.read_text(encoding="utf-8"))
    heads = [c for t, c in both.opened if t == "article" and c.get("class") == "pair"]
    assert len(heads) == 2
    only = publish.write_page(out, pair=pair, event="4x400")
    assert only.takeovers < publish.write_page(out, pair=pair).takeovers
    with pytest.raises(UsageError, match="choose by --event"):
        publish.write_figure(out, pair=pair)
    assert publish.write_figure(out, pair=pair, event="4x400").path.is_file()


def test_a_session_in_which_nothing_was_found_still_has_a_page(tmp_path):
    from stored_sessions import ASKED

    from pipeline.tables import schema

    out = tmp_path / "out"
    writing.write_session(out, "empty", {n: schema.empty_table(n) for n in schema.TABLES}, ASKED)
    done = publish.write_page(out)
    assert done.takeovers == 0
    assert "No takeover was found" in done.path.read_text(encoding="utf-8")


def test_broken_tables_beside_it_are_remarks(out):
    for name in ("marks", "progress"):
        folders.decision_path(out, name).write_bytes(b"no table")
    session = newest(out)
    for name in ("recordings", "observations"):
        folders.part_path(out, name, session).unlink()
    done = publish.write_page(out)
    assert done.path.is_file()
    said = " ".join(done.remarks)
    gone = ("marks", "progress", "recordings", "observations")
    assert all(f"table {name} was left out" in said for name in gone)
    assert str(out.parent) not in said


def test_a_broken_session_is_passed_over_or_an_error_where_it_was_asked_for(out):
    last = newest(out)
    folders.part_path(out, "exchanges", last).write_bytes(b"no table")
    assert newest(out) != last
    assert publish.write_page(out).path.is_file()
    with pytest.raises(InputError, match="process the session again"):
        publish.write_page(out, session=last)
    done = publish.write_page(out, pair=most_tried(out))
    assert any(last in remark for remark in done.remarks)


def test_a_failed_write_leaves_the_former_page(out, monkeypatch):
    page = publish.write_page(out).path
    before = page.read_bytes()
    shutil.rmtree(out / "marks")

    def full(*_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "replace", full)
    with pytest.raises(OutputError, match="No space"):
        publish.write_page(out)
    assert page.read_bytes() == before
    assert [path.name for path in page.parent.iterdir()] == [page.name]


# --- pictures -------------------------------------------------------------------------------------


@pytest.mark.parametrize("view", ["zone", "clock"])
@pytest.mark.parametrize("suffix", [".svg", ".png"])
def test_a_takeover_as_a_picture(out, tmp_path, view, suffix):
    session = lake.session_ids(out)[0]
    to = tmp_path / f"third{suffix}"
    done = publish.write_figure(out, session=session, exchange=3, view=view, to=to)
    assert done == report_files.WrittenFile(to, 1, ())
    assert to.read_bytes()[:5] == (b"<?xml" if suffix == ".svg" else b"\x89PNG\r")


@pytest.mark.parametrize("figure", ["overlay", "history", "risk", "marks"])
def test_a_pair_as_a_picture_has_a_name_of_its_own(out, figure):
    done = publish.write_figure(out, pair=most_tried(out), figure=figure)
    assert done.path.parent == out / "report"
    assert figure in done.path.name or figure == "overlay"
    own = pairs(out).count(most_tried(out))
    # a mark's risk rests on all takeovers of the two runners
    assert done.takeovers > own if figure in ("risk", "marks") else done.takeovers == own


@pytest.mark.parametrize("figure", ["risk", "marks"])
def test_what_is_said_of_a_mark_needs_marks(out, figure):
    shutil.rmtree(out / "marks")
    with pytest.raises(InputError, match="batontrace marks"):
        publish.write_figure(out, pair=most_tried(out), figure=figure)


def test_where_the_time_went_is_drawn_of_a_pair_and_needs_verdicts(out, tmp_path):
    pair = most_tried(out)
    to = tmp_path / "causes.svg"
    done = publish.write_figure(out, pair=pair, figure="causes", to=to)
    assert 1 <= done.takeovers <= pairs(out).count(pair)
    assert "each takeover" in to.read_text(encoding="utf-8")
    shutil.rmtree(out / "verdicts")
    with pytest.raises(InputError, match="batontrace causes"):
        publish.write_figure(out, pair=pair, figure="causes")


def test_letters_that_no_installed_font_has_are_a_remark_on_a_png_and_on_no_svg(
    out, tmp_path, monkeypatch
):
    monkeypatch.setattr(slides, "unknown_letters", lambda _: "東京")
    for suffix, many in ((".png", 1), (".svg", 0)):
        done = publish.write_figure(out, exchange=1, to=tmp_path / f"one{suffix}")
        assert sum("no installed font has 東京" in remark for remark in done.remarks) == many


# --- what is refused ------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["report", "--session", "evning-5-1"], "evening-5-1"),
        (["report", "--pair", "heron", "nobody"], "no takeover of this pair"),
        (["report", "--event", "4x100"], "of one relay anyway"),
        (["report", "--session", "evening-5-1", "--event", "4x100"], "of one relay anyway"),
        (["report", "--pair", "heron", "stoat", "--event", "4x200"], "one of 4x100"),
        (["report", "--to", "page.pdf"], "ends in .html"),
        (["overlay"], "one of them"),
        (["overlay", "--exchange", "1", "--pair", "heron", "otter"], "one of them"),
        (["overlay", "--exchange", "99"], "1 to 5"),
        (["overlay", "--exchange", "1", "--figure", "risk"], "--pair INCOMING OUTGOING"),
        (["overlay", "--exchange", "1", "--to", "picture.gif"], ".svg or .png"),
        (["overlay", "--exchange", "1", "--axis", "sideways"], "axis"),
        (["overlay", "--pair", "heron", "stoat", "--figure", "risk", "--axis", "clock"], "axis"),
    ],
)
def test_what_cannot_be_is_a_usage_error_that_says_what_can(out, words, says):
    code, said, complained = run(words[0], out, *words[1:])
    assert code == 2
    assert says in complained
    assert "Traceback" not in complained
    assert said == "" or "Usage" in said + complained
    assert not (out / "report").exists()


def test_the_other_order_of_a_pair_is_pointed_out(out):
    there = set(pairs(out))
    pair = next(pair for pair in there if pair[::-1] not in there)
    with pytest.raises(UsageError, match="the other order is there"):
        publish.write_page(out, pair=pair[::-1])


@pytest.mark.parametrize("command", ["report", "overlay"])
def test_a_folder_without_tables_says_what_to_do(tmp_path, command):
    more = ["--exchange", "1"] if command == "overlay" else []
    code, _, complained = run(command, tmp_path / "nowhere", *more)
    assert code == 3
    assert "batontrace process" in complained


# --- as a stranger meets them ---------------------------------------------------------------------


@pytest.mark.parametrize(
    "words", [["report"], ["report", "--pair", *NAMES[:2]], ["overlay", "--exchange", "2"]]
)
def test_the_command_says_where_the_file_is_and_warns(out, words):
    if "--pair" in words:
        words = ["report", "--pair", *most_tried(out)]
    code, said, complained = run(words[0], out, *words[1:])
    assert (code, complained) == (0, "")
    path = Path(said.splitlines()[0].rpartition(": ")[2])
    assert path.is_file()
    assert CAUTION in said


# --- names of files -------------------------------------------------------------------------------

ids = st.text(min_size=1, max_size=60)
tricky = st.sampled_from(
    ["a", "A", "a-to-b", "b", "to", "-to-", "../x", "con", "ä", "x" * 300, "", ".", "a b", "a-b"]
)


@settings(max_examples=300, deadline=None)
@given(st.tuples(ids | tricky, ids | tricky), st.tuples(ids | tricky, ids | tricky))
def test_different_pairs_have_different_names_that_any_file_system_takes(one, other):
    names = [file_names.pair_ids_name(*pair) for pair in (one, other)]
    assert (names[0] == names[1]) is (one == other)
    for name in names:
        assert set(name) <= set("abcdefghijklmnopqrstuvwxyz0123456789-_")
        assert len(name) < 110


def test_a_plain_pair_has_a_plain_name():
    assert file_names.pair_ids_name("robin", "wren") == "robin-to-wren"
