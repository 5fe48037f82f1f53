"""Which takeovers were asked for: checks what was asked together, and finds it in the lake."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

import pyarrow as pa

from pipeline.base.asking import in_words, one_of
from pipeline.errors import UsageError
from pipeline.language.phrases import phrase, phrase_count, reworded
from pipeline.show import scenes
from pipeline.show.figures import overlays
from pipeline.show.markup import plain_text
from pipeline.show.scenes import LakeRow, Scene
from pipeline.show.wording import pair_title
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
        raise UsageError(f"--figure {figure}", phrase("no pair"), "--pair INCOMING OUTGOING")
    if (exchange is None) == (pair is None):
        raise UsageError(
            "overlay",
            phrase("neither of --exchange and --pair")
            if pair is None
            else phrase("both of --exchange and --pair"),
            phrase("one of them"),
            phrase("give --session ID --exchange N, or --pair INCOMING OUTGOING"),
        )
    if figure != "overlay" and view is not None:
        own_axis = phrase("--figure {figure} has its own axis", figure=figure)
        raise UsageError(f"--axis {view}", own_axis, phrase("no --axis"))
    if figure in ("risk", "marks") and session is not None:
        raise UsageError(
            f"--session {plain_text(session)}",
            phrase("what is said of a mark rests on all sessions"),
            phrase("no --session"),
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
        together = phrase("{options} together", options=reworded(in_words(chosen)))
        raise UsageError("report", together, phrase("one page, or --all"))
    only = chosen[0] if chosen else ""
    if session is not None and only not in ("", "--pair", "--race"):
        found = phrase("{option} is not of one session", option=only)
        raise UsageError(f"--session {plain_text(session)}", found, phrase("no --session"))
    if event is not None and only not in ("", "--pair"):
        found = phrase("{option} says itself which relays it shows", option=only)
        raise UsageError(f"--event {plain_text(event)}", found, phrase("no --event"))
    if every and has_name:
        found = phrase("names one file, and --all writes many")
        raise UsageError("--to", found, phrase("no --to"))


def check_no_event(event: str | None, what: Literal["session", "takeover"]) -> None:
    """Raise UsageError where an event is given for `what`, which has one event anyway."""
    if event is not None:
        raise UsageError(
            f"--event {plain_text(event)}",
            phrase("a session is of one relay anyway")
            if what == "session"
            else phrase("a takeover is of one relay anyway"),
            phrase("no --event, or --pair INCOMING OUTGOING with it"),
        )


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
        wanted = phrase("a session.toml with a {section}, measured anew", section="[[race]]")
        raise UsageError(asked, phrase("no race"), wanted)
    found = [one for one in there if race is None or one[1] == race]
    if not found:
        choices = one_of([one[1] for one in there], race or "")
        raise UsageError(asked, phrase("no such race"), reworded(choices))
    if len(found) > 1:
        races = ", ".join(
            phrase("{race} of {session}", race=plain_text(name), session=plain_text(own))
            for own, name in found
        )
        raise UsageError(
            asked,
            phrase("{number} races: {races}", number=len(found), races=races),
            phrase("one of them"),
            phrase("name it by --race RACE and --session ID"),
        )
    return found[0]


def pair_scenes(
    found: Lake, pair: PairIds, session: str | None, event: str | None
) -> tuple[Scene, ...]:
    """The pair's takeovers, one or more.

    Raises UsageError where there is none, or none in the event asked for.
    """
    rows = found.exchanges
    in_session = plain_text(session or "")
    ran = list(zip(rows["incoming"].to_pylist(), rows["outgoing"].to_pylist(), strict=True))
    if pair not in ran:
        other = phrase("the other order is there") if pair[::-1] in ran else ""
        choices = one_of(map(pair_words, ran), pair_words(pair)) if ran else ""
        raise UsageError(
            phrase("pair {pair}", pair=pair_words(pair)),
            phrase("no takeover of this pair")
            if session is None
            else phrase("no takeover of this pair in session {session}", session=in_session),
            reworded(choices) or phrase("a session with takeovers"),
            "; ".join(filter(None, (other, *found.remarks))),
        )
    own = rows.filter(pa.array([one == pair for one in ran], pa.bool_()))
    if event is not None:
        events = own["event"].to_pylist()
        own = own.filter(pa.array([one == event for one in events], pa.bool_()))
        if not len(own):
            who = pair_words(pair)
            raise UsageError(
                f"--event {plain_text(event)}",
                phrase("no takeover of {pair} in it", pair=who)
                if session is None
                else phrase(
                    "no takeover of {pair} in it in session {session}", pair=who, session=in_session
                ),
                reworded(one_of(events, event)),
            )
    return scenes.read_scenes(own, found.curves, found.exchanges)


def numbered_scene(found: Lake, exchange: int | None, session: str) -> Scene:
    """The takeover with a number. Raises UsageError where the session has none with it."""
    rows = found.exchanges
    numbers = rows["exchange"].to_pylist()
    if exchange not in numbers:
        raise UsageError(
            f"--exchange {exchange}",
            phrase("is not in session {session}", session=plain_text(session)),
            phrase("{first} to {last}", first=min(numbers), last=max(numbers))
            if numbers
            else phrase("a session with takeovers"),
        )
    return scenes.read_scenes(rows.slice(numbers.index(exchange), 1), found.curves, rows)[0]


def of_newest_zone_length(
    ordered: Sequence[Scene],
) -> tuple[list[Scene], tuple[str, ...]]:
    """The scenes in zones as long as the newest's, and a remark on others, which do not compare."""
    zone_m = ordered[-1].zone_m
    same = [one for one in ordered if one.zone_m == zone_m]
    rest = len(ordered) - len(same)
    remark = phrase_count(
        "left out: {count} takeover in zones of another length",
        "left out: {count} takeovers in zones of another length",
        rest,
    )
    return same, (remark,) * bool(rest)


def pair_words(pair: PairIds) -> str:
    """From whom to whom a baton goes."""
    return pair_title(*map(plain_text, pair))
