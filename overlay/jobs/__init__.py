"""Whole jobs, as the command line asks for them: read, align, draw, pair, verify."""
