"""One clock for sound and picture: files in which a flash and a beep happen together, cut and shifted by ffmpeg."""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path

import numpy as np
import pytest

pytest.importorskip("cv2")

from voiceover.media.audio import SAMPLE_RATE, read_audio
from voiceover.media.frames import frame_times, iter_luma
from voiceover.media.probe import probe

FFMPEG = shutil.which("ffmpeg")
pytestmark = pytest.mark.skipif(FFMPEG is None, reason="the ffmpeg program makes the test's files")
# White from 2.0 to 2.2 s, and a beep in the same time.
PICTURE = ["-f", "lavfi", "-i", "color=black:size=64x48:rate=25:duration=4,drawbox=c=white:t=fill:enable='between(t,2,2.19)'"]
SOUND = ["-f", "lavfi", "-i", "sine=frequency=1000:sample_rate=48000:duration=4,volume='between(t,2,2.2)':eval=frame"]
FRAME_S, SAMPLE_GRID_S = 0.041, 0.025  # a frame; a packet of AAC, since the volume filter works on whole frames of sound


# Matroska and MPEG-TS have no place for an encoder's delay: a codec without one is put there.
CODECS = {"mp4": "aac", "mov": "aac", "mkv": "pcm_s16le", "ts": "mp2"}


def run(*arguments: str | Path) -> None:
    subprocess.run([str(FFMPEG), "-v", "error", "-y", *map(str, arguments)], check=True)


def flash_s(path: Path) -> float:
    return next(f.time_s for f in iter_luma(path) if f.luma.mean() > 128)


def beep_s(path: Path) -> float:
    return int(np.argmax(np.abs(read_audio(path)) > 0.03)) / SAMPLE_RATE


def check(path: Path, flash: float, beep: float) -> None:
    assert flash_s(path) == pytest.approx(flash, abs=FRAME_S)
    assert beep_s(path) == pytest.approx(beep, abs=SAMPLE_GRID_S)


@pytest.mark.parametrize("name", ["plain.mp4", "plain.mkv", "plain.mov"])
def test_a_plain_file(tmp_path: Path, name: str) -> None:
    run(*PICTURE, *SOUND, "-c:v", "libx264", "-c:a", CODECS[name[-3:]], tmp_path / name)
    check(tmp_path / name, 2.0, 2.0)


@pytest.mark.parametrize("ending", ["mp4", "mkv"])
def test_sound_that_starts_late(tmp_path: Path, ending: str) -> None:
    path = tmp_path / f"late_sound.{ending}"
    run(*PICTURE, "-itsoffset", "0.5", *SOUND, "-c:v", "libx264", "-c:a", CODECS[ending], path)
    check(path, 2.0, 2.5)


@pytest.mark.parametrize("ending", ["mp4", "mkv"])
def test_picture_that_starts_late(tmp_path: Path, ending: str) -> None:
    path = tmp_path / f"late_picture.{ending}"
    run("-itsoffset", "0.5", *PICTURE, *SOUND, "-fps_mode", "passthrough", "-c:v", "libx264", "-c:a", CODECS[ending], path)
    check(path, 2.5, 2.0)
    picture = probe(path).picture
    assert picture is not None and picture.start_s == pytest.approx(0.5, abs=0.03)


def test_both_start_late_and_the_file_counts_from_there(tmp_path: Path) -> None:
    plain, shifted = tmp_path / "plain.ts", tmp_path / "shifted.ts"
    run(*PICTURE, *SOUND, "-c:v", "libx264", "-c:a", CODECS["ts"], plain)
    run("-i", plain, "-c", "copy", "-output_ts_offset", "3600", shifted)
    assert probe(shifted).zero_s > 3000
    check(shifted, 2.0, 2.0)


def test_an_edit_list_cuts_the_beginning_off(tmp_path: Path) -> None:
    # One picture stored whole in four seconds: a copy that begins at 1.0 s keeps what is before it and hides it by an edit list.
    whole, cut = tmp_path / "whole.mp4", tmp_path / "cut.mp4"
    run(*PICTURE, *SOUND, "-c:v", "libx264", "-g", "200", "-bf", "0", "-c:a", "aac", whole)
    run("-ss", "1.0", "-i", whole, "-c", "copy", cut)
    check(cut, 1.0, 1.0)
    assert frame_times(cut)[0] == 0.0 and len(frame_times(cut)) == 75


def test_a_gap_in_the_picture_moves_nothing(tmp_path: Path) -> None:
    path = tmp_path / "gap.mkv"
    filters = ["-vf", "select='not(between(t,0.8,1.5))'", "-fps_mode", "passthrough"]
    run(*PICTURE, *SOUND, *filters, "-c:v", "libx264", "-c:a", CODECS["mkv"], path)
    check(path, 2.0, 2.0)
    assert float(np.diff(frame_times(path)).max()) > 0.7


def test_a_gap_in_the_sound_becomes_silence(tmp_path: Path) -> None:
    path = tmp_path / "gap.mkv"
    run(*PICTURE, *SOUND, "-af", "aselect='not(between(t,0.8,1.5))'", "-c:v", "libx264", "-c:a", "pcm_s16le", path)
    check(path, 2.0, 2.0)


def test_sound_that_is_shorter_than_the_picture(tmp_path: Path) -> None:
    path = tmp_path / "short_sound.mp4"
    run(*PICTURE, *SOUND, "-af", "atrim=0:2.5", "-c:v", "libx264", "-c:a", "aac", path)
    check(path, 2.0, 2.0)
    assert probe(path).duration_s == pytest.approx(4.0, abs=0.05)
    assert len(read_audio(path)) / SAMPLE_RATE == pytest.approx(2.5, abs=0.05)


def test_encoder_delay_of_an_audio_file(tmp_path: Path) -> None:
    for ending, codec in (("m4a", "aac"), ("mp3", "libmp3lame"), ("ogg", "libopus")):
        path = tmp_path / f"talk.{ending}"
        run(*SOUND, "-c:a", codec, path)
        assert beep_s(path) == pytest.approx(2.0, abs=SAMPLE_GRID_S), ending
