"""The whole job on the demo's captions, and bad input in one line."""

from __future__ import annotations

import csv
from pathlib import Path

import pytest

from voiceover import Breakdown, LogOptions, VoiceoverError, log, log_frame, write_breakdown
from voiceover.lexicon.io import load_lexicon, read_lexicon
from voiceover.playhead.track import parse_straight, read_playhead

SAMPLE = Path(__file__).resolve().parents[1] / "sample_audio"


@pytest.fixture(scope="module")
def breakdown() -> Breakdown:
    return log(
        SAMPLE / "narration.ogg",
        LogOptions(
            clip=SAMPLE / "clip.mp4",
            playhead=str(SAMPLE / "playhead.csv"),
            roster=SAMPLE / "roster.csv",
            transcript=SAMPLE / "narration.vtt",
        ),
    )


def test_demo_has_four_possessions_and_the_wrong_count_is_noticed(breakdown: Breakdown) -> None:
    assert [p.number for p in breakdown.possessions] == [1, 2, 3, 4]
    said = {t.what: t for t in breakdown.totals}["possessions"]
    assert (said.said, said.found, said.agrees) == (5, 4, False)
    assert said.why


def test_every_quote_stands_in_the_transcript_and_times_are_ordered(breakdown: Breakdown) -> None:
    text = " ".join(w.text for w in breakdown.words)
    starts = [m.start_narration_s for m in breakdown.mentions]
    assert breakdown.mentions and starts == sorted(starts)
    for m in breakdown.mentions:
        assert m.quote in text
        assert 0 <= m.start_narration_s <= m.end_narration_s <= (breakdown.narration_duration_s or 0)


def test_the_private_file_is_lossless(breakdown: Breakdown) -> None:
    assert Breakdown.from_json(breakdown.to_json()) == breakdown


def test_all_files_are_written(breakdown: Breakdown, tmp_path: Path) -> None:
    files = write_breakdown(breakdown, tmp_path / "out")
    assert {f.name for f in files} == {p.name for p in (tmp_path / "out").iterdir()}
    with (tmp_path / "out" / "possession_log.csv").open(newline="") as file:
        rows = list(csv.DictReader(file))
    assert len(rows) == len(breakdown.log)


def test_the_log_as_a_frame(breakdown: Breakdown) -> None:
    frame = log_frame(breakdown)
    assert list(frame["principle_id"]) == [r.principle_id for r in breakdown.log]
    assert frame["possession"].dtype == "Int64" and frame["clip_s"].dtype == "float64"
    assert log_frame(breakdown.model_copy(update={"log": []})).empty


def test_an_out_folder_that_is_a_file_is_one_line(breakdown: Breakdown, tmp_path: Path) -> None:
    (tmp_path / "taken").write_text("x")
    with pytest.raises(VoiceoverError, match="choose another folder") as caught:
        write_breakdown(breakdown, tmp_path / "taken")
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize(
    ("options", "says"),
    [
        ({"roster": "empty.csv"}, "no column 'name'"),
        ({"focus": "Nobody", "roster": "roster.csv"}, "is not on the roster"),
        ({"playhead": "backwards.csv"}, "order of narration time"),
        ({"lexicon": "twice.yaml"}, "is there already"),
    ],
)
def test_bad_input_is_one_line(options: dict[str, str], says: str, tmp_path: Path) -> None:
    (tmp_path / "empty.csv").write_text("")
    (tmp_path / "roster.csv").write_text("name\nAda Quill\n")
    (tmp_path / "backwards.csv").write_text("narration_s,clip_s,rate\n5,0,1\n2,0,1\n")
    entry = "- {id: a, name: A, family: f, definition: d, say: [keeps going]}\n"
    (tmp_path / "twice.yaml").write_text("sport: x\nfamilies: {f: F}\nprinciples:\n" + entry + entry)
    (tmp_path / "talk.txt").write_text("He keeps going.")
    paths = {k: (tmp_path / v if "." in v else v) for k, v in options.items()}
    if "playhead" in paths:
        paths["playhead"] = str(paths["playhead"])
    with pytest.raises(VoiceoverError, match=says) as caught:
        log(tmp_path / "talk.wav", LogOptions(transcript=tmp_path / "talk.txt", **paths))
    assert "\n" not in str(caught.value)


def test_shipped_lexicon_has_no_mistakes() -> None:
    lexicon = load_lexicon()
    assert len(lexicon.active()) == 65


def test_a_mistake_is_reported_with_its_line(tmp_path: Path) -> None:
    path = tmp_path / "mine.yaml"
    path.write_text("extends: ice_hockey\nprinciples:\n- id: New One\n  name: x\n  family: nowhere\n  definition: d\n  say: [a b c]\n")
    _, mistakes = read_lexicon(path)
    assert any("line 3" in m and "id 'New One'" in m for m in mistakes)
    assert any("line 5" in m and "nowhere" in m for m in mistakes)


def test_playhead_by_hand(tmp_path: Path) -> None:
    """Worked by hand: from 10 s the clip stands at 4 s and runs at half speed, so at 16 s it stands at 7 s."""
    assert parse_straight("straight+1.5") == 1.5
    (tmp_path / "playhead.csv").write_text("narration_s,clip_s,rate\n2,20,0\n10,4,0.5\n18,,0\n")
    track = read_playhead(tmp_path / "playhead.csv")
    at = [track.narration_to_clip(s) for s in (1.0, 9.0, 16.0, 20.0)]
    assert [i and i.clip_s for i in at] == [None, 20.0, 7.0, None]
