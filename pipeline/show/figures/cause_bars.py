"""Where the time went: one bar a takeover, its causes to both sides of a line of nothing lost."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.base.cause_weeks import find_costliest
from pipeline.base.values import Estimate
from pipeline.base.words import CAUSES
from pipeline.language.phrases import phrase, phrase_count
from pipeline.show.figures.figure import (
    Bar,
    BarPattern,
    Caption,
    Curve,
    Figure,
    InkName,
    Item,
    Panel,
    Scale,
    Smear,
    make_scale,
)
from pipeline.show.markup import half_widths, plain_text, short_name, shorten
from pipeline.show.scenes import LakeRow
from pipeline.show.wording import (
    cause_words,
    cost_words,
    decimal,
    is_clear,
    is_loss,
    lost_axis_words,
    pair_title,
    the_cause_words,
    with_head,
)

TakeoverKey = tuple[str, int]  # session, exchange
LEAST_DRAWN_S = 0.005  # a piece of a bar that nobody would see
ROW_WIDTH = 44  # half-width characters: the words over a bar, side by side
_LOOKS: dict[str, tuple[InkName, BarPattern]] = {
    "mark": ("plain", "solid"),
    "start": ("outgoing", "stripes"),
    "incoming speed": ("incoming", "posts"),
    "outgoing speed": ("outgoing", "bricks"),
    "reach": ("baton", "thin"),
    "braking": ("incoming", "fine"),
    "pass place": ("baton", "thin stripes"),
    "rest": ("quiet", "pale"),
}
# Heights in units of the page's picture, which the panel's share is made from.
_HEAD, _WORDS, _BAR, _SUM, _AFTER = 24.0, 19.0, 12.0, 5.0, 12.0
_ROW = _WORDS + _BAR + _SUM + _AFTER
_KEY_ROW, _KEY_COLUMNS = 20.0, 2
_PANEL = 100.0


@dataclass(frozen=True, slots=True)
class _TakeoverBar:
    """What one bar is drawn from: its words, what each cause cost [s], and the sum with its
    standard error (None where it cannot be told)."""

    group: str
    label: str
    lost: Mapping[str, float]
    total_s: float | None
    total_sd_s: float | None
    main: str | None

    @property
    def total(self) -> Estimate | None:
        if self.total_s is None or self.total_sd_s is None:
            return None
        return Estimate(self.total_s, self.total_sd_s)

    @property
    def is_lost(self) -> bool:
        """Whether time was lost that stands out."""
        return is_loss(self.total)


def session_causes_figure(
    causes: Sequence[LakeRow],
    verdicts: Sequence[LakeRow],
    labels: Mapping[TakeoverKey, str] | None = None,
) -> Figure | None:
    """The takeovers of a session, grouped by pair; None where there is no verdict.

    `causes` and `verdicts` are the session's rows of these tables. `labels` are what the page
    calls the takeovers, by session and number; without one it is "takeover 3".
    """

    def pair_words(row: LakeRow) -> str:
        names = pair_title(short_name(row["incoming"]), short_name(row["outgoing"]))
        return f"{names}, {plain_text(row['event'])}"

    bars = _takeover_bars(causes, verdicts, pair_words, labels or {})
    return None if not bars else _bars_figure(bars, _session_title(bars))


def pair_causes_figure(
    causes: Sequence[LakeRow],
    verdicts: Sequence[LakeRow],
    days: Mapping[str, str],
    labels: Mapping[TakeoverKey, str] | None = None,
    most: int | None = None,
) -> Figure | None:
    """One pair's takeovers over the weeks, with a line between evenings; None where there is no
    verdict.

    `causes` and `verdicts` are the pair's rows of these tables in one event, `days` the sessions'
    days in words, in time order. Of more than `most` takeovers the last are drawn.
    """
    in_time = list(days)
    place = {session: k for k, session in enumerate(in_time)}
    ordered = sorted(
        verdicts, key=lambda row: (place.get(row["session"], len(place)), row["exchange"])
    )
    shown = ordered[-most:] if most else ordered
    bars = _takeover_bars(
        causes,
        shown,
        lambda row: plain_text(days.get(row["session"], row["session"])),
        labels or {},
    )
    if not bars:
        return None
    who = pair_title(short_name(ordered[0]["incoming"]), short_name(ordered[0]["outgoing"]))
    left_out = len(ordered) - len(shown)
    earlier = phrase_count(
        "Earlier: {count} takeover more, not drawn.",
        "Earlier: {count} takeovers more, not drawn.",
        left_out,
    )
    title = with_head(who, _pair_finding(causes, bars))
    return _bars_figure(bars, title, (earlier,) * bool(left_out))


def _takeover_bars(
    causes: Sequence[LakeRow],
    verdicts: Sequence[LakeRow],
    group_of: Callable[[LakeRow], str],
    labels: Mapping[TakeoverKey, str],
) -> list[_TakeoverBar]:
    """A bar for each verdict; those of a group stand together, where the first of them stood."""
    lost: dict[TakeoverKey, dict[str, float]] = {}
    for row in causes:
        lost.setdefault((row["session"], row["exchange"]), {})[row["cause"]] = row["lost_s"]
    groups: dict[str, list[_TakeoverBar]] = {}
    for row in verdicts:
        key = (row["session"], row["exchange"])
        group = group_of(row)
        bar = _TakeoverBar(
            group,
            plain_text(labels.get(key) or phrase("takeover {number}", number=row["exchange"])),
            lost.get(key, {}),
            row["lost_s"],
            row["lost_sd_s"],
            row["main_cause"],
        )
        groups.setdefault(group, []).append(bar)
    return [bar for group in groups.values() for bar in group]


# --- what is drawn --------------------------------------------------------------------------------


def _bars_figure(bars: Sequence[_TakeoverBar], title: str, notes: tuple[str, ...] = ()) -> Figure:
    x = _lost_scale(bars)
    drawn = [
        cause
        for cause in CAUSES
        if any(abs(bar.lost.get(cause, 0.0)) >= LEAST_DRAWN_S for bar in bars)
    ]
    key = [_key_panel(drawn, x)] if drawn else []
    return Figure(
        title,
        " ".join(
            f"{with_head(f'{bar.group}, {bar.label}', _bar_description(bar))}." for bar in bars
        ),
        x,
        (*key, _rows_panel(bars, x)),
        (),
        (),
        (
            phrase(
                "Against what the pair usually does on its best mark: lost to the right of the "
                "line, won to the left. The band below a bar is the sum, and how well it is known. "
                "Won is often a later pass, nearer to the exit line. Pieces under {least_s:g} s "
                "are left out.",
                least_s=LEAST_DRAWN_S,
            ),
            *notes,
        ),
    )


def _lost_scale(bars: Sequence[_TakeoverBar]) -> Scale:
    ends = [-0.05, 0.05]
    for bar in bars:
        values = np.array([*bar.lost.values(), 0.0])
        ends += [float(values[values < 0.0].sum()), float(values[values > 0.0].sum())]
        if bar.total_s is not None and bar.total_sd_s is not None:
            ends += [bar.total_s - 2.0 * bar.total_sd_s, bar.total_s + 2.0 * bar.total_sd_s]
    room = 0.03 * (max(ends) - min(ends))
    return make_scale(lost_axis_words(), min(ends) - room, max(ends) + room, 7)


def _key_panel(drawn: Sequence[str], x: Scale) -> Panel:
    """The causes that are drawn with their patterns, in columns."""
    longest = max(half_widths(cause_words(cause)) for cause in drawn)
    columns = _KEY_COLUMNS if longest <= 0.8 * ROW_WIDTH / _KEY_COLUMNS else 1
    rows = -(-len(drawn) // columns)
    wide = (x.high - x.low) / columns
    items: list[Item] = []
    for k, cause in enumerate(drawn):
        column, row = divmod(k, rows)
        left, y = x.low + column * wide, -(row + 0.5) * _KEY_ROW
        items.append(Bar(*_LOOKS[cause], left, left + 0.16 * wide, y, _BAR))
        items.append(Caption(left + 0.2 * wide, y, cause_words(cause)))
    return Panel(
        Scale(phrase("what it went to"), -rows * _KEY_ROW, 0.0, ()),
        tuple(items),
        rows * _KEY_ROW / _PANEL,
    )


def _rows_panel(bars: Sequence[_TakeoverBar], x: Scale) -> Panel:
    """Bars below each other under the heads of their groups, with a line between groups."""
    pieces: list[tuple[str, Bar]] = []
    sums: list[Item] = []
    words: list[Item] = []
    lines: list[Item] = []
    y, group = 0.0, ""
    for k, bar in enumerate(bars):
        if k == 0 or bar.group != group:
            group = bar.group
            if k:
                ends = np.array([x.low, x.high])
                lines.append(Curve("quiet", ends, np.full(2, y - 1.0)))
            words.append(Caption(x.low, y - _HEAD / 2, shorten(group, ROW_WIDTH), strong=True))
            y -= _HEAD
        found = _bar_words(bar)
        label = shorten(bar.label, max(ROW_WIDTH - half_widths(found) - 2, 8))
        words.append(Caption(x.low, y - _WORDS / 2, label))
        words.append(Caption(x.high, y - _WORDS / 2, found, side="end"))
        pieces += _bar_pieces(bar, y - _WORDS - _BAR / 2)
        if bar.total_s is not None and bar.total_sd_s is not None:
            at = y - _WORDS - _BAR - _SUM / 2 - 1.0
            sums.append(Smear("plain", bar.total_s, bar.total_sd_s, at, _SUM))
        y -= _ROW
    zero = Curve("plain", np.zeros(2), np.array([y, 0.0]))
    by_cause = [piece for cause in CAUSES for name, piece in pieces if name == cause]
    items = (*lines, zero, *by_cause, *sums, *words)
    return Panel(Scale(phrase("each takeover"), y, 0.0, ()), items, -y / _PANEL)


def _bar_pieces(bar: _TakeoverBar, y: float) -> list[tuple[str, Bar]]:
    """What was lost to the right of 0, what was won to the left, in the order of the causes."""
    out = []
    ends = {True: 0.0, False: 0.0}
    for cause in CAUSES:
        lost = bar.lost.get(cause, 0.0)
        if abs(lost) < LEAST_DRAWN_S:
            continue
        start = ends[lost > 0.0]
        ends[lost > 0.0] = start + lost
        out.append((cause, Bar(*_LOOKS[cause], min(start, start + lost), max(start, start + lost),
                               y, _BAR)))  # fmt: skip
    return out


# --- words ----------------------------------------------------------------------------------------


def _bar_words(bar: _TakeoverBar) -> str:
    """What stands beside a bar: how much was lost, and to what most of it went."""
    if bar.total is None:
        return phrase("cannot be told")
    words = cost_words(bar.total)
    if bar.main is None or (bar.total.value < 0.0 and is_clear(bar.total)):
        return words
    cause = the_cause_words(bar.main)
    if bar.is_lost:
        return phrase("{cost}, most by {cause}", cost=words, cause=cause)
    return phrase("{cost}, though {cause} cost most", cost=words, cause=cause)


def _bar_description(bar: _TakeoverBar) -> str:
    parts = [
        f"{cause_words(cause)} {decimal(bar.lost[cause], 2)} s"
        for cause in CAUSES
        if abs(bar.lost.get(cause, 0.0)) >= LEAST_DRAWN_S
    ]
    return f"{_bar_words(bar)} ({', '.join(parts)})" if parts else _bar_words(bar)


def _session_title(bars: Sequence[_TakeoverBar]) -> str:
    lost = [bar for bar in bars if bar.is_lost]
    if not lost:
        return phrase("No takeover lost time that stands out against its pair's best mark")
    worst = max(lost, key=lambda bar: bar.total_s or 0.0)
    pair = worst.group.rpartition(",")[0] or worst.group
    return phrase(
        "Most was lost by {pair}, {takeover}: {found}",
        pair=pair,
        takeover=worst.label,
        found=_bar_words(worst),
    )


def _pair_finding(causes: Sequence[LakeRow], bars: Sequence[_TakeoverBar]) -> str:
    costliest = find_costliest(causes)
    if costliest is not None:
        return phrase(
            "{cause} cost most, {cost_s} s a takeover over {takeovers}",
            cause=the_cause_words(costliest.cause),
            cost_s=decimal(costliest.cost_s, 2),
            takeovers=costliest.takeovers,
        )
    lost = [bar for bar in bars if bar.is_lost]
    if not lost:
        return phrase("no takeover lost time that stands out")
    worst = max(lost, key=lambda bar: bar.total_s or 0.0)
    return phrase("most was lost on {day}, {found}", day=worst.group, found=_bar_words(worst))
