"""Scores a found playhead against what truly stood on the screen."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import numpy.typing as npt

from voiceover.evaluation.drawn_rink import Times
from voiceover.evaluation.recordings import Truth
from voiceover.playhead.track import LOW_CONFIDENCE, PlayheadTrack

# A time that is wrong by more than this, seconds, would send a reader to another moment.
WRONG_S = 0.1


@dataclass(slots=True)
class Score:
    """How near a found playhead comes to the truth; times weighted by how long each frame stood."""

    errors_frames: npt.NDArray[np.float64] = field(default_factory=lambda: np.zeros(0))
    """Error in clip frames where truth and track both show a clip and the track does not call itself approximate."""
    errors_s: npt.NDArray[np.float64] = field(default_factory=lambda: np.zeros(0))
    weights_s: npt.NDArray[np.float64] = field(default_factory=lambda: np.zeros(0))
    after_rewind: npt.NDArray[np.float64] = field(default_factory=lambda: np.zeros(0))
    shown_s: float = 0.0
    low_s: float = 0.0
    low_fine_s: float = 0.0
    """Called approximate though right within WRONG_S."""
    wrong_s: float = 0.0
    wrong_low_s: float = 0.0
    span_right_s: float = 0.0
    false_s: float = 0.0
    """A clip claimed where none is."""
    missed_worst_s: float = 0.0
    """The longest stretch of clip that was called no clip."""

    @classmethod
    def nothing(cls, truth: Truth) -> Score:
        """The score of having found nothing."""
        shown = float(_lengths(truth)[truth.clip >= 0].sum())
        return cls(np.array([np.inf]), np.array([np.inf]), np.array([shown]), np.zeros(0), shown, missed_worst_s=shown)

    def _share(self, good: npt.NDArray[np.bool_]) -> float:
        total = float(self.weights_s.sum())
        return float(self.weights_s[good].sum()) / total if total else 1.0

    @property
    def within_frame(self) -> float:
        """Share of the time within one frame of the clip."""
        return self._share(self.errors_frames <= 1)

    @property
    def within_tenth(self) -> float:
        """Share of the time within 0.1 s."""
        return self._share(self.errors_s <= WRONG_S)

    @property
    def median_frames(self) -> float:
        """Median error, frames."""
        return float(np.median(self.errors_frames)) if len(self.errors_frames) else 0.0

    @property
    def rewind_p95(self) -> float:
        """95th percentile of the error in the first second after a jump, frames."""
        return float(np.percentile(self.after_rewind, 95)) if len(self.after_rewind) else 0.0

    @property
    def low_share(self) -> float:
        """Share of the time that is right and called approximate all the same."""
        return self.low_fine_s / self.shown_s if self.shown_s else 0.0

    @property
    def caught_text(self) -> str:
        """How much of what is wrong is called approximate."""
        return f"{100 * self.wrong_low_s / self.wrong_s:.1f}%" if self.wrong_s > 0 else "-"

    @property
    def span_text(self) -> str:
        """How much of what is called approximate has the truth within its tolerance."""
        return f"{100 * self.span_right_s / self.low_s:.1f}%" if self.low_s > 0 else "-"

    def meets_bars(self) -> bool:
        """Whether the bars of the project are met."""
        caught = self.wrong_low_s >= 0.99 * self.wrong_s or self.wrong_s < 0.05
        exact = self.within_frame >= 0.995 and self.within_tenth >= 0.998 and self.median_frames == 0
        return exact and caught and self.low_share <= 0.03 and self.false_s == 0 and self.missed_worst_s <= 0.2


def score_track(track: PlayheadTrack, truth: Truth, clips: Sequence[Path], times_s: Sequence[Times]) -> Score:
    """Score a track frame by frame of the recording.

    Args:
        track: what was found.
        truth: what stood there.
        clips: the clips' files, for their names.
        times_s: when each clip's frames appear, seconds of clip time.
    """
    names = {(clip.name if len(clips) > 1 else ""): i for i, clip in enumerate(clips)}
    lengths = _lengths(truth)
    s = Score()
    frames: list[float] = []
    seconds: list[float] = []
    weights: list[float] = []
    fresh: list[float] = []
    jumped = -10.0
    missed = 0.0
    for i, t in enumerate(truth.times_s):
        true_clip, true_frame = int(truth.clip[i]), int(truth.frame[i])
        if i and true_clip >= 0 and truth.clip[i - 1] == true_clip:
            went = truth.clip_s[i] - truth.clip_s[i - 1]
            if went < -0.5 or went > 0.8:
                jumped = float(t)
        found = track.narration_to_clip(float(t) + 1e-3)
        if true_clip < 0:
            s.false_s += float(lengths[i]) if found is not None else 0.0
            missed = 0.0
            continue
        s.shown_s += float(lengths[i])
        if found is None:
            missed += float(lengths[i])
            s.missed_worst_s = max(s.missed_worst_s, missed)
            continue
        missed = 0.0
        own = times_s[true_clip]
        right_clip = names.get(found.clip) == true_clip
        guess = int(np.searchsorted(own, found.clip_s + 1e-4, side="right")) - 1
        off_frames = float(abs(guess - true_frame)) if right_clip else np.inf
        off_s = abs(float(own[max(0, guess)] - own[true_frame])) if right_clip else np.inf
        low = found.confidence is not None and found.confidence < LOW_CONFIDENCE
        if off_s > WRONG_S + 1e-6:
            s.wrong_s += float(lengths[i])
            s.wrong_low_s += float(lengths[i]) if low else 0.0
        if low:
            s.low_s += float(lengths[i])
            s.low_fine_s += float(lengths[i]) if off_s <= WRONG_S + 1e-6 else 0.0
            s.span_right_s += float(lengths[i]) if off_s <= found.tolerance_s + 0.05 else 0.0
            continue
        frames.append(off_frames)
        seconds.append(off_s)
        weights.append(float(lengths[i]))
        if t - jumped < 1.0:
            fresh.append(off_frames)
    s.errors_frames, s.errors_s = np.array(frames), np.array(seconds)
    s.weights_s, s.after_rewind = np.array(weights), np.array(fresh)
    return s


def add_scores(scores: Sequence[Score]) -> Score:
    """All recordings as if they were one."""
    total = Score()
    for name in ("errors_frames", "errors_s", "weights_s", "after_rewind"):
        setattr(total, name, np.concatenate([getattr(s, name) for s in scores] or [np.zeros(0)]))
    for name in ("shown_s", "low_s", "low_fine_s", "wrong_s", "wrong_low_s", "span_right_s", "false_s"):
        setattr(total, name, sum(getattr(s, name) for s in scores))
    total.missed_worst_s = max((s.missed_worst_s for s in scores), default=0.0)
    return total


def _lengths(truth: Truth) -> npt.NDArray[np.float64]:
    return np.diff(truth.times_s, append=truth.end_s)
