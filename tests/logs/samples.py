"""Small logs written by hand for the tests: one constant-acceleration run at 10 Hz.

A cyclekart of the club leaves the line at 52° north: 3 m/s² from rest, going due north.
"""

from collections.abc import Callable
from datetime import UTC, datetime, timedelta

import numpy as np

START = datetime(2026, 5, 2, 10, 0, 0, tzinfo=UTC)
ACCEL_MPS2 = 3.0
# Radius of curvature in the meridian at 52° north on WGS 84, by its closed formula.
MERIDIAN_M = (
    6378137.0
    * (1 - 0.00669437999014)
    / ((1 - 0.00669437999014 * np.sin(np.radians(52)) ** 2) ** 1.5)
)


def truth(count: int = 60, step_s: float = 0.1) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Times in s, speeds in m/s, latitudes in degrees."""
    t_s = np.arange(count) * step_s
    distance_m = ACCEL_MPS2 * t_s**2 / 2
    return t_s, ACCEL_MPS2 * t_s, 52.0 + np.degrees(distance_m / MERIDIAN_M)


def stamp(t_s: float) -> str:
    return (START + timedelta(seconds=round(float(t_s), 6))).isoformat().replace("+00:00", "Z")


def gpx(
    inner: Callable[[int, float], str] = lambda row, speed: "",
    *,
    version: str = "1.1",
    count: int = 60,
    namespaces: str = 'xmlns:club="urn:example:club"',
) -> str:
    """A GPX file; `inner` gives what stands in a point after its time."""
    t_s, speed_mps, lat_deg = truth(count)
    points = "\n".join(
        f'<trkpt lat="{lat_deg[i]:.9f}" lon="0.5"><ele>20.0</ele><time>{stamp(t_s[i])}</time>'
        f"{inner(i, float(speed_mps[i]))}</trkpt>"
        for i in range(count)
    )
    return (
        '<?xml version="1.0" encoding="UTF-8"?>\n'
        f'<gpx version="{version}" creator="club timing"'
        f' xmlns="http://www.topografix.com/GPX/{version.replace(".", "/")}" {namespaces}>\n'
        f"<trk><name>Run</name><trkseg>\n{points}\n</trkseg></trk>\n</gpx>\n"
    )


def sentence(body: str) -> str:
    """An NMEA 0183 sentence with its checksum: exclusive-or between $ and *."""
    total = 0
    for char in body:
        total ^= ord(char)
    return f"${body}*{total:02X}\r\n"


def hhmmss(t_s: float) -> str:
    whole = START + timedelta(seconds=round(float(t_s), 6))
    return f"{whole:%H%M%S}.{whole.microsecond // 10000:02d}"


def rmc(clock: str, knots: float | str, *, talker: str = "GP", day: str = "020526") -> str:
    speed = knots if isinstance(knots, str) else f"{knots:.2f}"
    return sentence(f"{talker}RMC,{clock},A,5200.0000,N,00030.0000,E,{speed},0.0,{day},,,A")


def vtg(kmh: float, *, talker: str = "GP") -> str:
    return sentence(f"{talker}VTG,0.0,T,,M,{kmh / 1.852:.3f},N,{kmh:.3f},K,A")


def gga(clock: str, *, lat_deg: float = 52.0, quality: int = 1, talker: str = "GP") -> str:
    degrees = int(lat_deg)
    minutes = (lat_deg - degrees) * 60
    return sentence(
        f"{talker}GGA,{clock},{degrees:02d}{minutes:08.5f},N,00030.00000,E,{quality},10,0.9,20.0,M,,M,,"
    )


def table(header: str, row: Callable[[int], str], *, count: int = 60, end: str = "\n") -> str:
    return end.join([header, *(row(index) for index in range(count)), ""])


def nmea() -> str:
    return "".join(
        rmc(hhmmss(t), v / 0.5144) + vtg(3.6 * v) + gga(hhmmss(t), lat_deg=lat)
        for t, v, lat in zip(*truth(20), strict=True)
    )


GOOD: dict[str, bytes] = {
    "gpx": gpx(
        lambda i, v: f"<extensions><club:speed>{v:.2f}</club:speed></extensions>", count=20
    ).encode(),
    "gpx 1.0": gpx(lambda i, v: f"<speed>{v:.2f}</speed>", version="1.0", count=20).encode(),
    "nmea": nmea().encode(),
    "table": table("t_s,speed_kmh,rpm", lambda i: f"{i / 10:.1f},{i},{1800 + i}").encode(),
    "dated table": table(
        "utc;Speed [km/h];lat;lon",
        lambda i: f"2026-05-02T10:00:{i:02d}.500Z;{i},5;52,{i:04d};0,5",
    ).encode(),
    "clock table": table("date,time,speed (mph)", lambda i: f"2026-05-02,10:00:{i:02d},{i}").encode(
        "utf-16"
    ),
    "epoch table": table("timestamp\trpm", lambda i: f"{1777716000 + i}\t{1800 + i}").encode(),
}
