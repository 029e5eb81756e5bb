"""The playhead of narrated screen recordings that are made with a known truth."""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path

import numpy as np
import pytest

pytest.importorskip("cv2")

from voiceover import LogOptions, log
from voiceover.errors import OptionError, PlayheadError
from voiceover.evaluation.playhead_score import score_track
from voiceover.evaluation.recording_kinds import build
from voiceover.playhead.choose import PlayheadWish, choose_playhead
from voiceover.playhead.find import find_playhead
from voiceover.playhead.screen import find_screen_playhead
from voiceover.playhead.screen_rows import _forget_glimpses
from voiceover.playhead.screen_stretch import find_stretch
from voiceover.playhead.track import read_playhead

# The kinds of recording that differ most; the benchmark goes through all. Bars: within one frame of the clip.
KINDS = {"window": 0.99, "drawings": 0.99, "talking_head": 0.98, "crop_window": 0.99, "other_video": 0.98}


@pytest.mark.parametrize("kind", KINDS)
def test_the_clip_is_followed_to_the_frame(tmp_path: Path, kind: str) -> None:
    made = build(tmp_path, kind, 5)
    track = find_screen_playhead(made.recording, made.clips)
    score = score_track(track, made.truth, made.clips, made.times_s)
    assert score.within_frame >= KINDS[kind]
    assert score.false_s == 0
    assert score.missed_worst_s <= 0.2
    assert all(row.source == "screen" for row in track.rows)


@pytest.mark.skipif(shutil.which("ffmpeg") is None, reason="the ffmpeg program makes the test's file")
def test_the_stretch_of_a_long_file_is_found_from_its_stored_frames(tmp_path: Path) -> None:
    made = build(tmp_path, "window", 5)
    camera = tmp_path / "camera.mp4"  # cameras store a whole frame every half second or so
    command = ["ffmpeg", "-v", "error", "-i", str(made.clips[0]), "-g", "15", "-crf", "18", "-fps_mode", "passthrough", str(camera)]
    subprocess.run(command, check=True)
    start_s, end_s = find_stretch(made.recording, camera) or (0.0, 0.0)
    shown = made.truth.clip_s[made.truth.clip >= 0]
    assert start_s <= shown.min() and shown.max() <= end_s
    assert find_stretch(*_other(tmp_path)) is None


def _other(folder: Path) -> tuple[Path, Path]:
    made = build(folder, "absent", 5)
    return made.recording, made.clips[0]


def test_what_a_motionless_picture_leaves_open_is_called_approximate_and_nothing_after_it_is_shifted(tmp_path: Path) -> None:
    made = build(tmp_path, "motionless", 5)
    score = score_track(find_screen_playhead(made.recording, made.clips), made.truth, made.clips, made.times_s)
    assert score.within_frame == 1.0
    assert score.wrong_s > 0.5  # or nothing was left open, and the test would show nothing
    assert score.wrong_low_s == pytest.approx(score.wrong_s)


def test_what_looks_like_the_clip_for_a_moment_is_not_the_clip() -> None:
    times = np.arange(20) / 10
    clip = np.array([-1] * 5 + [0] * 2 + [-1] * 3 + [0] * 6 + [-1] * 2 + [0] * 2)
    _forget_glimpses(times, clip)
    assert clip.tolist() == [-1] * 10 + [0] * 6 + [-1] * 2 + [0] * 2


def test_a_recording_without_the_clip_says_so(tmp_path: Path) -> None:
    made = build(tmp_path, "absent", 5)
    with pytest.raises(PlayheadError, match="is not seen in it"):
        find_screen_playhead(made.recording, made.clips)


def test_found_files_can_be_read_again_and_auto_is_for_pictures(tmp_path: Path) -> None:
    made = build(tmp_path, "window", 6)
    found = find_playhead(made.recording, made.clips, tmp_path / "playhead.csv")
    again = read_playhead(tmp_path / "playhead.csv")
    assert len(again.rows) == len(found.track.rows)
    assert all(f.stat().st_size > 200 for f in found.files) and len(found.files) == 3
    (tmp_path / "talk.txt").write_text("First touch. He looks over his shoulder.")
    wish = PlayheadWish(clip=made.clips[0])
    track, _ = choose_playhead(made.recording, wish)
    assert track is not None and track.rows == found.track.rows
    assert choose_playhead(tmp_path / "talk.wav", wish) == (None, [])
    breakdown = log(made.recording, LogOptions(clip=made.clips[0], transcript=tmp_path / "talk.txt", playhead="none"))
    assert breakdown.playhead == []
    with pytest.raises(PlayheadError, match="--clip"):
        choose_playhead(made.recording, PlayheadWish(playhead="auto"))


def test_a_stretch_goes_with_one_clip(tmp_path: Path) -> None:
    with pytest.raises(OptionError, match="--from and --to: go with one clip") as caught:
        find_playhead(tmp_path / "recording.mp4", [tmp_path / "a.mp4", tmp_path / "b.mp4"], tmp_path / "out.csv", from_clip_s=3.0)
    assert "\n" not in str(caught.value)
