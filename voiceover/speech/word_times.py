"""From the recogniser's words inside a piece to words on the narration clock.

Whisper's word times come from attention: good inside running speech, bad beside pauses, where a word swallows the silence
before or after it. The voice detector knows better where speech begins and ends, so words are kept inside the island
they were spoken in, and the first word of an island begins where its sound begins.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from voiceover.media.audio import SAMPLE_RATE
from voiceover.speech.islands import Part, Piece
from voiceover.speech.transcript import Word

Samples = npt.NDArray[np.float32]

# Speech begins before the detector is sure of it and fades after: a word may reach this far out of its island.
EARLY_S = 0.10
LATE_S = 0.15
# A first word that starts this much after its island is taken to start with it. Twice the mean lateness that was measured
# on spoken narrations, see benchmarks/recognition.py.
SNAP_S = 0.45
# Energy is looked at in steps of 10 ms; the start of a sound is where it rises this far above the pause before it, dB.
EDGE_HOP = 160
EDGE_RISE_DB = 12.0
# Nothing is louder than the loudest stretch: an edge is also at most this far below it, dB.
EDGE_BELOW_PEAK_DB = 30.0
# No word takes no time at all: the recogniser's own grid.
MIN_WORD_S = 0.02


@dataclass(frozen=True, slots=True)
class Heard:
    """A word as the recogniser gave it."""

    text: str
    """With its leading blank, if it begins a word."""
    start_s: float
    """Seconds within the piece."""
    end_s: float
    probability: float


def whole_words(heard: Sequence[Heard]) -> list[Heard]:
    """Join what was cut inside a word ("five", "-footer"), and drop what is blank.

    >>> [h.text for h in whole_words([Heard(" five", 0, 1, 0.9), Heard("-footer.", 1, 2, 0.7)])]
    ['five-footer.']
    """
    out: list[Heard] = []
    for one in heard:
        text = one.text.strip()
        if not text:
            continue
        glued = not one.text[:1].isspace()
        if out and (glued or not any(c.isalnum() for c in text)):
            last = out[-1]
            end_s = max(last.end_s, one.end_s) if any(c.isalnum() for c in text) else last.end_s
            out[-1] = Heard(last.text + text, last.start_s, end_s, min(last.probability, one.probability))
        elif any(c.isalnum() for c in text):
            out.append(Heard(text, one.start_s, one.end_s, one.probability))
    return out


def place_words(piece: Piece, heard: Sequence[Heard]) -> list[tuple[Word, int]]:
    """Put the words of a piece on the narration clock.

    Args:
        piece: what was heard.
        heard: its words in order, times within the piece.
    Returns:
        The words, each with the index of the part (island) it was spoken in; in order of time, none outside its island.
    """
    placed: list[tuple[Word, int]] = []
    least = 0
    edges = [_edges(piece, i) for i in range(len(piece.parts))]
    whole = whole_words(heard)
    homes = []
    for one in whole:
        least = max(least, _home(piece.parts, edges, one))
        homes.append(least)
    before_s = 0.0
    for i, (one, home) in enumerate(zip(whole, homes, strict=True)):
        part = piece.parts[home]
        begin_s, stop_s = edges[home]
        shift_s = part.start_narration_s - part.offset_s
        start_s, end_s = one.start_s + shift_s, one.end_s + shift_s
        first = i == 0 or homes[i - 1] != home
        last = i + 1 == len(whole) or homes[i + 1] != home
        new_start_s = min(max(start_s, begin_s), max(begin_s, stop_s - MIN_WORD_S))
        if first and new_start_s - begin_s <= SNAP_S:
            new_start_s = begin_s
        new_end_s = min(max(end_s, new_start_s + MIN_WORD_S), max(stop_s, new_start_s + MIN_WORD_S))
        if last and new_end_s < stop_s and stop_s - new_end_s <= SNAP_S:
            new_end_s = stop_s
        new_start_s = max(new_start_s, before_s)
        new_end_s = max(new_end_s, new_start_s)
        before_s = new_start_s
        moved = abs(new_start_s - start_s) > 0.0015 or abs(new_end_s - end_s) > 0.0015
        word = Word(
            one.text,
            round(new_start_s, 3),
            round(new_end_s, 3),
            round(min(1.0, max(0.0, one.probability)), 4),
            timed="adjusted" if moved else "recognised",
        )
        placed.append((word, home))
    return placed


def _home(parts: Sequence[Part], edges: Sequence[tuple[float, float]], word: Heard) -> int:
    """The island with which a word shares most time; the nearest where it shares none."""
    best, best_share = 0, -float("inf")
    for i, (part, (begin_s, stop_s)) in enumerate(zip(parts, edges, strict=True)):
        shift_s = part.start_narration_s - part.offset_s
        share = min(word.end_s, stop_s - shift_s) - max(word.start_s, begin_s - shift_s)
        if share > best_share + 1e-9:
            best, best_share = i, share
    return best


def _edges(piece: Piece, i: int) -> tuple[float, float]:
    """Where the sound of an island really begins and ends, seconds of narration time, by its energy."""
    part = piece.parts[i]
    island = part.island
    low = round(part.offset_s * SAMPLE_RATE)
    samples = piece.samples[low : round(part.end_offset_s * SAMPLE_RATE)]
    count = len(samples) // EDGE_HOP
    if count < 3:
        return island.start_narration_s, island.end_narration_s
    frames = samples[: count * EDGE_HOP].reshape(count, EDGE_HOP)
    level_db = 10 * np.log10(np.mean(np.square(frames, dtype=np.float64), axis=1) + 1e-10)
    at_s = part.start_narration_s + np.arange(count) * (EDGE_HOP / SAMPLE_RATE)
    peak_db = float(np.percentile(level_db, 95))
    outside = level_db[(at_s < island.start_narration_s - 0.05) | (at_s > island.end_narration_s + 0.1)]
    floor_db = float(np.percentile(outside, 30)) if len(outside) >= 3 else peak_db - 60.0
    bar_db = max(floor_db + EDGE_RISE_DB, peak_db - EDGE_BELOW_PEAK_DB)
    if bar_db > peak_db - 3.0:  # the pause is as loud as the speech: energy says nothing
        return island.start_narration_s, island.end_narration_s
    loud = level_db >= bar_db
    # A lone loud frame is a click: two in a row are wanted.
    sure = np.flatnonzero(loud[:-1] & loud[1:])
    near = sure[(at_s[sure] >= island.start_narration_s - LEAD_LOOK_S) & (at_s[sure] <= island.end_narration_s)]
    if not len(near):
        return island.start_narration_s, island.end_narration_s
    begin_s = float(at_s[near[0]])
    if begin_s > island.start_narration_s + EARLY_S:
        begin_s = island.start_narration_s  # the detector heard something softer before
    late = sure[at_s[sure] <= island.end_narration_s + LATE_S]
    stop_s = float(at_s[late[-1]]) + 2 * EDGE_HOP / SAMPLE_RATE
    return begin_s, max(stop_s, island.end_narration_s, begin_s + MIN_WORD_S)


LEAD_LOOK_S = 0.15
