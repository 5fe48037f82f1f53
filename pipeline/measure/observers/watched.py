"""All observers of a session together, and what they say of each takeover."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from pipeline.base.values import Estimate, Floats, Frozen, Observer
from pipeline.measure import passes
from pipeline.measure.observers.comparing import (
    Comparison,
    compare_lines,
    compare_pass,
    compare_unused,
    log_without,
    observation_row,
)
from pipeline.measure.observers.evidence import (
    LineEvidence,
    SeenPass,
    can_be,
    chance_pass_misread,
    gather_lines,
    hand_back,
    log_pass,
    measure_lines,
    moment_of,
    seen_passes,
)
from pipeline.measure.observers.rows import GatePlaces
from pipeline.measure.observers.ties import Tie, tie_observer
from pipeline.measure.weighing import SeenTakeover

MISREAD_P = 0.5
ObservationRow = dict[str, object]


@dataclass(frozen=True, eq=False)
class Watched(Frozen):
    """Observers tied, and by takeover their rows on its lines and its fit without them."""

    ties: tuple[Tie, ...]
    lines: tuple[LineEvidence | None, ...]
    before: tuple[SeenTakeover, ...]

    def measure_again(self, takeover: int, one: SeenTakeover) -> SeenTakeover:
        """A takeover that was solved anew, with its fit knowing the observers' rows."""
        return measure_lines(one, self.lines[takeover])

    def measure(self, takeover: int, one: SeenTakeover) -> SeenTakeover:
        """The takeover with its fit knowing the observers' rows, and what they saw of its pass."""
        one = self.measure_again(takeover, one)
        course, log_seen = one.course, one.log_seen
        if course is None or log_seen is None:
            return one
        for seen in _possible_passes(self, takeover, one):
            log_seen = log_seen + log_pass(seen, course)
        return replace(one, log_seen=log_seen)

    @property
    def words(self) -> tuple[str, ...]:
        """What is to be said of the observers, a sentence each."""
        return tuple(words for tie in self.ties for words in tie.words)


@dataclass(frozen=True, eq=False)
class PassAsSeen(Frozen):
    """The rows on one takeover's pass that count, and those that are misread."""

    right: tuple[SeenPass, ...]
    misread: tuple[SeenPass, ...]


def watch(
    observers: Sequence[Observer],
    seen: Sequence[SeenTakeover],
    gates: GatePlaces,
    inferred: Mapping[int, Estimate],
) -> Watched:
    """Tie the observers that help to measure. `inferred` are the passes as the traces have them
    (UTC, s), by takeover, for films that show nothing else."""
    ties = tuple(
        tie_observer(one, seen, gates, inferred) for one in observers if one.use == "measure"
    )
    lines = tuple(gather_lines(ties, i) for i in range(len(seen)))
    return Watched(ties, lines, tuple(seen))


def _possible_passes(watched: Watched, takeover: int, one: SeenTakeover) -> list[SeenPass]:
    found = seen_passes(watched.ties, takeover, one)
    return [seen for seen in found if can_be(seen, one.course)]


def is_pass_seen(watched: Watched, takeover: int, one: SeenTakeover) -> bool:
    """Whether an observer saw a pass that can have been."""
    return bool(_possible_passes(watched, takeover, one))


def sort_passes(
    watched: Watched, takeover: int, one: SeenTakeover, belief: passes.PassBelief | None
) -> PassAsSeen:
    """The rows on the pass that count, and those that all else contradicts."""
    right: list[SeenPass] = []
    wrong: list[SeenPass] = []
    for seen in seen_passes(watched.ties, takeover, one):
        fits = belief is not None and one.course is not None and can_be(seen, one.course)
        if fits and belief is not None and one.course is not None:
            fits = chance_pass_misread(seen, one.course, belief.weight) <= MISREAD_P
        (right if fits else wrong).append(seen)
    return PassAsSeen(tuple(right), tuple(wrong))


def observation_rows(
    watched: Watched,
    takeover: int,
    one: SeenTakeover,
    as_seen: PassAsSeen,
    others: Floats | None,
    passed_s: float | None,
    zero_utc_s: float,
) -> list[ObservationRow]:
    """The rows of table `observations` on one takeover. `others` is what the other reps say (see
    `passes.believe`), `passed_s` the pass on the clock of the fit; None where there is none."""
    found = compare_lines(watched.before[takeover], watched.lines[takeover])
    found += _compare_misread(watched.ties, takeover, one)
    zero = one.fit.problem.zero_utc_s
    for rows, used in ((as_seen.right, True), (as_seen.misread, False)):
        for seen in rows:
            words = "" if used else "the traces contradict it: not used"
            if one.course is None or one.log_seen is None or others is None:
                found.append(Comparison(seen.tie, seen.number, False, remarks=(words,)))
                continue
            log = one.log_seen
            if used or can_be(seen, one.course):
                log = log_without(log, seen, one.course)
            found.append(
                compare_pass(
                    seen,
                    one.course,
                    log,
                    others,
                    one.case.problem.axis.exit_m,
                    zero,
                    used=used,
                    words=words,
                )
            )
    _, refused = hand_back(watched.ties, takeover, one, passed_s)
    found += _compare_hands(watched.ties, takeover, one, refused, used=True)
    return [observation_row(one_row, one, zero_utc_s) for one_row in found]


def _compare_misread(ties: Sequence[Tie], takeover: int, one: SeenTakeover) -> list[Comparison]:
    return [
        compare_unused(one, tie, row, "far from all else, misread? not used")
        for tie in ties
        for row in tie.rows
        if row.takeover == takeover and row.told is not None and row.number in tie.misread
    ]


def _compare_hands(
    ties: Sequence[Tie],
    takeover: int,
    one: SeenTakeover,
    refused: Mapping[tuple[str, int], str],
    *,
    used: bool,
) -> list[Comparison]:
    """The rows on the receiving hand: nothing else tells of it."""
    out = []
    zero = one.fit.problem.zero_utc_s
    for tie in ties:
        numbers = [row.number for row in tie.rows if row.takeover == takeover]
        numbers += [number for number, k in tie.places.items() if k == takeover]
        timed = {row.number: row for row in tie.rows}
        for number in numbers:
            if tie.observer.sightings[number].event != "hand back":
                continue
            why = refused.get((tie.observer.id, number))
            moment = moment_of(tie, timed[number], one) if number in timed else None
            observed = None if moment is None else Estimate(moment.value + zero, moment.sd)
            out.append(
                Comparison(
                    tie,
                    number,
                    used and why is None,
                    observed,
                    remarks=() if why is None else (f"{why} not used",),
                )
            )
    return out


def check_rows(
    observers: Sequence[Observer],
    seen: Sequence[SeenTakeover],
    gates: GatePlaces,
    beliefs: Mapping[int, tuple[passes.PassBelief, Floats]],
    zeros_utc_s: Sequence[float],
) -> tuple[list[tuple[int | None, ObservationRow]], tuple[str, ...]]:
    """The rows of the observers that are held out, each with the number of its takeover, and what
    is to be said of these observers. `seen` and `beliefs` (with what the other reps say) are as
    measured; nothing here goes back into them."""
    inferred = {
        i: Estimate(belief.moment.value + seen[i].fit.problem.zero_utc_s, belief.moment.sd)
        for i, (belief, _) in beliefs.items()
    }
    out: list[tuple[int | None, ObservationRow]] = []
    words: list[str] = []
    for observer in observers:
        if observer.use != "check":
            continue
        tie = tie_observer(observer, seen, gates, inferred)
        words += tie.words
        for i, one in enumerate(seen):
            found = [
                compare_unused(one, tie, row, "")
                for row in tie.rows
                if row.takeover == i and row.told is not None and not tie.shared_sd_s
            ]
            found += _compare_hands((tie,), i, one, {}, used=False)
            if i in beliefs and one.course is not None and one.log_seen is not None:
                found += [
                    compare_pass(
                        row,
                        one.course,
                        one.log_seen,
                        beliefs[i][1],
                        one.case.problem.axis.exit_m,
                        one.fit.problem.zero_utc_s,
                        used=False,
                        words="",
                    )
                    for row in seen_passes((tie,), i, one)
                ]
            out += [(i, observation_row(row, one, zeros_utc_s[i])) for row in found]
        out += left_over_rows((tie,))
    return out, tuple(words)


def left_over_rows(ties: Sequence[Tie]) -> list[tuple[int | None, ObservationRow]]:
    """The rows that belong to no takeover, with the reason."""
    return [
        (
            None,
            observation_row(
                Comparison(tie, number, False, remarks=(f"{tie.unused[number]}: not used",)),
                None,
                None,
            ),
        )
        for tie in ties
        for number in sorted(tie.unused)
    ]
