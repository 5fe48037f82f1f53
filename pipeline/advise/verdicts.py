"""One sentence a takeover: what happened and what to change, from its causes and nothing else."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pyarrow as pa

from pipeline.advise.causes import ADVISED, CausePart, TakeoverLoss
from pipeline.base.values import Estimate
from pipeline.base.words import capitalised, number_in_words, the_cause_in_words
from pipeline.tables import schema

# A cause is the main one where it stands out of its error, is worth a word, and costs more than
# any other beyond the error of their difference: then it is right nine times in ten.
CLEAR_SDS, LEAST_LOSS_S, AHEAD_SDS = 2.0, 0.03, 1.3
_MOST = {
    "start": "the start cost most",
    "incoming speed": "the incoming speed cost most",
    "outgoing speed": "the outgoing speed cost most",
    "reach": "the reach cost most",
    "braking": "the braking cost most",
    "pass place": "the pass place cost most",
    "rest": "the rest cost most",
}
_OUTSIDE = ("not passed", "passed before the zone", "passed beyond the zone")


@dataclass(frozen=True, slots=True)
class Verdict:
    """`main`: the cause that cost most, None where none stands out; `sentence`: what happened and
    what to change."""

    loss: TakeoverLoss
    main: str | None
    sentence: str


def judge_takeovers(losses: Sequence[TakeoverLoss]) -> list[Verdict]:
    """A verdict on each takeover, in the order of `losses`: that of time for every pair."""
    found: list[Verdict] = []
    before: defaultdict[tuple[str, str, str], list[Verdict]] = defaultdict(list)
    for loss in losses:
        earlier = before[loss.event, loss.incoming, loss.outgoing]
        main = find_main_cause(loss.parts)
        one = Verdict(loss, main, _sentence(loss, main, _times_before(loss, main, earlier)))
        found.append(one)
        earlier.append(one)
    return found


def verdicts_table(verdicts: Sequence[Verdict]) -> pa.Table:
    """The table `verdicts`: one row a takeover."""
    rows = [
        {
            "session": one.loss.session,
            "exchange": one.loss.exchange,
            "event": one.loss.event,
            "incoming": one.loss.incoming,
            "outgoing": one.loss.outgoing,
            "lost_s": None if one.loss.lost is None else one.loss.lost.value,
            "lost_sd_s": None if one.loss.lost is None else one.loss.lost.sd,
            "main_cause": one.main,
            "move_feet": one.loss.move_feet,
            "verdict": one.sentence,
        }
        for one in verdicts
    ]
    names = schema.facts("verdicts").names
    return schema.conform("verdicts", {name: [row[name] for row in rows] for name in names})


def find_main_cause(parts: Sequence[CausePart]) -> str | None:
    """The cause that cost most; None where none stands out, or what is left over may be more."""
    if not parts:
        return None
    most = max(parts, key=lambda part: part.lost.value)
    if most.cause == "rest" or most.lost.value < max(CLEAR_SDS * most.lost.sd, LEAST_LOSS_S):
        return None
    for other in parts:
        apart = AHEAD_SDS * float(np.hypot(most.lost.sd, other.lost.sd))
        if other is not most and most.lost.value - other.lost.value < apart:
            return None
    return most.cause


def _times_before(loss: TakeoverLoss, main: str | None, earlier: Sequence[Verdict]) -> int:
    """In how many of the pair's takeovers just before this one the tape was the main cause too, and
    to be moved the same way."""
    times = 0
    for one in reversed(earlier):
        same = (
            main == one.main == "mark" and (one.loss.move_feet or 0.0) * (loss.move_feet or 0.0) > 0
        )
        if not same:
            break
        times += 1
    return times


# --- the sentence -------------------------------------------------------------------------


def _sentence(loss: TakeoverLoss, main: str | None, before: int) -> str:
    if loss.lost is None:
        return _outside_sentence(loss) if loss.why in _OUTSIDE else f"Cannot be told: {loss.why}."
    parts = {part.cause: part for part in loss.parts}
    if main is None:
        return _no_cause_sentence(loss, loss.lost, parts)
    if main == "mark":
        return _tape_sentence(loss, parts, before)
    head = parts[main].note or _MOST[main]
    return _close(f"{capitalised(head)}: {_lost_words(parts[main])}", loss.notes.get("mark"))


def _tape_sentence(loss: TakeoverLoss, parts: dict[str, CausePart], before: int) -> str:
    """The tape (or the place of the receiver) cost most."""
    cost = _with_error(parts["mark"].lost)
    timely = loss.notes.get("start") == "left on time"
    where = parts["pass place"].note
    head = ", ".join([*(["on time"] if timely else []), *([where] if where else [])])
    better = loss.notes.get("mark", "").removeprefix(ADVISED)
    what = f"{better} would have saved {cost} s" if loss.move_feet or better else f"lost {cost} s"
    text = f"{capitalised(head)}: {what}" if head else capitalised(what)
    return _close(_with_times_before(text, before))


def _with_times_before(text: str, times: int) -> str:
    if not times:
        return text
    if times == 1:
        return f"{text}, as the time before"
    return f"{text}, as in the last {number_in_words(times)}"


def _no_cause_sentence(loss: TakeoverLoss, lost: Estimate, parts: dict[str, CausePart]) -> str:
    """No cause stands out: nothing was lost, or it cannot be told to what."""
    tape = loss.notes.get("mark")
    if lost.value > max(CLEAR_SDS * lost.sd, LEAST_LOSS_S):
        most = sorted(parts.values(), key=lambda part: -part.lost.value)[:2]
        told = ", ".join(
            f"{the_cause_in_words(part.cause)} {_with_error(part.lost)} s" for part in most
        )
        return _close(f"Lost {_with_error(lost)} s, and no one cause stands out: {told}", tape)
    if lost.value < -max(CLEAR_SDS * lost.sd, LEAST_LOSS_S):
        moved = sum(part.moved_pass_m or 0.0 for part in parts.values())
        way = "later" if moved > 0 else "earlier"
        gain = _with_error(Estimate(-lost.value, lost.sd))
        gained = f"{gain} s faster than on the best mark"
        if abs(moved) >= 1.0:
            gained = f"{gain} s faster than on the best mark, and {abs(moved):.0f} m {way}"
        where = parts["pass place"].note
        text = f"{capitalised(where)}: {gained}" if where else capitalised(gained)
        return _close(text, _start_word(loss), tape)
    size = f"{lost.value:+.2f} ± {max(lost.sd, 0.01):.2f}"
    return _close(f"Nothing lost that stands out ({size} s)", tape)


def _start_word(loss: TakeoverLoss) -> str | None:
    words = loss.notes.get("start")
    return None if words == "left on time" else words


def _outside_sentence(loss: TakeoverLoss) -> str:
    """No pass inside the zone: what differed from the usual, and the tape."""
    wrong = [_start_word(loss), loss.notes.get("incoming speed")]
    told = [words for words in wrong if words is not None]
    what, tape = capitalised(loss.why or ""), loss.notes.get("mark")
    if told:
        return _close(f"{what}: {'; '.join(told)}", tape)
    on_time = loss.notes.get("start")
    if tape is not None and tape.startswith(ADVISED):
        return _close(what if on_time is None else f"{what}, though {on_time}", tape)
    return _close(f"{what}, and it cannot be told why", on_time, tape)


def _lost_words(part: CausePart) -> str:
    lost, moved = _with_error(part.lost), part.moved_pass_m
    if moved is None or abs(moved) < 1.0:
        return f"lost {lost} s"
    return f"passed {abs(moved):.0f} m {'later' if moved > 0 else 'earlier'}, lost {lost} s"


def _with_error(one: Estimate) -> str:
    return f"{one.value:.2f} ± {max(one.sd, 0.01):.2f}"


def _close(text: str, *more: str | None) -> str:
    return "; ".join([text, *(words for words in more if words is not None)]) + "."
