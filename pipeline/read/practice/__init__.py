"""What a coach writes: the session, its practice sheet, the venue and its survey."""
