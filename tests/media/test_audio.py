"""Sound on the narration clock: late, with holes, on one side, in opposite phase, on the second track."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from tests.media.conftest import RATE, tone
from voiceover.errors import MediaError
from voiceover.media.audio import SAMPLE_RATE, choose_voice, iter_audio, level_dbfs, read_audio
from voiceover.media.probe import probe
from voiceover.media.voice import VoiceDetector, speech_probabilities

SPEECH = Path(__file__).parents[1] / "data" / "librivox-0930.wav"


def loud_from_to(samples: np.ndarray) -> tuple[float, float]:
    """First and last moment above a twentieth of full scale, seconds."""
    loud = np.flatnonzero(np.abs(samples) > 0.05)
    return float(loud[0]) / SAMPLE_RATE, float(loud[-1]) / SAMPLE_RATE


@pytest.fixture(scope="module")
def speech() -> np.ndarray:
    """A real voice at 48 kHz (a plain repetition of samples: good enough to be told from noise)."""
    return np.repeat(read_audio(SPEECH), RATE // SAMPLE_RATE)


def test_blocks_follow_each_other(make: Callable[..., Path]) -> None:
    blocks = list(iter_audio(make("a.wav", audio=[tone(5.0)]), block_s=1.5))
    assert [b.start_narration_s for b in blocks] == [0.0, 1.5, 3.0, 4.5]
    assert sum(len(b.samples) for b in blocks) == pytest.approx(5 * SAMPLE_RATE, abs=2)
    assert all(b.samples.dtype == np.float32 for b in blocks)


@pytest.mark.parametrize(("name", "codec"), [("late.mkv", "pcm_s16le"), ("late.mp4", "aac"), ("late.ts", "mp2")])
def test_late_sound_keeps_its_time(make: Callable[..., Path], name: str, codec: str) -> None:
    samples = read_audio(make(name, audio=[tone(1.0)], audio_start_s=2.0, video_s=4.0, codec=codec))
    begin_s, end_s = loud_from_to(samples)
    assert begin_s == pytest.approx(2.0, abs=0.03)
    assert end_s == pytest.approx(3.0, abs=0.05)


def test_variable_frame_rate_does_not_move_the_sound(make: Callable[..., Path]) -> None:
    times_s = [0.0, 0.04, 0.08, 1.9, 2.5, 2.52, 4.0]
    samples = read_audio(make("vfr.mkv", audio=[tone(1.0)], audio_start_s=1.0, video_times_s=times_s))
    assert loud_from_to(samples)[0] == pytest.approx(1.0, abs=0.005)


def test_hole_becomes_silence(make: Callable[..., Path]) -> None:
    samples = read_audio(make("hole.mkv", audio=[tone(6.0)], hole_s=(2.0, 4.0)))
    assert len(samples) == pytest.approx(6 * SAMPLE_RATE, abs=20)
    assert np.abs(samples[round(2.1 * SAMPLE_RATE) : round(3.9 * SAMPLE_RATE)]).max() < 0.001
    assert np.abs(samples[round(4.1 * SAMPLE_RATE) :]).max() > 0.25


@pytest.mark.parametrize("rate", [8_000, 11_025, 44_100])
def test_any_sample_rate(make: Callable[..., Path], rate: int) -> None:
    samples = read_audio(make("r.wav", audio=[tone(3.0, rate=rate)], rate=rate))
    assert len(samples) == pytest.approx(3 * SAMPLE_RATE, abs=20)
    spectrum = np.abs(np.fft.rfft(samples))
    assert np.argmax(spectrum) * SAMPLE_RATE / len(samples) == pytest.approx(440, abs=1)


def test_stretch_has_the_same_samples(make: Callable[..., Path]) -> None:
    """Cutting in the middle moves nothing: the stretch is what the whole has at the same time."""
    chirp = np.sin(2 * np.pi * (200 + 300 * np.arange(8 * RATE) / RATE) * np.arange(8 * RATE) / RATE).astype(np.float32) / 3
    path = make("chirp.mkv", audio=[chirp])
    whole = read_audio(path)
    part = read_audio(path, from_s=3.0, to_s=5.0)
    assert len(part) == 2 * SAMPLE_RATE
    assert np.abs(part[800:-800] - whole[3 * SAMPLE_RATE + 800 : 5 * SAMPLE_RATE - 800]).max() < 0.01


def test_voice_on_one_side(make: Callable[..., Path], speech: np.ndarray) -> None:
    noise = np.random.default_rng(1).normal(0, 0.2, len(speech)).astype(np.float32)
    samples = read_audio(make("right.wav", audio=[np.stack([noise, speech])]))
    clean = np.repeat(read_audio(SPEECH), 1)
    assert np.corrcoef(samples[: len(clean)], clean[: len(samples)])[0, 1] > 0.95


def test_opposite_phase_is_not_cancelled(make: Callable[..., Path], speech: np.ndarray) -> None:
    samples = read_audio(make("phase.wav", audio=[np.stack([speech, -speech])]))
    assert level_dbfs(samples) > level_dbfs(read_audio(SPEECH)) - 3


def test_ordinary_stereo_is_mixed(make: Callable[..., Path], speech: np.ndarray) -> None:
    path = make("both.wav", audio=[np.stack([speech, speech])])
    _, mix = choose_voice(probe(path))
    assert mix(np.array([[1.0], [0.0]], np.float32))[0] == pytest.approx(0.5)


def test_microphone_on_the_second_track(make: Callable[..., Path], speech: np.ndarray) -> None:
    game = np.random.default_rng(2).normal(0, 0.1, len(speech)).astype(np.float32)
    path = make("capture.mkv", audio=[game, speech])
    assert choose_voice(probe(path))[0] == 1
    assert choose_voice(probe(path), track=0)[0] == 0
    with pytest.raises(MediaError, match="no track 2"):
        choose_voice(probe(path), track=2)


def test_damaged_in_the_middle_keeps_the_rest(make: Callable[..., Path]) -> None:
    path = make("a.ts", audio=[tone(6.0)], codec="mp2")
    content = bytearray(path.read_bytes())
    third = len(content) // 3
    content[third : third + 2000] = bytes(2000)
    path.write_bytes(content)
    samples = read_audio(path)
    assert loud_from_to(samples)[1] == pytest.approx(6.0, abs=0.1)
    assert np.abs(samples).max() > 0.2


def test_detector_has_no_seams() -> None:
    """Fed in pieces of any size, the detector says the same as fed at once."""
    samples = read_audio(SPEECH)
    detector = VoiceDetector()
    pieces = [detector.feed(samples[i : i + 3000]) for i in range(0, len(samples), 3000)]
    in_pieces = np.concatenate([*pieces, detector.finish()])
    at_once = speech_probabilities(samples)
    assert in_pieces.shape == at_once.shape
    assert np.abs(in_pieces - at_once).max() < 1e-3
    assert (at_once > 0.5).mean() > 0.5
    assert (speech_probabilities(np.zeros(SAMPLE_RATE * 3, np.float32)) > 0.5).sum() == 0
