import tracemalloc

import numpy as np

from overlay.compare.equations import Account, design_of, laid_out
from overlay.compare.mixed import difference_of

ACCOUNT = Account(((0.2, 1.0),), ((1.0, 1.0),), ((0.5, 1.0),), ((25.0, 1.0),))


def test_residual_and_difference_are_those_of_generalised_least_squares_written_out():
    """Against y' (V^-1 - V^-1 X (X' V^-1 X)^-1 X' V^-1) y with the whole covariance V."""
    of_b = np.array([0, 1, 0, 1, 1, 0, 0, 1], dtype=bool)
    places, day = np.array([3.0, 1, 7, 4, 2, 5, 9, 6]), np.array([0, 0, 1, 1, 1, 1, 1, 1])
    y = np.array([6.0, 5.4, 6.3, 5.5, 5.6, 6.1, 6.2, 5.9])
    design = design_of(ACCOUNT, laid_out(of_b, places, days=day.tolist()))
    x = np.stack([np.ones(8), of_b], axis=1).astype(float)
    since = np.where(day == 0, places - 1, places - 2)
    middle = np.where(day == 0, places - 2, places - 33 / 6)
    same = np.equal.outer(day, day)
    still = np.diag(np.where(of_b, 0.2**0.5, 0.2**-0.5))
    still += (np.outer(middle, middle) + 0.5 * np.minimum.outer(since, since)) * same
    at = [(0, 3.0), (1, 4.0), (1, 5.0), (1, 6.0), (1, 7.0), (1, 9.0)]
    for row, (when, place) in enumerate(at):
        late = (day == when) & (places >= place)
        inverse = np.linalg.inv(still + 25 * np.outer(late, late))
        normal = x.T @ inverse @ x
        gain = np.linalg.solve(normal, x.T @ inverse)
        squares = y @ (inverse - inverse @ x @ gain) @ y
        assert np.isclose(design.squares(y[None])[0, row], squares, rtol=1e-10)
        assert np.allclose(design.estimate[row], gain[1], rtol=1e-10)
        assert np.isclose(design.variance[row], np.linalg.inv(normal)[1, 1], rtol=1e-10)
        log_prior = -np.log(6) + 0.5 * np.linalg.slogdet(inverse)[1]
        log_prior -= 0.5 * np.linalg.slogdet(normal)[1]
        assert np.isclose(design.log_prior[row], log_prior, rtol=1e-10)


def test_memory_grows_with_the_number_of_runs_and_not_with_its_square():
    def peak(runs: int) -> int:
        of_b = np.arange(runs) % 2 == 1
        values = np.random.default_rng(1).normal(6, 0.1, (3, runs))
        design_of.cache_clear()
        tracemalloc.start()
        difference_of(values, laid_out(of_b, range(runs)), floor=0.01)
        found = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
        return found

    assert peak(240) < 5 * peak(60)
