"""Whole jobs, as the command line asks for them: read, align, draw, pair, verify.

A job that cannot be done ends with a TimetrueError, whose message says what is wrong and what to
do; what it was to write is then as it was.
"""
