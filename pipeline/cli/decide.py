"""The commands that turn a lake of tables into decisions: runners, marks, order, progress.

Each parses its options, calls one function of `advise.decisions` and has `decision_words` print
what came of it. `app` registers them.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from pipeline.base import defaults
from pipeline.base.relays import Rules
from pipeline.base.words import CAUTION, TENTH
from pipeline.cli import decision_words as words
from pipeline.cli import terminal
from pipeline.cli.options import (
    CollisionsOption,
    EveryEventOption,
    FlatOption,
    FootOption,
    OneEventOption,
    OutArgument,
    PrintOnlyOption,
    RulesOption,
    SeedOption,
    Speed,
    SpeedOption,
    StakeOption,
    Start,
    StartOption,
    StraightWindOption,
    TeamOption,
    WindOption,
)
from pipeline.errors import UsageError
from pipeline.language.phrases import phrase, phrase_of, reworded

if TYPE_CHECKING:
    import pyarrow as pa

    from pipeline.advise.decisions import CardFacts
    from pipeline.advise.settings import Settings

COLLISIONS_S = {"avoid": defaults.COLLISION_S, "time": 0.0}

# --- commands ---------------------------------------------------------------------------

RUNNERS_EXAMPLE = "Example:\n\nbatontrace runners out"


def run_runners(
    out: OutArgument,
    event: EveryEventOption = None,
    print_only: PrintOnlyOption = False,
) -> None:
    """Say what all takeovers tell of each runner, receiving the baton and bringing it."""
    from pipeline.advise import decisions
    from pipeline.advise.settings import Settings

    with terminal.at_work(phrase("works out the runners")):
        found = decisions.decide_runners(out, Settings(event=event), write=not print_only)
    words.print_runners(found)
    words.give_decisions(out, found, print_only)


MARKS_EXAMPLE = (
    "Examples:\n\n"
    "batontrace marks out --card card.html\n\n"
    "batontrace marks out --team robin,wren,finch,jay --stake heat --speed race --wind -1.5\n\n"
    "batontrace marks out --pair robin wren   (every candidate mark of one pair)"
)


def run_marks(
    out: OutArgument,
    event: EveryEventOption = None,
    team: TeamOption = None,
    stake: StakeOption = "final",
    collisions: CollisionsOption = "avoid",
    speed: SpeedOption = Speed.practice,
    wind: WindOption = 0.0,
    start: StartOption = Start.standing,
    stand: Annotated[
        str | None,
        typer.Option(
            "--stand",
            metavar="METRES|best",
            help="Where the receiver stands, in metres past the back line, or best: wherever the "
            "tape serves best. (default: where the receiver usually stands)",
        ),
    ] = None,
    pace: Annotated[
        float | None,
        typer.Option(
            "--pace",
            help="Change by sight: share of the practised start, 0.5 to 1.2. (default: the best)",
        ),
    ] = None,
    rules: RulesOption = Rules.today,
    latest_pass: Annotated[
        float | None,
        typer.Option(
            "--latest-pass",
            help="Latest pass accepted, in metres past the entry line. (default: the exit line)",
        ),
    ] = None,
    foot: FootOption = None,
    seed: SeedOption = defaults.SEED,
    pair: Annotated[
        tuple[str, str] | None,
        typer.Option(
            "--pair", metavar="INCOMING OUTGOING", help="Print every candidate mark of this pair."
        ),
    ] = None,
    card: Annotated[
        Path | None,
        typer.Option("--card", metavar="CARD.html", help="Write a trackside card to print, too."),
    ] = None,
    print_only: PrintOnlyOption = False,
) -> None:
    """Say where the tape goes: a check mark for every pair, and what to expect there."""
    from pipeline.advise import decisions

    _check_card_name(card)
    settings = _gather_settings(
        event, team, stake, collisions, speed, wind, start, rules, foot, seed,
        stand=stand, pace=pace, latest_m=latest_pass,
    )  # fmt: skip
    with terminal.at_work(phrase("works out the marks")) as progress:
        found = decisions.decide_marks(
            out, settings, pair=pair, write=not print_only, progress=progress
        )
    words.print_marks(found, pair)
    words.print_about_start(settings)
    if card is not None:
        facts = decisions.gather_card_facts(found)
        _write_card(card, found.tables, settings, facts)
    words.give_decisions(out, found, print_only, card=card)
    terminal.say(reworded(TENTH))
    terminal.say(reworded(CAUTION))


ORDER_EXAMPLE = (
    "Examples:\n\n"
    "batontrace order out --team robin,wren,finch,jay,lark --lane 5\n\n"
    "batontrace order out --team robin,wren,finch,jay --lane 5 --card race.html\n\n"
    "batontrace order out --fix robin=4 --forbid wren=1 --hand finch=left\n\n"
    "batontrace order out --event 4x400 --flat robin=47.9 --flat wren=48.3 ..."
)


def run_order(
    out: OutArgument,
    event: OneEventOption = None,
    team: TeamOption = None,
    lane: Annotated[int, typer.Option("--lane", help="The team's lane, 1 to 9.")] = 4,
    fix: Annotated[
        list[str] | None,
        typer.Option(
            "--fix", metavar="RUNNER=LEG", help="This runner runs this leg; may be repeated."
        ),
    ] = None,
    forbid: Annotated[
        list[str] | None,
        typer.Option(
            "--forbid",
            metavar="RUNNER=LEG",
            help="This runner does not run this leg; may be repeated.",
        ),
    ] = None,
    hand: Annotated[
        list[str] | None,
        typer.Option(
            "--hand",
            metavar="RUNNER=HAND",
            help="The only hand, left or right, in which this runner can carry; may be repeated.",
        ),
    ] = None,
    flat: FlatOption = None,
    stake: StakeOption = "final",
    collisions: CollisionsOption = "avoid",
    speed: SpeedOption = Speed.practice,
    wind: StraightWindOption = 0.0,
    start: StartOption = Start.standing,
    rules: RulesOption = Rules.today,
    foot: FootOption = None,
    seed: SeedOption = defaults.SEED,
    card: Annotated[
        Path | None,
        typer.Option(
            "--card",
            metavar="CARD.html",
            help="Write the race's card, too: the marks that the first order needs and no others, "
            "zone by zone.",
        ),
    ] = None,
    print_only: PrintOnlyOption = False,
) -> None:
    """Say who should run which leg, how sure that is, and what to do if one drops out."""
    from pipeline.advise import decisions

    _check_card_name(card)
    settings = _gather_settings(
        event, team, stake, collisions, speed, wind, start, rules, foot, seed
    )
    wishes = decisions.Wishes(
        {name: _parse_leg(name, leg, "--fix") for name, leg in _split(fix, "--fix", "RUNNER=LEG")},
        tuple(
            (name, _parse_leg(name, leg, "--forbid"))
            for name, leg in _split(forbid, "--forbid", "RUNNER=LEG")
        ),
        dict(_split(hand, "--hand", "RUNNER=left")),
    )
    flat_s = parse_flat_times(flat)
    with terminal.at_work(phrase("works out the orders")) as progress:
        found = decisions.decide_order(
            out,
            settings,
            wishes,
            lane=lane,
            flat_s=flat_s,
            write=not print_only,
            progress=progress,
        )
    words.print_order(found)
    words.print_about_start(settings)
    if card is not None:
        facts, tables = decisions.gather_race_card(found)
        _write_card(card, tables, settings, [facts], race_lane=lane)
        if not settings.race:
            terminal.say(practice_speed())
    words.give_decisions(out, found, print_only, card=card)
    terminal.say(reworded(CAUTION))


PROGRESS_EXAMPLE = "Example:\n\nbatontrace progress out --event 4x100"


def run_progress(
    out: OutArgument,
    event: EveryEventOption = None,
    team: TeamOption = None,
    seed: SeedOption = defaults.SEED,
    print_only: PrintOnlyOption = False,
) -> None:
    """Say how each pair comes on over the weeks, and how often the advice held."""
    from pipeline.advise import decisions
    from pipeline.advise.settings import Settings

    settings = Settings(event=event, team=split_names(team), seed=seed)
    with terminal.at_work(phrase("works out the progress")) as progress:
        found = decisions.decide_progress(out, settings, write=not print_only, progress=progress)
    words.print_progress(found)
    words.give_decisions(out, found, print_only)


# --- reading options ----------------------------------------------------------------------


def _gather_settings(
    event: str | None, team: Sequence[str] | None, stake: str, collisions: str,
    speed: Speed, wind: float, start: Start, rules: Rules, foot: Sequence[str] | None, seed: int,
    *, stand: str | None = None, pace: float | None = None, latest_m: float | None = None,
) -> Settings:  # fmt: skip
    """The settings that `marks` and `order` share; the last three are of `marks` alone."""
    from pipeline.advise.settings import Settings

    return Settings(
        event=event,
        team=split_names(team),
        failure_s=_parse_cost(stake, "--stake", defaults.STAKES_S),
        collision_s=_parse_cost(collisions, "--collisions", COLLISIONS_S),
        race=speed is Speed.race,
        wind_mps=wind,
        crouched=start is Start.crouched,
        older=rules is Rules.older,
        feet_m={
            name: _parse_option_number(metres, "--foot")
            for name, metres in _split(foot, "--foot", "RUNNER=0.29")
        },
        seed=seed,
        stand_m=None if stand in (None, "best") else _parse_stand(stand),
        free_stand=stand == "best",
        pace=pace,
        latest_m=latest_m,
    )


def _parse_cost(text: str, option: str, usual: Mapping[str, float]) -> float:
    """Seconds, from the name of a usual case or as they are written."""
    if text in usual:
        return usual[text]
    value = _finite_number(text)
    if value is None:
        raise UsageError(
            f"{option} {text}",
            f'"{text}" is neither a usual case nor a number',
            f"{', '.join(usual)}, or seconds such as 3",
        )
    return value


def _parse_stand(text: str | None) -> float:
    value = _finite_number(text or "")
    if value is None:
        raise UsageError(
            f"--stand {text}", f'"{text}" is not a number', "metres past the back line, or best"
        )
    return value


def _finite_number(text: str) -> float | None:
    try:
        value = float(text)
    except ValueError:
        return None
    return value if math.isfinite(value) else None


def parse_flat_times(given: Sequence[str] | None) -> dict[str, float]:
    """Flat times [s] by runner, from texts RUNNER=SECONDS. Raises UsageError."""
    return {
        name: _parse_option_number(seconds, "--flat")
        for name, seconds in _split(given, "--flat", "RUNNER=SECONDS")
    }


def split_names(given: Sequence[str] | None) -> tuple[str, ...]:
    """Runners from texts with commas, each once."""
    names = [name.strip() for text in given or () for name in text.split(",")]
    return tuple(dict.fromkeys(name for name in names if name))


def _split(given: Sequence[str] | None, option: str, form: str) -> list[tuple[str, str]]:
    """The two sides of each NAME=VALUE; the name may hold a "=" itself."""
    sides = []
    for text in given or ():
        name, sign, value = text.rpartition("=")
        if not (sign and name and value):
            raise UsageError(f"{option} {text}", "no '=' between two words", form)
        sides.append((name, value))
    return sides


def _parse_option_number(text: str, option: str) -> float:
    try:
        value = float(text)
    except ValueError:
        value = float("nan")
    if not 0.0 < value < 1000.0:
        raise UsageError(
            f"{option} {text}", f'"{text}" is not a number above 0', "a number such as 47.9"
        )
    return value


def _parse_leg(name: str, text: str, option: str) -> int:
    if text not in ("1", "2", "3", "4"):
        raise UsageError(f"{option} {name}={text}", f'"{text}" is no leg', "1, 2, 3 or 4")
    return int(text)


def _check_card_name(card: Path | None) -> None:
    if card is not None and card.suffix.lower() not in (".html", ".htm"):
        raise UsageError(f"--card {card}", "not a name for a page", "a name that ends in .html")


def _write_card(
    card: Path,
    tables: Mapping[str, pa.Table],
    settings: Settings,
    facts: Sequence[CardFacts],
    race_lane: int | None = None,
) -> None:
    from pipeline.show import publish
    from pipeline.show.card.card import CardSheet

    publish.write_card(
        card,
        tables,
        [CardSheet(one.event, one.date, one.team, one.in_use, one.zone_m) for one in facts],
        _card_settings(settings),
        notes=(practice_speed(),) if race_lane is not None and not settings.race else (),
        race_lane=race_lane,
    )
    if len(facts) > 1:
        events = ", ".join(one.event for one in facts)
        terminal.say(phrase("Card: {path} ({events}, a sheet each)", path=card, events=events))
    else:
        terminal.say(phrase("Card: {path} ({event})", path=card, event=facts[0].event))


def practice_speed() -> str:
    """What a card of marks for practice speed warns of."""
    return phrase(
        "These marks are for practice speed: a race's marks need --speed race, or are laid anew "
        "there."
    )


def _card_settings(settings: Settings) -> dict[str, str]:
    """The settings as the card prints them."""
    rows = {
        phrase_of("card", "speed"): phrase("race") if settings.race else phrase("practice"),
        phrase("wind"): phrase("{wind_mps:+.1f} m/s", wind_mps=settings.wind_mps),
        phrase_of("card", "zones"): phrase_of("zones", "older")
        if settings.older
        else phrase_of("zones", "today's"),
        phrase("a failure costs"): phrase("{seconds:g} s", seconds=settings.failure_s),
        phrase("start"): phrase("crouched") if settings.crouched else phrase("standing"),
    }
    if settings.latest_m is not None:
        rows[phrase("latest pass")] = phrase("{metres:g} m", metres=settings.latest_m)
    return rows
