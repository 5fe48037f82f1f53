"""The relay, the lane and the zones that traces suggest at a venue, before anything is measured."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from threadpoolctl import threadpool_limits

from pipeline.base.values import Recording, RecordingSpec, Venue, ZoneAxis
from pipeline.errors import VenueError
from pipeline.measure import finding, lanes, noise, reps, zones
from pipeline.measure.clock import ties
from pipeline.measure.traces import choose_units

RELAYS = ("4x100", "4x400", "4x200")  # by how often a venue is laid out for one


@dataclass(frozen=True)
class TracedLane:
    """What the traces show: `event` by the zones, `lane` of most takeovers (None where
    there is none), how many of how many takeovers lie there, and each runner's lane and zones."""

    event: str
    lane: int | None = None
    takeovers_there: int = 0
    takeovers: int = 0
    by_runner: Mapping[str, tuple[int, tuple[int, ...]]] = field(default_factory=dict)


def trace_lane(
    venue: Venue, pairs: Sequence[tuple[RecordingSpec, Recording]], event: str | None = None
) -> TracedLane:
    """Find takeovers in the traces, coarsely, and say where they were run.

    `event` is taken where it is given, else the one whose rules the venue's zones follow. Raises
    VenueError where none is.
    """
    relay, axes = _axes_of_relay(venue, RELAYS if event is None else (event,))
    with threadpool_limits(1, "blas"):
        found = _placed_takeovers(axes, pairs)
    if not found:
        return TracedLane(relay)
    counted = Counter(lane for _, lane, _ in found)
    lane = max(sorted(counted), key=lambda one: counted[one])
    by_runner = {}
    for runner in dict.fromkeys(name for pair, _, _ in found for name in pair):
        own = [(lane, zone) for pair, lane, zone in found if runner in pair]
        usual = Counter(lane for lane, _ in own).most_common(1)[0][0]
        by_runner[runner] = usual, tuple(sorted({zone for _, zone in own}))
    return TracedLane(relay, lane, counted[lane], len(found), by_runner)


def _axes_of_relay(venue: Venue, relays: Sequence[str]) -> tuple[str, tuple[ZoneAxis, ...]]:
    """The first of the relays under whose rules the venue's zones are zones, with their axes.

    Raises what stands in the way of the first, where none is.
    """
    problems = []
    for relay in relays:
        try:
            return relay, zones.venue_axes(venue, relay)
        except VenueError as err:
            problems.append(err)
    raise problems[0]


def _placed_takeovers(
    axes: Sequence[ZoneAxis], pairs: Sequence[tuple[RecordingSpec, Recording]]
) -> list[tuple[tuple[str, str], int, int]]:
    """Each takeover found: the pair, the lane and the zone."""
    traces, _, _ = choose_units(ties.tie(list(pairs), ()), axes)
    if len(traces) < 2:
        return []
    placed = finding.place_on_axes(traces, axes)
    lists = {i: finding.candidates(traces, own, axes[i], i) for i, own in placed.by_axis.items()}
    found = [
        one for one in finding.across_axes(list(lists.values()), axes, (), None) if one.completed
    ]
    if not found:
        return []
    slow = noise.fit_slow_error(reps.still_seconds(traces, placed.plane))
    rows = [(one, None) for one in found]
    there = lanes.place_in_lanes(rows, lists, axes, None, traces, placed.by_axis, slow)
    return [
        (one.candidate.pair, axes[one.candidate.axis].lane, axes[one.candidate.axis].zone)
        for one in there
    ]
