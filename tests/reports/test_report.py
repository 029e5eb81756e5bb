"""The report: what it says, and that every statement leads to its words."""

from __future__ import annotations

import re
from html.parser import HTMLParser
from pathlib import Path

import pytest

from tests.reports.conftest import SAMPLE
from voiceover import Breakdown
from voiceover.errors import OptionError
from voiceover.lexicon.model import Lexicon
from voiceover.reports.labels import AUDIENCES, Labels
from voiceover.reports.privacy import Shared, Sharing
from voiceover.reports.report import ReportOptions, Source, report_html, write_report
from voiceover.reports.story import compare, tell

CLIP = SAMPLE / "clip.mp4"


class Links(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.targets: list[str] = []
        self.ids: set[str] = set()
        self.addresses: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        for key, value in attrs:
            if key == "href" and value:
                self.targets.append(value)
            if key == "id" and value:
                self.ids.add(value)
            if key in ("src", "href", "action", "data", "poster") and value and not value.startswith(("#", "data:")):
                self.addresses.append(value)


@pytest.mark.parametrize("audience", AUDIENCES)
def test_every_statement_leads_to_its_words_and_nothing_leads_out(demo: Breakdown, lexicon: Lexicon, audience: str) -> None:
    html = report_html([Source(demo, CLIP)], lexicon, ReportOptions(audience))
    links = Links()
    links.feed(html)
    assert links.addresses == [] and "http" not in re.sub(r"data:image/jpeg;base64,[A-Za-z0-9+/=]+", "", html).replace("http-equiv", "")
    assert len(links.targets) > 8 and all(t.startswith("#") and t[1:] in links.ids for t in links.targets)
    assert html.index("Good work, Ruben") < html.index("Ten passes a day") < html.index("id=")
    assert ("Confidence" in html) == (audience == "coach")
    assert len(html.encode()) < 3_000_000


def test_no_praise_that_the_coach_did_not_give(shared: Shared, lexicon: Lexicon) -> None:
    story = tell(shared, lexicon, Labels("player"))
    own = {r.principle for r in shared.breakdown.log if r.role == "focus" and r.status == "executed"}
    assert {a.principle for a in story.keep} <= own
    for sentence in story.sentences[1:]:
        assert any(p.anchor for p in sentence)
    words = " ".join(p.text for s in story.sentences for p in s if not p.anchor).lower()
    assert not re.search(r"\b(great|good|excellent|amazing|well done|nice)\b", words)
    entries = {e.anchor: e for p in story.possessions for e in p.entries}
    for part in (p for s in story.sentences for p in s if p.anchor):
        assert entries[part.anchor].row.quote and entries[part.anchor].row.principle.lower() == part.text.lower()


def test_cues_about_contact_carry_the_caution(lexicon: Lexicon) -> None:
    for principle in ("body-first", "reverse-contact", "box-out", "angling", "puck-protection", "gap-control", "wall-play", "stick-lift"):
        assert re.search(r"rule|federation|allow", lexicon[principle].coach_cue), principle
    assert all(p.coach_cue and "keep looking for it" not in p.coach_cue for p in lexicon.active())


def test_the_safety_line_is_on_every_report(demo: Breakdown, lexicon: Lexicon) -> None:
    for audience in AUDIENCES:
        assert "rules of your federation" in report_html([Source(demo)], lexicon, ReportOptions(audience))


def test_several_breakdowns_say_what_changed(demo: Breakdown, lexicon: Lexicon, shared: Shared) -> None:
    first = demo.model_copy(update={"ice_time": demo.ice_time.model_copy(update={"date": "2026-01-10"}), "mentions": demo.mentions[:4]})
    html = report_html([Source(demo), Source(first)], lexicon)
    assert "Since last time" in html and "New: " in html
    assert html.index(demo.ice_time.date) < html.index("2026-01-10")  # the newest first
    story = tell(shared, lexicon, Labels())
    same = compare(story, story)
    assert (same.new, same.more, same.less) == ([], [], [])


def test_on_paper_it_is_two_pages_for_the_demo(demo: Breakdown, lexicon: Lexicon, tmp_path: Path) -> None:
    pytest.importorskip("weasyprint")
    import pypdf

    out = write_report([Source(demo, CLIP)], lexicon, tmp_path / "report.pdf", pdf=True)
    reader = pypdf.PdfReader(out)
    assert len(reader.pages) <= 2
    text = " ".join(page.extract_text() for page in reader.pages)
    assert "What you showed, Ruben" in text and "Possession 4" in text


def test_a_player_without_a_clip_or_a_playhead_gets_a_report_too(demo: Breakdown, lexicon: Lexicon) -> None:
    bare = demo.model_copy(
        update={"playhead": [], "log": [], "mentions": [], "possessions": [], "possession_clip_times": [], "message": "", "next_step": ""}
    )
    html = report_html([Source(bare)], lexicon)
    assert "There were 0 possessions." in html and "Nothing was marked as done here." in html


def test_what_is_not_known_is_one_line(demo: Breakdown, lexicon: Lexicon) -> None:
    for options, says in (
        (ReportOptions("fans"), "player, parent, coach"),
        (ReportOptions(language="xx"), "en"),
        (ReportOptions(sharing=Sharing("Nobody")), "is not on the roster"),
    ):
        with pytest.raises(Exception, match=says) as caught:
            report_html([Source(demo)], lexicon, options)
        assert "\n" not in str(caught.value)
    with pytest.raises(OptionError):
        report_html([], lexicon)


def test_what_a_coach_types_is_text(demo: Breakdown, lexicon: Lexicon) -> None:
    html = report_html([Source(demo.model_copy(update={"message": "<script>alert(1)</script>"}))], lexicon)
    assert "<script>" not in html and "&lt;script&gt;" in html
