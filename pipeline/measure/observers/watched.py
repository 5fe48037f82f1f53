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
    log_pass,
    measure_lines,
    moment_of,
    seen_passes,
)
from pipeline.measure.observers.rows import GatePlaces
from pipeline.measure.observers.ties import Tie, tie_in_parts
from pipeline.measure.weighing import SeenTakeover

DOUBTED_P, MISREAD_P = 0.1, 0.5  # chance of being misread from which a row is doubted, not used
LEAST_PASSES_SEEN, SEES_PASSES = 4, 0.7  # how many passes, what share, who sees passes has seen
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

    def teaching(self, takeover: int, one: SeenTakeover) -> Floats | None:
        """The log-likelihood (k,) of what was seen of a pass, as far as it teaches how this squad
        passes: films tied by passes alone had to believe that already."""
        log_seen, course = one.log_seen, one.course
        if course is None or log_seen is None:
            return None
        for seen in _possible_passes(self, takeover, one):
            if seen.tie.shared_sd_s:
                log_seen = log_without(log_seen, seen, course)
        return log_seen

    def missed_pass(self, takeover: int) -> bool:
        """Whether an observer saw other things of this takeover and not its pass, who has the pass
        of nearly all others that he saw."""
        for tie in self.ties:
            sightings = tie.observer.sightings
            seen = {row.takeover for row in tie.rows if sightings[row.number].event == "pass"}
            others = {row.takeover for row in tie.rows} - {takeover}
            usual = len(seen & others) >= max(LEAST_PASSES_SEEN, SEES_PASSES * len(others))
            if usual and takeover not in seen and tie.used(takeover):
                return True
        return False

    @property
    def words(self) -> tuple[str, ...]:
        """What is to be said of the observers, a sentence each."""
        return tuple(words for tie in self.ties for words in tie.words)


@dataclass(frozen=True, eq=False)
class PassAsSeen(Frozen):
    """The rows on one takeover's pass that count, those that are misread, and those of the first
    that may be, with the chance of that. `missed`: who sees passes otherwise has none here."""

    right: tuple[SeenPass, ...]
    misread: tuple[SeenPass, ...]
    doubtful: tuple[tuple[SeenPass, float], ...]
    missed: bool = False

    def in_words(self) -> list[str]:
        """A sentence for each row that is doubted."""
        missed = "an observer saw other things of this takeover, and no pass"
        return [
            *([missed] if self.missed else []),
            *(
                f"{row.tie.observer.id} has the pass where it cannot be ({_why_not(row)}): not used"
                for row in self.misread
                if not row.says_nothing
            ),
            *(
                f"{row.tie.observer.id} has the pass elsewhere than the traces have it ({p:.0%} "
                "that it is misread): both are allowed for"
                for row, p in self.doubtful
            ),
        ]


def _why_not(seen: SeenPass) -> str:
    if seen.swapped:
        return "the hand goes back after it, swapped?"
    if seen.says_nothing:
        return "nothing else of this takeover ties its clock"
    return "the traces contradict it"


def watch(
    observers: Sequence[Observer],
    seen: Sequence[SeenTakeover],
    gates: GatePlaces,
    inferred: Mapping[int, Estimate],
) -> Watched:
    """Tie the observers that help to measure. `inferred` are the passes as the traces have them
    (UTC, s), by takeover, for films that show nothing else."""
    ties = tuple(
        tie
        for one in observers
        if one.use == "measure"
        for tie in tie_in_parts(one, seen, gates, inferred)
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
    doubts: dict[int, float] = {}
    for seen in seen_passes(watched.ties, takeover, one):
        p_wrong = 1.0
        if belief is not None and one.course is not None and can_be(seen, one.course):
            p_wrong = chance_pass_misread(seen, one.course, belief.weight)
        if p_wrong <= MISREAD_P:
            right.append(seen)
            doubts[len(right) - 1] = p_wrong
        else:
            wrong.append(seen)
    doubtful = tuple((right[i], p) for i, p in doubts.items() if p > DOUBTED_P)
    missed = not right and watched.missed_pass(takeover)
    return PassAsSeen(tuple(right), tuple(wrong), doubtful, missed)


def observation_rows(
    watched: Watched,
    takeover: int,
    one: SeenTakeover,
    as_seen: PassAsSeen,
    others: Floats | None,
    refused: Mapping[tuple[str, int], str],
    zero_utc_s: float,
) -> list[ObservationRow]:
    """The rows of table `observations` on one takeover. `others` is what the other reps say (see
    `passes.believe`), `refused` why rows on the receiving hand are not used (see `hand_back`)."""
    found = compare_lines(watched.before[takeover], watched.lines[takeover])
    found += _compare_misread(watched.ties, takeover, one)
    zero = one.fit.problem.zero_utc_s
    for rows, used in ((as_seen.right, True), (as_seen.misread, False)):
        for seen in rows:
            words = "" if used else f"{_why_not(seen)}: not used"
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
                    remarks=() if why is None else (why,),
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
    ties = [
        tie
        for one in observers
        if one.use == "check"
        for tie in tie_in_parts(one, seen, gates, inferred)
    ]
    for tie in ties:
        words += tie.words
        for i, one in enumerate(seen):
            found = _compare_held_out(tie, i, one, beliefs.get(i))
            out += [(i, observation_row(row, one, zeros_utc_s[i])) for row in found]
    out += left_over_rows(ties)
    return out, tuple(words)


def _compare_held_out(
    tie: Tie,
    takeover: int,
    one: SeenTakeover,
    believed: tuple[passes.PassBelief, Floats] | None,
) -> list[Comparison]:
    found = [
        compare_unused(one, tie, row, "")
        for row in tie.rows
        if row.takeover == takeover and row.told is not None and not tie.shared_sd_s
    ]
    found += _compare_hands((tie,), takeover, one, {}, used=False)
    for row in seen_passes((tie,), takeover, one):
        why = ""
        if believed is None or one.course is None or one.log_seen is None:
            why = "no pass was measured"
        elif tie.shared_sd_s:
            why = "these passes alone tie its clock: nothing independent to compare with"
        elif row.says_nothing:
            why = _why_not(row)
        if why or believed is None or one.course is None or one.log_seen is None:
            found.append(Comparison(tie, row.number, False, remarks=(why,)))
            continue
        exit_m, zero = one.case.problem.axis.exit_m, one.fit.problem.zero_utc_s
        found.append(
            compare_pass(
                row, one.course, one.log_seen, believed[1], exit_m, zero, used=False, words=""
            )
        )
    return found


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


def in_file_order(
    rows: Sequence[ObservationRow], order: Mapping[str, int]
) -> tuple[ObservationRow, ...]:
    """The rows by observer, in the order given, and then as they stand in its file."""
    return tuple(sorted(rows, key=lambda row: (order[str(row["observer"])], _line_of(row))))


def _line_of(row: ObservationRow) -> int:
    line = row["line"]
    return line if isinstance(line, int) else 0
