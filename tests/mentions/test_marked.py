"""Marked narrations as the fits and scores read them."""

from __future__ import annotations

import csv
import json
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from voiceover.evaluation.marked import ROOT, by_sentences_of, narrations_in, prepare, quoted_span, teaching_narrations
from voiceover.mentions.parse import ParsedTalk

NARRATIONS = {"public": 16, "own": 83, "teaching": 758, "unopened": 8}


@pytest.mark.parametrize(("folder", "count"), NARRATIONS.items())
def test_the_marked_narrations_keep_their_rules(folder: str, count: int) -> None:
    done = subprocess.run([sys.executable, str(ROOT / "check.py"), str(ROOT / folder)], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout if folder != "unopened" else done.stdout.count("\n")
    ids = [json.loads(p.read_text(encoding="utf-8"))["id"] for p in narrations_in(ROOT / folder)]
    assert len(set(ids)) == len(ids) == count


def test_no_narration_that_teaches_is_measured_with() -> None:
    """Ids and sentences of more than six words are of one folder alone."""
    seen: dict[str, set[str]] = {}
    for folder in NARRATIONS:
        docs = [json.loads(p.read_text(encoding="utf-8")) for p in narrations_in(ROOT / folder)]
        said = {s["text"] for d in docs for s in d["sentences"] if len(s["text"].split()) > 6}
        seen[folder] = {d["id"] for d in docs} | said
    assert not any(seen["teaching"] & seen[folder] for folder in NARRATIONS if folder != "teaching")


def test_only_narrations_that_nothing_is_measured_with_may_teach(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    assert len(teaching_narrations(ROOT / "teaching")) == NARRATIONS["teaching"]
    with pytest.raises(SystemExit, match="public: its narrations are measured with"):
        teaching_narrations(ROOT / "public")
    monkeypatch.chdir(ROOT / "unopened")
    with pytest.raises(SystemExit, match="measured with"):
        teaching_narrations(Path())
    with pytest.raises(SystemExit, match="holds no marked narrations; give a folder that does"):
        teaching_narrations(tmp_path)


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
