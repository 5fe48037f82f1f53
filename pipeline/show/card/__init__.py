"""The card to print and take to the track."""
