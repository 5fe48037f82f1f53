"""One look at an evening's folder: what has changed is measured, and the takeovers are told.

The state of a watch is a value; each look gives the next one. Nothing that a file holds ends it.
"""

from __future__ import annotations

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
    folder = settings.session.parent
    now = look_at(folder, before.others)
    whole = {p: s for p, s in now.items() if s.opens} if at_once else settled(before.last, now)
    state = replace(before, last=now)
    if not _has_work(state, whole, now):
        return state, LookResult()
    began = time.monotonic()
    try:
        return _measure(state, whole, settings, readings, began)
    except BatontraceError as err:
        again = isinstance(err, OutputError) and not isinstance(err, FewerInputsError)
        return _after_problem(state, whole, str(err), again, began)
    except Exception as err:
        words = f"a defect of batontrace, please report it: {type(err).__name__}: {err}"
        return _after_problem(state, whole, words, False, began)


def _has_work(state: WatchState, whole: Look, now: Look) -> bool:
    """Whether something whole is otherwise than when it was measured. A file that was measured and
    is being written anew is waited for."""
    if state.again_at_s is not None and time.monotonic() >= state.again_at_s:
        return True
    if state.measured is None:
        return bool(whole)
    if any(path in now and path not in whole for path in state.measured):
        return False
    return dict(whole) != dict(state.measured)


def _after_problem(
    state: WatchState, whole: Look, words: str, again: bool, began: float
) -> tuple[WatchState, LookResult]:
    problems = frozenset({words})
    return replace(
        state,
        measured=dict(whole),
        problems=problems,
        again_at_s=time.monotonic() + _AGAIN_AFTER_S if again else None,
    ), LookResult(
        problems=tuple(sorted(problems - state.problems)), took_s=time.monotonic() - began
    )


def _measure(
    state: WatchState, whole: Look, settings: WatchSettings, readings: Readings, began: float
) -> tuple[WatchState, LookResult]:
    session = read_session(settings.session, may_lack_recordings=True)
    found = add_strangers(session, whole, _known_strangers(state, whole, session))
    whole = dict(whole)
    if found.added:
        session = read_session(settings.session)
        renewed = look_at(session.path.parent, (session.path,))
        whole |= {p: s for p, s in renewed.items() if p == session.path}
    others = _named_files(session)
    elsewhere = [path for path in others if path not in state.last]
    whole |= {p: s for p, s in look_at(session.path.parent, others).items() if p in elsewhere}
    ready = tuple(spec for spec in session.recordings if spec.path in whole)
    waiting = tuple(spec.file for spec in session.recordings if spec not in ready)
    state = replace(
        state,
        last={**state.last, **whole},
        measured=whole,
        others=others,
        strangers={**state.strangers, **found.unknown},
        again_at_s=None,
    )
    result = LookResult(
        added=found.added,
        unknown=found.unknown,
        waiting=waiting,
        mended=bool(state.problems),
    )
    if not ready:
        return replace(state, problems=frozenset()), result
    settings.tell(session.id)
    measured = process.make_session_tables(
        settings.session,
        settings.out,
        session=replace(session, recordings=ready),
        read_recording=readings,
    )
    readings.forget_others()
    problems = frozenset(measured.left_out)
    rows = measured.tables["exchanges"].to_pylist()
    if rows:
        problems |= _decide(session, settings, rows)
    told, zone, page = _tell(session.id, settings.out) if rows else ((), "", None)
    news = tuple(one for one in told if one.is_news_after(_told_before(one, state.told)))
    return replace(state, problems=problems, told=told), replace(
        result,
        news=news,
        zone="" if state.told else zone,
        page=page,
        problems=tuple(sorted(problems - state.problems)),
        mended=bool(state.problems - problems),
        is_measured=True,
        took_s=time.monotonic() - began,
    )


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


def _tell(session: str, out: Path) -> tuple[tuple[TakeoverNews, ...], str, Path | str]:
    """Each takeover of the session in two lines, in the order of time; whose clocks its times are;
    and the page written."""
    found = lake.read_lake(out, session)
    several = scenes.order_by_time(scenes.read_scenes(found.exchanges, found.curves))
    known, _ = page_tables.read_pair_decisions(out, several)
    several, _ = page_tables.with_verdicts(found, several)
    told = tuple(takeover_news(one, known.get((*one.pair, one.row["event"]))) for one in several)
    zone = zone_words(one.clock for one in several)
    return told, zone, publish.write_page(out, session=session).path


def _told_before(one: TakeoverNews, told: Sequence[TakeoverNews]) -> TakeoverNews | None:
    incoming, outgoing, entry_s = one.key
    for other in told:
        same = other.key[:2] == (incoming, outgoing)
        if same and abs(other.key[2] - entry_s) < _SAME_ENTRY_S:
            return other
    return None
