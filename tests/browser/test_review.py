"""The review page in a real browser: keys, reload, two tabs, accessibility."""

from __future__ import annotations

import dataclasses
import re

import pytest
from playwright.sync_api import BrowserContext, Page, Route, expect

from tests.browser.conftest import Served
from voiceover import Breakdown
from voiceover.corrections import in_force
from voiceover.store.people import all_players, set_consent

axe_runner = pytest.importorskip("axe_playwright_python.sync_playwright")


def open_review(page: Page, served: Served, breakdown_id: str) -> None:
    page.goto(f"{served.address}/review/{breakdown_id}")
    page.wait_for_selector("tr.row")


def choose(page: Page, text: str) -> None:
    page.locator("tr.row", has_text=text).first.click()


def test_five_corrections_by_keys_are_there_after_a_reload(page: Page, served: Served, kept: str) -> None:
    open_review(page, served, kept)
    rows = page.locator("tr.row").count()
    status = page.locator("#told")
    choose(page, "Escape turn")
    page.keyboard.type("sm")
    expect(status).to_have_text("Kept: status.")
    choose(page, "Stick target")
    page.keyboard.press("x")
    expect(page.locator("tr.row")).to_have_count(rows - 1)
    choose(page, "Bump pass")
    page.keyboard.press("p")
    page.keyboard.type("give")
    page.keyboard.press("Enter")
    expect(status).to_have_text("Kept: principle.")
    page.keyboard.press(".")
    expect(status).to_have_text("Kept: retime.")
    choose(page, "Escape turn")
    page.keyboard.type("o2")
    expect(status).to_have_text("Kept: possession.")
    page.keyboard.press("m")
    page.keyboard.type("Well skated.")
    page.keyboard.press("Tab")
    expect(status).to_have_text("Kept: message.")
    kinds = [c.kind for c in in_force(served.library.corrections(kept))]
    assert kinds == ["status", "reject", "principle", "retime", "possession", "message"]
    page.reload()
    page.wait_for_selector("tr.row")
    turn = page.locator("section.possession", has_text="Possession 2").locator("tr.row", has_text="Escape turn")
    expect(turn).to_contain_text("missed")
    expect(page.locator("tr.row", has_text="Give and go")).not_to_have_count(0)
    expect(page.locator("#message")).to_have_value("Well skated.")
    for _ in kinds:
        page.locator("h1").click()
        page.goto(f"{served.address}/review/{kept}")
        page.wait_for_selector("tr.row")
        page.keyboard.press("z")
        page.wait_for_timeout(150)
    expect(page.locator("tr.row")).to_have_count(rows)
    assert in_force(served.library.corrections(kept)) == []


def test_two_tabs_see_each_other_and_lose_nothing(context: BrowserContext, page: Page, served: Served, kept: str) -> None:
    other = context.new_page()
    for tab in (page, other):
        open_review(tab, served, kept)
    choose(page, "Escape turn")
    page.keyboard.press("c")
    choose(other, "Stick target")
    other.keyboard.type("sa")
    for tab in (page, other):
        expect(tab.locator("tr.row", has_text="Escape turn").first).to_contain_text("looked at")
        expect(tab.locator("tr.row", has_text="Stick target").first).to_contain_text("attempted")
    assert len(served.library.corrections(kept)) == 2


def test_changed_words_that_are_taken_back_bring_their_sentences_back(page: Page, served: Served, kept: str) -> None:
    open_review(page, served, kept)
    sentences = page.locator("[data-sentence]")
    before = sentences.count()
    choose(page, "Escape turn")
    page.keyboard.press("e")
    words = page.locator("#ask textarea")
    words.fill(f"One more thing. And another one. {words.input_value()}")
    page.keyboard.press("Enter")
    expect(sentences).to_have_count(before + 2, timeout=240_000)  # read again
    for key, there in (("z", before), ("y", before + 2), ("z", before)):
        page.keyboard.press(key)
        expect(sentences).to_have_count(there)
    row = page.locator("tr.row").last
    row.click()
    page.keyboard.press("K")
    expect(page.locator("#told")).to_have_text("Kept: withhold.")
    anchor = in_force(served.library.corrections(kept))[-1].anchor
    quote = row.locator("td.said").inner_text().split("”")[0].removeprefix("“")
    assert anchor is not None and quote in anchor.quote


def test_neighbouring_sentences_are_kept_back_and_let_go_one_by_one(page: Page, served: Served, demo: Breakdown) -> None:
    overlapping = [dataclasses.replace(w, end_narration_s=w.end_narration_s + 0.6) for w in demo.words]
    open_review(page, served, served.library.add_breakdown(demo.model_copy(update={"words": overlapping})))
    hidden = page.locator("[data-sentence].withheld")

    def keep_back_or_let_go(row: str, *left: str) -> None:
        choose(page, row)
        page.keyboard.press("K")
        expect(hidden).to_have_text([re.compile(words) for words in left])

    keep_back_or_let_go("peeks behind him", "peeks behind")
    keep_back_or_let_go("Escape turn", "peeks behind", "spins away")
    keep_back_or_let_go("peeks behind him", "spins away")
    keep_back_or_let_go("Escape turn")


def test_single_keys_are_switched_off_without_a_mouse(page: Page, served: Served, kept: str) -> None:
    open_review(page, served, kept)
    page.focus("#single-keys")
    page.keyboard.press(" ")
    expect(page.locator("#single-keys")).not_to_be_checked()
    assert page.evaluate("document.getElementById('talk').paused")
    choose(page, "Escape turn")
    page.keyboard.press("c")
    page.wait_for_timeout(300)
    assert served.library.corrections(kept) == []


def test_a_selected_piece_of_a_sentence_becomes_a_row(page: Page, served: Served, kept: str) -> None:
    open_review(page, served, kept)
    choose(page, "Escape turn")
    page.evaluate(
        """() => {
          const p = [...document.querySelectorAll('[data-sentence]')].find((n) => n.textContent.includes('near wall'));
          const text = p.firstChild, at = text.data.indexOf('near wall');
          const range = document.createRange(); range.setStart(text, at); range.setEnd(text, at + 9);
          getSelection().removeAllRanges(); getSelection().addRange(range);
        }"""
    )
    page.keyboard.press("a")
    page.keyboard.type("delay")
    page.keyboard.press("Enter")
    expect(page.locator("#told")).to_have_text("Kept: add.")
    added = [m for m in served.library.reviewed(kept).breakdown.mentions if m.found_by == "reviewer"]
    assert [m.quote for m in added] == ["near wall"]


def test_the_clip_follows_the_talk_with_its_pauses(page: Page, served: Served, kept: str) -> None:
    open_review(page, served, kept)
    playhead = served.library.reviewed(kept).breakdown.playhead
    paused = next(r for i, r in enumerate(playhead) if r.rate == 0 and playhead[i + 1].narration_s - r.narration_s > 2)
    runs = next(r for i, r in enumerate(playhead) if r.rate == 1 and playhead[i + 1].narration_s - r.narration_s > 2)
    for _ in range(100):  # wait_for_function would need the page to allow eval
        if page.evaluate("document.getElementById('clip').readyState >= 2 && document.getElementById('talk').readyState >= 2"):
            break
        page.wait_for_timeout(50)

    def clip_at(narration_s: float) -> float:
        page.evaluate("s => { const t = document.getElementById('seek'); t.value = s; t.dispatchEvent(new Event('input')); }", narration_s)
        page.wait_for_timeout(400)
        return float(page.evaluate("document.getElementById('clip').currentTime"))

    assert paused.clip_s is not None and runs.clip_s is not None
    assert abs(clip_at(paused.narration_s + 1.0) - paused.clip_s) < 0.05
    assert abs(clip_at(runs.narration_s + 1.0) - runs.clip_s - 1.0) < 0.05
    page.evaluate("document.getElementById('talk').currentTime = %f" % (runs.narration_s + 0.2))
    page.evaluate("document.getElementById('talk').play()")
    page.wait_for_timeout(1200)
    off = page.evaluate(
        "([n, c]) => document.getElementById('clip').currentTime - (c + document.getElementById('talk').currentTime - n)",
        [runs.narration_s, runs.clip_s],
    )
    assert abs(off) < 0.1


def test_spoken_markup_is_shown_as_text(page: Page, served: Served, demo: object) -> None:
    from voiceover import Breakdown

    assert isinstance(demo, Breakdown)
    words = [
        w if i else type(w)("<img/src=x/onerror=document.title='owned'>", w.start_narration_s, w.end_narration_s)
        for i, w in enumerate(demo.words)
    ]
    evil = served.library.add_breakdown(demo.model_copy(update={"words": words}), title="<b>bold</b>")
    open_review(page, served, evil)
    page.wait_for_timeout(300)
    assert "owned" not in page.title()
    expect(page.locator("#title")).to_contain_text("<b>bold</b>")


def test_a_reading_that_failed_is_told_and_can_be_tried_again(page: Page, served: Served, kept: str) -> None:
    job = {"kind": "reread", "state": "failed", "step": "", "done": 0, "total": 0, "error": "no weights"}
    asked: list[str] = []

    def note(route: Route) -> None:
        asked.append(route.request.url.split("?")[1])
        route.fulfill(json={"queued": True})

    page.route("**/state", lambda route: route.fulfill(json={**route.fetch().json(), "job": job}))
    page.route(re.compile(f"/api/breakdowns/{kept}[?]"), lambda route: route.fulfill(json={**route.fetch().json(), "is_rereading": True}))
    page.route("**/read-again*", note)
    open_review(page, served, kept)
    expect(page.locator("#failed")).to_contain_text("could not be read: no weights")
    page.locator("#report").click()
    expect(page.locator("#told")).to_contain_text("not read yet")
    page.locator("#failed-again").click()
    page.on("dialog", lambda dialog: dialog.accept())
    page.locator("#again").click()
    page.wait_for_timeout(300)
    assert asked == ["words_only=true", "words_only=false"]
    assert len(page.context.pages) == 1  # no report was opened


def test_missing_consent_is_told_before_a_report_goes_out(page: Page, served: Served, kept: str) -> None:
    open_review(page, served, kept)
    expect(page.locator("#consent")).to_contain_text("No consent is noted for Ruben Tarrant")
    player = next(p for p in all_players(served.library) if p.name == "Ruben Tarrant")
    set_consent(served.library, player.id, "his father", "2026-02-01")
    open_review(page, served, kept)
    expect(page.locator("#consent")).to_be_hidden()


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("width", [1280, 820])
def test_axe_finds_nothing_serious(page: Page, served: Served, kept: str, scheme: str, width: int) -> None:
    page.emulate_media(color_scheme=scheme)  # type: ignore[arg-type]
    page.set_viewport_size({"width": width, "height": 900})
    for place in ("/", "/record", f"/review/{kept}"):
        page.goto(served.address + place)
        page.wait_for_timeout(600)
        if place.startswith("/review"):
            page.keyboard.press("ArrowDown")
        found = axe_runner.Axe().run(page, options={"runOnly": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]})
        serious = [v for v in found.response["violations"] if v["impact"] in ("serious", "critical")]
        assert not serious, (place, [(v["id"], v["nodes"][0]["html"][:200]) for v in serious])
        overflow = page.evaluate("document.documentElement.scrollWidth - document.documentElement.clientWidth")
        assert overflow <= 0, place
