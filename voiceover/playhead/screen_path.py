"""The likeliest way through the candidates of one screen picture after the other."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from voiceover.playhead.screen_bank import Floats, Times
from voiceover.playhead.screen_match import Fit, Frames

# Costs in nats. A clip mostly stands or runs forward at up to twice its speed; scrubbing is rarer, a jump needs a reason.
BACK_NATS = 4.0
FAST_NATS = 4.0
JUMP_NATS = 10.0
FASTEST = 2.0
SCRUB_FASTEST = 8.0
# Candidates this far behind are forgotten.
ALIVE_NATS = 16.0
# How far back the way may still change, seconds; a jump is decided by the pictures right after it.
LAG_S = 4.0
# A rival is a candidate at least this far away in the clip, seconds: two looks at the same play are further apart.
RIVAL_S = 0.3
NO_RIVAL_NATS = 40.0


@dataclass(frozen=True, slots=True)
class Seen:
    """What one frame of the recording shows."""

    time_s: float
    """When it appears, seconds of narration time."""
    clip: int
    """Which clip, -1 for none."""
    frame: int
    """Which of its frames."""
    misfit: float
    """Share of the picture that stays unexplained, 0..1."""
    agreement: float
    rival_nats: float
    """How much worse the best far away frame fits, nats."""
    rival_frame: int
    changed: bool
    """Whether the picture differs from the one before."""
    place: int
    """Counts the places on the screen where the clip was found."""
    searched: bool = True
    """Whether the whole clip was searched for this picture."""


@dataclass(slots=True)
class _Step:
    time_s: float
    fit: Fit
    costs: Floats
    back: npt.NDArray[np.int64]
    changed: bool
    place: int


class PathFinder:
    """Follows one clip while it is on screen; decided frames come out with some delay."""

    def __init__(self, clip: int, times_clip_s: Times, frame_s: float) -> None:
        self._clip, self._times, self._frame_s = clip, times_clip_s, frame_s
        self._steps: list[_Step] = []

    def windows(self, time_s: float) -> list[tuple[int, int]]:
        """Where to look at a moment of the narration, given what has been seen."""
        if not self._steps:
            return []
        last = self._steps[-1]
        ahead = max(0.0, time_s - last.time_s)
        forward = int(np.ceil(FASTEST * min(ahead, 0.25) / self._frame_s - 0.01)) + 1
        out: list[tuple[int, int]] = []
        order = np.argsort(last.costs)
        for i in order[:24]:
            if last.costs[i] > last.costs[order[0]] + ALIVE_NATS or len(out) >= 4:
                break
            frame = int(last.fit.frames[i])
            if not any(a + 1 <= frame < b - 1 for a, b in out):
                out.append((frame - 2, frame + forward + 1))
        return out

    def last_fit(self) -> Fit | None:
        """The fit of the picture before."""
        return self._steps[-1].fit if self._steps else None

    def current(self) -> int:
        """The frame that the likeliest way ends at so far."""
        last = self._steps[-1]
        return int(last.fit.frames[int(last.costs.argmin())])

    def add(self, time_s: float, fit: Fit, changed: bool, place: int) -> list[Seen]:
        """Take the next picture; give what is decided by now."""
        if not self._steps:
            back = np.zeros(len(fit.frames), np.int64)
            self._steps.append(_Step(time_s, fit, fit.nats.copy(), back, changed, place))
            return []
        last = self._steps[-1]
        moves = self._moves(last.fit.frames, fit.frames, max(1e-3, time_s - last.time_s)) + last.costs[:, None]
        back = moves.argmin(axis=0)
        costs = moves[back, np.arange(moves.shape[1])] + fit.nats
        costs -= costs.min()
        self._steps.append(_Step(time_s, fit, costs.astype(np.float32), back, changed, place))
        if time_s - self._steps[0].time_s > 2 * LAG_S:
            return self._decide(time_s - LAG_S)
        return []

    def finish(self) -> list[Seen]:
        """Decide all that is left."""
        return self._decide(np.inf)

    def _moves(self, before: Frames, after: Frames, seconds: float) -> Floats:
        moved = self._times[after][None, :] - self._times[before][:, None]
        slack = 1.05 * self._frame_s
        costs = np.full(moved.shape, JUMP_NATS, np.float32)
        fast = SCRUB_FASTEST * seconds + slack
        costs[(moved >= -fast) & (moved < 0)] = BACK_NATS
        costs[(moved > 0) & (moved <= fast)] = FAST_NATS
        costs[(moved >= 0) & (moved <= FASTEST * seconds + slack)] = 0.0
        # Standing and normal speed are the commonest: settles what the pictures leave open, by little.
        costs += np.minimum(0.3, 0.1 * np.minimum(np.abs(moved), np.abs(moved - seconds)) / self._frame_s)
        return costs

    def _decide(self, until_s: float) -> list[Seen]:
        steps = self._steps
        if not steps:
            return []
        chosen = np.zeros(len(steps), np.int64)
        chosen[-1] = int(steps[-1].costs.argmin())
        for i in range(len(steps) - 1, 0, -1):
            chosen[i - 1] = steps[i].back[chosen[i]]
        count = sum(1 for s in steps if s.time_s <= until_s)
        out = [self._seen(steps[i], int(chosen[i])) for i in range(count)]
        self._steps = steps[count:]
        return out

    def _seen(self, step: _Step, j: int) -> Seen:
        fit = step.fit
        frame = int(fit.frames[j])
        away = np.abs(self._times[fit.frames] - self._times[frame]) > RIVAL_S
        rival_nats, rival = NO_RIVAL_NATS, -1
        if away.any():
            places = np.flatnonzero(away)
            r = int(places[fit.nats[places].argmin()])
            rival_nats, rival = float(fit.nats[r] - fit.nats[j]), int(fit.frames[r])
        return Seen(
            step.time_s,
            self._clip,
            frame,
            fit.misfit,
            fit.agreement,
            rival_nats,
            rival,
            step.changed,
            step.place,
            fit.searched,
        )
