"""A day sheet without mistakes, and ways to spoil it."""

from pathlib import Path

GOOD = """\
# Timing runs of a village cyclekart club on a disused airfield taxiway.
[report]
title = "Saturday"
speed_unit = "mph"
splits = ["20 mph", "10 m/s", "60 m", "330 ft rollout"]
worth_noticing_s = 0.15
worth_noticing_mps = 0.4

[vehicle]
name = "Club cart"
mass_kg = 170
tyre_diameter_m = 0.56
gear_ratios = [9.4]
clutch = "centrifugal"
cylinders = 1
strokes = 4
idle_rpm = 1500
limiter_rpm = 3900
stock_limit_rpm = 4000

[conditions]
temperature_c = 18.5
pressure_hpa = 1009
humidity_percent = 60

[[builds]]
name = "A"
about = "as bought"

[[builds]]
name = "B"
price = 85
currency = "GBP"
parts = [
  { name = "open air filter", price = 26 },
  { name = "main jet", price = 11 },
  { name = "steel flywheel", price = 48 },
]
limiter_rpm = 5100

[[runs]]
name = "a1"
build = "A"
clip = "a1.mp4"
logs = ["a1.gpx", "a1_revs.csv"]

[[runs]]
name = "b1"
build = "B"
clip = "b1.mp4"
logs = [
  "b1.gpx",
]
notes = "gusty"
window_s = [2, 31.5]
counted = true
because = "the spin was after 60 m"

[runs.conditions]
headwind_mps = 2.5
"""
FILES = ("a1.mp4", "a1.gpx", "a1_revs.csv", "b1.mp4", "b1.gpx")


def written(folder: Path, text: str | bytes = GOOD) -> Path:
    """The sheet in a folder with the files it names (their content does not matter here)."""
    for name in FILES:
        (folder / name).write_bytes(b"x")
    sheet = folder / "day.toml"
    sheet.write_bytes(text.encode() if isinstance(text, str) else text)
    return sheet
