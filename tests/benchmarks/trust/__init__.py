"""Hostile and damaged input by the thousand, each command with its seed printed."""
