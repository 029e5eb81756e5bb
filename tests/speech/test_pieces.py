"""Speech found, packed into pieces, and words put back on the narration clock. No weights are loaded."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from voiceover.media.audio import SAMPLE_RATE, AudioBlock, read_audio
from voiceover.speech.islands import MAX_PIECE_S, Island, Part, Piece, iter_pieces
from voiceover.speech.word_times import Heard, place_words, whole_words

DATA = Path(__file__).parents[1] / "data"


@pytest.fixture(scope="module")
def voice() -> np.ndarray:
    """Three seconds of a real voice."""
    return read_audio(DATA / "librivox-0930.wav")


def silence(seconds: float) -> np.ndarray:
    return np.zeros(round(seconds * SAMPLE_RATE), np.float32)


def blocks(samples: np.ndarray, *, block_s: float = 7.3, start_s: float = 0.0) -> Iterator[AudioBlock]:
    step = round(block_s * SAMPLE_RATE)
    for first in range(0, len(samples), step):
        yield AudioBlock(start_s + first / SAMPLE_RATE, samples[first : first + step])


def test_nobody_speaks() -> None:
    noise = np.random.default_rng(3).normal(0, 0.05, 20 * SAMPLE_RATE).astype(np.float32)
    assert list(iter_pieces(blocks(silence(30)))) == []
    assert list(iter_pieces(blocks(noise))) == []
    assert list(iter_pieces(iter(()))) == []


@pytest.mark.parametrize("pause_s", [2.0, 5.0, 15.0, 60.0])
def test_long_pause_is_left_out_and_known(voice: np.ndarray, pause_s: float) -> None:
    sound = np.concatenate([silence(1.0), voice, silence(pause_s), voice, silence(1.0)])
    (piece,) = iter_pieces(blocks(sound))
    first, second = piece.parts[0], piece.parts[-1]
    shift_s = len(voice) / SAMPLE_RATE + pause_s
    assert second.island.end_narration_s - shift_s == pytest.approx(_last_of_first(piece, shift_s), abs=0.07)
    assert first.start_narration_s >= 0.7
    assert len(piece.samples) / SAMPLE_RATE < 2 * len(voice) / SAMPLE_RATE + 2.0
    check(piece, sound)


def _last_of_first(piece: Piece, shift_s: float) -> float:
    return max(p.island.end_narration_s for p in piece.parts if p.island.end_narration_s < shift_s)


def check(piece: Piece, sound: np.ndarray) -> None:
    """Each part of a piece is the sound of the time that it says, and parts never overlap."""
    for part in piece.parts:
        low, high = round(part.offset_s * SAMPLE_RATE), round(part.end_offset_s * SAMPLE_RATE)
        at = round(part.start_narration_s * SAMPLE_RATE)
        assert np.array_equal(piece.samples[low:high], sound[at : at + high - low])
        assert part.start_narration_s <= part.island.start_narration_s < part.island.end_narration_s
        assert part.island.end_narration_s <= part.end_narration_s + 1e-9
    for one, following in zip(piece.parts, piece.parts[1:], strict=False):
        assert one.end_narration_s <= following.start_narration_s + 1e-9
        assert following.offset_s == pytest.approx(one.end_offset_s, abs=1e-6)


@pytest.mark.parametrize("block_s", [1.0, 7.3, 200.0])
def test_pieces_do_not_depend_on_the_blocks(voice: np.ndarray, block_s: float) -> None:
    rng = np.random.default_rng(4)
    parts = [part for _ in range(20) for part in (voice, silence(float(rng.uniform(0.1, 2.0))))]
    sound = np.concatenate(parts)
    found = list(iter_pieces(blocks(sound, block_s=block_s)))
    whole = list(iter_pieces(blocks(sound, block_s=1000.0)))
    assert [p.parts for p in found] == [p.parts for p in whole]
    assert all(len(p.samples) <= MAX_PIECE_S * SAMPLE_RATE for p in found)
    for piece in found:
        check(piece, sound)


def test_speech_without_a_breath_is_split(voice: np.ndarray) -> None:
    loud = voice[4000:-6000]
    sound = np.concatenate([loud] * 40)
    found = list(iter_pieces(blocks(sound)))
    assert len(found) >= 3
    assert all(len(p.samples) <= MAX_PIECE_S * SAMPLE_RATE for p in found)
    heard_s = sum(part.end_narration_s - part.start_narration_s for p in found for part in p.parts)
    assert heard_s > 0.95 * len(sound) / SAMPLE_RATE
    for piece in found:
        check(piece, sound)


def test_quiet_voice_is_found(voice: np.ndarray) -> None:
    (piece,) = iter_pieces(blocks(np.concatenate([silence(1.0), voice * 0.02, silence(1.0)])))
    assert piece.speech_s > 1.5


def test_time_starts_where_the_sound_starts(voice: np.ndarray) -> None:
    (piece,) = iter_pieces(blocks(voice, start_s=3600.0))
    assert 3600.0 <= piece.parts[0].start_narration_s < 3601.0


def two_islands() -> Piece:
    """Tones at 10.0-11.0 s and 71.0-72.0 s, packed with a quarter of a second of silence around each."""
    tone = (0.3 * np.sin(np.arange(SAMPLE_RATE) / 5)).astype(np.float32)
    quiet = silence(0.25)
    parts = (
        Part(Island(10.0, 11.0, 0.9), 9.75, 11.25, 0.0),
        Part(Island(71.0, 72.0, 0.9), 70.75, 72.25, 1.5),
    )
    return Piece(0, parts, np.concatenate([quiet, tone, quiet, quiet, tone, quiet]))


def test_words_stay_in_their_island() -> None:
    heard = [
        Heard(" He", 0.0, 0.5, 0.9),
        Heard(" looks.", 0.5, 1.4, 0.9),
        Heard(" Then", 1.3, 2.2, 0.9),  # swallowed the pause before it
        Heard(" goes.", 2.2, 3.0, 0.9),
    ]
    placed = place_words(two_islands(), heard)
    assert [home for _, home in placed] == [0, 0, 1, 1]
    spans = [(w.start_narration_s, w.end_narration_s) for w, _ in placed]
    assert spans[0][0] == pytest.approx(10.0, abs=0.011)
    assert spans[1] == (pytest.approx(10.25, abs=0.011), pytest.approx(11.0, abs=0.011))
    assert spans[2] == (pytest.approx(71.0, abs=0.011), pytest.approx(71.45, abs=0.011))
    assert spans[3][1] == pytest.approx(72.0, abs=0.021)
    assert [w.timed for w, _ in placed] == ["adjusted"] * 4


def test_word_that_was_right_is_not_marked() -> None:
    heard = [Heard(" a", 0.25, 0.5, 0.9), Heard(" b", 0.5, 0.8, 0.9), Heard(" c", 0.8, 1.25, 0.9)]
    placed = [w for w, _ in place_words(two_islands(), heard)]
    assert placed[1].timed == "recognised"
    assert (placed[1].start_narration_s, placed[1].end_narration_s) == (10.25, 10.55)


def test_words_are_whole() -> None:
    heard = [
        Heard(" five", 0, 1, 0.9),
        Heard("-", 1, 1, 0.9),
        Heard("footer", 1, 2, 0.7),
        Heard(" -", 2, 2, 0.9),
        Heard(" ", 2, 2, 1),
    ]
    assert [(h.text, h.end_s) for h in whole_words(heard)] == [("five-footer-", 2)]
