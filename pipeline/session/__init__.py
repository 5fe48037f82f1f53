"""One session, from its files to its tables: the one place where the stages meet."""
