"""Footage in: facts, small upright pictures at their true times, sound."""
