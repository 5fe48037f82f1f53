"""One clock for every stream of a session."""
