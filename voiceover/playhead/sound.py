"""The playhead by sound: where the clip's own sound is heard under the voice.

The voice is louder than the rink, so levels say nothing; what does not lie is the phase. Windows of the narration are compared with
the whole clip by whitened cross-correlation (GCC-PHAT: Knapp and Carter 1976, "The generalized correlation method for estimation
of time delay", IEEE Trans. ASSP 24(4), 320-327): every frequency counts alike, so a quiet noise-like sound stands up against a
loud voice. Only sound at normal speed can be found: a slowed or rewound clip sounds otherwise, and a paused one is silent.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt

from voiceover.errors import PlayheadError
from voiceover.media.audio import SAMPLE_RATE, Samples, iter_audio, read_audio
from voiceover.playhead.track import PlayheadRow, PlayheadTrack

# Samples are thinned by this: what is left (up to 4 kHz) holds blades, boards and whistles, and costs half.
THIN = 2
RATE_HZ = SAMPLE_RATE // THIN
# A narration is read in pieces of this length, which overlap by so much, seconds.
PIECE_S, OVERLAP_S = 300.0, 12.0
# Of so many windows one is looked at first.
GLANCE = 4
# A window of the narration that is compared with the clip, and the step to the next, seconds. Guess: shorter windows miss a quiet clip.
WINDOW_S = 4.0
STEP_S = 1.0
# The highest of 400,000 values of noise is 4.9 standard deviations high, on average; twice in a million windows it reaches 7.
MIN_PEAK = 7.0
# A second place that is nearly as good leaves it open: sound that repeats (a hum, a loop). Share of the first peak.
MAX_RIVAL = 0.85
# Offsets of neighbouring windows that differ by less are one stretch, seconds: 2 ms is 16 samples, more than any clock's drift in a minute.
SAME_OFFSET_S = 0.04
# The ends of a stretch are looked for in steps of this, seconds of narration time: under a frame of 30 Hz.
FINE_S = 0.02
# A stretch must be heard for so long to count, seconds.
MIN_STRETCH_S = 2.0
# Confidence of what is heard, and of a pause that is inferred from it: the clip goes on where it stopped. Guess, not measured.
HEARD, INFERRED = 0.95, 0.7
# A clip with less than this is silent: -75 dB of full scale.
SILENT = 10 ** (-75 / 20)
# A pause is inferred where the clip goes on within so many seconds of where it stopped.
GOES_ON_S = 0.15

Spectrum = npt.NDArray[np.complex64]


@dataclass(frozen=True, slots=True)
class HeardStretch:
    """A stretch of the narration during which the clip runs audibly at normal speed."""

    start_narration_s: float
    end_narration_s: float
    offset_s: float
    """Clip time minus narration time."""

    @property
    def start_clip_s(self) -> float:
        """Clip time at the beginning, seconds."""
        return self.start_narration_s + self.offset_s

    @property
    def end_clip_s(self) -> float:
        """Clip time at the end, seconds."""
        return self.end_narration_s + self.offset_s


def find_sound_playhead(
    narration: Path, clip: Path, *, from_clip_s: float | None = None, to_clip_s: float | None = None,
    progress: Callable[[float, float], None] | None = None,
) -> PlayheadTrack:  # fmt: skip
    """Find where a clip stands by its sound in a narration.

    Args:
        narration: any recording with sound.
        clip: the clip, with sound.
        from_clip_s: begin of the stretch of a long clip that is talked about, seconds of clip time.
        to_clip_s: its end.
        progress: told (done, total) in seconds of narration.
    Returns:
        Rows with source "sound": rate 1 where the clip is heard, 0 in a silence after which it goes on where it stopped, and no
        `clip_s` where sound cannot tell.
    Raises:
        MediaError: a file cannot be read or has no sound.
        PlayheadError: the clip is silent, or is not heard in the narration.
    """
    base_s = from_clip_s or 0.0
    sound = _thin(read_audio(clip, from_s=base_s, to_s=to_clip_s))
    if len(sound) < MIN_STRETCH_S * RATE_HZ or float(np.sqrt(np.mean(np.square(sound)))) < SILENT:
        raise PlayheadError(
            f"{clip}: is silent or too short to be found by its sound; give the playhead as a file, or write --playhead none"
        )
    heard: list[HeardStretch] = []
    for start_s, talk in _pieces(narration, progress):
        heard += [
            HeardStretch(h.start_narration_s + start_s, h.end_narration_s + start_s, h.offset_s - start_s) for h in find_heard(talk, sound)
        ]
    heard = _apart(heard)
    if not heard:
        raise PlayheadError(
            f"{narration}: the sound of {clip.name} is not heard in it, so the playhead cannot be found by sound;"
            " give it as a file, or write --playhead straight or none"
        )
    return PlayheadTrack(tuple(_rows(heard, base_s)))


def find_heard(talk: Samples, clip: Samples) -> list[HeardStretch]:
    """The stretches of a talk in which a clip is heard, in order.

    Args:
        talk: float32, shape (n,), RATE_HZ.
        clip: float32, shape (m,), RATE_HZ; clip time is counted from its first sample.
    """
    size = 1 << (len(clip) + round(WINDOW_S * RATE_HZ) - 1).bit_length()
    clip_spectrum = _white(np.fft.rfft(clip, size))
    firsts = range(0, max(1, len(talk) - round(MIN_STRETCH_S * RATE_HZ)), round(STEP_S * RATE_HZ))

    def look(some: range) -> list[tuple[float, float]]:
        """(start of the window, offset) of the windows in which the clip is plainly heard, narration seconds."""
        lags = ((first, _lag(talk[first : first + round(WINDOW_S * RATE_HZ)], clip_spectrum, size, len(clip))) for first in some)
        return [(first / RATE_HZ, (lag - first) / RATE_HZ) for first, lag in lags if lag is not None]

    # Most recordings do not hold the clip's sound at all: a glance at every fourth window says so for a quarter of the cost.
    places = look(firsts) if look(firsts[::GLANCE]) else []
    stretches = []
    for group in _groups(places):
        offset_s = float(np.median([offset for _, offset in group]))
        found = _ends(talk, clip, offset_s, group[0][0], group[-1][0] + WINDOW_S)
        if found is not None:
            stretches.append(HeardStretch(*found, offset_s))
    return _apart(stretches)


def _lag(window: Samples, clip_spectrum: Spectrum, size: int, clip_length: int) -> int | None:
    """Where in the clip a window begins, samples (negative: before its beginning); None where that is not plain."""
    if float(np.sqrt(np.mean(np.square(window)))) < SILENT:
        return None
    values = np.fft.irfft(clip_spectrum * np.conj(_white(np.fft.rfft(window, size))), size)
    # Lags below zero stand at the end: a window that begins before the clip does.
    values = np.concatenate([values[-len(window) :], values[:clip_length]])
    best = int(np.argmax(values))
    peak, spread = float(values[best]), float(np.std(values))
    if peak < MIN_PEAK * spread:
        return None
    near = round(SAME_OFFSET_S * RATE_HZ)
    values[max(0, best - near) : best + near + 1] = 0.0
    if float(values.max()) > MAX_RIVAL * peak:
        return None
    return best - len(window)


def _groups(places: Sequence[tuple[float, float]]) -> list[list[tuple[float, float]]]:
    """Neighbouring windows with one offset; a single window is chance."""
    groups: list[list[tuple[float, float]]] = []
    for place in places:
        last = groups[-1][-1] if groups else None
        if last and abs(place[1] - last[1]) <= SAME_OFFSET_S and place[0] - last[0] <= WINDOW_S:
            groups[-1].append(place)
        else:
            groups.append([place])
    return [g for g in groups if len(g) > 1]


def _ends(talk: Samples, clip: Samples, offset_s: float, from_s: float, to_s: float) -> tuple[float, float] | None:
    """From when to when the clip is heard at a known offset: the span in which the two move together most, narration seconds."""
    first = max(0, round((from_s - WINDOW_S) * RATE_HZ), round(-offset_s * RATE_HZ))
    last = min(len(talk), round((to_s + WINDOW_S) * RATE_HZ), len(clip) - round(offset_s * RATE_HZ))
    step = round(FINE_S * RATE_HZ)
    count = (last - first) // step
    if count < 1:
        return None
    # Whitened once over the whole span; what is left is like noise, so products of cells of 20 ms can be summed.
    a, b = _whitened(talk[first : first + count * step]), _whitened(clip[first + round(offset_s * RATE_HZ) :][: count * step])
    together, alone = (x.reshape(count, step).sum(axis=1) for x in (a * b, b * b))
    middle = _middle(count)
    gain = float(together[middle].sum() / (alone[middle].sum() + 1e-12))
    if gain <= 0.0:
        return None
    # How much likelier a cell is with the clip in it than without, for white noise: a quiet cell of the clip says little either way.
    begin, end = _best_run(gain * together - 0.5 * gain * gain * alone)
    start_s, end_s = (first + begin * step) / RATE_HZ, (first + end * step) / RATE_HZ
    return (start_s, end_s) if end_s - start_s >= MIN_STRETCH_S else None


def _middle(count: int) -> slice:
    third = max(1, count // 3)
    return slice(third, count - third) if count > 2 * third else slice(0, count)


def _best_run(values: npt.NDArray[np.float32]) -> tuple[int, int]:
    """Where the run with the greatest sum begins and ends (Kadane)."""
    best, best_span, total, begin = 0.0, (0, 0), 0.0, 0
    for i, value in enumerate(values):
        if total <= 0.0:
            total, begin = 0.0, i
        total += float(value)
        if total > best:
            best, best_span = total, (begin, i + 1)
    return best_span


def _apart(stretches: Sequence[HeardStretch]) -> list[HeardStretch]:
    """In order and without overlap: where two meet, the later one begins."""
    out: list[HeardStretch] = []
    for s in sorted(stretches, key=lambda s: s.start_narration_s):
        if out and s.start_narration_s < out[-1].end_narration_s:
            if abs(s.offset_s - out[-1].offset_s) <= SAME_OFFSET_S:
                last = out.pop()
                s = HeardStretch(last.start_narration_s, max(last.end_narration_s, s.end_narration_s), last.offset_s)
            else:
                last = out.pop()
                if s.start_narration_s - last.start_narration_s >= MIN_STRETCH_S:
                    out.append(HeardStretch(last.start_narration_s, s.start_narration_s, last.offset_s))
        out.append(s)
    return out


def _rows(heard: Sequence[HeardStretch], base_s: float) -> list[PlayheadRow]:
    rows = [] if heard[0].start_narration_s <= FINE_S else [PlayheadRow(0.0, None, 0.0, source="sound")]
    for i, s in enumerate(heard):
        rows.append(PlayheadRow(s.start_narration_s, base_s + s.start_clip_s, 1.0, source="sound", confidence=HEARD, tolerance_s=FINE_S))
        after = heard[i + 1] if i + 1 < len(heard) else None
        if after is not None and after.start_narration_s - s.end_narration_s <= FINE_S:
            continue
        if after is not None and abs(after.start_clip_s - s.end_clip_s) <= GOES_ON_S:
            rows.append(
                PlayheadRow(s.end_narration_s, base_s + s.end_clip_s, 0.0, source="sound", confidence=INFERRED, tolerance_s=GOES_ON_S)
            )
        else:
            rows.append(PlayheadRow(s.end_narration_s, None, 0.0, source="sound"))
    return rows


def _white(spectrum: npt.NDArray[np.complexfloating]) -> Spectrum:
    white: Spectrum = (spectrum / (np.abs(spectrum) + 1e-9)).astype(np.complex64)
    return white


def _whitened(samples: Samples) -> Samples:
    flat: Samples = np.fft.irfft(_white(np.fft.rfft(samples)), len(samples)).astype(np.float32)
    return flat


def _thin(samples: Samples) -> Samples:
    """Half the rate, by the mean of each two samples."""
    thin: Samples = samples[: len(samples) // THIN * THIN].reshape(-1, THIN).mean(axis=1, dtype=np.float32)
    return thin


def _pieces(narration: Path, progress: Callable[[float, float], None] | None) -> Iterator[tuple[float, Samples]]:
    """A narration in pieces that overlap, so that two hours take no more memory than five minutes: (start in seconds, samples)."""
    before = np.zeros(0, np.float32)
    for block in iter_audio(narration, block_s=PIECE_S):
        piece = np.concatenate([before, _thin(block.samples)])
        yield block.start_narration_s - len(before) / RATE_HZ, piece
        before = piece[-round(OVERLAP_S * RATE_HZ) :]
        if progress:
            progress(block.start_narration_s, block.start_narration_s + len(block.samples) / SAMPLE_RATE)
