"""Every stream of a session on one clock, UTC, with standard errors."""
