"""Tables to pages and pictures."""
