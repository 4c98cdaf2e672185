"""Gauges: pure functions of values and size that give small RGBA pictures.

A gauge is built once for a size and its fixed settings, draws its static layers then, and gives a
picture for each set of values. The picture is straight-alpha RGBA in a buffer that the next call
draws over.
"""
