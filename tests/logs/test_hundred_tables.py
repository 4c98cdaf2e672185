"""Tables as regional settings, spreadsheets and loggers write them: right or refused."""

from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest

from overlay.errors import InputError
from overlay.logs import RPM, read_log

from .samples import START

COUNT = 80
T_S = 3.0 + np.arange(COUNT) / 10
SPEED_MPS = np.round(0.25 * np.arange(COUNT) % 17, 2)
RPMS = 800 + 37 * np.arange(COUNT)


def written(value: float, places: int, decimal: str, group: str) -> str:
    text = f"{value:,.{places}f}"
    return text.replace(",", "\0").replace(".", decimal).replace("\0", group)


TIMES: dict[str, tuple[str, Callable[[float, str, str], str]]] = {
    "s": ("time (s)", lambda t, d, g: written(t, 1, d, "")),
    "s, 3 places": ("time (s)", lambda t, d, g: written(t, 3, d, "")),
    "ms": ("time (ms)", lambda t, d, g: written(1000 * t, 0, d, "")),
    "ms, grouped": ("time (ms)", lambda t, d, g: written(1000 * t, 0, d, g)),
    "ms, 3 places": ("time (ms)", lambda t, d, g: written(1000 * t, 3, d, "")),
    "no unit": ("time", lambda t, d, g: written(t, 3, d, "")),
    "min": ("time (min)", lambda t, d, g: written(t / 60, 6, d, "")),
    "epoch ms": ("time", lambda t, d, g: f"{START.timestamp() * 1000 + 1000 * t:.0f}"),
    "epoch s": ("time", lambda t, d, g: written(START.timestamp() + t, 1, d, "")),
    "serial": (
        "time",
        lambda t, d, g: written(
            (START + timedelta(seconds=t) - datetime(1899, 12, 30, tzinfo=UTC)) / timedelta(days=1),
            9,
            d,
            "",
        ),
    ),
    "iso": ("time", lambda t, d, g: (START + timedelta(seconds=t)).isoformat()),
    "day first": (
        "time",
        lambda t, d, g: f"{START:%d.%m.%Y %H:%M}:{written(t, 1, d, '').zfill(4)}",
    ),
    "clock": ("time", lambda t, d, g: f"10:00:{written(t, 2, d, '').zfill(5)}"),
}


WITH_3_PLACES = ("s, 3 places", "ms, 3 places", "no unit")


@pytest.mark.parametrize("seed", range(100))
def test_table__right_or_refused(tmp_path: Path, seed: int) -> None:
    rng = np.random.default_rng([61, seed])
    decimal, group = ((".", ","), (",", "."), (".", ""), (",", ""), (",", "\u202f"), (".", "'"))[
        int(rng.integers(0, 6))
    ]
    delimiter = str(rng.choice([",", ";", "\t"]))
    kind = str(rng.choice(list(TIMES)))
    order = (
        np.arange(COUNT),
        np.arange(COUNT)[::-1],
        np.arange(COUNT) ^ 1,
        rng.permutation(COUNT),
    )[int(rng.integers(0, 4))]
    places = int(rng.choice([0, 1, 2, 3]))
    header, cell = TIMES[kind]
    columns = [header, "speed (km/h)", "rpm"]
    kmh = np.round(SPEED_MPS * 3.6, places)
    rows = [
        [
            cell(float(T_S[i]), decimal, group),
            written(float(kmh[i]), places, decimal, group),
            written(float(RPMS[i]), 0, decimal, group),
        ]
        for i in order
    ]
    quoted = delimiter == ","
    lines = [[f'"{c}"' if quoted and "," in c else c for c in row] for row in rows]
    path = tmp_path / "run.csv"
    path.write_text("\n".join(delimiter.join(row) for row in [columns, *lines]) + "\n")
    log, refused = None, ""
    try:
        log = read_log(path)
    except InputError as error:
        refused = str(error)
    if log is None:
        # A reason to refuse: nothing in the table shows which sign parts the decimals.
        assert "nothing in the table shows" in refused
        assert group in (",", ".") or places == 3 or kind in WITH_3_PLACES
        return
    assert log.speed is not None
    t_s = log.speed.t_s - log.speed.t_s[0]
    assert t_s == pytest.approx(T_S - T_S[0], abs=2e-4)
    assert log.speed.values * 3.6 == pytest.approx(kmh, abs=1e-6)
    assert log.channels[RPM].values == pytest.approx(RPMS)
