"""A whole relay run in a session: which takeovers belong to it, the baton's course, its legs."""
