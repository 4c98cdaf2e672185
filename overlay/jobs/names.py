"""Names of files and folders that a day's jobs read and write."""

from __future__ import annotations

SHEET_NAME = "day.toml"
FOLDER = "day-results"
KEPT = "kept"  # in it: what is not worked out twice
FILMS = "films"  # in it, as the desk draws them
CLIPS = "results-clips"  # in it, beside the page
CLIP_SUFFIXES = {".mp4", ".mov", ".m4v", ".mkv", ".avi", ".mts", ".m2ts", ".ts", ".webm", ".3gp"}
LOG_SUFFIXES = {".gpx", ".csv", ".tsv", ".txt", ".nmea", ".log", ".xml", ".fit", ".srt", ".vtt"}
