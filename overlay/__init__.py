"""Timetrue: gauges on run footage that are true at the moment they are shown."""
