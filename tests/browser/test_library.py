"""The library page in a real browser: what is typed stays, what was given once is remembered whole, what goes wrong is said."""

from __future__ import annotations

from playwright.sync_api import Page, expect
from sqlalchemy import update

from tests.browser.conftest import Served
from voiceover.review_app.recordings import Recordings, RecordingStart
from voiceover.store.tables import BreakdownRow

ROSTER = [
    {
        "name": "Ruben Tarrant",
        "number": "17",
        "team": "white",
        "focus": True,
        "nicknames": ["Tarzan"],
        "say_as": ["roo-ben"],
        "position": "C",
    },
    {"name": "Jonas Weir", "number": "9", "team": "white", "focus": True, "nicknames": ["Wheels"], "say_as": [], "position": "D"},
]


def roster_of(page: Page) -> list[dict[str, object]]:
    """What the page would send."""
    return list(page.evaluate("async () => (await import('/static/ice_time.js')).iceTime().roster"))


def test_a_half_typed_consent_outlives_the_look_at_the_list(page: Page, served: Served, kept: str) -> None:
    with served.library.sessions.begin() as session:
        session.execute(update(BreakdownRow).values(state="waiting"))
    page.goto(served.address)
    expect(page.locator("#list")).to_contain_text("being read")
    consent = page.locator("#players input").first
    consent.click()
    page.keyboard.type("his mo")
    page.locator("#list a").first.evaluate("node => { node.dataset.before = 'yes'; }")
    with page.expect_response("**/api/library"):
        pass
    page.wait_for_timeout(200)
    page.keyboard.type("ther")
    expect(consent).to_have_value("his mother")
    expect(page.locator("#list a[data-before]")).to_have_count(1)  # nothing changed, so nothing was drawn anew
    with served.library.sessions.begin() as session:
        session.execute(update(BreakdownRow).values(state="ready"))
    expect(page.locator("#list")).not_to_contain_text("being read")
    expect(consent).to_have_value("his mother")


def test_a_remembered_roster_keeps_nicknames_and_everybody_in_focus(page: Page, served: Served) -> None:
    served.library.remember("remembered", {"roster": ROSTER})
    page.goto(served.address)
    expect(page.locator("#roster")).to_have_value("*Ruben Tarrant, 17, white\n*Jonas Weir, 9, white")
    assert roster_of(page) == ROSTER
    page.evaluate("async () => (await import('/static/ice_time.js')).rememberIceTime()")
    assert served.library.setting("remembered")["roster"] == ROSTER
    # Another line, or another number, takes nothing from the others.
    page.fill("#roster", "*Ruben Tarrant, 71, white\n*Jonas Weir, 9, white\nEllis Corbin, 5, white")
    assert [(p["number"], p.get("nicknames")) for p in roster_of(page)] == [("71", ["Tarzan"]), ("9", ["Wheels"]), ("5", None)]


def test_a_recording_that_cannot_be_finished_says_why(page: Page, served: Served) -> None:
    Recordings(served.library).begin(RecordingStart(sample_rate=48_000))
    page.goto(served.address)
    page.get_by_role("button", name="Finish").click()
    expect(page.locator("#told")).to_contain_text("nothing was recorded")
    expect(page.locator("#told")).to_have_class("problem")
