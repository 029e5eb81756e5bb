"""Cuts the sound into pieces for the recogniser: only where somebody speaks, never longer than its window.

Whisper hears 30 s at a time and pays for 30 s however little is in them, so islands of speech are packed side by side until
a piece is nearly full. What stands between two islands is left out but for a margin, and every part of a piece knows
where it came from: that keeps word times right across a pause of any length.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from voiceover.media.audio import SAMPLE_RATE, AudioBlock
from voiceover.media.voice import WINDOW, VoiceDetector

Samples = npt.NDArray[np.float32]

# Silero's own thresholds (faster-whisper 1.2.1, VadOptions): speech begins at 0.5 and ends below 0.35.
START_PROBABILITY = 0.5
END_PROBABILITY = 0.35
# A silence this long parts two islands. Between faster-whisper's 0.16 s for batches and its 2 s; a stop consonant closes the
# mouth for up to 0.15 s.
MIN_SILENCE_S = 0.25
# Kept before and after an island, so that soft first and last sounds are heard. faster-whisper keeps 0.4 s.
LEAD_S = 0.25
TAIL_S = 0.35
# Whisper's window is 30 s. Less than a second is left free: a full window loses its last word.
MAX_PIECE_S = 29.0
# A piece may end at its longest pause once it is this full: cutting between sentences beats the last seconds of packing.
MIN_PIECE_S = 21.0
# A clicking or breathing shorter than this is no island of its own.
MIN_ISLAND_S = 0.1
# The detector is given quiet recordings louder, up to this factor; it was trained on speech at ordinary level.
MAX_GAIN = 30.0
LOUD_PEAK = 0.3
SILENT_PEAK = 1e-4


# The stretch of sound whose loudest sample sets the gain for the detector. Guess, not measured: a few sentences long.
GAIN_BLOCK_S = 30.0


@dataclass(frozen=True, slots=True)
class Island:
    """A stretch in which somebody speaks."""

    start_narration_s: float
    end_narration_s: float
    probability: float
    """Mean probability of speech inside, 0..1."""

    @property
    def length_s(self) -> float:
        """Seconds from its start to its end."""
        return self.end_narration_s - self.start_narration_s


@dataclass(frozen=True, slots=True)
class Part:
    """An island inside a piece, with its margins."""

    island: Island
    start_narration_s: float
    """Where the part begins, margin included, seconds of narration time."""
    end_narration_s: float
    offset_s: float
    """Where the part begins within the piece, seconds."""

    @property
    def end_offset_s(self) -> float:
        """Where the part ends within the piece, seconds."""
        return self.offset_s + self.end_narration_s - self.start_narration_s


@dataclass(frozen=True, slots=True)
class Piece:
    """What the recogniser hears at once."""

    index: int
    parts: tuple[Part, ...]
    samples: Samples
    """float32, 16 kHz mono, at most 29 s."""

    @property
    def speech_s(self) -> float:
        """Seconds of speech in it."""
        return sum(p.island.length_s for p in self.parts)


@dataclass(slots=True)
class _Open:
    """An island with its sound, waiting to be packed."""

    island: Island
    start: int
    end: int
    samples: Samples


def iter_pieces(blocks: Iterable[AudioBlock]) -> Iterator[Piece]:
    """Find the speech in a stream of sound and pack it.

    Args:
        blocks: sound without holes, as `iter_audio` gives it.
    Yields:
        Pieces in order; none where nobody speaks.
    """
    index = 0
    waiting: list[_Open] = []
    for found in _iter_islands(blocks):
        waiting.append(found)
        while _packed_s(waiting) > MAX_PIECE_S:
            count = _break_at(waiting)
            yield _pack(index, waiting[:count])
            index += 1
            waiting = waiting[count:]
    if waiting:
        yield _pack(index, waiting)


def _packed_s(found: list[_Open]) -> float:
    return sum(o.end - o.start for o in found) / SAMPLE_RATE


def _break_at(found: list[_Open]) -> int:
    """How many islands go into this piece: up to the longest pause among those that fill it well."""
    filled = 0.0
    best, best_pause = 1, -1
    for i, (one, following) in enumerate(zip(found, found[1:], strict=False)):
        filled += (one.end - one.start) / SAMPLE_RATE
        if filled > MAX_PIECE_S:
            break
        pause = round((following.island.start_narration_s - one.island.end_narration_s) * SAMPLE_RATE)
        if filled < MIN_PIECE_S:
            best = i + 1
        elif pause > best_pause:
            best, best_pause = i + 1, pause
    return best


def _pack(index: int, found: list[_Open]) -> Piece:
    parts: list[Part] = []
    offset = 0
    for one in found:
        parts.append(Part(one.island, one.start / SAMPLE_RATE, one.end / SAMPLE_RATE, offset / SAMPLE_RATE))
        offset += one.end - one.start
    return Piece(index, tuple(parts), np.concatenate([o.samples for o in found]))


def _iter_islands(blocks: Iterable[AudioBlock]) -> Iterator[_Open]:
    """Islands with their sound and margins. Margins of neighbours never overlap: they share the pause in halves."""
    lead, tail = round(LEAD_S * SAMPLE_RATE), round(TAIL_S * SAMPLE_RATE)
    detector, runs, store = VoiceDetector(), _Runs(), _Sound()
    waiting: tuple[int, int, float] | None = None
    taken = 0  # sound before this sample is in an island already
    at: int | None = None

    def open_islands(probabilities: npt.NDArray[np.float32]) -> Iterator[_Open]:
        nonlocal waiting, taken, at
        assert at is not None
        found: list[tuple[int, int, float]] = []
        for probability in probabilities:
            found.extend(runs.feed(at, float(probability)))
            at += WINDOW
        for run in found:
            if waiting is not None:
                half = (run[0] - waiting[1]) // 2
                cut = waiting[1] + min(half, tail)
                yield store.take(waiting, max(taken, waiting[0] - lead), cut)
                taken = max(cut, run[0] - min(half, lead))
            waiting = run
        # Whoever begins now is further away than both margins: this island is complete, and a long pause costs no memory.
        if waiting is not None and runs.needed - waiting[1] > lead + tail:
            yield store.take(waiting, max(taken, waiting[0] - lead), waiting[1] + tail)
            taken, waiting = waiting[1] + tail, None
        store.forget((waiting[0] if waiting is not None else runs.needed) - lead)

    for block in _same_lengths(blocks):
        start = round(block.start_narration_s * SAMPLE_RATE)
        if at is None:
            at = taken = start
        store.add(start, block.samples)
        peak = float(np.abs(block.samples).max(initial=0.0))
        gain = float(np.clip(LOUD_PEAK / peak, 1.0, MAX_GAIN)) if peak > SILENT_PEAK else 1.0
        yield from open_islands(detector.feed(block.samples * np.float32(gain)))
    if at is not None:
        yield from open_islands(detector.finish())
        for run in runs.finish(min(at, store.end)):
            if waiting is not None:
                half = (run[0] - waiting[1]) // 2
                yield store.take(waiting, max(taken, waiting[0] - lead), waiting[1] + min(half, tail))
                taken = max(waiting[1] + min(half, tail), run[0] - min(half, lead))
            waiting = run
        if waiting is not None:
            yield store.take(waiting, max(taken, waiting[0] - lead), waiting[1] + tail)


def _same_lengths(blocks: Iterable[AudioBlock]) -> Iterator[AudioBlock]:
    """The same sound in blocks of GAIN_BLOCK_S, so that nothing depends on how the file was read."""
    length = round(GAIN_BLOCK_S * SAMPLE_RATE)
    start_s = 0.0
    waiting: list[Samples] = []
    held = 0
    for block in blocks:
        if not waiting:
            start_s = block.start_narration_s
        waiting.append(block.samples)
        held += len(block.samples)
        while held >= length:
            whole = np.concatenate(waiting)
            yield AudioBlock(start_s, whole[:length])
            start_s += length / SAMPLE_RATE
            waiting, held = [whole[length:]], held - length
    if held:
        yield AudioBlock(start_s, np.concatenate(waiting))


class _Sound:
    """The sound that may still be needed."""

    def __init__(self) -> None:
        self.first = 0
        self.end = 0
        self._blocks: list[tuple[int, Samples]] = []
        self._started = False

    def add(self, start: int, samples: Samples) -> None:
        if not self._started:
            self.first = self.end = start
            self._started = True
        self._blocks.append((start, samples))
        self.end = start + len(samples)

    def forget(self, before: int) -> None:
        """Let go of what ends before a sample."""
        self._blocks = [(s, x) for s, x in self._blocks if s + len(x) > before]

    def take(self, run: tuple[int, int, float], cut_from: int, cut_to: int) -> _Open:
        """The sound between two samples as the island that lies in it."""
        begin, end, probability = run
        cut_to = min(cut_to, self.end)
        cut_from = max(cut_from, self.first)
        parts = [x[max(0, cut_from - s) : cut_to - s] for s, x in self._blocks if s < cut_to and s + len(x) > cut_from]
        island = Island(begin / SAMPLE_RATE, min(end, self.end) / SAMPLE_RATE, probability)
        return _Open(island, cut_from, cut_to, np.concatenate(parts))


class _Runs:
    """Turns probabilities into islands, with two thresholds and a shortest silence."""

    def __init__(self) -> None:
        self.speaking = False
        self.needed = 0
        """Nothing before this sample is needed by a run that is still open."""
        self._begin = 0
        self._probabilities: list[float] = []
        self._silent_from: int | None = None

    def feed(self, at: int, probability: float) -> Iterator[tuple[int, int, float]]:
        if not self.speaking:
            self.needed = at + WINDOW
            if probability < START_PROBABILITY:
                return
            self.needed = at
            self.speaking, self._begin, self._probabilities, self._silent_from = True, at, [], None
        self._probabilities.append(probability)
        if probability >= END_PROBABILITY:
            if probability >= START_PROBABILITY:
                self._silent_from = None
        elif self._silent_from is None:
            self._silent_from = at
        if self._silent_from is not None and at + WINDOW - self._silent_from >= MIN_SILENCE_S * SAMPLE_RATE:
            yield from self.finish(self._silent_from)
        elif at + WINDOW - self._begin >= (MAX_PIECE_S - LEAD_S - TAIL_S) * SAMPLE_RATE:
            yield from self._split(at + WINDOW)

    def finish(self, end: int) -> Iterator[tuple[int, int, float]]:
        """Close the run at a sample, if one is open."""
        if self.speaking:
            end = self._silent_from if self._silent_from is not None else end
            spoken = self._probabilities[: max(1, (end - self._begin) // WINDOW)]
            if end - self._begin >= MIN_ISLAND_S * SAMPLE_RATE:
                yield self._begin, end, float(np.mean(spoken))
        self.speaking = False

    def _split(self, end: int) -> Iterator[tuple[int, int, float]]:
        """Nobody breathes that long: part the run where speech is least probable, in its last two thirds."""
        probabilities = np.convolve(self._probabilities, np.ones(5) / 5, mode="same")
        first = len(probabilities) // 3
        at = first + int(np.argmin(probabilities[first:-5]))
        cut = self._begin + at * WINDOW
        yield self._begin, cut, float(np.mean(self._probabilities[: max(1, at)]))
        self._begin, self._probabilities = cut, self._probabilities[at:]
        if self._silent_from is not None and self._silent_from < cut:
            self._silent_from = None
