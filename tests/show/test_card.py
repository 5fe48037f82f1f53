"""The trackside card: says what the tables say, of every pair, and lets nothing else through.

The page is read back with the standard library's HTML parser. That it prints on one page was
looked at by hand, in a browser (A4 and letter, either way up); here its text is bounded.
"""

import base64
import functools
import hashlib
import re
from itertools import pairwise, permutations

import numpy as np
import pytest
from html_page import Page
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.base.defaults import FOOT_M
from pipeline.base.track_rule import track_rule
from pipeline.base.words import CAUTION, TENTH, chance_in_words
from pipeline.errors import InputError, UsageError
from pipeline.show.card.card import MOST, CardSheet, card_html, race_card_html
from pipeline.tables import schema

WINDLESS = {"wind": "0.0 m/s"}
NAMES = ["robin", "wren", "siskin", "plover", "dunlin", "avocet", "curlew", "merlin", "osprey"]


def row_of(incoming="robin", outgoing="wren", mark_m=8.0, **given_values):
    """A row of `marks` that obeys the schema; what a test is about is given."""
    row = {
        column.name: {"string": "4x100", "bool": False, "int32": 20, "list<string>": []}.get(
            column.type, 1.0
        )
        for column in schema.facts("marks").columns
    }
    row |= {"p_in_zone": 0.91, "p_in_zone_sd": 0.03, "outgoing_start_m": 0.0, "zone_time_s": 3.0}
    row |= {"p_ran_into": 0.02}
    row |= {"mark_feet": mark_m / 0.25, "advised": True, "reps_pair": 4}
    return row | {"incoming": incoming, "outgoing": outgoing, "mark_m": mark_m} | given_values


def marks_of(*rows):
    return schema.conform("marks", {name: [row[name] for row in rows] for name in rows[0]})


def marks_of_team(team, **values):
    return marks_of(*(row_of(a, b, **values) for a, b in permutations(team, 2)))


def runner_of(runner, **given_values):
    row = {
        column.name: None
        if column.nullable
        else {"string": runner, "int32": 5, "list<string>": []}.get(column.type, 1.0)
        for column in schema.facts("runners").columns
    }
    return row | {"event": "4x100"} | given_values


def page(marks, runners=None, *, settings=WINDLESS, notes=(), **about) -> Page:
    sheet = CardSheet(**({"event": "4x100", "date": "2026-06-01"} | about))
    return Page(card_html(marks, runners, [sheet], settings=settings, notes=notes))


def cell_of(shown, team, incoming, outgoing) -> str:
    """A cell of the grid, without whose it is, which stands there where there is no grid."""
    text = shown.cell(team, incoming, outgoing)
    return text.removeprefix(f"{incoming} to {outgoing} ")


# --- what the tables say ----------------------------------------------------------------


@settings(max_examples=8, deadline=None)
@given(st.integers(2, MOST), st.integers(0, 2**32 - 1))
def test_every_pair_stands_in_its_cell_with_the_table_s_numbers(runners, seed):
    rng = np.random.default_rng(seed)
    team = [str(name) for name in rng.permutation(NAMES[:runners])]
    rows = {
        pair: row_of(
            *pair,
            mark_m=float(rng.uniform(4.0, 12.0)),
            mark_feet=float(rng.integers(20, 80)) / 2.0,
            outgoing_start_m=float(rng.choice([0.0, 1.5, 3.0])),
            p_in_zone=float(rng.uniform(0.02, 0.98)),
            p_in_zone_sd=float(rng.uniform(0.006, 0.2)),
        )
        for pair in permutations(team, 2)
    }
    shown = page(marks_of(*rows.values()), team=team)
    assert shown.grid()[0][1:] == team
    assert [row[0] for row in shown.grid()[1:]] == team
    for pair, row in rows.items():
        cell = cell_of(shown, team, *pair)
        feet, metres = re.match(r"([\d½]+) feet .*?(\d+\.\d\d) m", cell).groups()
        assert float(feet.replace("½", ".5")) == row["mark_feet"]
        assert float(metres) == pytest.approx(row["mark_m"], abs=0.005001)
        assert f"in zone {chance_in_words(row['p_in_zone'])} −1" in cell
        stands = re.search(r"stand \+([\d.]+) m", cell)
        assert (float(stands[1]) if stands else 0.0) == row["outgoing_start_m"]
    assert [cell_of(shown, team, name, name) for name in team] == ["·"] * len(team)


ORDER = ["wren", "plover", "robin", "siskin"]


def race_rows(marks, event="4x100"):
    order = CardSheet(event, "2026-06-01", ORDER)
    return Page(race_card_html(marks, None, order, lane=6, settings={})).grid()


def test_a_race_card_has_the_marks_of_its_order_and_no_others():
    metres = {pair: 5.0 + k / 10 for k, pair in enumerate(permutations(ORDER, 2))}
    marks = marks_of(*(row_of(*pair, mark_m=m) for pair, m in metres.items()))
    rows = race_rows(marks)
    assert len(rows) == 4
    for zone, (row, pair) in enumerate(zip(rows[1:], pairwise(ORDER), strict=True), start=1):
        assert " to ".join(pair) in row[0]
        assert f"zone {zone}, lane 6" in row[0]
        assert f"{metres[pair]:.2f} m" in row[1]
    shown = " ".join(cell for row in rows for cell in row)
    assert sum(f"{m:.2f} m" in shown for m in metres.values()) == 3


def test_after_the_break_no_lane_is_named():
    marks = marks_of(*(row_of(*pair, event="4x400") for pair in permutations(ORDER, 2)))
    rows = race_rows(marks, "4x400")
    assert ["lane 6" in row[0] for row in rows[1:]] == [True, False, False]
    assert "after the break" in rows[2][0]


def test_a_race_whose_pair_has_no_mark_says_so_in_its_place():
    marks = marks_of(
        *(row_of(*pair) for pair in permutations(ORDER, 2) if pair != ("plover", "robin"))
    )
    rows = race_rows(marks)
    assert ["no mark" in row[1] for row in rows[1:]] == [False, True, False]


TRACK = {"pass_m": 14.2, "pass_sd_m": 1.2, "pass_spread_m": 3.5, "zone_time_s": 2.95}
TRACK |= {"zone_time_sd_s": 0.03, "zone_time_spread_s": 0.04, "p_in_zone": 0.97}
TRACK |= {"p_ran_away": 0.02}


def test_a_cell_says_the_move_what_to_expect_and_when_to_move_at_the_track():
    marks = marks_of(row_of(mark_m=9.1, mark_feet=36.4, **TRACK), row_of("wren", "robin", **TRACK))
    shown = page(marks, in_use={("robin", "wren"): 8.25})
    cell = cell_of(shown, ["robin", "wren"], "robin", "wren")
    assert "from 33: +3½" in cell
    assert "pass 10 to 18 m, 2.90 to 3.00 s" in cell  # hypot(1.2, 3.5) and hypot(0.03, 0.04)
    rule = track_rule(14.2, 3.5, 0.97, 0.02, 30.0)
    assert f"twice >{rule.far_m} m: −1, <{rule.near_m} m: +1" in cell
    assert "two in a row beyond 18 m" in shown.text
    assert "from" not in cell_of(shown, ["robin", "wren"], "wren", "robin")


@pytest.mark.parametrize(("used_m", "words"), [(9.2, "from 37: −½"), (9.12, "from 36½: stays")])
def test_a_move_is_to_the_half_foot_and_has_its_sign(used_m, words):
    marks = marks_of(row_of(mark_m=9.1, mark_feet=36.4))
    shown = page(marks, in_use={("robin", "wren"): used_m})
    assert words in cell_of(shown, ["robin", "wren"], "robin", "wren")


def test_a_move_is_in_metres_where_the_foot_length_is_not_known():
    shown = page(marks_of(row_of(mark_m=9.1, mark_feet=None, **TRACK)), in_use=
                 {("robin", "wren"): 8.25})  # fmt: skip
    cell = cell_of(shown, ["robin", "wren"], "robin", "wren")
    assert "from 8.25: +0.85" in cell
    assert re.search(r"twice >\d+ m: −30, <\d+ m: \+30", cell)


def test_a_shorter_zone_has_nearer_limits():
    row = row_of(**(TRACK | {"pass_m": 18.5}))
    cells = [
        cell_of(page(marks_of(row), zone_m=zone_m), ["robin", "wren"], "robin", "wren")
        for zone_m in (20.0, 30.0)
    ]
    assert "twice >20 m" in cells[0]
    assert "twice >23 m" in cells[1]


def test_a_change_by_sight_has_no_rule_for_a_tape():
    shown = page(marks_of(row_of(event="4x400", **TRACK)), event="4x400")
    assert "pass 10 to 18 m" in cell_of(shown, ["robin", "wren"], "robin", "wren")
    assert "twice" not in shown.text


def test_a_card_for_many_leaves_out_what_would_not_fit_and_says_so():
    few, many = (page(marks_of_team(NAMES[:n], **TRACK)) for n in (6, 7))
    assert few.text.replace("\xa0", " ").count("pass 10 to 18 m") == 6 * 5
    assert "twice" not in many.text
    assert "name a team of 6 or fewer" in many.text


def test_notes_stand_above_the_cautions():
    shown = page(marks_of(row_of()), notes=("These marks are for practice speed.",))
    before = shown.text.split("Before running")[1]
    assert before.index("practice speed") < before.index(CAUTION[:20])


@pytest.mark.parametrize(
    ("feet", "words"), [(28.0, "28"), (28.5, "28½"), (0.5, "½"), (0.0, "0"), (28.26, "28½")]
)
def test_feet_are_counted_to_the_half(feet, words):
    cell = cell_of(page(marks_of(row_of(mark_feet=feet))), ["robin", "wren"], "robin", "wren")
    assert cell.startswith(f"{words} feet")


def test_metres_are_big_where_the_foot_length_is_not_known():
    shown = page(
        marks_of(row_of(mark_m=8.25, mark_feet=None), row_of("wren", "robin", mark_m=7.5)),
        schema.conform("runners", {k: [v] for k, v in runner_of("wren").items()}),
    )
    cell = cell_of(shown, ["robin", "wren"], "robin", "wren")
    assert cell.startswith("8.25 m")
    assert cell.count("8.25") == 1
    assert cell_of(shown, ["robin", "wren"], "wren", "robin").startswith("30 feet")
    assert "foot not known" in shown.grid()[-1][2]
    assert "where the foot-length is not known" in shown.text
    assert "the mark one foot-length (30 cm) nearer" in shown.text


def test_what_one_foot_length_does_is_read_off_the_rows_where_the_receiver_stands_as_advised():
    around = [(7.75, 0.95, 3.02), (8.0, 0.91, 3.0), (8.25, 0.84, 3.05), (8.5, 0.7, 3.2)]
    rows = [
        row_of(mark_m=m, p_in_zone=p, zone_time_s=t, outgoing_start_m=2.0, advised=m == 8.0)
        for m, p, t in around
    ]
    elsewhere = [
        row_of(mark_m=m, p_in_zone=0.11, outgoing_start_m=start, advised=False)
        for m in (7.75, 8.0, 8.25)
        for start in (0.0, 4.0)
    ]
    shown = page(marks_of(*elsewhere, *reversed(rows)))
    assert "−1: 19 in 20 +1: 8 in 10" in cell_of(shown, ["robin", "wren"], "robin", "wren")
    assert "nearer changes the zone time by +0.02 s" in shown.text
    assert "farther changes the zone time by +0.05 s" in shown.text


def test_the_step_is_the_receiver_s_foot_length_of_the_table_runners():
    rows = [row_of(mark_m=m, p_in_zone=p, advised=p == 0.9) for m, p in [(7.0, 0.6), (8.0, 0.9)]]
    runners = [runner_of("robin", foot_m=0.31), runner_of("wren", foot_m=0.20)]
    runners = schema.conform("runners", {k: [r[k] for r in runners] for k in runners[0]})
    cell = cell_of(page(marks_of(*rows), runners), ["robin", "wren"], "robin", "wren")
    assert "−1: 8 in 10 +1: –" in cell  # a fifth of the way down, and beyond the last nothing


def test_without_a_foot_length_the_step_is_said():
    rows = [
        row_of(
            mark_m=8.0 + by * FOOT_M,
            p_in_zone=0.9 - 0.05 * by,
            mark_feet=None,
            advised=by == 0,
        )
        for by in (-1, 0, 1)
    ]
    shown = page(marks_of(*rows))
    assert "−30: 19 in 20 +30: 8 in 10" in cell_of(shown, ["robin", "wren"], "robin", "wren")
    assert "−30 and +30 in a cell: the chance with the mark 30 cm nearer" in shown.text
    assert "foot-length" not in shown.text.replace("where the foot-length is not known", "")


@pytest.mark.parametrize(("p", "words"), [(1.0, "99 in 100"), (0.0, "1 in 100")])
def test_no_chance_is_said_to_be_certain(p, words):
    shown = page(marks_of(row_of(p_in_zone=p)))
    assert f"in zone {words}" in cell_of(shown, ["robin", "wren"], "robin", "wren")


def test_receivers_foot_and_start_stand_below_their_column():
    runners = [
        runner_of("wren", foot_m=0.285, lag_s=0.184, lag_sd_s=0.021),
        runner_of("robin", foot_m=0.31, lag_s=-0.05, lag_sd_s=0.02),
        runner_of("wren", event="4x400", foot_m=0.1),
    ]
    runners = schema.conform("runners", {k: [r[k] for r in runners] for k in runners[0]})
    last = page(marks_of(row_of()), runners).grid()[-1]
    assert last == [
        "The receiver",
        "robin foot 31.0 cm starts 0.05 s before the mark",
        "wren foot 28.5 cm starts 0.18 s after the mark",
    ]


def test_only_rows_of_the_event_count_and_pairs_without_a_mark_say_so():
    shown = page(marks_of(row_of(), row_of("wren", "robin", event="4x400")))
    assert cell_of(shown, ["robin", "wren"], "wren", "robin") == "no mark"


def test_the_order_of_the_rows_does_not_matter():
    table = marks_of_team(NAMES[:4])
    turned = table.take(list(range(table.num_rows))[::-1])
    assert page(table).source == page(turned).source


def test_settings_date_and_cautions_are_there():
    shown = page(marks_of(row_of()), settings={"wind": "−1.0 m/s", "zones": "older"})
    words = " ".join(shown.text.split())
    for part in ("wind: −1.0 m/s", "zones: older", "2026-06-01", CAUTION, TENTH):
        assert part in words
    # The one mark and its size: World Athletics Technical Rules, TR24.4, from memory.
    assert "50 x 400 mm" in words
    assert "from memory" not in words


def test_no_tape_is_advised_where_the_receiver_goes_by_sight():
    shown = page(marks_of(row_of(event="4x400", pace=0.85)), event="4x400")
    assert "By sight" in shown.text
    assert "50 x 400 mm" not in shown.text
    assert "pace 85 %" in cell_of(shown, ["robin", "wren"], "robin", "wren")


def test_the_sign_and_the_chance_beside_it_never_contradict_each_other():
    """What reads as 9 in 10 has no sign of failing more than 1 in 10; what reads as less has."""
    team = ["robin", "wren"]
    for p in np.linspace(0.8, 1.0, 81):
        cell = cell_of(page(marks_of(row_of(p_in_zone=float(p)))), team, *team)
        words = re.search(r"in zone (.*?) −1", cell)[1]
        assert ("!" in cell) == words.startswith(("nearly", "8 ")), (p, words)


def test_no_standard_error_stands_in_a_cell_only_in_the_notes():
    shown = page(marks_of_team(NAMES[:4], **TRACK))
    assert not [cell for row in shown.grid() for cell in row if "±" in cell or "%" in cell]
    assert "a chance to ± 3 % (3 to 3)" in shown.text


def test_each_relay_has_its_sheet():
    marks = marks_of(row_of(), row_of("wren", "siskin", mark_m=6.5, event="4x400"))
    sheets = [CardSheet("4x100", "2026-06-01"), CardSheet("4x400", "2026-05-25")]
    shown = Page(card_html(marks, None, sheets, settings=WINDLESS))
    _, first, second = shown.text.replace("\xa0", " ").rsplit("outgoing →", 2)
    assert ("8.00 m" in first, "6.50 m" in first) == (True, False)
    assert ("8.00 m" in second, "6.50 m" in second) == (False, True)
    assert "Check marks, 4x100; When to go, 4x400" in shown.text
    assert shown.tags.count("article") == shown.tags.count("h1") == 2
    assert "break-before: page" in re.search(r"@media print.*", shown.style, re.DOTALL)[0]


# --- signs ------------------------------------------------------------------------------


def test_signs_stand_where_they_should_and_nowhere_else():
    team = ["robin", "wren", "siskin"]
    pairs = list(permutations(team, 2))
    fine = {"p_in_zone": 0.90, "p_ran_into": 0.10, "reps": 6}
    odd = [{"p_in_zone": 0.894}, {"p_ran_into": 0.11}, {"reps": 5}, {"reps_pair": 0},
           {"p_in_zone": 0.5}, {}]  # fmt: skip
    table = marks_of(*(row_of(*p, **(fine | own)) for p, own in zip(pairs, odd, strict=True)))
    shown = page(table, team=team)
    cells = [cell_of(shown, team, *pair) for pair in pairs]
    assert [[s for s in ("!", "×", "?", "untried") if s in cell] for cell in cells] == [
        ["!"],
        ["×"],
        ["?"],
        ["untried"],
        ["!"],
        [],
    ]
    assert "fails in more than 1 in 10 takeovers" in shown.text
    assert "running into each other more than 1 in 10" in shown.text
    assert "fewer than 6 takeovers" in shown.text
    signs = [attributes for _, attributes in shown.opened if attributes.get("class") == "sign"]
    assert [sign["aria-label"] for sign in signs if "aria-label" in sign] == [
        "fails often",
        "may run into each other",
        "few takeovers",
        "fails often",
    ]


def test_untried_pairs_look_different_in_line_and_slope():
    shown = page(marks_of(row_of(reps_pair=0)))
    classes = [a["class"].split() for _, a in shown.opened if "untried" in a.get("class", "")]
    assert ["pair", "untried"] in classes
    rule = re.search(r"\.untried \{(.*?)\}", shown.style)[1]
    assert "dashed" in rule
    assert "italic" in rule
    assert "Dashed, italic" in shown.text


def test_what_is_only_spoken_does_not_widen_a_telephone_s_page():
    """It is placed out of sight, and must be so within the grid, which scrolls by itself."""
    shown = page(marks_of_team(NAMES[:6], reps_pair=0))
    assert "position: absolute" in re.search(r"\.spoken \{(.*?)\}", shown.style, re.S)[1]
    assert "position: relative" in re.search(r"\.grid \{(.*?)\}", shown.style, re.S)[1]


def test_nothing_is_said_by_colour():
    shown = page(marks_of_team(NAMES[:3], reps=1, reps_pair=0))
    assert set(re.findall(r"#[0-9a-fA-F]{3,8}", shown.style)) <= {"#000", "#fff"}
    assert not re.search(r"rgb|hsl|oklch|\b(red|green|orange|yellow|blue)\b", shown.style)
    assert not any("style" in a or "color" in a or "bgcolor" in a for _, a in shown.opened)


# --- nothing else gets through ------------------------------------------------------------

HOSTILE = st.text(st.sampled_from("<>&\"'/=-;!#a bst{}`"), min_size=1, max_size=18).filter(
    lambda name: name == " ".join(name.split())
)


@functools.cache
def wordy_page(team, word):
    table = marks_of_team(team, event=word)
    return page(table, event=word, team=team, date=word, settings={word: word})


@settings(max_examples=25, deadline=None)
@given(st.lists(HOSTILE, min_size=3, max_size=3, unique=True), HOSTILE)
def test_hostile_words_are_shown_and_do_nothing(team, word):
    hostile, tame = wordy_page(tuple(team), word), wordy_page(("robin", "wren", "siskin"), "word")
    assert hostile.tags == tame.tags
    assert [a for _, a in hostile.opened] == [a for _, a in tame.opened]
    assert hostile.grid()[0][1:] == team
    assert [row[0] for row in hostile.grid()[1:]] == team
    assert f"{word}: {word}" in hostile.text


def test_unseen_signs_and_lone_surrogates_are_replaced():
    team = ["a\u202eb", "c\x00d", "e\u200bf"]
    shown = page(marks_of_team(team), date="\ud800\x1b[31m")
    assert shown.grid()[0][1:] == ["a\ufffdb", "c\ufffdd", "e\ufffdf"]
    assert "\ufffd\ufffd[31m" in shown.text
    shown.source.encode("utf-8")


def test_the_page_asks_for_nothing_and_may_not():
    shown = page(marks_of_team(NAMES[:4]))
    assert not {"script", "link", "img", "iframe", "object", "base", "a", "form"} & set(shown.tags)
    addresses = {"src", "href", "srcset", "action", "background", "poster", "data"}
    for _, attributes in shown.opened:
        assert not addresses & set(attributes)
        assert not any(name.startswith("on") for name in attributes)
    assert not re.search(r"url\(|@import|@font-face|https?:|//", shown.style)
    policy = next(
        a["content"] for _, a in shown.opened if a.get("http-equiv") == "Content-Security-Policy"
    )
    digest = base64.b64encode(hashlib.sha256(shown.style.encode()).digest()).decode()
    assert policy.split("; ")[:2] == ["default-src 'none'", f"style-src 'sha256-{digest}'"]
    assert "unsafe" not in policy


def test_it_is_a_table_with_headers_for_those_who_listen():
    shown = page(marks_of_team(NAMES[:3]))
    assert shown.source.startswith("<!DOCTYPE html>")
    assert ("html", {"lang": "en"}) in shown.opened
    scopes = [a["scope"] for tag, a in shown.opened if tag == "th"]
    assert scopes == ["col"] * 4 + ["row"] * 3
    assert "caption" in shown.tags
    assert re.search(r"<title>Check marks, 4x100</title>", shown.source)


def test_long_names_are_shortened_stay_distinct_and_are_spelled_out():
    team = [f"{'x' * 30}-{n}-{'y' * 30}" for n in range(3)] + ["walking-home-then-1"]
    shown = page(marks_of_team(team), team=team)
    heads = shown.grid()[0][1:]
    assert len(set(heads)) == 4
    assert max(map(len, heads)) <= 20
    assert f"{heads[3]} is walking-home-then-1" in shown.text


def test_the_text_is_bounded_whatever_comes_in():
    team = [f"{n}{'走' * 500}{n}" for n in range(12)]
    asked = {f"{n}{'s' * 500}": "v" * 500 for n in range(30)}
    long = page(marks_of_team(team), settings=asked, date="d" * 500)
    short = page(marks_of_team(NAMES[:MOST]))
    assert len(long.text) < len(short.text) + 2000
    assert "The first 8 of 12 runners are shown" in long.text
    assert "and 22 more" in long.text
    sheet = next(attributes for tag, attributes in long.opened if tag == "article")
    assert sheet == {"class": "sheet runners-8 crowded"}


# --- what is asked wrongly ----------------------------------------------------------------


def test_more_runners_than_fit_are_taken_in_the_order_asked():
    team = NAMES[::-1]
    shown = page(marks_of_team(NAMES), team=team)
    assert shown.grid()[0][1:] == team[:MOST]
    assert f"The first {MOST} of {len(NAMES)} runners are shown" in shown.text
    assert "runners are shown" not in page(marks_of_team(NAMES), team=team[:MOST]).text


@pytest.mark.parametrize(
    ("more", "said"),
    [
        ({"team": ["robin", "nobody"]}, "nobody"),
        ({"team": ["robin", "robin"]}, "each runner once"),
        ({"team": ["robin"]}, "two or more"),
        ({"team": []}, "two or more"),
        ({"event": "4x200"}, "4x200"),
    ],
)
def test_what_cannot_be_shown_is_said(more, said):
    with pytest.raises(UsageError, match=said):
        page(marks_of_team(NAMES[:3]), **more)


def test_two_advised_marks_of_a_pair_are_an_error():
    with pytest.raises(InputError, match="from robin to wren"):
        page(marks_of(row_of(), row_of(mark_m=9.0)))
