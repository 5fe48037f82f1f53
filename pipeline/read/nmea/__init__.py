"""NMEA 0183 logs."""
