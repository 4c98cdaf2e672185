"""A desk over a copy of the ready-made day, asked without a network."""

import shutil
from pathlib import Path

import pytest
from starlette.testclient import TestClient

from overlay.desk.app import application
from overlay.desk.folder import Desk
from tests.demo_runs import CLIPS

PORT = 7043
HOST = f"http://127.0.0.1:{PORT}"
TOKEN = "a-key-for-this-test-only"


@pytest.fixture
def day(tmp_path: Path) -> Path:
    folder = tmp_path / "day"
    shutil.copytree(CLIPS, folder)
    return folder


def client_of(desk: Desk, **more: object) -> TestClient:
    """A browser that has not opened the address yet."""
    guarded = application(lambda: desk, token=TOKEN, apart_key=desk.apart_key, port=PORT)
    return TestClient(guarded, base_url=HOST, client=("127.0.0.1", 5), **more)


@pytest.fixture
def desk(day: Path):
    made = Desk(day)
    yield made
    made.close()


@pytest.fixture
def client(desk: Desk) -> TestClient:
    """A browser that has, asking as the desk's own page does."""
    made = client_of(desk)
    made.get("/", params={"token": TOKEN})
    made.headers["origin"] = HOST
    return made
