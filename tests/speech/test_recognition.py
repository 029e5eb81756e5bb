"""Recognition with the installed weights, against words that others wrote down and sounds in which nobody speaks."""

from __future__ import annotations

import shutil
import subprocess
import wave
from pathlib import Path

import jiwer
import numpy as np
import pytest
from numpy.typing import NDArray

from voiceover.errors import WeightsError
from voiceover.media.audio import SAMPLE_RATE, read_audio
from voiceover.speech.hint import build_hint
from voiceover.speech.models import Weights, find_weights
from voiceover.speech.transcribe import _Reader, transcribe
from voiceover.speech.transcript import Transcript

DATA = Path(__file__).resolve().parents[1] / "data"
SAMPLE = Path(__file__).resolve().parents[2] / "sample_audio"
SHARED = Path(__file__).resolve().parents[3] / "shared" / "audio"


@pytest.fixture(scope="module")
def weights() -> Weights:
    try:
        return find_weights("auto")
    except WeightsError:
        pytest.skip("no recognition weights are installed")


def plain(text: str) -> str:
    return " ".join("".join(c for c in text.lower() if c.isalpha() or c in " '").split())


def said(transcript: Transcript) -> str:
    return plain(" ".join(w.text for w in transcript.words))


def write_wav(path: Path, sound: NDArray[np.float32], rate: int = SAMPLE_RATE) -> Path:
    """Write sound of shape (samples,) or (samples, channels) in -1..1."""
    with wave.open(str(path), "wb") as out:
        out.setnchannels(1 if sound.ndim == 1 else sound.shape[1])
        out.setsampwidth(2)
        out.setframerate(rate)
        out.writeframes((np.clip(sound, -1, 1) * 32767).astype("<i2").tobytes())
    return path


def test_a_reader_is_understood(weights: Weights) -> None:
    names = ("librivox-0880", "librivox-0930")
    truth = [plain((DATA / f"{n}.txt").read_text()) for n in names]
    heard = [said(transcribe(DATA / f"{n}.wav", weights=weights)) for n in names]
    # Sixteen words of a reader in a quiet room; published word error rates of these weights on read English are 4 to 8 %.
    assert jiwer.wer(truth, heard) <= 0.15, heard


def test_a_wholly_wrong_hint_puts_no_word_in(weights: Weights) -> None:
    hint = build_hint(["Xanthippe Quillfeather", "Bartholomew Oxnard"], ["astrolabe", "hollandaise sauce"], weights=weights)
    heard = said(transcribe(DATA / "librivox-0880.wav", weights=weights, hint=hint))
    assert heard == said(transcribe(DATA / "librivox-0880.wav", weights=weights))


@pytest.mark.parametrize("kind", ["silence", "noise", "hum", "click"])
def test_no_words_where_nobody_speaks(tmp_path: Path, weights: Weights, kind: str) -> None:
    n = 8 * SAMPLE_RATE
    sound = np.zeros(n, np.float32)
    if kind == "noise":
        sound = np.random.default_rng(1).normal(0, 0.05, n).astype(np.float32)
    elif kind == "hum":
        sound = (0.2 * np.sin(2 * np.pi * 60 * np.arange(n) / SAMPLE_RATE)).astype(np.float32)
    elif kind == "click":
        sound[:: SAMPLE_RATE // 2] = 0.9
    hint = build_hint(["Ada Varga"], ["stick lift"], weights=weights)
    assert transcribe(write_wav(tmp_path / "x.wav", sound), weights=weights, hint=hint).words == ()


@pytest.mark.skipif(not SHARED.is_dir(), reason="the recordings lie outside the project")
@pytest.mark.parametrize("name", ["silence.wav", "silence.mp3", "laughter.mp3"])
def test_no_words_in_real_silence_and_laughter(weights: Weights, name: str) -> None:
    assert transcribe(SHARED / "bad" / name, weights=weights).words == ()


def test_a_voice_on_one_side_and_a_telephone_rate(tmp_path: Path, weights: Weights) -> None:
    sound = read_audio(DATA / "librivox-0880.wav")
    truth = plain((DATA / "librivox-0880.txt").read_text())
    noise = np.random.default_rng(2).normal(0, 0.002, len(sound)).astype(np.float32)
    side = write_wav(tmp_path / "side.wav", np.column_stack([noise, sound]))
    assert jiwer.wer(truth, said(transcribe(side, weights=weights))) <= 0.25
    slow = write_wav(tmp_path / "slow.wav", sound[::2], SAMPLE_RATE // 2)
    assert jiwer.wer(truth, said(transcribe(slow, weights=weights))) <= 0.25


@pytest.mark.skipif(shutil.which("ffmpeg") is None, reason="made with the ffmpeg command")
def test_a_video_whose_sound_starts_late_keeps_its_times(tmp_path: Path, weights: Weights) -> None:
    late = tmp_path / "late.mp4"
    subprocess.run(
        ["ffmpeg", "-v", "error", "-f", "lavfi", "-i", "color=c=white:s=64x48:r=25:d=6", "-itsoffset", "2",
         "-i", str(DATA / "librivox-0880.wav"), "-map", "0:v", "-map", "1:a", str(late)],
        check=True,
    )  # fmt: skip
    first = transcribe(DATA / "librivox-0880.wav", weights=weights).words[0]
    moved = transcribe(late, weights=weights).words[0]
    assert plain(moved.text) == plain(first.text)
    assert moved.start_narration_s - first.start_narration_s == pytest.approx(2.0, abs=0.1)


def test_a_stopped_run_goes_on_from_its_saved_words(tmp_path: Path, weights: Weights, monkeypatch: pytest.MonkeyPatch) -> None:
    piece = np.concatenate([read_audio(DATA / f"librivox-{n}.wav") for n in ("0880", "0930")])
    gap = np.zeros(SAMPLE_RATE, np.float32)
    talk = write_wav(tmp_path / "talk.wav", np.concatenate([part for _ in range(24) for part in (piece, gap)]))
    listened: list[int] = []
    read = _Reader.read

    def counting(self: _Reader, pieces: object) -> object:
        listened.append(len(pieces))  # type: ignore[arg-type]
        return read(self, pieces)  # type: ignore[arg-type]

    monkeypatch.setattr(_Reader, "read", counting)
    whole = transcribe(talk, weights=weights)
    batches = len(listened)
    assert batches >= 2

    def stop(done_s: float, total_s: float) -> None:
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        transcribe(talk, weights=weights, saved=tmp_path / "words.jsonl", progress=stop)
    listened.clear()
    second = transcribe(talk, weights=weights, saved=tmp_path / "words.jsonl")
    assert len(listened) == batches - 1
    assert second.words == whole.words
