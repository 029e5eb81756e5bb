"""The app over a library of its own, without a browser."""

from __future__ import annotations

from pathlib import Path

import pytest

pytest.importorskip("fastapi")
pytest.importorskip("httpx")

from fastapi.testclient import TestClient

from voiceover.review_app.security import Gate, cookie_name
from voiceover.review_app.serve import LOOPBACK_NAMES
from voiceover.review_app.server import make_app
from voiceover.store.library import Library

SAMPLE = Path(__file__).resolve().parents[2] / "sample_audio"
HOST = "127.0.0.1:8123"
COOKIE = cookie_name(HOST)


@pytest.fixture
def library(tmp_path: Path) -> Library:
    return Library(tmp_path / "library")


@pytest.fixture
def gate() -> Gate:
    return Gate(LOOPBACK_NAMES)


@pytest.fixture
def stranger(library: Library, gate: Gate) -> TestClient:
    """A client without the cookie."""
    return TestClient(make_app(library, gate), base_url=f"http://{HOST}", follow_redirects=False)


@pytest.fixture
def client(library: Library, gate: Gate) -> TestClient:
    """The coach's own browser."""
    client = TestClient(make_app(library, gate), base_url=f"http://{HOST}", follow_redirects=False)
    client.cookies.set(COOKIE, gate.session)
    client.headers["origin"] = f"http://{HOST}"
    return client
