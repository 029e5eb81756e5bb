"""Playhead arithmetic against values worked out by hand."""

from __future__ import annotations

from pathlib import Path

import pytest

from voiceover.errors import PlayheadError
from voiceover.playhead.track import PlayheadRow, PlayheadTrack, playhead_csv, read_playhead

# Paused on 4 s; from 10 s of talk it runs; at 16 s back to 2 s at half speed; nothing on screen from 20 s.
TRACK = PlayheadTrack((PlayheadRow(0, 4, 0), PlayheadRow(10, 4, 1), PlayheadRow(16, 2, 0.5), PlayheadRow(20, None, 0)))


@pytest.mark.parametrize(("narration_s", "clip_s"), [(0, 4), (9.99, 4), (12, 6), (15.5, 9.5), (16, 2), (19, 3.5), (20, None), (99, None)])
def test_clip_time_by_hand(narration_s: float, clip_s: float | None) -> None:
    found = TRACK.narration_to_clip(narration_s)
    assert (found.clip_s if found else None) == (pytest.approx(clip_s) if clip_s is not None else None)


def test_the_rewind_is_eight_seconds(tmp_path: Path) -> None:
    assert TRACK.jumps() == [(16, pytest.approx(-8.0))]
    (tmp_path / "p.csv").write_text(playhead_csv(TRACK.rows))
    assert [(r.narration_s, r.clip_s, r.rate) for r in read_playhead(tmp_path / "p.csv").rows] == [
        (r.narration_s, r.clip_s, r.rate) for r in TRACK.rows
    ]


def test_a_playhead_that_runs_backwards_in_narration_time(tmp_path: Path) -> None:
    (tmp_path / "p.csv").write_text("narration_s,clip_s,rate\n5,0,1\n3,2,1\n")
    with pytest.raises(PlayheadError, match="p.csv"):
        read_playhead(tmp_path / "p.csv")
