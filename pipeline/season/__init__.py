"""Many sessions: what has changed, and where it is measured."""
