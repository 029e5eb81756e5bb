"""Who may enter, as a browser really asks: the password page."""

from __future__ import annotations

from pathlib import Path

from playwright.sync_api import Browser, expect

from tests.browser.conftest import start_server
from voiceover.review_app.security import Gate
from voiceover.review_app.serve import LOOPBACK_NAMES
from voiceover.store.library import Library


def test_the_password_page_lets_in_whoever_knows_it(chromium: Browser, tmp_path: Path) -> None:
    server, thread, port = start_server(Library(tmp_path / "library"), Gate(LOOPBACK_NAMES, password="long enough"))
    context = chromium.new_context()
    page = context.new_page()
    try:
        page.goto(f"http://127.0.0.1:{port}/")
        page.get_by_label("Password").fill("a guess")
        page.get_by_role("button", name="Open").click()
        expect(page.get_by_label("Password")).to_have_value("")  # the page again
        page.get_by_label("Password").fill("long enough")
        page.get_by_role("button", name="Open").click()
        expect(page.get_by_role("heading", name="Breakdowns")).to_be_visible()
        assert page.url == f"http://127.0.0.1:{port}/"
    finally:
        context.close()
        server.should_exit = True
        thread.join(10)
