"""What is taken where nobody says otherwise: defaults of options, settings and the card."""

from __future__ import annotations

# What a failure costs, in seconds of the baton's time: docs/advice.md says where these come from.
STAKES_S = {"heat": 10.0, "final": 3.0, "record": 1.0}
FAILURE_S = STAKES_S["final"]
COLLISION_S = 0.5  # what running into each other costs beyond the time it takes; 0: nothing
RISKY = 0.10  # a chance of failing, or of running into each other, that cards and pages point out
SEED = 1

FOOT_M = 0.30  # a shoe's length, where the runner's own is not known
FOOT_LIMITS_M = (0.15, 0.45)  # a shoe's length that is believed

# The standard track: World Athletics Track and Field Facilities Manual, 2.2.1.
RADIUS_M = 36.50  # of the kerb
STRAIGHT_M = 84.39
LANE_WIDTH_M = 1.22

# What is believed of a track of 400 m; conventions, wide enough for old and narrow grounds.
RADIUS_LIMITS_M = (15.0, 60.0)
STRAIGHT_LIMITS_M = (5.0, 150.0)
LANE_WIDTH_LIMITS_M = (0.8, 2.0)

SIGHT_SD_M = 0.5  # the contract: a place seen from beside the zone, good to half a metre

SEED_MAX = 2**63 - 1

# A gate's beam is broken by chest or arm, so far ahead of the unit on the trunk: half a chest's
# depth and an arm before it. From memory. The second is its standard error.
GATE_LEAD_M, GATE_LEAD_SD_M = 0.25, 0.10
