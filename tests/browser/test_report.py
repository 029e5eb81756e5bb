"""The report as a phone, a printer and a screen reader meet it; captions as Chromium takes them."""

from __future__ import annotations

from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page

from tests.browser.conftest import SAMPLE, Served
from voiceover import Breakdown
from voiceover.lexicon.io import load_lexicon
from voiceover.reports.exchange import share
from voiceover.reports.privacy import share_safe
from voiceover.reports.report import ReportOptions, Source, write_report

axe_runner = pytest.importorskip("axe_playwright_python.sync_playwright")


@pytest.mark.parametrize("audience", ["player", "coach"])
def test_a_report_opens_from_a_file_asks_for_nothing_and_is_accessible(
    chromium: Browser, demo: Breakdown, tmp_path: Path, audience: str
) -> None:
    out = write_report([Source(demo, SAMPLE / "clip.mp4")], load_lexicon(), tmp_path / "report.html", ReportOptions(audience))
    assert out.stat().st_size < 3_000_000
    for width in (390, 1024):
        page = chromium.new_page(viewport={"width": width, "height": 844})
        asked: list[str] = []
        page.on("request", lambda r, to=asked: to.append(r.url) if not r.url.startswith("data:") else None)
        page.goto(out.as_uri())
        page.wait_for_timeout(300)
        assert asked == [out.as_uri()]
        assert page.evaluate("document.documentElement.scrollWidth <= document.documentElement.clientWidth")
        assert page.evaluate("[...document.images].every((i) => i.complete && i.naturalWidth > 0 && i.alt)")
        page.close()
    # axe is a script, which the report's own policy forbids: for it alone the policy is set aside.
    context = chromium.new_context(bypass_csp=True)
    page = context.new_page()
    page.goto(out.as_uri())
    found = axe_runner.Axe().run(page, options={"runOnly": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]})
    serious = [(v["id"], v["nodes"][0]["html"][:150]) for v in found.response["violations"] if v["impact"] in ("serious", "critical")]
    assert serious == []
    tree = page.locator("body").aria_snapshot()
    assert "heading" in tree and "Possession 1" in tree and "link" in tree
    context.close()


def test_the_served_report_runs_nothing(page: Page, served: Served, kept: str) -> None:
    answer = page.goto(f"{served.address}/report/{kept}")
    assert answer is not None and answer.status == 200
    policy = answer.headers["content-security-policy"]
    assert "sandbox" in policy and "script-src" not in policy and "default-src 'none'" in policy
    assert "Jonas" not in page.content() and "What you showed, Ruben" in page.content()


def test_chromium_takes_the_captions_and_the_chapters(page: Page, served: Served, demo: Breakdown, tmp_path: Path) -> None:
    shared = share_safe(demo, load_lexicon())
    share(shared, ["vtt", "chapters"], tmp_path)
    for name, kind in (("captions.vtt", "captions"), ("chapters.vtt", "chapters")):
        text = (tmp_path / name).read_text()
        cues = page.evaluate(
            """([kind, text]) => new Promise((done, fail) => { const v = document.createElement('video'); const t = document.createElement('track');
              t.kind = kind; t.src = URL.createObjectURL(new Blob([text], { type: 'text/vtt' })); t.default = true; v.append(t);
              document.body.append(v); t.track.mode = 'hidden'; t.addEventListener('error', () => fail(new Error('refused')));
              t.addEventListener('load', () => done([...t.track.cues].map((c) => [c.startTime, c.endTime, c.text])));
              setTimeout(() => fail(new Error('not loaded')), 5000); })""",
            [kind, text],
        )
        assert len(cues) == text.count("-->") > 3
        assert all(start < end for start, end, _ in cues)
