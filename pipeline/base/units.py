"""What units hold of others."""

DAY_S = 86_400  # POSIX days, without leap seconds
WEEK_S = 7 * DAY_S
