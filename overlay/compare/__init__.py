"""Comparison: statistics, verdicts, value for money, power."""
