"""Gauges: pure functions of values and size that give small RGBA pictures."""
