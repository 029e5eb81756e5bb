"""Marked narrations as the fits and scores read them."""

from __future__ import annotations

import csv
import json
from collections.abc import Callable
from pathlib import Path

import pytest

from voiceover.evaluation.marked import by_sentences_of, prepare, quoted_span
from voiceover.mentions.parse import ParsedTalk


def test_marks_follow_the_sentences_of_the_parsed_talk(talk: Callable[..., ParsedTalk]) -> None:
    parsed = talk("First touch.", "You hear that?", "Me neither.", "She looks behind her.")
    doc = {
        "id": "t",
        "sentences": [{"text": "First touch."}, {"text": "You hear that? Me neither."}, {"text": "She looks behind her."}],
        "possessions": [{"n": 1, "first": 0, "last": 1}, {"n": 2, "first": 2, "last": 2}],
        "mentions": [{"sentence": 1, "quote": "Me neither"}, {"sentence": 2, "quote": "looks behind her"}],
    }
    moved = by_sentences_of(parsed, doc)
    assert [m["sentence"] for m in moved["mentions"]] == [2, 3]
    assert [(p["first"], p["last"]) for p in moved["possessions"]] == [(0, 2), (3, 3)]
    span = quoted_span(parsed, 3, "looks behind her")
    assert span is not None and parsed.text(span).strip(".") == "looks behind her"
    with pytest.raises(ValueError, match="words were read"):
        by_sentences_of(talk("Something else."), doc)


def test_a_written_playhead_does_not_run_past_the_next_sentence(tmp_path: Path) -> None:
    doc = {
        "id": "t",
        "clip_duration_s": 9.0,
        "roster": [{"name": "Ada Quillfeather", "focus": True}],
        "sentences": [
            {"text": "She goes back for it on the left side of the net.", "clip_s": 2.0, "rate": 1},
            {"text": "Here.", "clip_s": 3.0, "rate": 0},
            {"text": "Once more from the beginning.", "clip_s": 2.0, "rate": 0.5},
            {"text": "And out she comes.", "clip_s": 8.5, "rate": 1},
        ],
        "possessions": [],
        "mentions": [],
        "claims": [],
    }
    source = tmp_path / "01-t.json"
    source.write_text(json.dumps(doc), encoding="utf-8")
    out = tmp_path / "out"
    out.mkdir()
    prepare(source, out)
    rows = [tuple(map(float, r)) for r in list(csv.reader((out / "01-t.playhead.csv").open()))[1:]]
    assert [clip for _, clip, _ in rows] == [2.0, 3.0, 2.0, 8.5]
    (first, clip, rate), (then, there, _) = rows[:2]
    assert 0 < rate < 1 and clip + rate * (then - first) == pytest.approx(there, abs=0.01)  # it is slowed, so as not to run past 3.0
    assert rows[2][2] == 0.5  # and here it would not get to 8.5: the coach skips
