"""The page as text: says what the tables say, of every takeover, and lets nothing else through.

What a browser makes of it stands in test_page_in_browser.py.
"""

import base64
import functools
import hashlib
import re
from dataclasses import replace

import pytest
import squads
from hostile_names import HOSTILE
from html_page import Page
from hypothesis import given, settings
from hypothesis import strategies as st
from random_tables import random_table, with_values

from pipeline.base.words import CAUTION
from pipeline.show import scenes
from pipeline.show.markup import element, html_document
from pipeline.show.page import layout, takeover_list
from pipeline.show.page.pair_part import PairDecisions
from pipeline.show.wording import decimal, with_error
from pipeline.tables import schema


@functools.cache
def tables(event="4x100", reps=12):
    lake, _, _ = squads.lake(7, n_runners=4, evenings=2, reps=reps, event=event)
    return lake.exchanges, lake.curves


@functools.cache
def takeovers(event="4x100"):
    return scenes.read_scenes(*tables(event))


def session_page(several, recordings=(), known=None, seen=layout.NOTHING_SEEN) -> Page:
    about = {"Made by": "the tests"}
    return Page(
        layout.session_page(
            "otter", several, known=known or {}, recordings=list(recordings), about=about, seen=seen
        )
    )


@functools.cache
def usual_page(event="4x100") -> Page:
    return session_page(takeovers(event))


@functools.cache
def plain_page() -> Page:
    return session_page(takeovers(), random_table("recordings", rows=2).to_pylist())


@functools.cache
def meek_page() -> Page:
    calm = with_values(tables()[0], incoming="robin", faults=["x"], remarks=["y"])
    recordings = with_values(
        random_table("recordings", rows=2), "recordings", file="f", runner="r", remarks=["y"]
    )
    return session_page(scenes.read_scenes(calm, tables()[1]), recordings.to_pylist())


def lines(shown: Page) -> list[list[str]]:
    """The list's rows."""
    return shown.grid()[1 : 1 + sum(c.get("data-rank") is not None for _, c in shown.opened)]


# --- what the tables say ------------------------------------------------------------------------


@pytest.mark.parametrize("event", ["4x100", "4x400"])
def test_every_takeover_stands_in_the_list_with_its_numbers(event):
    several = scenes.order_by_time(takeovers(event))
    shown = lines(usual_page(event))
    assert len(shown) == len(several)
    for k, (one, row) in enumerate(zip(several, shown, strict=True), 1):
        words = [cell.replace("\u00a0", " ") for cell in row]
        assert words[0].startswith(f"{k} {one.row['incoming']} to {one.row['outgoing']}")
        assert not any("±" in cell for cell in words)  # that stands in the takeover's own part
        for cell, known, digits in (
            (words[4], one.zone_time, 2),
            (words[5], one.start, 2),
            (words[6], one.gap_at_pass, 1),
        ):
            if known is None:
                assert "–" in cell
            else:
                value = float(re.search(r"−?[\d.]+", cell)[0].replace("−", "-"))
                assert value == pytest.approx(known.value, abs=0.501 * 10.0**-digits)
        if one.pass_place is None:
            assert "not passed" in words[3]
        else:
            value, basis = re.search(r"(−?[\d.]+) m, (\w+)", words[3]).groups()
            assert float(value.replace("−", "-")) == pytest.approx(one.pass_place.value, abs=0.0501)
            assert basis == one.row["pass_basis"]
        assert all(fault in words[1] for fault in one.row["faults"])


def judged(one, sentence, lost_s, lost_sd_s):
    """The takeover with a row of `verdicts`."""
    row = {name: one.row.get(name) for name in schema.facts("verdicts").names}
    known = {"verdict": sentence, "lost_s": lost_s, "lost_sd_s": lost_sd_s}
    return replace(one, verdict=row | known)


def test_the_verdict_leads_in_list_and_part_and_its_errors_stand_below():
    sentence = "Left 0.25 ± 0.05 s late: passed 8 m earlier, lost 0.19 ± 0.04 s."
    shown = session_page([judged(takeovers()[0], sentence, 0.19, 0.04)])
    short = "Left 0.25 s late: passed 8 m earlier, lost 0.19 s."
    assert short in lines(shown)[0][1]
    assert lines(shown)[0][2] == "0.19 s lost"
    article = shown.text[shown.text.index("Each takeover") :]
    assert article.index("0.19\u00a0s lost.") < article.index(short) < article.index("Figures and")
    assert "+0.19\u00a0±\u00a00.04\u00a0s" in article
    assert sentence not in shown.text


def test_a_loss_within_its_error_is_not_said_to_be_one():
    sentence = "Nothing lost that stands out (-0.09 ± 0.05 s)."
    row = lines(session_page([judged(takeovers()[0], sentence, -0.09, 0.05)]))[0]
    assert "Nothing lost that stands out." in row[1]
    assert row[2] == "nothing lost"


def test_without_a_verdict_no_takeover_is_praised():
    calm = with_values(tables()[0], faults=[])
    shown = session_page(scenes.read_scenes(calm, tables()[1]))
    passed = [row for row in lines(shown) if row[1].startswith("passed")]
    assert passed
    assert all(row[1] == "passed; not judged" for row in passed)
    assert "run batontrace causes" in shown.text


def test_each_takeover_has_its_part_and_the_list_leads_there():
    several = takeovers()
    shown = usual_page()
    ids = [given["id"] for _, given in shown.opened if "id" in given]
    assert len(ids) == len(set(ids))
    targets = [given["href"] for tag, given in shown.opened if tag == "a"]
    assert all(target[0] == "#" and target[1:] in ids for target in targets)
    articles = [g["id"] for t, g in shown.opened if t == "article" and g["class"] == "takeover"]
    assert articles == [takeover_list.anchor(one) for one in scenes.order_by_time(several)]


def test_moments_carry_their_standard_errors():
    one = next(one for one in takeovers() if one.passed)
    text = session_page([one]).text.replace("\u00a0", " ")
    for moment in one.moments:
        if moment.what != "entry":
            assert with_error(moment.t, 2).replace("\u00a0", " ") in text
    assert "inferred" in text


@pytest.mark.parametrize("seen", [True, False])
def test_a_pass_seen_is_a_full_dot_an_inferred_one_hollow(seen):
    table = with_values(tables()[0], pass_basis="seen" if seen else "inferred")
    shown = session_page(scenes.read_scenes(table, tables()[1]))
    dots = [g["class"] for t, g in shown.opened if t == "circle"]
    assert dots
    assert all(("full" in dot) is seen and ("hollow" in dot) is not seen for dot in dots)


def told(several, seen=layout.NOTHING_SEEN) -> str:
    """What the page says that people saw and wrote, as one line."""
    shown = session_page(several, seen=seen)
    parts = re.findall(r'<ul class="seen">(.*?)</ul>', shown.source)
    words = " | ".join(Page(f"<div>{part}</div>").text for part in parts)
    return " ".join(words.replace("\u00a0", " ").split())


def sighting(**given):
    """A row of `observations`: of a film that saw the pass, but for what is given."""
    row = dict.fromkeys(schema.facts("observations").names)
    usual = {
        "session": "otter", "exchange": 1, "observer": "film-zone2", "line": 2, "kind": "film",
        "use": "measure", "event": "pass", "used": True, "remarks": [], "observed_t_s": 1.93,
        "observed_m": 21.3, "difference_s": 0.02, "difference_m": -0.4,
    }  # fmt: skip
    return row | usual | given


@pytest.mark.parametrize(
    ("given", "words"),
    [
        ({}, "film-zone2: pass at 1.93 s and 21.3 m; 0.02 s after the estimate without it"),
        ({"difference_s": -0.31}, "0.31 s before the estimate without it"),
        ({"difference_s": -0.004}, "21.3 m; as estimated without it"),
        ({"observed_t_s": None, "difference_s": None},
         "pass at 21.3 m; 0.4 m short of the estimate without it"),
        ({"use": "check", "used": False}, "the estimate without it; held out"),
        ({"used": False, "remarks": ["misread"]}, "the estimate without it; not used; misread"),
        ({"event": "gate", "gate": "g1", "runner": "wren", "observed_m": None},
         "film-zone2: g1 broken by wren at 1.93 s; 0.02 s after"),
        ({"event": "hand back", "observed_m": None, "difference_s": None, "difference_m": None},
         "film-zone2: hand back at 1.93 s"),
        ({"note": "blurred"}, "without it; blurred"),
    ],
)  # fmt: skip
def test_what_an_observer_saw_stands_at_its_takeover(given, words):
    one = scenes.read_scenes(with_values(tables()[0].slice(0, 1), note=None), tables()[1])
    key = one[0].row["session"], one[0].row["exchange"]
    assert words in told(one, {key: [sighting(**given)]})
    assert told(one, {(key[0], key[1] + 1): [sighting(**given)]}) == ""


def test_the_sheets_note_is_quoted_as_text_and_nothing_stands_where_there_is_none():
    first = tables()[0].slice(0, 1)
    several = scenes.read_scenes(with_values(first, note="too <b>early</b>"), tables()[1])
    calm = scenes.read_scenes(with_values(first, note="too early"), tables()[1])
    assert session_page(several).tags == session_page(calm).tags
    assert "The sheet: too <b>early</b>" in told(several)
    for nothing in (None, ""):
        bare = scenes.read_scenes(with_values(first, note=nothing), tables()[1])
        assert '<ul class="seen">' not in session_page(bare).source


@pytest.mark.parametrize("name", HOSTILE)
def test_what_observers_write_is_never_markup(name):
    first = tables()[0].slice(0, 1)
    one = scenes.read_scenes(with_values(first, note=name), tables()[1])
    key = one[0].row["session"], one[0].row["exchange"]
    row = sighting(observer=name, event="gate", gate=name, runner=name, note=name, remarks=[name])
    calm = scenes.read_scenes(with_values(first, note="calm"), tables()[1])
    mild = sighting(observer="x", event="gate", gate="x", runner="x", note="x", remarks=["x"])
    assert session_page(one, seen={key: [row]}).tags == session_page(calm, seen={key: [mild]}).tags


def test_the_page_without_takeovers_says_so():
    shown = session_page([])
    assert "No takeover was found" in shown.text
    assert CAUTION in shown.text


def test_without_curves_the_figures_remain():
    several = scenes.read_scenes(tables()[0], schema.empty_table("speed_curves"))
    shown = session_page(several)
    assert len(lines(shown)) == len(several)
    assert "nothing to draw" in shown.text


def test_cautions_stand_at_the_foot_and_where_marks_are_advised():
    assert usual_page().text.count(CAUTION) == 1
    one = takeovers()[0]
    row = random_table("marks", rows=1).to_pylist()[0]
    row |= {"incoming": one.pair[0], "outgoing": one.pair[1], "event": "4x100", "advised": True}
    known = {(*one.pair, "4x100"): PairDecisions(None, (row,))}
    assert session_page(takeovers(), known=known).text.count(CAUTION) == 2


@settings(max_examples=25, deadline=None)
@given(st.integers(0, 2**32 - 1), st.integers(0, 5))
def test_any_tables_of_the_schema_make_a_page(seed, rows):
    exchanges = random_table("exchanges", rows=rows, seed=seed)
    curves = random_table("speed_curves", rows=20, seed=seed)
    several = scenes.read_scenes(exchanges, curves)
    recordings = random_table("recordings", rows=3, seed=seed).to_pylist()
    progress, marks = (
        random_table(name, rows=4, seed=seed).to_pylist() for name in ("progress", "marks")
    )
    known = {
        (*one.pair, one.row["event"]): PairDecisions(progress[0], tuple(marks)) for one in several
    }
    shown = session_page(several, recordings, known)
    assert "nan" not in re.sub(r"[a-zA-Zß_-]{4,}", "", shown.text)
    if several:
        first = [one for one in several if one.pair == several[0].pair]
        text = layout.pair_page(first, known=known, about={})
        assert not re.search(r"\b(?:nan|inf)\b", " ".join(re.findall(r' d="([^"]*)"', text)))


# --- what may not come through ------------------------------------------------------------------


@pytest.mark.parametrize("name", HOSTILE)
def test_a_hostile_name_is_text_and_changes_no_element(name):
    exchanges = with_values(tables()[0], incoming=name, faults=[name], remarks=[name])
    recordings = with_values(
        random_table("recordings", rows=2), "recordings", file=name, runner=name, remarks=[name]
    )
    shown = session_page(scenes.read_scenes(exchanges, tables()[1]), recordings.to_pylist())
    assert shown.tags == meek_page().tags
    assert {k for _, given in shown.opened for k in given} == {
        k for _, given in plain_page().opened for k in given
    }
    assert not [k for _, given in shown.opened for k in given if k.startswith("on")]
    assert shown.style == plain_page().style
    assert shown.script == plain_page().script


def test_the_policy_allows_this_style_and_this_script_alone():
    shown = usual_page()
    (policy,) = [g["content"] for t, g in shown.opened if t == "meta" and "http-equiv" in g]

    def digest(text):
        return base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()

    rules = dict(rule.strip().split(" ", 1) for rule in policy.split(";"))
    assert rules == {
        "default-src": "'none'",
        "style-src": f"'sha256-{digest(shown.style)}'",
        "script-src": f"'sha256-{digest(shown.script)}'",
        "base-uri": "'none'",
        "form-action": "'none'",
        "require-trusted-types-for": "'script'",
        "trusted-types": "'none'",
    }
    assert not [g for _, g in shown.opened if "style" in g]


def test_nothing_is_asked_of_the_network():
    shown = usual_page()
    for _, attributes in shown.opened:
        for name in ("src", "href", "action", "data", "poster", "srcset"):
            assert attributes.get(name, "#").startswith("#")
    assert "url(" not in shown.style
    assert "@import" not in shown.style
    assert "http" not in re.sub(r"http://www\.w3\.org/2000/svg", "", shown.script)


def test_a_style_that_would_end_its_element_is_refused():
    with pytest.raises(ValueError, match="would end"):
        html_document("t", "</style><script>", element("body", {}))


# --- size and sameness --------------------------------------------------------------------------


def test_forty_takeovers_stay_under_a_megabyte_and_a_half():
    lake, _, _ = squads.lake(8, n_runners=6, evenings=1, reps=40)
    several = scenes.read_scenes(lake.exchanges, lake.curves)
    marks = random_table("marks", rows=25).to_pylist()
    for k, row in enumerate(marks):
        row |= {"advised": k == 12, "outgoing_start_m": 0.0, "pace": 1.0, "mark_m": 8.0 + 0.3 * k}
    progress = random_table("progress", rows=1).to_pylist()[0]
    known = {(*one.pair, "4x100"): PairDecisions(progress, tuple(marks)) for one in several}
    recordings = random_table("recordings", rows=12).to_pylist()
    text = layout.session_page("otter", several, known=known, recordings=recordings, about={})
    assert len(several) == 40
    assert len(text.encode()) < 1_500_000


def test_the_same_tables_give_the_same_page():
    assert session_page(takeovers()).source == usual_page().source


# --- words ----------------------------------------------------------------------------------------


@given(st.floats(-1e4, 1e4), st.integers(0, 3))
def test_numbers_have_a_true_minus_and_none_before_nought(value, digits):
    text = decimal(value, digits)
    assert float(text.replace("−", "-")) == pytest.approx(value, abs=0.5001 * 10**-digits)
    assert "-" not in text
    if not float(text.replace("−", "-")):
        assert "−" not in text


def test_a_pair_s_page_lists_every_candidate_mark():
    several = [one for one in takeovers() if one.pair == takeovers()[0].pair]
    marks = random_table("marks", rows=9).to_pylist()
    for k, row in enumerate(marks):
        row |= {"advised": k == 4, "outgoing_start_m": 0.0, "pace": 1.0, "mark_m": 8.0 + 0.3 * k}
        row |= {"incoming": several[0].pair[0], "outgoing": several[0].pair[1], "event": "4x100"}
    known = {(*several[0].pair, "4x100"): PairDecisions(None, tuple(marks))}
    shown = Page(layout.pair_page(several, known=known, about={})).grid()
    first = next(k for k, row in enumerate(shown) if row[0] == "mark, m") + 1
    for k, row in enumerate(marks):
        cells = [cell.replace("\u00a0", " ") for cell in shown[first + k]]
        assert cells[0] == f"{row['mark_m']:.2f}" + (" advised" if k == 4 else "")
        assert cells[5].startswith(f"{row['zone_time_s']:.2f} ± ")
        p = re.match(r"[<>]?(\d+) ± [<>]?(\d+)", cells[2])
        assert float(p[1]) == pytest.approx(100 * row["p_in_zone"], abs=1.0)
        assert float(p[2]) == pytest.approx(100 * row["p_in_zone_sd"], abs=1.0)


# --- what is in doubt -------------------------------------------------------------------------


def test_a_pass_likelier_outside_than_inside_is_said_in_words():
    calm = with_values(tables()[0], p_in_zone=0.25, pass_m=31.5, pass_sd_m=1.5, faults=[])
    text = session_page(scenes.read_scenes(calm, tables()[1])).text
    assert "likelier beyond the zone (3\u00a0in\u00a04)" in text
    assert "The pass: likelier beyond the zone" in text  # under the overlay
    assert "no fault" not in text
    calm = with_values(tables()[0], p_in_zone=0.99, pass_m=20.0, pass_sd_m=1.5, faults=[])
    assert "likelier" not in session_page(scenes.read_scenes(calm, tables()[1])).text


def test_an_unclear_outcome_is_said_in_words():
    open_ = {"outcome": "unclear", "p_in_zone": None, "pass_m": None, "pass_sd_m": None}
    rows = with_values(tables()[0], **open_, pass_t_s=None, pass_t_sd_s=None, faults=[])
    text = session_page(scenes.read_scenes(rows, tables()[1])).text
    assert "unclear whether it was passed" in text
    assert "place not known" in text
