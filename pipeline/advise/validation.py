"""How far to believe the figures: what observers saw that was held out, against what was measured
without it.

Every observation with `use = "check"` that could be compared gives a difference d = observed less
estimated, with the standard error s that both state. They are judged by kind of observer and event.

*Far off.* A misread frame must spoil nothing. The centre is the weighted median, the scale the
median of |d - centre| / s, times 1.4826 [1] and at least 1. What lies farther than `FAR_OFF` scales
from the centre is counted and listed, and left out of the rest.

*Bias.* The mean of d, weighted by 1/s². Its standard error is the sandwich of sums over clusters,
with the factor G/(G-1) [2, 3]: once with takeovers as clusters and once with sessions, of which
the larger counts, since the rows of a takeover share its fit, and those of a session the survey,
the clocks and the film. With fewer than `FEW_CLUSTERS` takeovers, where sandwiches are too
small [3], it is at least what the stated standard errors alone make of it.

*Ratio.* The root mean square of z = d / s; honest standard errors give 1. Its standard error is
ratio / sqrt(2n), as for a normal law [4], or what the clusters say where that is more; n is the
number of rows, with fewer than `FEW_CLUSTERS` takeovers that of takeovers.

*The lead of gates.* The estimate of a gate's moment takes the beam to be broken `GATE_LEAD_M` ahead
of the unit. Each row says what it was, `GATE_LEAD_M` - d v with the speed v; one mean of all gates'
rows, robust and clustered as above, is taken out of every d before gates are judged, and its
standard error takes the place of `GATE_LEAD_SD_M` in s. What an arm's swing and a runner's build
make of a single crossing stays in d: it makes a ratio larger, never smaller. A system whose clock
is late by a constant looks the same as a shorter lead: 0.01 s is 0.09 m.

Sources
-------
[1] Huber & Ronchetti, Robust Statistics, 2nd ed. 2009, ch. 5. From memory.
[2] Liang & Zeger, Biometrika 73, 1986, 13-22.
[3] Cameron & Miller, Journal of Human Resources 50, 2015, 317-372: few clusters.
[4] Kendall & Stuart, The Advanced Theory of Statistics 1, 3rd ed. 1969, ch. 10. From memory.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Literal

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from pipeline.base.defaults import GATE_LEAD_M, GATE_LEAD_SD_M
from pipeline.base.values import Columns, Estimate, Floats, Ints
from pipeline.base.words import count
from pipeline.tables import schema

Texts = NDArray[np.object_]
Verdict = Literal["honest", "too small", "too large", "too few"]

FAR_OFF = 4.0
FEW_ROWS, FEW_TAKEOVERS = (
    8,
    3,
)  # below either nothing is concluded; a ratio of 8 is good to a quarter
FEW_CLUSTERS = 10
HONEST_FROM_TO = (0.8, 1.25)
# In s or m. What is stated finer than the first, or is off or unsure by more than the second, is no
# measurement.
FINEST, FARTHEST = 1e-6, 1e4
LEAST_LEFT = 0.25  # of a stated variance when the doubt of the lead is taken from it
LEAST_SPEED_MPS = 1.0  # below it seconds at a gate say nothing about metres
BODY_M = (0.0, 0.6)  # a lead beyond this is no body's: chest and a stretched arm, from memory
_MAD_TO_SD = 1.4826
_PARTS = {"a fifth": 1 / 5, "a quarter": 1 / 4, "a third": 1 / 3, "half": 1 / 2,
          "two thirds": 2 / 3, "three quarters": 3 / 4}  # fmt: skip


@dataclass(frozen=True, eq=False)
class Checks(Columns):
    """Comparisons, (n,) each: what was held out, against what was measured without it.

    `difference` and `sd` are in seconds where `quantity` is "time", else in metres; `speed_mps` is
    NaN where it is not known, `gate` is "" where the event is none.
    """

    kind: Texts
    event: Texts
    gate: Texts
    quantity: Texts
    session: Texts
    exchange: Ints
    observer: Texts
    line: Ints
    difference: Floats
    sd: Floats
    speed_mps: Floats

    @property
    def z(self) -> Floats:
        return self.difference / self.sd

    @property
    def at_beam(self) -> NDArray[np.bool_]:
        """(n,) which are moments at which a beam was broken."""
        told = (self.kind == "gates") & (self.event == "gate") & (self.quantity == "time")
        return np.asarray(told, dtype=bool)

    @property
    def takeovers(self) -> Ints:
        """A number for each row's takeover, (n,)."""
        return _numbered([f"{a} {b}" for a, b in zip(self.session, self.exchange, strict=True)])

    @property
    def sessions(self) -> Ints:
        return _numbered(self.session)


@dataclass(frozen=True, eq=False)
class Agreement:
    """How one kind of event agrees, over `checks`; figures in seconds or metres, by `quantity`.

    `gate` is None for all gates together, and where the event is no gate; `far_off` (n,) says which
    rows look misread; `rms_all` has those too.
    """

    kind: str
    event: str
    gate: str | None
    quantity: str
    checks: Checks
    far_off: NDArray[np.bool_]
    bias: Estimate
    rms: float
    rms_all: float
    ratio: Estimate
    verdict: Verdict
    lead_m: Estimate | None = None

    @property
    def unit(self) -> str:
        return "s" if self.quantity == "time" else "m"

    @property
    def decimals(self) -> int:
        """With how many its figures are written: milliseconds, centimetres."""
        return 3 if self.quantity == "time" else 2

    def beyond(self, sds: float) -> int:
        """How many rows differ by more than so many stated standard errors."""
        return int(np.sum(np.abs(self.checks.z) > sds))

    @property
    def worst(self) -> int:
        """The index of the row that is farthest off, in standard errors."""
        return int(np.argmax(np.abs(self.checks.z)))


@dataclass(frozen=True, eq=False)
class Agreements:
    """All of them, gates after `lead_m` was taken out (None: too few to say), and remarks."""

    groups: tuple[Agreement, ...]
    lead_m: Estimate | None
    remarks: tuple[str, ...] = ()


def judge_checks(observations: pa.Table) -> Agreements | None:
    """Judge the rows of the table `observations` that were held out; None where there are none.

    Rows without a takeover, or with nothing to compare them to, are counted in a remark; but for
    those of hands that go back, which observers alone can see.
    """
    held_out = observations.filter(pc.equal(observations["use"], "check"))
    if not len(held_out):
        return None
    held_out = held_out.filter(pc.not_equal(held_out["event"], "hand back"))
    checks, compared = gather_checks(held_out)
    remarks = []
    if compared < len(held_out):
        apart = len(held_out) - compared
        remarks.append(
            f"{count(apart, 'observation')} held out could not be compared: the table "
            "observations says why"
        )
    if len(set(checks.sessions)) == 1:
        remarks.append(
            "all of it is from one session: what its survey and its clocks have in common shows "
            "only beside other sessions"
        )
    lead = estimate_lead(checks.rows(checks.at_beam))
    if lead is not None:
        checks = without_lead(checks, lead)
        remarks += _lead_doubts(lead)
    return Agreements(_judge_groups(checks, lead), lead, tuple(remarks))


def gather_checks(held_out: pa.Table) -> tuple[Checks, int]:
    """The comparisons in rows of the table `observations`, moments and places apart; and how many
    rows have one at least."""
    rows = held_out.to_pylist()
    found = [(row, q, *_difference(row, q)) for row in rows for q in ("time", "place")]
    found = [
        one for one in found if one[0]["exchange"] is not None and FINEST <= one[3] <= FARTHEST
    ]

    def words(values: Sequence[str]) -> Texts:
        return np.array(values, dtype=object)

    whole = [one[0] for one in found]
    checks = Checks(
        kind=words([row["kind"] for row in whole]),
        event=words([row["event"] for row in whole]),
        gate=words([row["gate"] or "" for row in whole]),
        quantity=words([one[1] for one in found]),
        session=words([row["session"] for row in whole]),
        exchange=np.array([row["exchange"] for row in whole], dtype=np.intp),
        observer=words([row["observer"] for row in whole]),
        line=np.array([row["line"] for row in whole], dtype=np.intp),
        difference=np.array([one[2] for one in found], dtype=float),
        sd=np.array([one[3] for one in found], dtype=float),
        speed_mps=np.array(
            [math.nan if row["speed_mps"] is None else row["speed_mps"] for row in whole],
            dtype=float,
        ),
    )
    return checks, len({id(row) for row in whole})


def _difference(row: Mapping[str, Any], quantity: str) -> tuple[float, float]:
    """Observed less estimated and its stated standard error; (0, 0) where they are not known."""
    t, unit = ("_t", "s") if quantity == "time" else ("", "m")
    off = row[f"difference_{unit}"]
    sds = [row[f"{who}{t}_sd_{unit}"] for who in ("observed", "estimated")]
    if off is None or None in sds or abs(off) > FARTHEST:
        return 0.0, 0.0
    return off, math.hypot(*sds)


# --- the lead of gates --------------------------------------------------------------------


def estimate_lead(beams: Checks) -> Estimate | None:
    """How far ahead of the unit beams are broken [m]; None where there are too few to say."""
    moving = beams.rows(beams.speed_mps >= LEAST_SPEED_MPS)
    if _is_few(moving):
        return None
    ahead = GATE_LEAD_M - moving.difference * moving.speed_mps
    metres = replace(moving, difference=ahead, sd=moving.sd * moving.speed_mps)
    kept = ~_far_off(metres.difference, metres.sd)
    return _mean(metres.rows(kept))


def without_lead(checks: Checks, lead_m: Estimate) -> Checks:
    """The comparisons with moments at gates as they are when the beam is broken `lead_m` ahead of
    the unit; gates passed so slowly that this says nothing are left out.

    The doubt of the lead that was believed gives way to that of this one, as far as it was stated.
    """
    slow = checks.at_beam & ~(checks.speed_mps >= LEAST_SPEED_MPS)
    speed = np.where(checks.at_beam & ~slow, checks.speed_mps, 1.0)
    shift = np.where(checks.at_beam, (lead_m.value - GATE_LEAD_M) / speed, 0.0)
    change = np.where(checks.at_beam, (lead_m.sd**2 - GATE_LEAD_SD_M**2) / speed**2, 0.0)
    variance = np.maximum(checks.sd**2 + change, LEAST_LEFT * checks.sd**2)
    moved = replace(checks, difference=checks.difference + shift, sd=np.sqrt(variance))
    return moved.rows(~slow)


def _lead_doubts(lead: Estimate) -> list[str]:
    low, high = BODY_M
    if low <= lead.value + 2 * lead.sd and lead.value - 2 * lead.sd <= high:
        return []
    return [
        f"{lead.value:.2f} m is no body's depth: look at the gates' places in the venue and at "
        "the clock of the timing system"
    ]


# --- groups -------------------------------------------------------------------------------


def _judge_groups(checks: Checks, lead: Estimate | None) -> tuple[Agreement, ...]:
    kinds, events = (_values_of(name) for name in ("kind", "event"))
    out = []
    for kind in kinds:
        for event in events:
            for quantity in ("time", "place"):
                own = checks.rows(
                    (checks.kind == kind) & (checks.event == event) & (checks.quantity == quantity)
                )
                if not len(own.sd):
                    continue
                its_lead = lead if own.at_beam.all() else None
                out.append(_judge(own, None, its_lead))
                gates = sorted(set(own.gate) - {""})
                if len(gates) > 1:
                    out += [_judge(own.rows(own.gate == gate), gate, its_lead) for gate in gates]
    return tuple(out)


def _values_of(column: str) -> tuple[str, ...]:
    """The values that a column of `validation` may have, in their order."""
    return next(c.values for c in schema.facts("validation").columns if c.name == column)


def _judge(checks: Checks, gate: str | None, lead: Estimate | None) -> Agreement:
    far_off = _far_off(checks.difference, checks.sd)
    kept = checks.rows(~far_off)
    ratio = _ratio(kept)
    return Agreement(
        kind=str(checks.kind[0]),
        event=str(checks.event[0]),
        gate=gate,
        quantity=str(checks.quantity[0]),
        checks=checks,
        far_off=far_off,
        bias=_mean(kept),
        rms=_root_mean_square(kept.difference),
        rms_all=_root_mean_square(checks.difference),
        ratio=ratio,
        verdict="too few" if _is_few(kept) else _verdict(ratio),
        lead_m=lead,
    )


def _is_few(checks: Checks) -> bool:
    return len(checks.sd) < FEW_ROWS or len(set(checks.takeovers)) < FEW_TAKEOVERS


def _verdict(ratio: Estimate) -> Verdict:
    """Honest too where so few rows cannot tell the ratio from 1."""
    low, high = HONEST_FROM_TO
    if ratio.value > high and ratio.value - 2 * ratio.sd > 1:
        return "too small"
    if ratio.value < low and ratio.value + 2 * ratio.sd < 1:
        return "too large"
    return "honest"


# --- figures ------------------------------------------------------------------------------


def _far_off(difference: Floats, sd: Floats) -> NDArray[np.bool_]:
    """(n,) which rows lie farther than `FAR_OFF` scales from the centre."""
    off = (difference - _weighted_median(difference, 1 / sd)) / sd
    scale = max(1.0, _MAD_TO_SD * float(np.median(np.abs(off)))) if len(off) else 1.0
    out: NDArray[np.bool_] = np.abs(off) > FAR_OFF * scale
    return out


def _weighted_median(values: Floats, weights: Floats) -> float:
    if not len(values):
        return 0.0
    order = np.argsort(values)
    share = np.cumsum(weights[order])
    return float(values[order][np.searchsorted(share, share[-1] / 2)])


def _mean(checks: Checks) -> Estimate:
    """The mean of the differences, weighted, with what clusters leave of its standard error."""
    weight = 1 / checks.sd**2
    mean = float(np.average(checks.difference, weights=weight))
    scores = weight / weight.sum() * (checks.difference - mean)
    return Estimate(mean, _clustered_sd(scores, checks, float(weight.sum() ** -0.5)))


def _ratio(checks: Checks) -> Estimate:
    square = checks.z**2
    ratio = float(np.sqrt(square.mean()))
    takeovers = len(set(checks.takeovers))
    alone = ratio / math.sqrt(2 * (takeovers if takeovers < FEW_CLUSTERS else len(square)))
    if ratio == 0.0:
        return Estimate(0.0, alone)
    scores = (square - square.mean()) / len(square) / (2 * ratio)
    return Estimate(ratio, max(alone, _clustered_sd(scores, checks, alone)))


def _clustered_sd(scores: Floats, checks: Checks, alone: float) -> float:
    """The standard error of a sum of `scores` (n,), whose rows are related within a takeover and
    within a session; `alone`: that of unrelated rows."""
    takeovers, sessions = (
        _sandwich_sd(scores, clusters) for clusters in (checks.takeovers, checks.sessions)
    )
    few = len(set(checks.takeovers)) < FEW_CLUSTERS
    return max(takeovers, sessions, alone if few else 0.0)


def _sandwich_sd(scores: Floats, clusters: Ints) -> float:
    sums = np.bincount(clusters, weights=scores)
    n = len(sums)
    return math.sqrt(float(np.sum(sums**2)) * n / (n - 1)) if n > 1 else 0.0


def _root_mean_square(values: Floats) -> float:
    return float(np.sqrt(np.mean(np.square(values))))


def _numbered(values: Sequence[str] | Texts) -> Ints:
    """A number from 0 for each value, the same for the same."""
    return np.unique(np.asarray(values, dtype=str), return_inverse=True)[1].astype(np.intp)


# --- words --------------------------------------------------------------------------------


def subject_words(one: Agreement) -> str:
    """What was compared: "pass on film", "gate-entry", "all gates"."""
    event = one.event if one.event != "gate" else one.gate or "all gates"
    seen = {
        "film": f"{event} on film",
        "gates": event if one.event == "gate" else f"{event} at gates",
        "watch": f"{event} by stopwatch",
    }[one.kind]
    return f"place of the {seen}" if one.quantity == "place" else seen


def size_words(one: Agreement, size: float) -> str:
    """A time or a distance of its differences: "0.018 s"."""
    return f"{size:.{one.decimals}f} {one.unit}"


def conclude(one: Agreement) -> str:
    """What it means, in a sentence."""
    rows, agrees = len(one.checks.sd), size_words(one, one.rms)
    if one.verdict == "too few":
        return (
            f"{subject_words(one)}: {agrees} off so far, but too few to say "
            f"({count(rows, 'observation')} of {_takeover_words(one)})"
        )
    ratio = f"{one.ratio.value:.2f} ± {one.ratio.sd:.2f} of what they state"
    verb = "agree" if one.event == "gate" and one.gate is None else "agrees"
    subject = subject_words(one)
    parts = [f"{subject} {verb} to {agrees}", _verdict_words(one, ratio)]
    if abs(one.bias.value) > 2 * one.bias.sd and abs(one.bias.value) > one.rms / 4:
        parts.append(_bias_words(one))
    if far := int(one.far_off.sum()):
        size = size_words(one, one.rms_all)
        parts.append(
            f"{far} of {rows} is far off and left out (with it {size})"
            if far == 1
            else f"{far} of {rows} are far off and left out (with them {size})"
        )
    return "; ".join(parts)


def _takeover_words(one: Agreement) -> str:
    return count(len(set(one.checks.takeovers)), "takeover")


def _verdict_words(one: Agreement, ratio: str) -> str:
    value = one.ratio.value
    if one.verdict == "honest":
        unsure = ", as far as so few tell" if one.ratio.sd > 0.25 * max(value, 1.0) else ""
        return f"the standard errors are honest{unsure} ({ratio})"
    if one.verdict == "too small":
        return (
            f"the standard errors are too small by {_part_words(1 - 1 / value)}: multiply them by "
            f"{value:.1f} ({ratio})"
        )
    return (
        f"the standard errors are larger than they need be, by {_part_words(1 - value)} ({ratio})"
    )


def _part_words(share: float) -> str:
    """A share in the nearest words: "a third"."""
    return f"about {min(_PARTS, key=lambda word: abs(_PARTS[word] - share))}"


def _bias_words(one: Agreement) -> str:
    size = f"{abs(one.bias.value):.{one.decimals}f} ± {size_words(one, one.bias.sd)}"
    later = one.bias.value > 0
    if one.quantity == "place":
        return f"seen {size} {'farther on' if later else 'farther back'} than measured"
    return f"seen {size} {'later' if later else 'earlier'} than measured"


def lead_words(lead: Estimate) -> str:
    return f"Gates are broken {lead.value:.2f} ± {lead.sd:.2f} m ahead of the unit"


# --- the table ----------------------------------------------------------------------------


def validation_table(agreements: Agreements) -> pa.Table:
    """The table `validation`, one row an agreement."""
    rows = [_validation_row(one) for one in agreements.groups]
    names = schema.facts("validation").names
    return schema.conform("validation", {name: [row.get(name) for row in rows] for name in names})


def _validation_row(one: Agreement) -> dict[str, Any]:
    checks, worst, unit = one.checks, one.worst, one.unit
    row: dict[str, Any] = {
        "kind": one.kind,
        "event": one.event,
        "gate": one.gate,
        "quantity": one.quantity,
        "rows": len(checks.sd),
        "takeovers": len(set(checks.takeovers)),
        "sessions": len(set(checks.sessions)),
        "far_off": int(one.far_off.sum()),
        f"bias_{unit}": one.bias.value,
        f"bias_sd_{unit}": one.bias.sd,
        f"rms_{unit}": one.rms,
        f"rms_all_{unit}": one.rms_all,
        "ratio": one.ratio.value,
        "ratio_sd": one.ratio.sd,
        "beyond_2": one.beyond(2),
        "beyond_3": one.beyond(3),
        "worst_session": checks.session[worst],
        "worst_exchange": int(checks.exchange[worst]),
        "worst_observer": checks.observer[worst],
        "worst_z": float(checks.z[worst]),
        "verdict": one.verdict,
        "conclusion": conclude(one),
    }
    if one.lead_m is not None:
        row |= {"lead_m": one.lead_m.value, "lead_sd_m": one.lead_m.sd}
    return row
