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
from pipeline.cli.terminal import value_with_error

if TYPE_CHECKING:
    from pipeline.advise.race_parts import RacePart, RaceStory

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

    found = decisions.decide_race(
        out,
        Settings(wind_mps=wind, older=rules is Rules.older, seed=seed),
        flat_s=parse_flat_times(flat),
        write=not print_only,
    )
    for story in found.stories:
        _print_story(story)
    terminal.print_list("Remarks", found.remarks)
    give_decisions(out, found, print_only)


def _print_story(story: RaceStory) -> None:
    from pipeline.advise.race_parts import biggest_changes

    lane = "" if story.lane is None else f", lane {story.lane}"
    terminal.say(f"{story.event}{lane}, race {story.race} of session {story.session}")
    _print_legs(story)
    whole = story.legs.get(0, {})
    if whole.get("official_time_s") is not None and whole.get("time_s") is not None:
        terminal.say(
            f"Measured {value_with_error(whole['time_s'], whole['time_sd_s'], 2)} s, official "
            f"{whole['official_time_s']:.2f} s: {whole['difference_s']:+.2f} s"
        )
    _print_parts(story.parts)
    lost, won = biggest_changes(story.parts)
    for word, one in (("Most time was lost", lost), ("Most time was won", won)):
        if one is not None and one.difference is not None:
            terminal.say(
                f"{word} {_part_words(one, 'in ')}: "
                f"{value_with_error(abs(one.difference.value), one.difference.sd, 2)} s"
            )
    if lost is None and won is None and any(one.difference for one in story.parts):
        terminal.say("No part was clearly faster or slower than expected.")
    notes = [
        f"leg {leg}: {words}" if leg else f"the race: {words}"
        for leg, row in sorted(story.legs.items())
        for words in row["remarks"]
    ]
    notes += [f"{_part_words(one)}: {words}" for one in story.parts for words in one.remarks]
    terminal.print_list("About this race", [*story.remarks, *notes])


def _print_legs(story: RaceStory) -> None:
    terminal.print_table(
        ["", "runner", "time, s", "top speed, m/s", "zone time at its end, s"],
        [
            (
                f"leg {leg}" if leg else "all",
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
        ["part", "measured, s", "expected, s", "lost (+) or won (-), s", "races differ by, s"],
        [
            (
                _part_words(one),
                "-" if one.measured is None else f"{one.measured.value:.2f}",
                *(
                    "-" if e is None else value_with_error(e.value, e.sd, 2)
                    for e in (one.expected, one.difference)
                ),
                "-" if one.spread_s is None else f"{one.spread_s:.2f}",
            )
            for one in ordered
        ],
        right=(1, 2, 3, 4),
    )
    terminal.say(
        "The parts are cut at the entry and exit lines of the zones. ± is one standard error; most "
        "of it is what is not known of the runners. Races differ by: how such a part varies anyway."
    )


def _part_words(one: RacePart, inside: str = "") -> str:
    if one.kind == "whole":
        return "the whole race"
    if one.kind == "zone":
        return f"{inside}zone {one.leg}, {one.runner} to {one.outgoing}"
    return f"{inside}the run of leg {one.leg}, {one.runner}"
