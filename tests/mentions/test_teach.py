"""What a coach says often and the lexicon does not know."""

from __future__ import annotations

from pathlib import Path

import pytest

from voiceover import Breakdown, LogOptions, log
from voiceover.errors import BreakdownError, LexiconError
from voiceover.lexicon.io import load_lexicon
from voiceover.lexicon.suggestion import Evidence, Suggestion, write_overlay
from voiceover.mentions.encoder_weights import SMALL, packaged
from voiceover.mentions.teach import suggest_wordings

TALK = (
    "First touch. He ices down his sore ankle behind the cage. He passes it to the point.\n"
    "Second touch. He ices down that sore ankle behind the cage. Puck goes wide.\n"
    "Third touch. There he ices down the sore ankle behind the cage.\n"
)


@pytest.fixture(scope="module")
def breakdown(tmp_path_factory: pytest.TempPathFactory) -> Breakdown:
    folder = tmp_path_factory.mktemp("teach")
    (folder / "talk.txt").write_text(TALK)
    return log(folder / "talk.wav", LogOptions(transcript=folder / "talk.txt"))


@pytest.mark.skipif(packaged(SMALL) is None, reason="the meaning weights are not installed")
def test_what_is_said_three_times_and_not_matched_is_proposed_with_its_places(breakdown: Breakdown) -> None:
    lexicon = load_lexicon()
    found = [s for s in suggest_wordings([breakdown], lexicon) if "ankle" in s.wording]
    assert len(found) == 1 and len(found[0].evidence) == 3
    assert all(place.quote in " ".join(w.text for w in breakdown.words) for place in found[0].evidence)
    assert not [s for s in suggest_wordings([breakdown], lexicon, min_times=4) if "ankle" in s.wording]


@pytest.mark.skipif(packaged(SMALL) is None, reason="the meaning weights are not installed")
def test_accepted_wordings_make_a_lexicon_that_finds_them(breakdown: Breakdown, tmp_path: Path) -> None:
    accepted = [s for s in suggest_wordings([breakdown], load_lexicon()) if "ankle" in s.wording]
    write_overlay(tmp_path / "mine.yaml", "ice_hockey", accepted)
    mine = load_lexicon(tmp_path / "mine.yaml")
    taught = [p for p in mine.active() if any("ices down" in w for _, w in p.wordings())]
    assert len(taught) == 1
    with pytest.raises(LexiconError, match="is there already"):
        write_overlay(tmp_path / "mine.yaml", "ice_hockey", accepted)


@pytest.mark.parametrize(("name", "why"), [("mine.yaml", "is there already"), ("nowhere/mine.yaml", "its folder is not there")])
def test_a_lexicon_that_cannot_be_written_is_said_before_anything_is_asked(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, name: str, why: str
) -> None:
    from typer.testing import CliRunner

    from voiceover.cli import app
    from voiceover.mentions import teach

    (tmp_path / "mine.yaml").write_text("extends: ice_hockey\n")
    (tmp_path / "breakdown.json").write_text(Breakdown(narration="talk.wav").to_json())
    found = Suggestion("", "ices down", (Evidence("talk.wav", 1.0, "He ices down his ankle."),))
    monkeypatch.setattr(teach, "suggest_wordings", lambda *_, **__: [found])
    done = CliRunner().invoke(app, ["suggest-wordings", str(tmp_path), "--out", str(tmp_path / name)], input="y\n")
    assert isinstance(done.exception, LexiconError) and why in str(done.exception)
    assert "Add it?" not in done.output


def test_a_file_that_is_no_breakdown(tmp_path: Path) -> None:
    from voiceover.breakdown import read_breakdown

    (tmp_path / "breakdown.json").write_text('{"schema_version": 1}')
    with pytest.raises(BreakdownError, match="is no breakdown"):
        read_breakdown(tmp_path)
    with pytest.raises(BreakdownError, match="cannot be read"):
        read_breakdown(tmp_path / "none.json")
