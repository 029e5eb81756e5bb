"""From the sound of a narration to its words, with times and probabilities.

Sound is cut into pieces where somebody speaks (islands.py), several pieces (BATCH) are decoded side by side with a hint of names and
terms (hint.py), what looks wrong is listened to again without the hint (doubts.py), and the words are put on the
narration clock (word_times.py). Finished pieces are kept on disk on the way (saved_words.py).
"""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import islice
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from voiceover.errors import WeightsError
from voiceover.media.audio import SAMPLE_RATE, AudioBlock, iter_audio
from voiceover.media.probe import probe
from voiceover.speech.doubts import Reading, believable, better, is_doubtful, without_loops
from voiceover.speech.hint import Hint
from voiceover.speech.islands import Piece, iter_pieces
from voiceover.speech.models import Weights
from voiceover.speech.saved_words import SavedWords, file_identity
from voiceover.speech.transcript import Transcript, Word
from voiceover.speech.word_times import Heard, place_words

if TYPE_CHECKING:
    from faster_whisper import BatchedInferencePipeline

# Decoded side by side. On two cores and 5 minutes of talk (benchmarks/cost.py, base): 4 take 820 MB and 23.6 s, 6 take 948 MB and
# 22.2 s, 8 take 1049 MB and 22.1 s; a laptop with little memory matters more than 6 %.
BATCH = 4
DEFAULT_BEAM_SIZE = 2
# Whisper's window; each piece of a batch gets one of its own.
WINDOW_S = 30
MAX_THREADS = 4

Progress = Callable[[float, float], None]
"""Called with seconds of narration done and seconds in all."""


@dataclass(slots=True)
class _Count:
    """How far the sound has been read."""

    end_s: float = 0.0


def transcribe(
    path: Path | str,
    *,
    weights: Weights,
    hint: Hint | None = None,
    saved: Path | None = None,
    progress: Progress | None = None,
    beam_size: int = DEFAULT_BEAM_SIZE,
    track: int | None = None,
    threads: int | None = None,
) -> Transcript:
    """Recognise what is said in a recording.

    Args:
        path: any recording with sound.
        weights: as found by `find_weights`.
        hint: names and terms to expect, from `build_hint`; None for none.
        saved: file to keep finished pieces in; a second run with the same recording, weights and hint goes on from it.
        progress: told how many seconds of how many are done.
        beam_size: hypotheses followed at once, at least 1; more is slower and a little better.
        track: which sound track, from 0; None finds the one with the voice.
        threads: processor threads; None for all, at most 4.
    Returns:
        Words in order of time, 0 <= start <= end <= duration; no words where nobody speaks.
    Raises:
        MediaError: the recording cannot be read or has no sound.
        WeightsError: the weights cannot be loaded.
        OutputError: `saved` cannot be written.
    """
    path = Path(path)
    info = probe(path, need_sound=True)
    hint = hint if hint is not None and hint.text else None
    store = None
    if saved is not None:
        store = SavedWords.open(saved, _key(path, weights, hint, beam_size, track))
    reader = _Reader(weights, hint, beam_size, threads)
    count = _Count()
    words: list[Word] = []
    pieces = iter_pieces(_counted(iter_audio(path, track=track), count))
    while batch := list(islice(pieces, BATCH)):
        words.extend(_read_batch(batch, reader, store))
        if progress is not None:
            done_s = batch[-1].parts[-1].end_narration_s
            progress(min(done_s, info.duration_s), max(info.duration_s, count.end_s))
    duration_s = max(count.end_s, info.duration_s)
    if progress is not None:
        progress(duration_s, duration_s)
    return Transcript(tuple(_in_order(words, duration_s)), weights.name, round(duration_s, 3))


def _counted(blocks: Iterator[AudioBlock], count: _Count) -> Iterator[AudioBlock]:
    for block in blocks:
        count.end_s = block.start_narration_s + len(block.samples) / SAMPLE_RATE
        yield block


def _key(path: Path, weights: Weights, hint: Hint | None, beam_size: int, track: int | None) -> str:
    parts = [file_identity(path), weights.sha256, hint.sha256 if hint else None, beam_size, track]
    return hashlib.sha256(json.dumps(parts).encode()).hexdigest()


def _read_batch(batch: Sequence[Piece], reader: _Reader, store: SavedWords | None) -> list[Word]:
    """Words of some pieces, from disk where they are there."""
    known = [store.find(p.index, *_span(p)) for p in batch] if store is not None else [None] * len(batch)
    if all(k is not None for k in known):
        return [w for k in known if k is not None for w in k]
    # A batch is decoded as a whole even where some of it is known: the same neighbours give the same result.
    found = [[w for w, _ in reading.words] for reading in reader.read(batch)]
    if store is not None:
        store.add([(p.index, *_span(p), words) for p, words in zip(batch, found, strict=True)])
    return [w for words in found for w in words]


def _span(piece: Piece) -> tuple[float, float]:
    return piece.parts[0].start_narration_s, piece.parts[-1].end_narration_s


def _in_order(words: Sequence[Word], duration_s: float) -> Iterator[Word]:
    """Words with 0 <= start <= end <= duration, starts never decreasing; marked as adjusted where that moved them."""
    before_s = 0.0
    for word in words:
        start_s = min(max(word.start_narration_s, before_s, 0.0), duration_s)
        end_s = min(max(word.end_narration_s, start_s), duration_s)
        if (start_s, end_s) != (word.start_narration_s, word.end_narration_s):
            word = Word(word.text, start_s, end_s, word.probability, word.heard, "adjusted")
        before_s = start_s
        yield word


class _Reader:
    """Listens to pieces."""

    def __init__(self, weights: Weights, hint: Hint | None, beam_size: int, threads: int | None) -> None:
        if beam_size < 1:
            raise ValueError(f"beam_size must be at least 1, got {beam_size}")
        self.weights = weights
        self.hint = hint
        self.beam_size = beam_size
        self.threads = threads or min(MAX_THREADS, os.cpu_count() or 1)

    def read(self, pieces: Sequence[Piece]) -> list[Reading]:
        """What is said in each piece."""
        readings = self._listen(pieces, self.hint)
        doubtful = [i for i, (p, r) in enumerate(zip(pieces, readings, strict=True)) if is_doubtful(p, r, self.hint)]
        if doubtful and self.hint is not None:
            again = self._listen([pieces[i] for i in doubtful], None)
            for i, second in zip(doubtful, again, strict=True):
                readings[i] = better(pieces[i], readings[i], second)
        return [believable(p, without_loops(r), self.hint) for p, r in zip(pieces, readings, strict=True)]

    def _listen(self, pieces: Sequence[Piece], hint: Hint | None) -> list[Reading]:
        sound = np.zeros(len(pieces) * WINDOW_S * SAMPLE_RATE, np.float32)
        clips = []
        for i, piece in enumerate(pieces):
            first = i * WINDOW_S * SAMPLE_RATE
            sound[first : first + len(piece.samples)] = piece.samples
            clips.append({"start": float(i * WINDOW_S), "end": i * WINDOW_S + len(piece.samples) / SAMPLE_RATE})
        segments, _ = load_model(self.weights, self.threads).transcribe(
            sound,
            language="en",
            beam_size=self.beam_size,
            temperature=0.0,
            condition_on_previous_text=False,
            word_timestamps=True,
            without_timestamps=True,
            vad_filter=False,
            clip_timestamps=clips,
            batch_size=BATCH,
            hotwords=hint.text if hint is not None else None,
        )
        heard: list[list[Heard]] = [[] for _ in pieces]
        quality = [(0.0, 0.0, 0.0)] * len(pieces)
        for segment in segments:
            i = int(segment.seek) // (100 * WINDOW_S)  # seek counts the 10 ms frames
            for w in segment.words or ():
                heard[i].append(Heard(w.word, w.start - i * WINDOW_S, w.end - i * WINDOW_S, w.probability))
            quality[i] = (segment.avg_logprob, segment.no_speech_prob, segment.compression_ratio)
        return [Reading(tuple(place_words(p, h)), *q) for p, h, q in zip(pieces, heard, quality, strict=True)]


@lru_cache(maxsize=1)
def load_model(weights: Weights, threads: int) -> BatchedInferencePipeline:
    """The model in memory, as 8-bit integers on the processor; the last one is kept.

    Raises:
        WeightsError: the folder holds no model that can be loaded.
    """
    from faster_whisper import BatchedInferencePipeline, WhisperModel  # takes half a second: only when needed

    try:
        model = WhisperModel(str(weights.folder), device="cpu", compute_type="int8", cpu_threads=threads, local_files_only=True)
    except (RuntimeError, ValueError, OSError) as error:
        reason = " ".join(str(error).split())[:160]
        raise WeightsError(f"{weights.folder}: weights cannot be loaded ({reason}); copy the folder again") from error
    return BatchedInferencePipeline(model=model)


def release_model() -> None:
    """Give back the memory of the model that is kept; the next recognition loads it again."""
    load_model.cache_clear()
