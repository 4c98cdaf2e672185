"""Fixtures shared by all tests."""

import os
from pathlib import Path

# As the command does, before numpy reads them: threads of small matrices wait more than they work.
for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

import numpy as np  # noqa: E402
import pytest  # noqa: E402

SHARED_DATA = Path(__file__).resolve().parents[2] / "shared" / "data"


@pytest.fixture
def rng() -> np.random.Generator:
    return np.random.default_rng(20260411)


@pytest.fixture(scope="session")
def shared_data() -> Path:
    """Real footage and logs, which lie beside the checkout on some machines only."""
    if not SHARED_DATA.is_dir():
        pytest.skip(f"real footage and logs are not at {SHARED_DATA}")
    return SHARED_DATA
