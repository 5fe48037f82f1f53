"""One look at an evening's folder: what has changed is measured, and the takeovers are told.

The state of a watch is a value; each look gives the next one. Nothing that a file holds ends it.
"""

from __future__ import annotations

import os
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

from pipeline.advise import decisions
from pipeline.advise.settings import Settings
from pipeline.base.values import Session
from pipeline.errors import BatontraceError, FewerInputsError, OutputError, UsageError
from pipeline.read.practice.session import read_session
from pipeline.session import process
from pipeline.session.arrivals import Look, Readings, add_strangers, look_at, settled
from pipeline.show import page_tables, publish, scenes
from pipeline.show.takeover_news import TakeoverNews, takeover_news
from pipeline.show.wording import zone_words
from pipeline.tables import lake

_AGAIN_AFTER_S = 20.0  # what the disk or a lock refused is tried again so much later
_SAME_ENTRY_S = 2.0  # a takeover measured again has its entry moved by less
_OLDER_BACK_M = -5.0  # a back line farther back is that of the older rules


@dataclass(frozen=True, eq=False)
class WatchState:
    """What a watch knows between two looks: how the files looked the last time, and when they were
    measured; what stands in the way; which takeovers were told; which files are strangers."""

    last: Look = field(default_factory=dict)
    measured: Look | None = None
    others: tuple[Path, ...] = ()
    problems: frozenset[str] = frozenset()
    strangers: Mapping[str, str] = field(default_factory=dict)
    told: tuple[TakeoverNews, ...] = ()
    again_at_s: float | None = None


@dataclass(frozen=True, eq=False)
class LookResult:
    """What one look found: takeovers that are new or changed, the page, files that were added to
    session.toml or that nobody is known for, problems that are new, and whether one is over.

    `is_measured` where the session was measured; `took_s` is how long it took.
    """

    news: tuple[TakeoverNews, ...] = ()
    zone: str = ""  # whose clocks the times in them are, the first time
    page: Path | str | None = None
    added: Mapping[str, str] = field(default_factory=dict)
    unknown: Mapping[str, str] = field(default_factory=dict)
    waiting: tuple[str, ...] = ()
    problems: tuple[str, ...] = ()
    mended: bool = False
    is_measured: bool = False
    took_s: float = 0.0


@dataclass(frozen=True)
class WatchSettings:
    """Where the session and its tables lie, and the cost of a failure [s] that marks rest on."""

    session: Path
    out: Path
    failure_s: float
    tell: Callable[[str], None] = lambda _words: None  # hears that measuring begins


def take_look(
    before: WatchState, settings: WatchSettings, readings: Readings, *, at_once: bool = False
) -> tuple[WatchState, LookResult]:
    """Look at the folder, and measure where something has changed and is whole.

    `at_once` takes every file that is there for whole. Raises nothing but what ends the program.
    """
    began = time.monotonic()
    # As the session names its files: one file under two paths would be two.
    settings = replace(settings, session=Path(os.path.abspath(settings.session)))
    now = look_at(settings.session.parent, before.others)
    whole = {p: s for p, s in now.items() if s.opens} if at_once else settled(before.last, now)
    state = replace(before, last=now)
    if not _has_work(before, whole, now):
        return state, LookResult()
    state, result = replace(state, measured=whole, again_at_s=None), LookResult()
    problems: frozenset[str] = frozenset()
    try:
        session, state, result = _prepare(before, state, settings)
        state, result, problems = _measure(session, state, result, settings, readings)
    except BatontraceError as err:
        problems = frozenset({str(err)})
        if isinstance(err, OutputError) and not isinstance(err, FewerInputsError):
            state = replace(state, again_at_s=time.monotonic() + _AGAIN_AFTER_S)
    except Exception as err:
        problems = frozenset({_problem_in_words(err)})
    return replace(state, problems=problems), replace(
        result,
        problems=tuple(sorted(problems - before.problems)),
        mended=bool(before.problems - problems),
        took_s=time.monotonic() - began,
    )


def _problem_in_words(error: Exception) -> str:
    if isinstance(error, BatontraceError):
        return str(error)
    return f"a defect of batontrace, please report it: {type(error).__name__}: {error}"


def _has_work(before: WatchState, whole: Look, now: Look) -> bool:
    """Whether something whole is otherwise than when it was measured. A file that was measured and
    is being written anew is waited for, and one that is gone may be back at the next look."""
    if before.again_at_s is not None and time.monotonic() >= before.again_at_s:
        return True
    if before.measured is None:
        return bool(whole)
    if any((path in now or path in before.last) and path not in whole for path in before.measured):
        return False
    return dict(whole) != dict(before.measured)


def _prepare(
    before: WatchState, state: WatchState, settings: WatchSettings
) -> tuple[Session, WatchState, LookResult]:
    """The session with the recordings that are whole; what has arrived is added to it first."""
    whole = dict(state.measured or {})
    session = read_session(settings.session, may_lack_recordings=True)
    found = add_strangers(session, whole, _known_strangers(before, whole, session))
    if found.added:
        session = read_session(settings.session)
    others = _named_files(session)
    # What this look wrote itself, and files that lie elsewhere and are named for the first time.
    unseen = {path for path in others if path not in state.last}
    unseen |= {session.path} if found.added else set()
    renewed = look_at(session.path.parent, (*others, session.path))
    whole |= {path: stamp for path, stamp in renewed.items() if path in unseen}
    ready = tuple(spec for spec in session.recordings if spec.path in whole)
    state = replace(
        state,
        last={**state.last, **whole},
        measured=whole,
        others=others,
        strangers={**before.strangers, **found.unknown},
    )
    waiting = tuple(spec.file for spec in session.recordings if spec not in ready)
    result = LookResult(added=found.added, unknown=found.unknown, waiting=waiting)
    return replace(session, recordings=ready), state, result


def _measure(
    session: Session,
    state: WatchState,
    result: LookResult,
    settings: WatchSettings,
    readings: Readings,
) -> tuple[WatchState, LookResult, frozenset[str]]:
    """The session measured, decided and told; and what stands in the way of more."""
    if not session.recordings:
        return state, result, frozenset()
    settings.tell(session.id)
    measured = process.make_session_tables(
        settings.session, settings.out, session=session, read_recording=readings
    )
    readings.forget_others()
    problems = frozenset(measured.left_out)
    rows = measured.tables["exchanges"].to_pylist()
    result = replace(result, is_measured=True)
    if not rows:
        return state, result, problems
    problems |= _decide(session, settings, rows)
    told, zone = _tell(session.id, settings.out)
    page: Path | str | None = None
    try:
        page = publish.write_page(settings.out, session=session.id).path
    except Exception as err:  # the takeovers are told all the same
        problems |= {_problem_in_words(err)}
    news = tuple(one for one in told if one.is_news_after(_told_before(one, state.told)))
    result = replace(result, news=news, zone="" if state.told else zone, page=page)
    return replace(state, told=told), result, problems


def _known_strangers(state: WatchState, whole: Look, session: Session) -> Sequence[str]:
    """Strangers that look as they did when they were told of."""
    folder = session.path.parent
    measured = state.measured or {}
    return [
        file
        for file in state.strangers
        if folder / file in whole and measured.get(folder / file) == whole[folder / file]
    ]


def _named_files(session: Session) -> tuple[Path, ...]:
    sheet = () if session.sheet is None else (session.sheet,)
    observers = (one.path for one in session.observers)
    recordings = (spec.path for spec in session.recordings)
    return tuple(dict.fromkeys((session.venue.path, *sheet, *observers, *recordings)))


def _decide(
    session: Session, settings: WatchSettings, rows: Sequence[Mapping[str, object]]
) -> frozenset[str]:
    """Work out marks, causes and verdicts of the session's relay; what stands in the way."""
    full = [row for row in rows if row["drill"] is None and row["effort"] is None]
    there = {name for row in full for name in (row["incoming"], row["outgoing"])}
    feet = {r.id: r.foot_m for r in session.runners if r.foot_m is not None and r.id in there}
    backs = [row["back_line_m"] for row in rows if isinstance(row["back_line_m"], float)]
    asked = Settings(
        event=session.event,
        failure_s=settings.failure_s,
        older=bool(backs) and backs[0] < _OLDER_BACK_M,
        feet_m=feet,
    )
    for one in (asked, replace(asked, feet_m={})):  # a runner may have no full takeover yet
        try:
            decisions.decide_marks(settings.out, one)
        except UsageError as err:
            problem = str(err)
            continue
        except OutputError:
            raise
        except BatontraceError as err:
            return frozenset({str(err)})
        return frozenset()
    return frozenset({problem})


def _tell(session: str, out: Path) -> tuple[tuple[TakeoverNews, ...], str]:
    """Each takeover of the session in two lines, in the order of time, and whose clocks its times
    are."""
    found = lake.read_lake(out, session)
    several = scenes.order_by_time(scenes.read_scenes(found.exchanges, found.curves))
    known, _ = page_tables.read_pair_decisions(out, several)
    several, _ = page_tables.with_verdicts(found, several)
    told = tuple(takeover_news(one, known.get((*one.pair, one.row["event"]))) for one in several)
    return told, zone_words(one.clock for one in several)


def _told_before(one: TakeoverNews, told: Sequence[TakeoverNews]) -> TakeoverNews | None:
    incoming, outgoing, entry_s = one.key
    for other in told:
        same = other.key[:2] == (incoming, outgoing)
        if same and abs(other.key[2] - entry_s) < _SAME_ENTRY_S:
            return other
    return None
