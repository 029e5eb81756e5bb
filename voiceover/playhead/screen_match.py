"""Which frames of the clip one screen picture may show, and how well each fits."""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
import numpy.typing as npt

from voiceover.media.frames import Luma
from voiceover.playhead.screen_bank import STEPS, ClipBank, Floats, Region, Thumbnailer, coarsen, describe
from voiceover.playhead.screen_likeness import agreement, misfits, without_outliers
from voiceover.playhead.screen_locate import Pull, Target, apply

Frames = npt.NDArray[np.int64]

# Independent pixels that a thumbnail is worth: neighbours share noise and blur. Sets how many nats a difference in fit is.
# Tuned on the drawn rink (seed 1): pauses on single pictures stay decisive, motionless pictures stay undecided.
EFFECTIVE_PIXELS = 300.0
EFFECTIVE_COARSE_PIXELS = 120.0
# Fit cannot be better than the rounding of descriptors and what the codec leaves, as a share of the picture's energy.
FLOOR = 0.004
# A coarse place this many nats behind the best one may still be the one.
COARSE_NATS = 5.0
MAX_PEAKS = 4
# A misfit up to this many times, and this much over, what is usual needs no search of the whole clip.
WORSE = 1.3
WORSE_BY = 0.004
# Below this misfit nothing sticks out that would have to be left aside.
CLEAN = 0.01
# How fast the picture of what covers the clip is learned, seconds.
MASK_S = 0.4
# The coarse search may go by weights as old as this, seconds: it only proposes where to look.
COARSE_AGE_S = 0.4
MASK_CUT = 2.5
# So many confirmed pictures are gathered before the region is moved a little.
PULLS = 8
# Up to this grey level a difference between two thumbnails is the codec's, not movement.
SAME_LEVELS = 1.0


@dataclass(frozen=True, slots=True)
class Fit:
    """How one screen picture fits some frames of the clip."""

    frames: Frames
    """Candidates, rising."""
    nats: Floats
    """How much worse than the best each fits, in nats; the best has 0."""
    misfit: float
    """Share of the picture's energy that the best candidate leaves unexplained, 0..1."""
    agreement: float
    """Likeness to the best candidate, 0..1: what of the texture agrees, times what is explained."""
    best: int
    """The best candidate's frame."""
    searched: bool = True
    """Whether the whole clip was searched, or only where it was expected."""


class Matcher:
    """Compares screens with a clip at one place, and learns what covers it (drawings, a webcam, a player's bar)."""

    def __init__(self, target: Target) -> None:
        self.target = target
        self.bank: ClipBank = target.bank
        self.thumbnailer: Thumbnailer = target.thumbnailer
        self._misses = np.full(self.thumbnailer.visible.shape, STEPS * 0.25, np.float32)
        self._weights: Floats = self.thumbnailer.visible.copy()
        if target.open_part is not None:
            self._misses[target.open_part < 0.5] = STEPS * 2.0
            self._weights *= target.open_part
        self._coarse_weights = self._weights[:0]
        self._coarse_squares = self._weights[:0]
        self._set_coarse()
        self._pull = Pull()
        self._last_frame = target.frame
        self._agrees = target.agreement

    def move_to(self, region: Region) -> None:
        """Use another place from now on; what covers the clip moves along."""
        self.thumbnailer = Thumbnailer(region, self.thumbnailer.canvas, self.bank.size)
        self.target = replace(self.target, region=region, thumbnailer=self.thumbnailer)
        self._pull = Pull()

    def fit(self, thumb: Luma, windows: list[tuple[int, int]], *, usual_misfit: float = -1.0) -> Fit:
        """Fit a thumbnail to the frames in some windows, and wherever else the coarse search sees a likeness.

        Args:
            thumb: the screen.
            windows: first frame and the one after the last.
            usual_misfit: what has been left unexplained lately; about as good a fit in the windows is taken as it is, without
                the coarse search and without counting what agrees. -1 to search always.
        """
        h = describe(thumb, self.bank.box)
        if windows and usual_misfit >= 0.0:
            quick = self._compare(h, _join(windows, len(self.bank.times_s)), usual_misfit * WORSE + WORSE_BY)
            if quick is not None:
                return quick
        nats = self._coarse_nats(coarsen(thumb, self.bank.coarse_size))
        full = self._compare(h, _join(windows + self._peaks(nats, windows), len(self.bank.times_s)), None)
        assert full is not None
        return full

    def _compare(self, h: Floats, windows: list[tuple[int, int]], limit: float | None) -> Fit | None:
        """The fit over some windows; None where a limit of misfit is given and the best is above it."""
        frames = np.concatenate([np.arange(a, b) for a, b in windows])
        # Converted once, compared twice: with the weights of before, then without what sticks out of this picture.
        stack = np.concatenate([self.bank.window(a, b) for a, b in windows])
        misfit, gains = misfits(h, stack, self._weights)
        best = int(misfit.argmin())
        if misfit[best] > CLEAN:
            misfit, gains = misfits(h, stack, without_outliers(h, stack[best], float(gains[best]), self._weights))
            best = int(misfit.argmin())
        if limit is not None and misfit[best] > limit:
            return None
        found = EFFECTIVE_PIXELS / 2 * np.log((misfit + FLOOR) / (misfit[best] + FLOOR))
        if limit is None:
            self._agrees = agreement(h, stack[best], self._weights, self.bank.size)
        agrees = self._agrees * (1.0 - float(misfit[best]))
        self._last = (h, stack[best], float(gains[best]))
        self._last_frame = int(frames[best])
        return Fit(frames, found.astype(np.float32), float(misfit[best]), agrees, int(frames[best]), limit is None)

    def learn(self, seconds: float) -> None:
        """Take the last fit as right: see where the screen differs from the clip. Seconds since the last time."""
        h, b, gain = self._last
        left = np.abs(h - gain * b)
        rate = 1.0 - float(np.exp(-seconds / MASK_S))
        self._misses += np.float32(rate) * (left - self._misses)
        usual = max(STEPS * 0.08, float(np.median(self._misses[::7])))
        self._weights = self.thumbnailer.visible / (1.0 + (self._misses / (MASK_CUT * usual)) ** 2)
        self._coarse_age_s += seconds

    def pull(self) -> Region | None:
        """Take the last fit as right: gather where the region should move; a better region once enough agree on it."""
        self._pull.add(self._last[0], self.bank, self._last_frame, self._weights)
        if self._pull.count < PULLS:
            return None
        step, self._pull = self._pull.step(), Pull()
        # A tenth of a thumbnail pixel does no harm; a large step is no drift but a mistake.
        if not 0.1 / self.bank.size[0] < np.abs(step).max() < 0.02:
            return None
        return apply(self.thumbnailer.region, step)

    def _set_coarse(self) -> None:
        w, hgt = self.bank.size
        small = cv2.resize(self._weights.reshape(hgt, w), self.bank.coarse_size, interpolation=cv2.INTER_AREA)
        self._coarse_weights = np.asarray(small, np.float32).ravel()
        self._coarse_squares = self.bank.coarse_squares @ self._coarse_weights
        self._coarse_age_s = 0.0

    def _coarse_nats(self, h: Floats) -> Floats:
        if self._coarse_age_s > COARSE_AGE_S:
            self._set_coarse()
        weighted = h * self._coarse_weights
        energy = float(weighted @ h) + 1e-6
        products = self.bank.coarse @ weighted
        share = np.maximum(0.0, 1.0 - products * np.maximum(products, 0) / np.maximum(self._coarse_squares, 1e-6) / energy)
        share += FLOOR
        return np.asarray(EFFECTIVE_COARSE_PIXELS / 2 * np.log(share / share.min()), np.float32)

    def _peaks(self, nats: Floats, windows: list[tuple[int, int]]) -> list[tuple[int, int]]:
        """Windows about the places that the coarse search likes and that are not covered yet."""
        padded = np.concatenate([[np.inf], nats, [np.inf]])
        low = (nats <= padded[:-2]) & (nats < padded[2:]) & (nats <= COARSE_NATS)
        places = np.flatnonzero(low)
        places = places[np.argsort(nats[places])][:MAX_PEAKS]
        index = self.bank.coarse_index
        out = []
        for p in places:
            start = int(index[p - 1] + index[p]) // 2 if p else 0
            stop = int(index[p] + index[p + 1]) // 2 + 1 if p + 1 < len(index) else len(self.bank.times_s)
            start, stop = max(0, start - 1), stop + 1
            if not any(a <= start and stop <= b for a, b in windows):
                out.append((start, stop))
        return out


def same_picture(a: Luma, b: Luma) -> bool:
    """Whether two thumbnails differ by no more than a codec makes of a still picture."""
    return float(cv2.norm(a, b, cv2.NORM_INF)) <= SAME_LEVELS


def _join(windows: list[tuple[int, int]], count: int) -> list[tuple[int, int]]:
    """Windows in order, overlapping ones made one, cut to the clip."""
    out: list[tuple[int, int]] = []
    for start, stop in sorted((max(0, a), min(count, b)) for a, b in windows):
        if start >= stop:
            continue
        if out and start <= out[-1][1]:
            out[-1] = (out[-1][0], max(out[-1][1], stop))
        else:
            out.append((start, stop))
    return out or [(0, min(1, count))]
