"""What to do at the track when passes come elsewhere than foretold: a rule for two in a row.

"Expect the pass at 14 ± 3 m. Two in a row beyond 18 m: one foot nearer." The limits lie so far from
the expected place that on the right mark two takeovers in a row beyond one of them are rarer than
one in twenty. A single takeover says too little of a mark: it spreads by metres from rep to rep.
docs/advice.md says how the rule did with simulated squads.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from statistics import NormalDist

RARE = 1.0 / 20.0  # two in a row beyond either limit, on the right mark
BEYOND = math.sqrt(RARE / 2.0)  # one beyond the far limit, or before the near one


@dataclass(frozen=True, slots=True)
class TrackRule:
    """Limits for two passes in a row, in whole metres past the entry line. Beyond `far_m`, or not
    passed because the receiver ran away, the mark comes a foot nearer; before `near_m` it goes a
    foot farther."""

    near_m: int
    far_m: int


def track_rule(
    pass_m: float, pass_spread_m: float, p_in_zone: float, p_ran_away: float, zone_m: float
) -> TrackRule | None:
    """The rule of one mark, from the columns of the table `marks` and the zone's length [m].

    None where hardly any baton passes inside the zone, so that there is nothing to expect.
    """
    if p_in_zone <= 2.0 * BEYOND:
        return None
    before = max(0.0, 1.0 - p_in_zone - p_ran_away)

    def reach(outside: float) -> float:
        """How far from the expected place the limit lies, in metres; infinite where passes outside
        the zone alone are as frequent as that."""
        left = (BEYOND - outside) / p_in_zone
        return math.inf if left <= 0.0 else -NormalDist().inv_cdf(left) * pass_spread_m

    near, far = pass_m - reach(before), pass_m + reach(p_ran_away)
    return TrackRule(
        near_m=0 if near < 0.0 else math.floor(near),
        far_m=math.floor(zone_m) if far > zone_m else math.ceil(far),
    )
