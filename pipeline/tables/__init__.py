"""Parquet tables of one OUT: their schemas, and how they are written, found and handed on."""
