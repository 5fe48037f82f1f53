"""Where the time went: the bars are the tables' seconds, and the words say what was found."""

from xml.etree import ElementTree as ET

import pytest
from hostile_names import HOSTILE
from hypothesis import given, settings
from hypothesis import strategies as st
from random_tables import random_table

from pipeline.base.words import CAUSES, cause_in_words, the_cause_in_words
from pipeline.show.figures import page_svg, slides
from pipeline.show.figures.cause_bars import (
    LEAST_DRAWN_S,
    pair_causes_figure,
    session_causes_figure,
)
from pipeline.show.figures.figure import BARS, Bar, Caption, Curve, Smear

LOST = {"mark": 0.12, "start": -0.05, "incoming speed": 0.003, "braking": 0.04, "rest": -0.01}


def tables(*takeovers, session="evening", event="4x100"):
    """Rows of causes and verdicts: (number, pair, lost by cause, main cause) each."""
    causes, verdicts = [], []
    for number, (incoming, outgoing), lost, main in takeovers:
        who = {"session": session, "exchange": number, "event": event}
        who |= {"incoming": incoming, "outgoing": outgoing}
        for cause in CAUSES if lost else ():
            causes.append(who | {"cause": cause, "lost_s": lost.get(cause, 0.0)})
        total = sum(lost.values()) if lost else None
        sd = 0.02 if lost else None
        verdicts.append(who | {"lost_s": total, "lost_sd_s": sd, "main_cause": main})
    return causes, verdicts


AB, CD = ("robin", "wren"), ("finch", "jay")


def items(figure, kind):
    return [item for item in figure.panels[-1].items if isinstance(item, kind)]


def words(figure):
    return [item.text for item in items(figure, Caption)]


def test_what_was_lost_lies_to_the_right_and_what_was_won_to_the_left_end_to_end():
    figure = session_causes_figure(*tables((1, AB, LOST, "mark")))
    pieces = [(bar.x0, bar.x1) for bar in items(figure, Bar)]
    right = sorted(piece for piece in pieces if piece[0] >= 0.0)
    left = sorted((piece for piece in pieces if piece[1] <= 0.0), reverse=True)
    assert right == [(0.0, 0.12), pytest.approx((0.12, 0.16))]  # mark, braking
    assert left == [(-0.05, 0.0), pytest.approx((-0.06, -0.05))]  # start, rest
    assert len(pieces) == sum(abs(lost) >= LEAST_DRAWN_S for lost in LOST.values())
    (total,) = items(figure, Smear)
    assert (total.x, total.sd) == (pytest.approx(sum(LOST.values())), 0.02)
    assert figure.x.low < -0.06
    assert figure.x.high > 0.16


def test_each_cause_has_a_look_of_its_own_and_its_name_in_the_key():
    lost = dict.fromkeys(CAUSES, 0.02)
    figure = session_causes_figure(*tables((1, AB, lost, None)))
    key, rows = figure.panels
    named = [item.text for item in key.items if isinstance(item, Caption)]
    assert named == [cause_in_words(cause) for cause in CAUSES]
    patterns = [item.pattern for item in key.items if isinstance(item, Bar)]
    assert len(set(patterns)) == len(CAUSES)
    assert [item.pattern for item in rows.items if isinstance(item, Bar)] == patterns
    assert len({(look.dashes, look.part, look.cover) for look in BARS.values()}) == len(BARS)


def test_the_takeovers_of_a_pair_stand_together_under_its_name_with_a_line_between():
    figure = session_causes_figure(
        *tables((1, AB, LOST, None), (2, CD, LOST, None), (3, AB, LOST, None)),
        {("evening", 3): "3, rep 2"},
    )
    heads = [item.text for item in items(figure, Caption) if item.strong]
    assert heads == ["robin to wren, 4x100", "finch to jay, 4x100"]
    assert words(figure)[0] == heads[0]
    assert [text for text in words(figure) if "takeover" in text or "rep" in text] == [
        "takeover 1", "3, rep 2", "takeover 2",
    ]  # fmt: skip
    assert len(items(figure, Curve)) == 2  # between the pairs, and at nothing lost


def test_a_pair_s_evenings_stand_in_time_order_and_of_many_the_last_are_drawn():
    late, early = tables((1, AB, LOST, None), session="b"), tables((4, AB, LOST, None), session="a")
    both = [*late[0], *early[0]], [*late[1], *early[1]]
    days = {"a": "2026-05-12", "b": "2026-05-19"}
    figure = pair_causes_figure(*both, days)
    assert [item.text for item in items(figure, Caption) if item.strong] == list(days.values())
    last = pair_causes_figure(*both, days, most=1)
    assert [item.text for item in items(last, Caption) if item.strong] == ["2026-05-19"]
    assert last.notes[-1] == "Earlier: 1 takeover more, not drawn."


@pytest.mark.parametrize(
    ("lost", "main", "told"),
    [
        ({"mark": 0.12}, "mark", "0.12\N{NO-BREAK SPACE}s lost, most by the tape"),
        ({"mark": 0.06, "start": 0.06}, None, "0.12\N{NO-BREAK SPACE}s lost"),
        ({"mark": -0.12}, None, "0.12\N{NO-BREAK SPACE}s won"),
        ({"mark": 0.02}, None, "nothing lost"),
        ({"mark": -0.1, "braking": 0.09}, "braking", "nothing lost, though braking cost most"),
        (None, None, "cannot be told"),
    ],
)
def test_beside_each_bar_stands_what_was_lost_and_to_what(lost, main, told):
    assert told in words(session_causes_figure(*tables((1, AB, lost, main))))


def test_the_title_says_what_was_found():
    some = tables((1, AB, {"mark": 0.05}, None), (2, CD, {"start": 0.3}, "start"))
    assert session_causes_figure(*some).title == (
        "Most was lost by finch to jay, takeover 2: 0.30\N{NO-BREAK SPACE}s lost, most by the start"
    )
    none = tables((1, AB, {"mark": -0.3}, None))
    assert session_causes_figure(*none).title.startswith("No takeover lost time that stands out")
    weeks = tables(*((k, AB, {"start": 0.1}, "start") for k in range(1, 5)))
    assert pair_causes_figure(*weeks, {}).title == (
        "robin to wren: the start cost most, 0.10 s a takeover over 4"
    )
    assert the_cause_in_words("braking") == "braking"


def test_without_a_verdict_there_is_no_figure():
    assert session_causes_figure([], []) is None
    assert pair_causes_figure([], [], {}) is None


def test_a_bar_on_the_page_is_small():
    def size(n):
        lost = {cause: 0.02 * (-1) ** k for k, cause in enumerate(CAUSES)}
        figure = session_causes_figure(*tables(*((k, AB, lost, "start") for k in range(n))))
        svg = page_svg.draw_svg(figure)
        svg.set("aria-label", "")
        return len(ET.tostring(svg))

    assert (size(40) - size(20)) / 20 <= 400


@settings(max_examples=10, deadline=None)
@given(st.integers(0, 2**32 - 1), st.integers(1, 12))
def test_any_tables_are_drawn(seed, rows):
    causes, verdicts = (
        random_table(name, rows=rows, seed=seed).to_pylist() for name in ("causes", "verdicts")
    )
    for figure in (
        session_causes_figure(causes, verdicts),
        pair_causes_figure(causes, verdicts, {"otter": "2026-05-12"}),
    ):
        for item in figure.panels[-1].items:
            if isinstance(item, Bar):
                assert figure.x.low <= item.x0 <= item.x1 <= figure.x.high
        page_svg.draw_svg(figure)


def test_hostile_names_are_text_in_both_pens():
    figure = session_causes_figure(
        *tables(*((k, (name, name[::-1]), LOST, None) for k, name in enumerate(HOSTILE)))
    )
    assert "<script" not in ET.tostring(page_svg.draw_svg(figure), encoding="unicode")
    assert slides.draw_slide(figure, "png")
