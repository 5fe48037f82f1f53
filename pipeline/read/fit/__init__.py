"""FIT activity files."""
