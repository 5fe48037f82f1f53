"""The pages of orders, races, runners and the season, written from a lake on disk."""

import re
import shutil

import pytest
from command import run
from html_page import Page
from lakes import store_lake
from random_tables import table_of
from sheet_rows import FIRST_EVENING, sheet_row
from stored_sessions import ASKED

from pipeline.advise import decisions
from pipeline.advise.decisions import Wishes
from pipeline.advise.settings import Settings
from pipeline.base.words import CAUTION
from pipeline.errors import UsageError
from pipeline.show import squad_pages
from pipeline.show.request import check_page_request, choose_race
from pipeline.tables import folders, forgetting, lake, schema, writing

pytestmark = pytest.mark.usefixtures("light")


@pytest.fixture(scope="module")
def decided(tmp_path_factory):
    """Two evenings of the 4x100 and one of the 4x400, with a race and all decisions; only read."""
    out = tmp_path_factory.mktemp("decided") / "out"
    store_lake(out, reps=4)
    store_lake(out, seed=1, evenings=1, reps=3, event="4x400")
    _store_race(out)
    decisions.decide_marks(out, Settings())
    decisions.decide_order(out, Settings(event="4x100"), Wishes({}))
    return out


def _store_race(out):
    """A session with one race of two legs and one takeover."""
    session = lake.session_ids(out)[0]
    tables = {n: schema.read_part(folders.part_path(out, n, session), n) for n in schema.TABLES}
    rows = [row | {"session": "meet"} for row in tables["exchanges"].to_pylist()[:1]]
    rows[0] |= {"race": "heat", "zero_utc": FIRST_EVENING.replace(month=7), "date": "2026-07-12"}
    legs = [
        sheet_row("legs", session="meet", leg=k, runner=who, start_utc=FIRST_EVENING)
        for k, who in ((0, None), (1, rows[0]["incoming"]), (2, rows[0]["outgoing"]))
    ]
    empty = {name: schema.empty_table(name) for name in schema.TABLES}
    made = {"exchanges": table_of("exchanges", rows), "legs": table_of("legs", legs)}
    writing.write_session(out, "meet", empty | made, ASKED)


@pytest.fixture(scope="module")
def written(decided, tmp_path_factory):
    """The same with all pages, and what the run said; only read."""
    out = shutil.copytree(decided, tmp_path_factory.mktemp("written") / "out")
    return out, squad_pages.write_all_pages(out)


@pytest.fixture
def few(tmp_path):
    """Two evenings of two takeovers each, and no decisions."""
    store_lake(tmp_path / "few", evenings=2, reps=2)
    return tmp_path / "few"


@pytest.fixture
def out(decided, tmp_path):
    return shutil.copytree(decided, tmp_path / "out")


def read(done) -> Page:
    return Page(done.path.read_text(encoding="utf-8"))


def links_of(page: Page) -> set[str]:
    return {given["href"] for tag, given in page.opened if tag == "a"}


# --- one page ------------------------------------------------------------------------------------


def test_each_page_has_a_name_of_its_own_and_what_it_shows(out):
    made = {
        "season.html": squad_pages.write_season_page(out),
        "order-4x100.html": squad_pages.write_order_page(out, "4x100"),
        "order-4x400.html": squad_pages.write_order_page(out, "4x400"),
        "race-heat_in_meet.html": squad_pages.write_race_page(out, "heat"),
        "runner-heron.html": squad_pages.write_runner_page(out, "heron"),
    }
    assert {name: done.path.name for name, done in made.items()} == {name: name for name in made}
    assert all(CAUTION in read(done).text for done in made.values())
    assert "s expected" in read(made["order-4x100.html"]).text
    assert "No running order of the 4x400 is worked out yet" in read(made["order-4x400.html"]).text
    assert made["race-heat_in_meet.html"].takeovers == 1
    assert "2026-07-12" in read(made["season.html"]).text


def test_a_page_says_where_it_lies_only_to_pages_beside_it(out, tmp_path):
    squad_pages.write_runner_page(out, "heron")
    assert "runner-heron.html" in links_of(read(squad_pages.write_season_page(out)))
    elsewhere = squad_pages.write_season_page(out, to=tmp_path / "alone.html")
    assert links_of(read(elsewhere)) == set()


def test_the_same_tables_and_neighbours_give_the_same_bytes_and_no_path(out):
    first = squad_pages.write_season_page(out).path.read_bytes()
    again = squad_pages.write_season_page(out).path
    assert again.read_bytes() == first
    assert str(out).encode() not in first


def test_tables_that_are_missing_or_broken_leave_whole_pages(out):
    for name in schema.DECISIONS:
        shutil.rmtree(out / name, ignore_errors=True)
    folders.decision_path(out, "marks").parent.mkdir()
    folders.decision_path(out, "marks").write_bytes(b"no table")
    made = [
        squad_pages.write_season_page(out),
        squad_pages.write_order_page(out, "4x100"),
        squad_pages.write_race_page(out, "heat"),
        squad_pages.write_runner_page(out, "heron"),
    ]
    assert "batontrace marks OUT" in read(made[0]).text
    assert any("table marks was left out" in one for one in made[0].remarks)
    assert all(read(done).tags.count("main") == 1 for done in made)


def test_rows_on_takeovers_measured_anew_are_left_out_and_other_tables_are_called_old(out):
    store_lake(out, evenings=2, reps=6)  # the same sessions, measured again
    done = squad_pages.write_season_page(out)
    said = " ".join(done.remarks)
    assert re.search(r"the verdicts on \d sessions? are older than the measurement", said)
    assert re.search(r"table marks does not rest on \d sessions? as measured now", said)
    assert "batontrace causes OUT" in said
    assert said.split(":")[0] in read(done).text


# --- all of them ---------------------------------------------------------------------------------


def test_all_pages_lead_to_one_another_and_none_leads_nowhere(written):
    out, done = written
    files = {path.name: Page(path.read_text(encoding="utf-8"))
             for path in (out / "report").iterdir()}  # fmt: skip
    assert done.pages == len(files)
    assert done.index.path.name == "season.html"
    for name, page in files.items():
        away = {one for one in links_of(page) if not one.startswith("#")}
        assert {one.partition("#")[0] for one in away} <= set(files), name
        for other, _, place in (one.partition("#") for one in links_of(page) if "#" in one):
            there = files[other] if other else page
            assert place in {given.get("id") for _, given in there.opened}, (name, other, place)
        if not name.startswith(("runner-", "season")):
            assert "season.html" in away, name
    index = links_of(files["season.html"])
    assert {one for one in files if one != "season.html"} <= index
    runners = [page for name, page in files.items() if name.startswith("runner-")]
    assert all(not [a for tag, a in page.opened if tag == "a"] for page in runners)


def test_a_session_that_cannot_be_read_does_not_stop_the_others(few):
    folders.part_path(few, "exchanges", lake.session_ids(few)[0]).write_bytes(b"no table")
    done = squad_pages.write_all_pages(few)
    assert any("was not made" in one for one in done.remarks)
    assert done.index.path.is_file()
    names = {path.name for path in (few / "report").iterdir()}
    assert {one.partition("#")[0] for one in links_of(read(done.index))} <= names


def test_forgetting_a_runner_takes_all_these_pages_away(written, tmp_path):
    out = shutil.copytree(written[0], tmp_path / "out")
    assert any((out / "report").iterdir())
    forgetting.forget(out, ["heron"], [])
    assert not (out / "report").exists()  # an empty folder goes too
    assert "heron" not in squad_pages.write_season_page(out).path.read_text("utf-8")


# --- the command ---------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("words", "file"),
    [
        (["--order", "4x100"], "order-4x100.html"),
        (["--race", "heat"], "race-heat_in_meet.html"),
        (["--race", "heat", "--session", "meet"], "race-heat_in_meet.html"),
        (["--runner", "otter"], "runner-otter.html"),
        (["--season"], "season.html"),
    ],
)
def test_the_command_writes_it_and_warns(out, words, file):
    code, said, complained = run("report", out, *words)
    assert (code, complained) == (0, "")
    assert str(out / "report" / file) in said
    assert CAUTION in said


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["--season", "--all"], "--season and --all together"),
        (["--order", "4x100", "--runner", "heron"], "--order and --runner together"),
        (["--order", "4x100", "--event", "4x100"], "no --event"),
        (["--runner", "heron", "--session", "meet"], "no --session"),
        (["--all", "--to", "x.html"], "no --to"),
        (["--order", "4x101"], "one of 4x100"),
        (["--runner", "heorn"], "one of heron"),
        (["--race", "hat"], "one of heat"),
        (["--race", "heat", "--session", "evening-5-1"], "no race"),
        (["--season", "--to", "page.pdf"], "ends in .html"),
    ],
)
def test_what_contradicts_itself_or_is_not_there_is_a_usage_error(out, words, says):
    code, said, complained = run("report", out, *words)
    assert (code, said) == (2, "")
    assert says in complained
    assert not (out / "report").exists()


def test_a_race_is_asked_for_by_name_where_there_are_several():
    legs = [sheet_row("legs", session=s, race=r) for s, r in (("a", "heat"), ("b", "heat"))]
    with pytest.raises(UsageError, match="2 races: heat of a, heat of b"):
        choose_race(legs, None, "heat")
    assert choose_race(legs, "b", None) == ("b", "heat")
    with pytest.raises(UsageError, match="no race"):
        choose_race([], None, None)


def test_a_pair_and_a_session_may_be_asked_for_together():
    asked = dict.fromkeys(("session", "pair", "event", "order", "race", "runner"))
    flags = {"season": False, "every": False, "has_name": False}
    check_page_request(**asked | {"session": "a", "pair": ("b", "c"), "event": "4x100"}, **flags)


def test_a_bucket_holds_the_same_pages(few):
    copy = shutil.copytree(few, few.parent / "bucket")
    code, said, complained = run("report", copy.as_uri(), "--all")
    assert (code, complained) == (0, "")
    assert f"{copy.as_uri()}/report/season.html" in said
    assert run("report", few, "--all")[0] == 0
    names = {path.name for path in (few / "report").iterdir()}
    assert {path.name for path in (copy / "report").iterdir()} == names
    for name in names:
        assert (copy / "report" / name).read_bytes() == (few / "report" / name).read_bytes()
