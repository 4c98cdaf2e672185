"""Fixtures shared by all tests."""

from pathlib import Path

import numpy as np
import pytest

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
