"""What is taken where nobody says otherwise: defaults of options, settings and the card."""

from __future__ import annotations

RISK = 0.10  # accepted chance that the baton does not pass inside the zone
HALF_LIFE_DAYS = 60.0  # after which a takeover counts half
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
