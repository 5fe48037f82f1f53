"""Many sessions: which have changed, and where they are measured."""
