"""Cuts: exact to the frame, by picture; sound, captions, size."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

pytest.importorskip("cv2")
pytest.importorskip("PIL")

from tests.reports.conftest import SAMPLE
from voiceover import Breakdown
from voiceover.errors import OptionError
from voiceover.lexicon.model import Lexicon
from voiceover.media.audio import level_dbfs, read_audio
from voiceover.media.frames import frame_times, iter_luma
from voiceover.media.probe import probe
from voiceover.reports.bundle import write_bundle
from voiceover.reports.film import Shot, write_film
from voiceover.reports.moments import MomentFilter, moments, possession_shot
from voiceover.reports.privacy import Shared
from voiceover.reports.report import Source
from voiceover.reports.voice import silence_names

CLIP = SAMPLE / "clip.mp4"
FRAME_S = 1 / 30


def test_first_and_last_frame_of_twenty_cuts_are_those_that_were_asked_for(tmp_path: Path) -> None:
    rng = np.random.default_rng(4)
    starts = np.round(rng.uniform(0.0, 38.0, 20), 3)
    shots = [Shot(CLIP, float(s), float(s + rng.uniform(0.4, 2.0))) for s in starts]
    places = write_film(shots, tmp_path / "film.mp4", titles=False)
    film = [(f.time_s, f.luma.astype(np.float32).copy()) for f in iter_luma(tmp_path / "film.mp4")]
    own = frame_times(CLIP)
    wanted = sorted({round(float(t), 4) for p in places for t in (p.first_clip_s, p.last_clip_s)})
    pictures = {}
    for f in iter_luma(CLIP):
        for w in wanted:
            if abs(f.time_s - w) < 2.5 * FRAME_S:
                pictures[round(f.time_s, 4)] = f.luma.astype(np.float32).copy()
    for shot, p in zip(shots, places, strict=True):
        shown = own[np.searchsorted(own, shot.start_clip_s + 1e-6, side="right") - 1]
        before_end = own[np.searchsorted(own, shot.end_clip_s - 1e-6) - 1]
        assert (p.first_clip_s, p.last_clip_s) == (pytest.approx(shown, abs=1e-4), pytest.approx(before_end, abs=1e-4))
        inside = [luma for t, luma in film if p.start_s - 1e-3 <= t < p.end_s - 1e-3]
        for luma, at_s in ((inside[0], p.first_clip_s), (inside[-1], p.last_clip_s)):
            near = {t: float(np.abs(luma - picture).mean()) for t, picture in pictures.items() if abs(t - at_s) < 2.5 * FRAME_S}
            assert min(near, key=near.__getitem__) == pytest.approx(at_s, abs=1e-3)


def test_moments_have_their_lead_and_tail_and_the_clips_sound(shared: Shared, tmp_path: Path) -> None:
    wanted = MomentFilter(statuses=("missed",))
    shots = moments(shared, CLIP, wanted)
    rows = [r for r in shared.breakdown.log if wanted.fits(r)]
    assert rows and len(shots) <= len(rows)
    first = min(rows, key=lambda r: r.clip_s or 0)
    assert shots[0].start_clip_s == pytest.approx((first.clip_s or 0) - 3.0) and shots[0].end_clip_s >= (first.clip_s or 0) + 2.0 - 1e-6
    write_film(shots, tmp_path / "film.mp4")
    info = probe(tmp_path / "film.mp4")
    assert info.audio and info.duration_s == pytest.approx(sum(s.end_clip_s - s.start_clip_s + 1.6 for s in shots), abs=0.2)
    with pytest.raises(OptionError, match="no moment"):
        moments(shared, CLIP, MomentFilter(principles=("no-such-thing",)))
    with pytest.raises(OptionError, match="silence-names"):
        moments(shared, CLIP, wanted, sound="talk")


def test_a_possession_goes_as_the_talk_went_with_the_silenced_voice(demo: Breakdown, shared: Shared, tmp_path: Path) -> None:
    voice = read_audio(silence_names(SAMPLE / "narration.ogg", demo, tmp_path / "voice.wav").path)
    shot = possession_shot(shared, CLIP, 1, voice=voice)
    assert shot is not None and shot.sound is not None
    steps = np.diff(shot.times_clip_s)
    assert (steps == 0).any() and (steps > 0).any()  # paused and running
    write_film([shot], tmp_path / "film.mp4", titles=False)
    length_s = len(shot.times_clip_s) / 25
    assert probe(tmp_path / "film.mp4").duration_s == pytest.approx(length_s, abs=0.2)
    assert level_dbfs(read_audio(tmp_path / "film.mp4")) > -45


def test_a_report_with_video_keeps_to_its_limit(demo: Breakdown, lexicon: Lexicon, tmp_path: Path) -> None:
    assert write_bundle(Source(demo, CLIP), lexicon, tmp_path / "small.zip", limit_mb=1.0) is not None
    assert (tmp_path / "small.zip").stat().st_size <= 1_000_000
