"""Tables to decisions: runners, marks, running orders, progress."""
