"""The demo's second form, a recording of the screen, gives the same log as the playhead that is known."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

pytest.importorskip("cv2")
pytest.importorskip("PIL")

from voiceover import LogOptions, log

DEMO = Path(__file__).parent.parent / "sample_audio"
CLIP_FRAME_S = 1 / 30
# The recording has 15 pictures a second: while the clip runs, what is on screen is up to that much behind the playhead.
RECORDING_FRAME_S = 1 / 15

MAKE = """
import sys
sys.path.insert(0, sys.argv[1])
from pathlib import Path
import screen
screen.write_screen_recording(Path(sys.argv[2]), Path(sys.argv[1]))
"""


def test_the_log_of_the_screen_recording_is_that_of_the_true_playhead(tmp_path: Path) -> None:
    recording = tmp_path / "screen.mp4"
    subprocess.run([sys.executable, "-c", MAKE, str(DEMO), str(recording)], check=True)
    common = {"clip": DEMO / "clip.mp4", "roster": DEMO / "roster.csv", "transcript": DEMO / "narration.vtt"}
    found = log(recording, LogOptions(**common))  # type: ignore[arg-type]
    known = log(DEMO / "narration.ogg", LogOptions(**common, playhead=str(DEMO / "playhead.csv")))  # type: ignore[arg-type]
    assert {row.source for row in found.playhead} == {"screen"}
    assert [(r.possession, r.principle_id, r.player, r.status) for r in found.log] == [
        (r.possession, r.principle_id, r.player, r.status) for r in known.log
    ]
    paused = [r.rate == 0 for r in known.playhead]
    assert any(paused) and len(found.log) > 10
    for ours, theirs in zip(found.log, known.log, strict=True):
        assert ours.clip_s is not None and theirs.clip_s is not None
        assert abs(ours.clip_s - theirs.clip_s) <= CLIP_FRAME_S + RECORDING_FRAME_S, ours.quote
