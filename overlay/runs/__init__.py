"""Runs: launches and stops, kinematics, splits, marks."""
