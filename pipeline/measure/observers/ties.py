"""An observer tied to the units: which rows count, and the law of his clock."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime

import numpy as np

from pipeline.base.values import Estimate, Floats, Frozen, Observer, Sighting
from pipeline.measure.observers.clock_law import (
    OFF_SDS,
    PARAMETERS,
    UTC_SD_S,
    ClockLaw,
    SolvedLaw,
    TiedRow,
    solve_law,
)
from pipeline.measure.observers.offsets import (
    LEAST_SHARE,
    FoundOffset,
    ToldRows,
    assign_groups,
    is_better_tie,
    nought_of_each_rep,
    search_offset,
    why_without_takeover,
)
from pipeline.measure.observers.rows import GatePlaces, RowGroup, group_rows, occurrence_of
from pipeline.measure.observers.told import (
    TOLD_BY_FITS,
    Occurrence,
    ToldMoment,
    tell_moment,
)
from pipeline.measure.weighing import SeenTakeover

BEAM_REP_SD_M = 0.08  # from crossing to crossing and runner to runner: now the chest, now an arm
PASSES_SHARE_SD_S = 0.12  # of the error of passes that nobody saw, what a squad's have in common
LONGEST_S = 2e4  # that a film or an evening's gates run
MOST_ROWS = 2000  # of one observer: an evening has twenty takeovers of six events
SLOW_MOTION = (2, 4, 8, 16)  # times that a film may be stretched
EARLIEST_UTC_S = 1e8  # a nought before 1973 is that of a clock that shows UTC
RATE_SDS = 2.0  # a rate is said where it is so sure
SHIFTED_S = 0.3  # a clock of UTC may be so far off and still be told by its rows
MOST_PARTS, LEAST_OF_A_PART = 20, 3  # parts of a film, and rows that show a part
SLOWEST_MPS = 1.0  # slower, a body ahead of its unit is no matter of speed


@dataclass(frozen=True, eq=False)
class Tie(Frozen):
    """An observer tied to the units. `rows` are those with a time that belong to a takeover,
    `unused` says by row why others are not used, `notes` what is to be said of some, `places` holds
    the takeovers of rows where only a place was seen. `shared_sd_s` is an error of the offset that
    more rows do not make smaller."""

    observer: Observer
    rows: tuple[TiedRow, ...]
    unused: Mapping[int, str]
    notes: Mapping[int, str]
    places: Mapping[int, int]
    solved: SolvedLaw
    shared_sd_s: float
    zero_utc_s: float | None  # when the clock read nought; None where it starts anew in each rep
    shows_utc: bool  # its times are UTC, and are believed to be
    words: tuple[str, ...]

    @property
    def each_anew(self) -> bool:
        """Whether the clock starts anew in each rep."""
        return self.observer.clock == "rep"

    @property
    def misread(self) -> frozenset[int]:
        """The numbers of the rows that are more likely wrong than right."""
        return self.solved.misread

    def law(self, without: int | None = None) -> ClockLaw:
        """The clock's law as all takeovers tell it, or all but one."""
        law = self.solved.law(without)
        shared = np.zeros_like(law.cov)
        shared[0, 0] = self.shared_sd_s**2
        return ClockLaw(law.mean, law.cov + shared)

    def used(self, takeover: int) -> list[TiedRow]:
        """The rows of this takeover that the fits tell of too, without the misread ones."""
        return [
            row
            for row in self.rows
            if row.takeover == takeover and row.told is not None and row.number not in self.misread
        ]


def tie_in_parts(
    observer: Observer,
    seen: Sequence[SeenTakeover],
    gates: GatePlaces,
    inferred: Mapping[int, Estimate],
) -> list[Tie]:
    """The observer tied; a film whose clock began again in its midst, part by part.

    `inferred` are the passes as the traces have them (UTC, s), by takeover: used only for an
    observer whose rows show nothing else.
    """
    parts = [tie_observer(observer, seen, gates, inferred)]
    while observer.clock == "own" and len(parts) < MOST_PARTS:
        later = _rows_of_another_clock(parts[-1])
        if not later:
            break
        rest = replace(
            observer,
            sightings=tuple(observer.sightings[i] for i in later),
            near_utc_s=None,
        )
        part = tie_observer(rest, seen, gates, inferred)
        if not part.solved.sent:
            break
        kept = tuple(one for i, one in enumerate(observer.sightings) if i not in set(later))
        first = tie_observer(replace(observer, sightings=kept), seen, gates, inferred)
        words = (
            f"{observer.id}: its clock begins again at line {rest.sightings[0].line} (was the "
            "camera stopped?): each part is tied for itself",
        )
        parts[-1:] = [first, replace(part, words=(*words, *part.words))]
        observer = rest
    return parts


def _rows_of_another_clock(tie: Tie) -> list[int]:
    """The rows of those takeovers of which not one fits, and with them the passes there; nothing
    where these are fewer than LEAST_OF_A_PART."""
    told = [row for row in tie.rows if row.told is not None]
    fitting = {row.takeover for row in told if row.number not in tie.misread}
    wrong = {row.takeover for row in told} - fitting
    rows = [row.number for row in tie.rows if row.takeover in wrong]
    told_rows = [row for row in told if row.takeover in wrong]
    return sorted(rows) if len(wrong) > 1 and len(told_rows) >= LEAST_OF_A_PART else []


def tie_observer(
    observer: Observer,
    seen: Sequence[SeenTakeover],
    gates: GatePlaces,
    inferred: Mapping[int, Estimate],
) -> Tie:
    """Tie an observer's clock by his rows, as one clock; arguments as in `tie_in_parts`."""
    groups = group_rows(observer, seen)
    if len(observer.sightings) > MOST_ROWS:
        many = f"{len(observer.sightings)} rows are more than the {MOST_ROWS} that are looked at"
        return _untied(observer, groups, many)
    told = _tell_rows(observer, groups, seen, gates)
    passes_alone = not told
    if passes_alone:
        told = _tell_passes(observer, seen, inferred)
    assigned = _assign(observer, groups, told, len(seen))
    if isinstance(assigned, str):
        return _untied(observer, groups, assigned)
    reference = _reference_s(observer)
    rows, places, unused = [], {}, {}
    for group, takeover in zip(groups, assigned.takeovers, strict=True):
        for number in group.rows:
            row = observer.sightings[number]
            if takeover is None:
                unused[number] = why_without_takeover(group, len(seen))
                continue
            if row.time_s is None:
                places[number] = takeover
                continue
            moment = told.get((number, takeover))
            if moment is None and row.event in TOLD_BY_FITS and not passes_alone:
                unused[number] = f"the traces do not tell the {row.event} of this takeover"
                continue
            rows.append(
                TiedRow(
                    number,
                    takeover,
                    occurrence_of(row, seen[takeover], gates) or Occurrence(row.event),
                    moment,
                    row.time_s + assigned.offset_s[number],
                    _columns(observer, number, moment, reference),
                    _reading_sd_s(observer, row, moment),
                )
            )
    try:
        tie = _solve(observer, rows, seen, assigned.offset_s[0] if rows else 0.0, passes_alone)
    except np.linalg.LinAlgError:  # no film costs the takeovers anything
        return _untied(observer, groups, "its times do not determine its clock")
    words = (*assigned.words, *tie.words)
    return replace(tie, unused=unused, notes=assigned.notes, places=places, words=words)


@dataclass(frozen=True, eq=False)
class _Assigned(Frozen):
    """By row the offset that was found first, by group its takeover, by row what is to be said."""

    offset_s: tuple[float, ...]
    takeovers: tuple[int | None, ...]
    notes: Mapping[int, str]
    words: tuple[str, ...] = ()


def _assign(
    observer: Observer, groups: Sequence[RowGroup], told: ToldRows, takeovers: int
) -> _Assigned | str:
    """Which takeovers the rows are of; in words why no clock can be told."""
    if observer.clock == "rep":
        offsets, chosen = nought_of_each_rep(observer, groups, told)
        return _Assigned(tuple(offsets), tuple(chosen), {})
    found = search_offset(observer, groups, told)
    free = [replace(group, takeovers=tuple(range(takeovers))) for group in groups]
    words: tuple[str, ...] = ()
    if found is None or found.explained < LEAST_SHARE * found.told:
        other = search_offset(observer, free, told)
        if other is None or not is_better_tie(other, found):
            return _why_no_offset(found, _slow_motion(observer, groups, told))
        found = other
        words = (f"{observer.id}: the rows fit takeovers of other numbers or runners than named",)
    chosen, notes = assign_groups(observer, groups, free, told, found)
    if observer.clock == "utc" and abs(found.offset_s) < SHIFTED_S:
        found = replace(found, offset_s=0.0)  # as it says, but for what the rows will tell
    return _Assigned((found.offset_s,) * len(observer.sightings), tuple(chosen), notes, words)


def _slow_motion(observer: Observer, groups: Sequence[RowGroup], told: ToldRows) -> int | None:
    """How many times too slow the clock of a film runs that was stretched when it was saved; None
    where its rows are not explained so."""
    for times in SLOW_MOTION:
        faster = [
            replace(one, time_s=None if one.time_s is None else one.time_s / times)
            for one in observer.sightings
        ]
        found = search_offset(
            replace(observer, sightings=tuple(faster), near_utc_s=None), groups, told
        )
        if found is not None and found.explained > max(LEAST_SHARE * found.told, LEAST_OF_A_PART):
            return times
    return None


def _tell_rows(
    observer: Observer,
    groups: Iterable[RowGroup],
    seen: Sequence[SeenTakeover],
    gates: GatePlaces,
) -> dict[tuple[int, int], ToldMoment]:
    """What the fits say of each row, for each takeover that it may be of."""
    out = {}
    known: dict[tuple[int, Occurrence], ToldMoment | None] = {}  # many rows ask for the same
    for number in (number for group in groups for number in group.rows):
        row = observer.sightings[number]
        if row.time_s is None or row.event not in TOLD_BY_FITS:
            continue
        for k, one in enumerate(seen):
            what = occurrence_of(row, one, gates)
            if what is None:
                continue
            if (k, what) not in known:
                known[k, what] = tell_moment(one, what)
            moment = known[k, what]
            if moment is not None:
                out[number, k] = moment
    return out


def _tell_passes(
    observer: Observer, seen: Sequence[SeenTakeover], inferred: Mapping[int, Estimate]
) -> dict[tuple[int, int], ToldMoment]:
    out = {}
    for number, row in enumerate(observer.sightings):
        if row.event != "pass" or row.time_s is None:
            continue
        for k, moment in inferred.items():
            own = float(np.sqrt(max(moment.sd**2 - PASSES_SHARE_SD_S**2, 0.05**2)))
            none = np.zeros(len(seen[k].fit.x))
            out[number, k] = ToldMoment(moment.value, none, 0.0, "incoming", 0.0, own)
    return out


def _reference_s(observer: Observer) -> float:
    times = [row.time_s for row in observer.sightings if row.time_s is not None]
    return float(np.median(times)) if times else 0.0


def _reading_sd_s(observer: Observer, row: Sighting, moment: ToldMoment | None) -> float:
    """The standard error of a reading, with what of a body breaks a beam."""
    own = row.sd_s or 0.0
    if observer.kind == "gates" and moment is not None and moment.speed_mps > SLOWEST_MPS:
        return float(np.hypot(own, BEAM_REP_SD_M / moment.speed_mps))
    return own


def _columns(
    observer: Observer, number: int, moment: ToldMoment | None, reference_s: float
) -> Floats:
    row = observer.sightings[number]
    since = 0.0 if observer.clock == "rep" else (row.time_s or 0.0) - reference_s
    since = float(np.clip(since, -LONGEST_S, LONGEST_S))  # farther off it is misread anyway
    beam = 0.0
    if observer.kind == "gates" and moment is not None and moment.speed_mps > SLOWEST_MPS:
        beam = 1 / moment.speed_mps
    return np.array([1.0, since, beam, -1.0 if row.event == "go" else 0.0])


def _solve(
    observer: Observer,
    rows: Sequence[TiedRow],
    seen: Sequence[SeenTakeover],
    offset_s: float,
    passes_alone: bool,
) -> Tie:
    """The tie by these rows; `offset_s` is what they were moved by already."""
    words: list[str] = []
    utc = observer.clock == "utc"
    solved = solve_law(observer, rows, seen, utc=False)
    if utc and solved.sent:
        law = solved.law()
        apart = Estimate(offset_s + float(law.mean[0]), float(np.sqrt(law.cov[0, 0])))
        utc = abs(apart.value) < OFF_SDS * np.hypot(apart.sd, UTC_SD_S)
        if utc:
            solved = solve_law(observer, rows, seen, utc=True)
        else:
            way = "behind" if apart.value > 0 else "ahead of"
            words.append(
                f"{observer.id}: its UTC is {abs(apart.value):.3f} ± {apart.sd:.3f} s {way} the "
                "units': taken out, whichever of the two is off"
            )
    tie = Tie(
        observer,
        tuple(rows),
        {},
        {},
        {},
        solved,
        PASSES_SHARE_SD_S if passes_alone else 0.0,
        None if observer.clock == "rep" else offset_s,
        utc,
        tuple(words),
    )
    return replace(tie, words=(*words, *_tie_in_words(tie, passes_alone)))


def _why_no_offset(found: FoundOffset | None, slower: int | None) -> str:
    """Why no offset is taken: `found` explains most, but too little; the rows would fit if their
    clock ran `slower` times too slow."""
    if slower is not None:
        return (
            f"its times fit when they are divided by {slower}: a film in slow motion? Write them "
            "down so"
        )
    if found is None:
        return "none of its times is of a takeover that was measured: its clock is not tied"
    return (
        f"no clock explains its times (the best one {found.explained} of {found.told}): a film "
        'of another session or other reps, or clips that each begin anew (clock = "rep")?'
    )


def _untied(observer: Observer, groups: Sequence[RowGroup], why: str) -> Tie:
    """An observer whose clock nothing ties: no row of his with a time is used."""
    unused = dict.fromkeys(range(len(observer.sightings)), "its clock is not tied")
    places = {
        i: group.takeovers[0]
        for group in groups
        for i in group.rows
        if observer.sightings[i].time_s is None and len(group.takeovers) == 1
    }
    unused = {i: words for i, words in unused.items() if i not in places}
    nothing = SolvedLaw(frozenset(), np.eye(PARAMETERS), np.zeros(PARAMETERS), {})
    words = (f"{observer.id}: {why}; its times are not used",) if unused else ()
    return Tie(observer, (), unused, {}, places, nothing, 0.0, None, False, words)


def _tie_in_words(tie: Tie, passes_alone: bool) -> list[str]:
    observer, words = tie.observer, []
    tied = [row for row in tie.rows if row.told is not None and row.number not in tie.misread]
    if observer.clock == "own" and tied:
        law = tie.law()
        sd = float(np.sqrt(law.cov[0, 0]))
        by = "the passes as the traces have them" if passes_alone else f"{len(tied)} rows"
        parts = [
            f"{observer.id}: its clock is tied to ± {sd:.3f} s by {by}",
            *_clock_in_words(tie),
            *(["a line in view would tie it to 0.01 s"] if passes_alone else []),
        ]
        words.append("; ".join(parts))
        near = observer.near_utc_s
        if near is not None and tie.zero_utc_s is not None:
            off = tie.zero_utc_s - near
            if abs(off) > 120.0:
                words.append(
                    f"{observer.id}: its clock read nought {abs(off) / 60:.0f} min "
                    f"{'after' if off > 0 else 'before'} near_utc: is that time right?"
                )
    return words


def _clock_in_words(tie: Tie) -> list[str]:
    """When an own clock read nought, and how it runs where that is known."""
    law, words = tie.law(), list[str]()
    if tie.zero_utc_s is not None and tie.zero_utc_s > EARLIEST_UTC_S:
        nought = datetime.fromtimestamp(tie.zero_utc_s + float(law.mean[0]), UTC)
        words.append(f"it read nought at about {nought:%H:%M:%S} UTC")
    rate, sd = float(law.mean[1]) * 1e6, float(np.sqrt(law.cov[1, 1])) * 1e6
    if abs(rate) > RATE_SDS * sd:
        way = "slow" if rate > 0 else "fast"
        words.append(f"it runs {abs(rate):.0f} ± {sd:.0f} ppm {way}")
    return words
