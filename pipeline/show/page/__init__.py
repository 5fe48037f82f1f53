"""The page a coach reads."""
