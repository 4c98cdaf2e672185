"""Scenes and layers on footage by the ffmpeg program: graphs, pipes, encoders, whole files.

What writes a film raises InputError, UsageError, OutputError or EncoderError as its message says;
then nothing is left of the target.
"""
