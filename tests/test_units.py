"""Units against their published definitions."""

import pytest

from overlay.errors import UsageError
from overlay.units import SPEED_UNITS, mps_to_speed, speed_to_mps


@pytest.mark.parametrize(
    ("value", "unit", "mps"),
    [
        # NIST Special Publication 811 (2008), appendix B.8: exact factors (from memory).
        (1.0, "mph", 0.44704),
        (1.0, "kn", 1852 / 3600),
        (1.0, "ft/s", 0.3048),
        (3.6, "km/h", 1.0),
    ],
)
def test_speed_to_mps__nist_factors(value, unit, mps):
    assert speed_to_mps(value, unit) == pytest.approx(mps, rel=1e-6)


@pytest.mark.parametrize("unit", SPEED_UNITS)
def test_speed_to_mps__there_and_back(unit):
    assert mps_to_speed(speed_to_mps(12.3, unit), unit) == pytest.approx(12.3, rel=1e-12)


def test_speed_to_mps__unknown_unit_is_named():
    with pytest.raises(UsageError, match="furlong"):
        speed_to_mps(1.0, "furlong")
