"""The coach's voice without the names in it: silenced with room to either side, and shown to him to hear before it goes out."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from voiceover.breakdown import Breakdown
from voiceover.media.audio import SAMPLE_RATE, Samples, iter_audio
from voiceover.reports.names import NameSpotter
from voiceover.reports.wav import write_wav
from voiceover.speech.transcript import Word
from voiceover.whole_files import write_whole
from voiceover.withheld import runs, withheld_words

# Recognised word times are off by at most so much in 99 of 100 words (our own recognition benchmark: median 0.004 s, a tenth of a
# second at the 95th percentile); a name must be gone whole, so twice that.
MARGIN_S = 0.22
# Words timed from captions are spread over the caption by length: they may be off by a good part of it.
LOOSE_MARGIN_S = 0.8
FADE_S = 0.03


@dataclass(frozen=True, slots=True)
class SilencedPlace:
    """A stretch of the talk that was silenced."""

    start_narration_s: float
    end_narration_s: float
    heard: str
    """The words in it, for the coach alone."""
    lost: str
    """Other words that went with them."""


@dataclass(frozen=True, slots=True)
class SilencedVoice:
    """What was done to a voice."""

    path: Path
    places: list[SilencedPlace]

    @property
    def silenced_s(self) -> float:
        """Seconds of silence in all."""
        return sum(p.end_narration_s - p.start_narration_s for p in self.places)


def places_of(b: Breakdown, *, withheld: bool = True) -> list[SilencedPlace]:
    """Where a talk has to be silent: every name, whoever's, and unless it is asked for names alone, whatever was withheld."""
    starts = {s.first for s in b.transcript().sentences()}
    names = NameSpotter(b.roster).find([w.text for w in b.words], [i in starts for i in range(len(b.words))])
    spans = [_around(b.words, n.first, n.last) for n in names]
    if withheld:
        kept_back = [i for i, gone in enumerate(withheld_words(b)) if gone]
        spans += [_around(b.words, first, last) for first, last in runs(kept_back)]
        spans += [(max(0.0, s - MARGIN_S), e + MARGIN_S) for s, e in b.withheld]
    named = {i for n in names for i in range(n.first, n.last + 1)}
    out = []
    for start, end in _joined(spans):
        inside = [i for i, w in enumerate(b.words) if w.start_narration_s < end and w.end_narration_s > start]
        lost = [i for i in inside if i not in named and _share(b.words[i].start_narration_s, b.words[i].end_narration_s, start, end) > 0.5]
        out.append(SilencedPlace(start, end, " ".join(b.words[i].text for i in inside), " ".join(b.words[i].text for i in lost)))
    return out


def silence_names(narration: Path, b: Breakdown, out: Path) -> SilencedVoice:
    """Write the voice of a narration as WAV with every name silenced.

    Raises:
        MediaError: the narration cannot be read.
        OutputError: the file cannot be written.
    """
    places = places_of(b)
    write_wav(out, (silenced(block.samples, block.start_narration_s, places) for block in iter_audio(narration)), SAMPLE_RATE)
    return SilencedVoice(out, places)


def silenced(samples: Samples, start_narration_s: float, places: Sequence[SilencedPlace]) -> Samples:
    """Sound with the places in it silenced, with short fades outside of them."""
    out = samples.copy()
    at = start_narration_s + np.arange(len(samples)) / SAMPLE_RATE
    for p in places:
        if p.end_narration_s + FADE_S < start_narration_s or p.start_narration_s - FADE_S > start_narration_s + len(samples) / SAMPLE_RATE:
            continue
        before = np.clip((p.start_narration_s - at) / FADE_S, 0.0, 1.0)
        after = np.clip((at - p.end_narration_s) / FADE_S, 0.0, 1.0)
        out *= np.maximum(before, after).astype(np.float32)
    return out


def write_places(voice: SilencedVoice, out: Path) -> Path:
    """A list of what was silenced, for the coach alone: it holds the names.

    Raises:
        OutputError: it cannot be written.
    """
    rows = [
        {
            "start_narration_s": round(p.start_narration_s, 3),
            "end_narration_s": round(p.end_narration_s, 3),
            "heard": p.heard,
            "lost": p.lost,
        }
        for p in voice.places
    ]
    return write_whole(out, (json.dumps(rows, indent=1, ensure_ascii=False) + "\n").encode())


def _around(words: Sequence[Word], first: int, last: int) -> tuple[float, float]:
    """The time of some words that follow each other, with the room that their times need.

    What stands among words whose times are guessed may be anywhere in them: then it is the time of them all, and the words beside them
    say how exact its borders are.
    """
    while first > 0 and words[first].timed == words[first - 1].timed == "guessed":
        first -= 1
    while last + 1 < len(words) and words[last].timed == words[last + 1].timed == "guessed":
        last += 1
    timed = [w.timed for w in words[first : last + 1]]
    if "guessed" in timed:
        timed = [w.timed for w in words[max(0, first - 1) : last + 2] if w.timed != "guessed"]
    margin = MARGIN_S if all(t in ("recognised", "adjusted") for t in timed) else LOOSE_MARGIN_S
    return max(0.0, words[first].start_narration_s - margin), max(w.end_narration_s for w in words[first : last + 1]) + margin


def _joined(spans: Sequence[tuple[float, float]]) -> list[tuple[float, float]]:
    out: list[tuple[float, float]] = []
    for start, end in sorted(spans):
        if out and start <= out[-1][1] + 2 * FADE_S:
            out[-1] = (out[-1][0], max(out[-1][1], end))
        else:
            out.append((start, end))
    return out


def _share(a0: float, a1: float, b0: float, b1: float) -> float:
    return max(0.0, min(a1, b1) - max(a0, b0)) / max(1e-6, a1 - a0)
