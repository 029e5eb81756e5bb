"""What must hold for any talk: no text crashes it, quotes stand in the transcript, times are ordered and inside the media."""

from __future__ import annotations

import re
from pathlib import Path

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from voiceover import LogOptions, log
from voiceover.lexicon.io import load_lexicon
from voiceover.playhead.track import PlayheadRow, PlayheadTrack
from voiceover.possession_log import build_log

PHRASES = [w for p in load_lexicon().active() for w in p.say[20:22]] + [
    "Okay, second touch.",
    "So that's three reps.",
    "He",
]
TEXT = st.text(st.characters(blacklist_categories=("Cs", "Cc")), max_size=40)
ODD = st.sampled_from([".", "...", "?!", "&<b>", "-", "caf\u00e9", "'s", "14", "2 on 2"])
# "Well" in front, so that it is never taken for JSON or captions, which have error messages of their own.
TALK = st.lists(st.one_of(st.sampled_from(PHRASES), TEXT, ODD), max_size=12).map(
    lambda parts: " ".join(["Well,", *(p.replace("-->", "--") for p in parts)])
)


@settings(max_examples=15, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(text=TALK)
def test_any_text_is_read(tmp_path_factory: object, text: str) -> None:
    folder = Path(tmp_path_factory.mktemp("talk"))  # type: ignore[attr-defined]
    (folder / "talk.txt").write_text(text, encoding="utf-8")
    options = LogOptions(transcript=folder / "talk.txt", playhead="straight", focus="Ada")
    breakdown = log(folder / "talk.wav", options)
    said = " ".join(w.text for w in breakdown.words)
    end_s = max((w.end_narration_s for w in breakdown.words), default=0.0)
    starts = [m.start_narration_s for m in breakdown.mentions]
    assert starts == sorted(starts)
    for m in breakdown.mentions:
        assert m.quote in said and m.quote
        assert 0 <= m.start_narration_s <= m.end_narration_s <= end_s
        assert 0 <= m.confidence <= 1
    assert [p.number for p in breakdown.possessions] == list(range(1, len(breakdown.possessions) + 1))
    for a, b in zip(breakdown.possessions, breakdown.possessions[1:], strict=False):
        assert a.last_sentence < b.first_sentence and a.end_narration_s <= b.start_narration_s + 1e-9


def test_silence_put_before_moves_every_narration_time_and_no_clip_time(tmp_path: Path) -> None:
    sample = Path(__file__).resolve().parents[1] / "sample_audio"
    options = LogOptions(transcript=sample / "narration.vtt", playhead=str(sample / "playhead.csv"), roster=sample / "roster.csv")
    plain = log(sample / "none.ogg", options)
    lines = (sample / "narration.vtt").read_text(encoding="utf-8").splitlines()
    (tmp_path / "late.vtt").write_text("\n".join(_later(line) for line in lines) + "\n", encoding="utf-8")
    rows = [f"{r.narration_s + 3:.3f},{'' if r.clip_s is None else r.clip_s},{r.rate}" for r in plain.playhead]
    (tmp_path / "late.csv").write_text("narration_s,clip_s,rate\n" + "\n".join(rows) + "\n")
    late = log(
        sample / "none.ogg",
        LogOptions(transcript=tmp_path / "late.vtt", playhead=str(tmp_path / "late.csv"), roster=sample / "roster.csv"),
    )
    assert [(r.principle_id, r.possession, r.player, r.status) for r in late.log] == [
        (r.principle_id, r.possession, r.player, r.status) for r in plain.log
    ]
    for a, b in zip(plain.log, late.log, strict=True):
        assert abs(b.narration_s - a.narration_s - 3) < 0.002
        assert a.clip_s is not None and b.clip_s is not None and abs(b.clip_s - a.clip_s) < 0.01


def _later(line: str) -> str:
    if "-->" not in line:
        return line
    return " --> ".join(_shift(part.strip()) for part in line.split("-->"))


def _shift(clock: str) -> str:
    *hours, minutes, seconds = clock.split(":")
    total = 3600 * int(hours[0] if hours else 0) + 60 * int(minutes) + float(seconds) + 3
    return f"{int(total // 3600):02d}:{int(total % 3600 // 60):02d}:{total % 60:06.3f}"


def test_running_twice_changes_nothing() -> None:
    sample = Path(__file__).resolve().parents[1] / "sample_audio"
    options = LogOptions(transcript=sample / "narration.vtt", playhead="straight", roster=sample / "roster.csv")
    assert log(sample / "none.ogg", options) == log(sample / "none.ogg", options)


def test_clip_time_is_the_playheads(tmp_path: Path) -> None:
    """Worked by hand: half speed from 4 s of clip at 10 s of talk, so what is said at 16 s stands at 7 s."""
    track = PlayheadTrack((PlayheadRow(0.0, 4.0, 0.0), PlayheadRow(10.0, 4.0, 0.5)))
    at = track.narration_to_clip(16.0)
    assert at is not None and at.clip_s == 7.0
    assert build_log([], load_lexicon(), track) == []


UNRELATED = """
extends: basketball
families: {rink: Care of the hall}
principles:
- {id: sweeps-hall, name: Sweeps the hall, family: rink, definition: Sweeps the floor of the hall after closing time.,
   say: [sweeps the hall, mops the changing room floor, locks the cellar door, empties the dustbins behind the kitchen]}
"""


@settings(max_examples=8, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(said=st.lists(st.sampled_from([w for p in load_lexicon("basketball").active() for w in p.say[:3]]), min_size=1, max_size=8))
def test_an_unrelated_principle_changes_no_row(tmp_path_factory: object, said: list[str]) -> None:
    folder = Path(tmp_path_factory.mktemp("talk"))  # type: ignore[attr-defined]
    (folder / "mine.yaml").write_text(UNRELATED, encoding="utf-8")
    plain = [re.sub(r"\[([^|\]]*)[^\]]*\]|<[^>]*>|\.\.\.", r"\1", w) for w in said]
    (folder / "talk.txt").write_text("First one. " + " ".join(f"She {w}." for w in plain), encoding="utf-8")
    rows = [
        [(r.principle_id, r.possession, r.player, r.status) for r in breakdown.log]
        for breakdown in (
            log(folder / "talk.wav", LogOptions(transcript=folder / "talk.txt", lexicon=lexicon))
            for lexicon in ("basketball", folder / "mine.yaml")
        )
    ]
    assert rows[0] == rows[1]
