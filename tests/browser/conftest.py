"""A server over a library of its own, and a real Chromium in front of it."""

from __future__ import annotations

import shutil
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest

pytest.importorskip("playwright")
pytest.importorskip("cv2")

import uvicorn
from playwright.sync_api import Browser, BrowserContext, Page, sync_playwright

from voiceover import Breakdown
from voiceover.review_app.security import Gate
from voiceover.review_app.serve import LOOPBACK_NAMES, Worker
from voiceover.review_app.server import make_app
from voiceover.store.library import Library

SAMPLE = Path(__file__).resolve().parents[2] / "sample_audio"
CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
# Nothing of the browser's own goes to the network; it runs as root on build machines.
ARGUMENTS = [
    "--no-sandbox", "--disable-background-networking", "--disable-component-update", "--disable-sync", "--no-first-run",
    "--autoplay-policy=no-user-gesture-required",
]  # fmt: skip
FAKE_MICROPHONE = ["--use-fake-device-for-media-stream", "--use-fake-ui-for-media-stream"]


@dataclass
class Served:
    """A running server."""

    library: Library
    gate: Gate
    port: int

    @property
    def address(self) -> str:
        return f"http://127.0.0.1:{self.port}"

    @property
    def start(self) -> str:
        return f"{self.address}/?token={self.gate.token}"


class _Server(uvicorn.Server):
    def install_signal_handlers(self) -> None:
        """Not in a thread."""


def start_server(library: Library, gate: Gate, port: int = 0) -> tuple[_Server, threading.Thread, int]:
    server = _Server(uvicorn.Config(make_app(library, gate), port=port, log_level="warning"))
    thread = threading.Thread(target=server.run, daemon=True)
    thread.start()
    while not server.started:
        time.sleep(0.02)
    return server, thread, server.servers[0].sockets[0].getsockname()[1]


@pytest.fixture
def served(tmp_path: Path) -> Iterator[Served]:
    library, gate = Library(tmp_path / "library"), Gate(LOOPBACK_NAMES)
    server, thread, port = start_server(library, gate)
    with Worker(library):
        yield Served(library, gate, port)
    server.should_exit = True
    thread.join(10)


@pytest.fixture
def kept(served: Served, demo: Breakdown) -> str:
    return served.library.add_breakdown(demo, narration=SAMPLE / "narration.ogg", clip=SAMPLE / "clip.mp4", title="Thursday shift")


@pytest.fixture(scope="session")
def launch() -> Iterator[Callable[..., Browser]]:
    """Starts a Chromium with further arguments; all from one driver, since there can be only one at a time."""
    if CHROMIUM is None:
        pytest.skip("no Chromium on this machine")
    with sync_playwright() as playwright:
        yield lambda *more: playwright.chromium.launch(executable_path=CHROMIUM, args=[*ARGUMENTS, *FAKE_MICROPHONE, *more])


@pytest.fixture(scope="session")
def chromium(launch: Callable[..., Browser]) -> Iterator[Browser]:
    browser = launch()
    yield browser
    browser.close()


@pytest.fixture
def context(chromium: Browser, served: Served) -> Iterator[BrowserContext]:
    context = chromium.new_context(viewport={"width": 1280, "height": 800})
    context.set_default_timeout(15_000)
    problems: list[str] = []
    context.on("weberror", lambda e: problems.append(str(e.error)))
    context.on("console", lambda m: problems.append(m.text) if m.type == "error" and "Failed to load resource" not in m.text else None)
    yield context
    context.close()
    assert problems == []


@pytest.fixture
def page(context: BrowserContext, served: Served) -> Page:
    page = context.new_page()
    page.goto(served.start)
    return page
