"""Which way a run went, against geodesics on the ellipsoid (geographiclib)."""

import numpy as np
import pytest
from geographiclib.geodesic import Geodesic

from overlay.runs.heading import heading_deg
from overlay.series import Series


def log(lat: list[float], lon: list[float]) -> tuple[Series, Series]:
    t_s = np.arange(float(len(lat)))
    return Series("latitude_deg", t_s, np.array(lat)), Series("longitude_deg", t_s, np.array(lon))


@pytest.mark.parametrize("azimuth", [0.0, 45.0, 100.0, 200.0, 315.0])
@pytest.mark.parametrize(("lat", "lon"), [(52.0, 0.5), (-37.8, 179.9999), (10.0, -180.0)])
def test_heading__is_that_of_the_geodesic(azimuth, lat, lon):
    end = Geodesic.WGS84.Direct(lat, lon, azimuth, 100.0)  # also across the date line
    found = heading_deg(*log([lat, end["lat2"]], [lon, end["lon2"]]), 0.0, 1.0)
    assert (found - azimuth + 180) % 360 - 180 == pytest.approx(0.0, abs=0.3)


def test_heading__not_known_near_by_or_beyond_the_log():
    end = Geodesic.WGS84.Direct(52.0, 0.5, 90.0, 8.0)
    near = log([52.0, end["lat2"]], [0.5, end["lon2"]])
    assert heading_deg(*near, 0.0, 1.0) is None
    end = Geodesic.WGS84.Direct(52.0, 0.5, 90.0, 12.0)
    far = log([52.0, end["lat2"]], [0.5, end["lon2"]])
    assert heading_deg(*far, 0.0, 1.0) == pytest.approx(90.0, abs=0.3)
    assert heading_deg(*far, 0.0, 1.5) is None
    assert heading_deg(*far, -0.5, 1.0) is None
