"""The command that tells a race, leg by leg, against what its order promised: race.

It parses its options, calls `advise.decisions` and prints what came of it. `app` registers it.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from pipeline.base import defaults
from pipeline.base.relays import Rules
from pipeline.cli import terminal
from pipeline.cli.decide import parse_flat_times
from pipeline.cli.decision_words import give_decisions
from pipeline.cli.options import (
    FlatOption,
    OutArgument,
    PrintOnlyOption,
    RulesOption,
    SeedOption,
    StraightWindOption,
)
from pipeline.cli.terminal import SOME, leg_words, pair_words, signed, value_with_error
from pipeline.language.numbers import number
from pipeline.language.phrases import phrase, reworded

if TYPE_CHECKING:
    from pipeline.advise.race_parts import RacePart, RaceStory
    from pipeline.base.values import Estimate

RACE_EXAMPLE = (
    "Examples:\n\n"
    "batontrace race out\n\n"
    "batontrace race out --flat robin=47.9 --flat wren=48.3 ...   (a 4x400)"
)


def run_race(
    out: OutArgument,
    flat: FlatOption = None,
    wind: StraightWindOption = 0.0,
    rules: RulesOption = Rules.today,
    seed: SeedOption = defaults.SEED,
    print_only: PrintOnlyOption = False,
) -> None:
    """Tell each race leg by leg, and where time was won and lost against what its order promised.

    Races are measured by process and season, where a session.toml has a [[race]]. The promise rests
    on the takeovers before the race, with each pair on its best mark.
    """
    from pipeline.advise import decisions
    from pipeline.advise.settings import Settings

    flat_s = parse_flat_times(flat)
    with terminal.at_work(phrase("holds the race against its promise")):
        found = decisions.decide_race(
            out,
            Settings(wind_mps=wind, older=rules is Rules.older, seed=seed),
            flat_s=flat_s,
            write=not print_only,
        )
    for story in found.stories:
        _print_story(story)
    terminal.print_list(phrase("Remarks"), map(reworded, found.remarks))
    give_decisions(out, found, print_only)


def _print_story(story: RaceStory) -> None:
    """How the race went and where time was won and lost, then leg by leg and part by part."""
    where = {"event": story.event, "race": story.race, "session": story.session}
    terminal.say(
        phrase("{event}, race {race} of session {session}", **where)
        if story.lane is None
        else phrase(
            "{event}, lane {lane}, race {race} of session {session}", lane=story.lane, **where
        )
    )
    _print_whole_race(story)
    _print_legs(story)
    _print_parts(story.parts)
    notes = [
        phrase("{leg}: {remark}", leg=leg_words(leg), remark=reworded(words))
        if leg
        else phrase("the race: {remark}", remark=reworded(words))
        for leg, row in sorted(story.legs.items())
        for words in row["remarks"]
    ]
    notes += [
        phrase("{part}: {remark}", part=_part_words(one), remark=reworded(words))
        for one in story.parts
        for words in one.remarks
    ]
    terminal.print_list(phrase("About this race"), [*map(reworded, story.remarks), *notes], SOME)


def _print_whole_race(story: RaceStory) -> None:
    from pipeline.advise.race_parts import biggest_changes

    whole = story.legs.get(0, {})
    if whole.get("official_time_s") is not None and whole.get("time_s") is not None:
        terminal.say(
            phrase(
                "Measured {time} s, official {official_s:.2f} s: {difference_s:+.2f} s",
                time=value_with_error(whole["time_s"], whole["time_sd_s"], 2),
                official_s=whole["official_time_s"],
                difference_s=whole["difference_s"],
            )
        )
    for one in story.parts:
        if one.kind == "whole" and one.expected is not None and one.difference is not None:
            terminal.say(
                phrase(
                    "Expected were {expected} s; lost (+) or won (−): {difference} s",
                    expected=value_with_error(one.expected.value, one.expected.sd, 2),
                    difference=_difference_words(one.difference),
                )
            )
    lost, won = biggest_changes(story.parts)
    if lost is not None and lost.difference is not None:
        terminal.say(
            phrase(
                "Most time was lost here: {part}, {seconds} s",
                part=_part_words(lost),
                seconds=value_with_error(abs(lost.difference.value), lost.difference.sd, 2),
            )
        )
    if won is not None and won.difference is not None:
        terminal.say(
            phrase(
                "Most time was won here: {part}, {seconds} s",
                part=_part_words(won),
                seconds=value_with_error(abs(won.difference.value), won.difference.sd, 2),
            )
        )
    if lost is None and won is None and any(one.difference for one in story.parts):
        terminal.say(phrase("No part was clearly faster or slower than expected."))


def _difference_words(one: Estimate) -> str:
    return f"{signed(one.value, 2)} ± {number(one.sd, 2)}"


def _print_legs(story: RaceStory) -> None:
    terminal.print_table(
        [
            "",
            phrase("runner"),
            phrase("time, s"),
            phrase("top speed, m/s"),
            phrase("zone time at its end, s"),
        ],
        [
            (
                leg_words(leg),
                row["runner"] or "",
                value_with_error(row["time_s"], row["time_sd_s"], 2),
                value_with_error(row["v_max_mps"], row["v_max_sd_mps"], 2) if leg else "",
                value_with_error(row["zone_time_s"], row["zone_time_sd_s"], 2),
            )
            for leg, row in sorted(story.legs.items(), key=lambda one: one[0] or 99)
        ],
        right=(2, 3, 4),
    )


def _print_parts(parts: tuple[RacePart, ...]) -> None:
    """The parts beside what was expected of them; nothing where nothing was."""
    if not any(one.expected for one in parts):
        return
    ordered = sorted(parts, key=lambda one: one.part or 99)
    terminal.print_table(
        [
            phrase("part"),
            phrase("measured, s"),
            phrase("expected, s"),
            phrase("lost (+) or won (−), s"),
            phrase("races differ by, s"),
        ],
        [
            (
                _part_words(one),
                "-" if one.measured is None else number(one.measured.value, 2),
                "-"
                if one.expected is None
                else value_with_error(one.expected.value, one.expected.sd, 2),
                "-" if one.difference is None else _difference_words(one.difference),
                "-" if one.spread_s is None else number(one.spread_s, 2),
            )
            for one in ordered
        ],
        right=(1, 2, 3, 4),
    )
    terminal.say(
        phrase(
            "The parts are cut at the entry and exit lines of the zones. ± is one standard error; "
            "most of it is what is not known of the runners. Races differ by: how such a part "
            "varies anyway."
        )
    )


def _part_words(one: RacePart) -> str:
    if one.kind == "whole":
        return phrase("the whole race")
    if one.kind == "zone":
        return phrase(
            "zone {zone}, {pair}", zone=one.leg, pair=pair_words(str(one.runner), str(one.outgoing))
        )
    return phrase("the run of leg {leg}, {runner}", leg=one.leg, runner=one.runner)
