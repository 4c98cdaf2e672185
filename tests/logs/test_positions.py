import numpy as np
import pytest
from geographiclib.geodesic import Geodesic

from overlay.logs.positions import distinct_rows, local_distance_m, speed_from_positions


def distance_m(*degrees: float) -> float:
    return float(local_distance_m(*(np.array([value]) for value in degrees))[0])


@pytest.mark.parametrize(
    ("lat_deg", "latitude_km", "longitude_km"),
    [(0, 110.574, 111.320), (15, 110.649, 107.550), (30, 110.852, 96.486), (45, 111.132, 78.847)],
)
def test_local_distance__length_of_a_degree(
    lat_deg: float, latitude_km: float, longitude_km: float
) -> None:
    # Lengths of a degree on WGS 84, the standard table to the metre (values from memory).
    # A hundredth of a degree is measured, so a metre in 100 km is a centimetre here.
    north = distance_m(lat_deg - 0.005, 10.0, lat_deg + 0.005, 10.0)
    east = distance_m(lat_deg, 10.0, lat_deg, 10.01)
    assert north / 10 == pytest.approx(latitude_km, abs=6e-4)
    assert east / 10 == pytest.approx(longitude_km, abs=6e-4)


@pytest.mark.parametrize("lat_deg", [-60, -33, 0, 30, 52, 60])
def test_local_distance__agrees_with_geographiclib(lat_deg: float) -> None:
    # Independent reference: C. F. F. Karney, Algorithms for geodesics, J. Geodesy 87 (2013),
    # as implemented in the geographiclib package (its own tests hold it to nanometres).
    geodesic = Geodesic.WGS84
    for length_m, limit in ((1.0, 1e-8), (100.0, 1e-9), (1000.0, 1e-8), (10_000.0, 1e-6)):
        for azimuth_deg in range(0, 360, 15):
            end = geodesic.Direct(lat_deg, 10.0, azimuth_deg, length_m)
            found = distance_m(lat_deg, 10.0, end["lat2"], end["lon2"])
            assert found == pytest.approx(length_m, rel=limit)


def test_local_distance__across_the_180th_meridian() -> None:
    assert distance_m(10, 179.9995, 10, -179.9995) == pytest.approx(distance_m(10, 0, 10, 0.001))


def test_speed_from_positions__is_stamped_mid_way_and_stops_at_gaps_and_segments() -> None:
    t_s = np.array([0.0, 1.0, 2.0, 9.0, 10.0])
    lat_deg = np.array([0.0, 1.0, 2.0, 3.0, 4.0]) * 1e-4
    segment = np.array([0, 0, 1, 1, 1])
    mid_t_s, speed_mps = speed_from_positions(
        t_s, lat_deg, np.zeros(5), segment=segment, longest_step_s=2.5
    )
    assert mid_t_s.tolist() == [0.5, 9.5]
    assert speed_mps == pytest.approx([11.0574, 11.0574], rel=1e-4)


def test_distinct_rows__slow_receiver_and_standstill() -> None:
    # 10 rows a position; the vehicle stands for the first 58 rows.
    lat_deg = np.concatenate([np.zeros(58), np.repeat(1e-5 * np.arange(1, 9), 10)])
    rows = distinct_rows(lat_deg, np.zeros(len(lat_deg)))
    assert rows.tolist() == [0, 10, 20, 30, 40, 50, *range(58, 138, 10)]


def test_distinct_rows__receiver_as_fast_as_its_file_keeps_all() -> None:
    lat_deg = np.concatenate([np.zeros(30), 1e-5 * np.arange(30)])
    assert len(distinct_rows(lat_deg, np.zeros(60))) == 60
    assert len(distinct_rows(np.zeros(10), np.zeros(10))) == 10


def test_distinct_rows__repeats_that_vary_by_a_row() -> None:
    lat_deg = np.repeat(1e-5 * np.arange(12), [10, 9, 11, 10, 10, 11, 9, 10, 10, 11, 10, 10])
    rows = distinct_rows(lat_deg, np.zeros(len(lat_deg)))
    assert np.array_equal(lat_deg[rows], 1e-5 * np.arange(12))
