"""Figures: what is drawn, and the two pens that draw it."""
