"""The shipped demo is whole and agrees with itself: hashes, times, playhead, marks, pictures."""

from __future__ import annotations

import csv
import hashlib
import itertools
import json
from pathlib import Path
from typing import Any

import av
import numpy as np
import pytest
import webvtt

from voiceover.playhead.track import read_playhead
from voiceover.roster import COLUMNS, read_roster

DEMO = Path(__file__).parent.parent / "sample_audio"
SHIPPED_LIMIT_BYTES = {"clip.mp4": 1_500_000, "narration.ogg": 500_000}


def rows(name: str) -> list[dict[str, str]]:
    with (DEMO / name).open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


@pytest.fixture(scope="module")
def truth() -> dict[str, Any]:
    return dict(json.loads((DEMO / "truth.json").read_text(encoding="utf-8")))


def duration_s(name: str) -> float:
    with av.open(str(DEMO / name)) as container:
        assert container.duration is not None
        return container.duration / av.time_base


@pytest.mark.parametrize("row", rows("MANIFEST.csv"), ids=lambda row: row["file"])
def test_manifest_hash_size_and_duration(row: dict[str, str]) -> None:
    data = (DEMO / row["file"]).read_bytes()
    assert hashlib.sha256(data).hexdigest() == row["sha256"]
    assert len(data) == int(row["bytes"]) <= SHIPPED_LIMIT_BYTES.get(row["file"], 20_000)
    assert row["licence"] and row["source"]
    if row["duration_s"]:
        assert duration_s(row["file"]) == pytest.approx(float(row["duration_s"]), abs=0.002)
        with av.open(str(DEMO / row["file"])) as container:
            assert container.streams.audio[0].rate == int(row["sample_rate_hz"])


def test_manifest_names_every_data_file() -> None:
    listed = {row["file"] for row in rows("MANIFEST.csv")}
    present = {p.name for p in DEMO.iterdir() if p.is_file() and p.suffix not in {".py", ".md"}}
    assert present - {"MANIFEST.csv"} == listed


def test_sentences_follow_each_other_inside_the_narration(truth: dict[str, Any]) -> None:
    edges = [t for s in truth["sentences"] for t in (s["start_narration_s"], s["end_narration_s"])]
    assert edges == sorted(edges)
    assert 120 <= edges[-1] <= duration_s("narration.ogg") <= 180


def test_captions_are_the_true_sentences(truth: dict[str, Any]) -> None:
    """Read by webvtt-py, a parser that is not ours."""
    captions = webvtt.read(str(DEMO / "narration.vtt"))
    assert [c.text for c in captions] == [s["text"] for s in truth["sentences"]]
    for caption, sentence in zip(captions, truth["sentences"], strict=True):
        assert caption.start_in_seconds == int(sentence["start_narration_s"])  # the parser gives whole seconds


def test_the_voice_is_where_the_sentences_are(truth: dict[str, Any]) -> None:
    """Loud inside sentences and silent between them: the times fit the sound itself."""
    resampler = av.AudioResampler(format="flt", layout="mono", rate=16000)
    with av.open(str(DEMO / "narration.ogg")) as container:
        pieces = [r.to_ndarray()[0] for f in container.decode(audio=0) for r in resampler.resample(f)]
    sound = np.concatenate(pieces)

    def level(start_s: float, end_s: float) -> float:
        return float(np.sqrt(np.mean(sound[int(start_s * 16000) : int(end_s * 16000)] ** 2)))

    for sentence in truth["sentences"]:
        assert level(sentence["start_narration_s"], sentence["end_narration_s"]) > 0.02, sentence["text"]
    for a, b in itertools.pairwise(truth["sentences"]):
        assert level(a["end_narration_s"] + 0.05, b["start_narration_s"] - 0.05) < 0.002, b["text"]


def test_playhead_stays_within_the_clip(truth: dict[str, Any]) -> None:
    track = read_playhead(DEMO / "playhead.csv")
    clip_s, narration_s = duration_s("clip.mp4"), duration_s("narration.ogg")
    assert clip_s == pytest.approx(truth["clip_duration_s"], abs=0.05)
    for start, end, row in track.stretches(0.0, narration_s):
        assert row.clip_s is not None
        assert row.clip_s >= 0.0 and row.clip_s + row.rate * (end - start) <= clip_s + 0.01
    assert len([jump for _, jump in track.jumps() if jump < 0]) == 1  # one rewind
    assert {row.rate for row in track.rows} == {0.0, 0.5, 1.0}


def test_playhead_gives_the_clip_time_of_each_sentence(truth: dict[str, Any]) -> None:
    track = read_playhead(DEMO / "playhead.csv")
    for sentence in truth["sentences"]:
        at = track.narration_to_clip(sentence["start_narration_s"] + 0.001)
        assert at is not None
        assert at.clip_s == pytest.approx(sentence["clip_s"], abs=0.01)
        assert at.rate == sentence["rate"]


def test_roster_is_one_that_voiceover_reads(truth: dict[str, Any]) -> None:
    assert tuple(rows("roster.csv")[0]) == COLUMNS
    roster = read_roster(DEMO / "roster.csv")
    assert [p.name for p in roster.players] == [p["name"] for p in truth["roster"]]
    assert [p.name for p in roster.focus] == [p["name"] for p in truth["roster"] if p.get("focus")] == ["Ruben Tarrant"]


def test_marks_are_sound(truth: dict[str, Any]) -> None:
    names = {p["name"] for p in truth["roster"]} | {"teammate", "opponent"}
    spans = {p["n"]: range(p["first"], p["last"] + 1) for p in truth["possessions"]}
    assert list(spans) == [1, 2, 3, 4]
    covered = [i for span in spans.values() for i in span]
    assert covered == sorted(set(covered))
    for mention in truth["mentions"]:
        assert truth["sentences"][mention["sentence"]]["text"].count(mention["quote"]) == 1
        assert mention["player"] in names
        assert mention["status"] in {"executed", "attempted", "missed", "announced"}
        assert mention["kind"] in {"preview", "call", "recap"}
        inside = [n for n, span in spans.items() if mention["sentence"] in span]
        assert inside == [mention["possession"]] if inside else mention["kind"] in {"preview", "recap"}


def test_the_demo_shows_what_it_promises(truth: dict[str, Any]) -> None:
    """Every kind of row, a teammate and an opponent, a wrong total and a right one."""
    mentions = truth["mentions"]
    assert {m["status"] for m in mentions} == {"executed", "attempted", "missed", "announced"}
    assert {m["kind"] for m in mentions} == {"preview", "call", "recap"}
    team = {p["name"]: p["team"] for p in truth["roster"]}
    others = {team[m["player"]] for m in mentions if m["player"] != "Ruben Tarrant"}
    assert others == {"white", "red"}
    logged = [m for m in mentions if m["possession"] and m["status"] != "missed"]
    found = {"possessions": len(truth["possessions"]), "principles": len({m["principle"] for m in logged})}
    said = {c["what"]: c["value"] for c in truth["claims"]}
    assert said["possessions"] != found["possessions"]
    assert said["principles"] == found["principles"]


def test_something_moves_in_every_second_of_the_clip() -> None:
    """A playhead can only be found from pictures that differ."""
    seconds: list[np.ndarray[Any, Any]] = []
    with av.open(str(DEMO / "clip.mp4")) as container:
        stream = container.streams.video[0]
        assert (stream.width, stream.height, stream.average_rate) == (854, 480, 30)
        for i, frame in enumerate(container.decode(stream)):
            if i % 30 == 0:
                seconds.append(frame.to_ndarray(format="gray").astype(np.int16)[40:])  # without the clock
    assert len(seconds) == 42
    for a, b in itertools.pairwise(seconds):
        assert (np.abs(a - b) > 40).sum() > 500
