"""Which takeovers were asked for: checks what was asked together, and finds it in the lake."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

import pyarrow as pa

from pipeline.base.asking import in_words, one_of
from pipeline.base.words import count
from pipeline.errors import UsageError
from pipeline.show import scenes
from pipeline.show.figures import overlays
from pipeline.show.markup import plain_text
from pipeline.show.scenes import LakeRow, Scene
from pipeline.tables import lake
from pipeline.tables.lake import Lake
from pipeline.tables.places import Out

PairIds = tuple[str, str]  # incoming, outgoing
FigureName = Literal["overlay", "history", "risk", "marks", "causes"]


def check_figure_request(
    session: str | None,
    exchange: int | None,
    pair: PairIds | None,
    view: overlays.View | None,
    figure: FigureName,
) -> None:
    """Raise UsageError where the arguments of `publish.write_figure` contradict each other."""
    if figure != "overlay" and pair is None:
        raise UsageError(f"--figure {figure}", "no pair", "--pair INCOMING OUTGOING")
    if (exchange is None) == (pair is None):
        found = "neither" if pair is None else "both"
        raise UsageError(
            "overlay", f"{found} of --exchange and --pair", "one of them",
            "give --session ID --exchange N, or --pair INCOMING OUTGOING",
        )  # fmt: skip
    if figure != "overlay" and view is not None:
        raise UsageError(f"--axis {view}", f"--figure {figure} has its own axis", "no --axis")
    if figure in ("risk", "marks") and session is not None:
        raise UsageError(
            f"--session {plain_text(session)}",
            "what is said of a mark rests on all sessions",
            "no --session",
        )


def check_page_request(
    *,
    session: str | None,
    pair: PairIds | None,
    event: str | None,
    order: str | None,
    race: str | None,
    runner: str | None,
    season: bool,
    every: bool,
    has_name: bool,
) -> None:
    """Raise UsageError where what was asked of `report` together contradicts itself.

    `every`: all pages at once; `has_name`: the file to write was named.
    """
    asked = {
        "--pair": pair is not None,
        "--order": order is not None,
        "--race": race is not None,
        "--runner": runner is not None,
        "--season": season,
        "--all": every,
    }
    chosen = [option for option, is_asked in asked.items() if is_asked]
    if len(chosen) > 1:
        raise UsageError("report", f"{in_words(chosen)} together", "one page, or --all")
    only = chosen[0] if chosen else ""
    if session is not None and only not in ("", "--pair", "--race"):
        found = f"{only} is not of one session"
        raise UsageError(f"--session {plain_text(session)}", found, "no --session")
    if event is not None and only not in ("", "--pair"):
        found = f"{only} says itself which relays it shows"
        raise UsageError(f"--event {plain_text(event)}", found, "no --event")
    if every and has_name:
        raise UsageError("--to", "names one file, and --all writes many", "no --to")


def check_no_event(event: str | None, what: str) -> None:
    """Raise UsageError where an event is given for `what`, which has one event anyway."""
    if event is not None:
        raise UsageError(
            f"--event {plain_text(event)}", f"{what} is of one relay anyway",
            "no --event, or --pair INCOMING OUTGOING with it",
        )  # fmt: skip


def choose_session(out: Out, session: str | None) -> tuple[str, tuple[str, ...]]:
    """The session named, else the newest with remarks on sessions that could not be read."""
    if session is not None:
        return session, ()
    in_order, remarks = lake.sessions_by_time(out)
    return in_order[-1], remarks


def choose_race(legs: Sequence[LakeRow], session: str | None, race: str | None) -> tuple[str, str]:
    """The session and the id of the race asked for, among those of the rows of `legs`.

    Without an id it is the only race of the session. Raises UsageError where there is none such,
    or more than one.
    """
    there = list(dict.fromkeys((row["session"], row["race"]) for row in legs))
    asked = "--race" if race is None else f"--race {plain_text(race)}"
    if session is not None:
        there = [one for one in there if one[0] == session]
        asked += f" --session {plain_text(session)}"
    if not there:
        raise UsageError(asked, "no race", "a session.toml with a [[race]], measured anew")
    found = [one for one in there if race is None or one[1] == race]
    if not found:
        raise UsageError(asked, "no such race", one_of([one[1] for one in there], race or ""))
    if len(found) > 1:
        races = ", ".join(f"{plain_text(name)} of {plain_text(own)}" for own, name in found)
        raise UsageError(asked, f"{len(found)} races: {races}", "one of them",
                         "name it by --race RACE and --session ID")  # fmt: skip
    return found[0]


def pair_scenes(
    found: Lake, pair: PairIds, session: str | None, event: str | None
) -> tuple[Scene, ...]:
    """The pair's takeovers, one or more.

    Raises UsageError where there is none, or none in the event asked for.
    """
    rows = found.exchanges
    where = "" if session is None else f" in session {plain_text(session)}"
    ran = list(zip(rows["incoming"].to_pylist(), rows["outgoing"].to_pylist(), strict=True))
    if pair not in ran:
        other = "the other order is there" if pair[::-1] in ran else ""
        choices = one_of(map(pair_words, ran), pair_words(pair)) if ran else ""
        raise UsageError(
            f"pair {pair_words(pair)}",
            f"no takeover of this pair{where}",
            choices or "a session with takeovers",
            "; ".join(filter(None, (other, *found.remarks))),
        )
    own = rows.filter(pa.array([one == pair for one in ran], pa.bool_()))
    if event is not None:
        events = own["event"].to_pylist()
        own = own.filter(pa.array([one == event for one in events], pa.bool_()))
        if not len(own):
            raise UsageError(
                f"--event {plain_text(event)}", f"no takeover of {pair_words(pair)} in it{where}",
                one_of(events, event),
            )  # fmt: skip
    return scenes.read_scenes(own, found.curves, found.exchanges)


def numbered_scene(found: Lake, exchange: int | None, session: str) -> Scene:
    """The takeover with a number. Raises UsageError where the session has none with it."""
    rows = found.exchanges
    numbers = rows["exchange"].to_pylist()
    if exchange not in numbers:
        raise UsageError(
            f"--exchange {exchange}",
            f"is not in session {plain_text(session)}",
            f"{min(numbers)} to {max(numbers)}" if numbers else "a session with takeovers",
        )
    return scenes.read_scenes(rows.slice(numbers.index(exchange), 1), found.curves, rows)[0]


def of_newest_zone_length(
    ordered: Sequence[Scene],
) -> tuple[list[Scene], tuple[str, ...]]:
    """The scenes in zones as long as the newest's, and a remark on others, which do not compare."""
    zone_m = ordered[-1].zone_m
    same = [one for one in ordered if one.zone_m == zone_m]
    rest = len(ordered) - len(same)
    return same, (f"left out: {count(rest, 'takeover')} in zones of another length",) * bool(rest)


def pair_words(pair: PairIds) -> str:
    return f"{plain_text(pair[0])} to {plain_text(pair[1])}"
