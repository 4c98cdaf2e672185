"""Logs in: one module a format, cleaned and counted, in SI units."""
