"""GPX and TCX: lists of points in XML."""
