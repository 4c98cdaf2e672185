"""The command line: parse, validate, call one job, print."""
