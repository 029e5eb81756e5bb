"""Makes narrated screen recordings whose playhead is known, so that a found playhead can be scored.

A `Script` says how the clip is played; `Look` says how it appears on the screen; `make_recording` composes and writes the
video and returns what truly stood on the screen at each of its frames.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from fractions import Fraction
from pathlib import Path

import cv2
import numpy as np
import numpy.typing as npt

from voiceover.evaluation.drawn_rink import FONT, Picture, RinkOptions, Times, VideoWriter, draw_frames

Rect = tuple[float, float, float, float]
"""Left, top, width, height as shares of the canvas; may reach beyond it (a zoomed picture)."""


@dataclass(frozen=True, slots=True)
class Clip:
    """A clip in memory."""

    frames: list[Picture]
    times_s: Times
    """When each frame appears, seconds of clip time."""
    end_s: float
    """When the last one ends, seconds of clip time."""


@dataclass(frozen=True, slots=True)
class Step:
    """One stretch of a script."""

    duration_s: float
    start_clip_s: float | None = None
    """Where the clip jumps to at its beginning; None goes on from where it stands."""
    rate: float = 1.0
    clip: int = 0
    """Which clip; -1 shows none."""
    look: int = 0
    """Which of the looks."""


@dataclass(frozen=True, slots=True)
class Look:
    """How the clip appears on the canvas."""

    rect: Rect = (0.0, 0.0, 1.0, 1.0)
    window: Rect | None = None
    """What is visible of it; None for all that is on the canvas."""
    chrome: bool = False
    """A desktop with a title bar and a timeline under the window."""
    gain: float = 1.0
    offset: float = 0.0
    gamma: float = 1.0
    webcam: Rect | None = None
    bar: bool = False
    """A translucent timeline drawn over the lower edge of the clip, with a moving mark."""
    cursor: bool = False
    draw_s: tuple[float, float] | None = None
    """Drawings appear from and stay until, seconds of narration time."""
    background: str = "desktop"
    """What is around it: desktop or black."""


@dataclass(frozen=True, slots=True)
class Truth:
    """What stood on the screen, one entry for each frame of the recording."""

    times_s: Times
    """When each frame of the recording appears, seconds of narration time."""
    clip: npt.NDArray[np.int64]
    """Which clip, -1 for none."""
    frame: npt.NDArray[np.int64]
    """Which of its frames, -1 for none."""
    clip_s: Times
    """When that frame appears in the clip, seconds of clip time; nan for none."""
    end_s: float
    """When the last frame ends, seconds of narration time."""


@dataclass(slots=True)
class RecordingOptions:
    """How a recording is made."""

    width: int = 640
    height: int = 360
    rate: Fraction = Fraction(30)
    variable: bool = False
    """A screen recorder that leaves out frames when nothing changes, and some others."""
    seed: int = 1
    filler: str = "head"
    """What is shown where no clip is: head, slides, video or black."""
    looks: Sequence[Look] = field(default_factory=lambda: [Look()])
    crf: int = 23
    fade_s: float = 0.0
    """Length of the dissolve when the clip appears or goes, seconds."""


def random_script(
    rng: np.random.Generator,
    duration_s: float,
    clip_s: float,
    *,
    rates: Sequence[float] = (1.0,),
    reverse: bool = False,
    none_share: float = 0.0,
    clips: int = 1,
    avoid_s: tuple[float, float] | None = None,
) -> list[Step]:
    """A talk over a clip: stretches of play, pauses, rewinds, jumps, as the options allow.

    Args:
        rng: where chance comes from.
        duration_s: length of the recording, seconds.
        clip_s: length of the clips, seconds.
        rates: how fast it may run.
        reverse: whether it is scrubbed backwards at times.
        none_share: how often no clip is shown, 0..1.
        clips: how many clips.
        avoid_s: never pause or jump within this stretch of the clip, seconds.
    """
    steps: list[Step] = []
    position, total, which = float(rng.uniform(0, clip_s * 0.3)), 0.0, 0
    jump: float | None = position
    while total < duration_s:
        if none_share and rng.random() < none_share:
            step = Step(float(rng.uniform(1.5, 4.0)), clip=-1)
            steps.append(step)
            total += step.duration_s
            which = int(rng.integers(0, clips))
            jump = position
            continue
        rate = float(rng.choice(np.asarray(rates)))
        if reverse and rng.random() < 0.3 and position > 3.0:
            rate = -float(rng.uniform(0.5, 3.0))
        limit = (clip_s - 0.2 - position) / rate if rate > 0 else (position - 0.1) / -rate
        length = min(float(rng.uniform(1.0, 5.0)), limit)
        if length > 0.3:
            end = position + rate * length
            if avoid_s and avoid_s[0] - 0.5 <= end <= avoid_s[1] + 0.5 and rate > 0:
                length += (avoid_s[1] + 0.6 - end) / rate
            steps.append(Step(length, jump, rate, which))
            position += rate * length
            total += length
            jump = None
        kind = rng.random()
        if kind < 0.55:
            pause = float(rng.uniform(0.4, 4.0))
            steps.append(Step(pause, jump, 0.0, which))
            total += pause
            jump = None
        if kind > 0.4 or length <= 0.3:
            position = float(rng.uniform(max(0.0, position - 8.0), max(1.0, min(clip_s - 3.0, position + 1.0))))
            if length <= 0.3:
                position = float(rng.uniform(0, clip_s * 0.5))
            if avoid_s and avoid_s[0] - 0.5 <= position <= avoid_s[1] + 0.5:
                position = avoid_s[0] - 1.5
            jump = position
        if clips > 1 and rng.random() < 0.3:
            which = int(rng.integers(0, clips))
            jump = position
    return steps


def make_recording(path: Path, clips: Sequence[Clip], steps: Sequence[Step], options: RecordingOptions) -> Truth:
    """Compose a screen recording of a script, write it as H.264, and return what it shows."""
    end_s = sum(s.duration_s for s in steps)
    rng = np.random.default_rng(options.seed + 1000)
    times = np.arange(int(end_s * options.rate)) / float(options.rate)
    clip_at, seconds, looks, shown = _follow(steps, clips, times)
    if options.variable:
        changed = np.r_[True, (np.diff(shown) != 0) | (np.diff(clip_at) != 0) | (np.diff(looks) != 0)]
        keep = (changed & (rng.random(len(times)) > 0.12)) | (np.arange(len(times)) % 30 == 0)
        times, clip_at, seconds, looks, shown = (a[keep] for a in (times, clip_at, seconds, looks, shown))
    stage = Stage(options)
    share = _fade_shares(times, clip_at, options.fade_s)
    with VideoWriter(path, options.width, options.height, rate=options.rate, crf=options.crf) as writer:
        for i, t in enumerate(times):
            if clip_at[i] >= 0:
                clip = clips[clip_at[i]]
                look = options.looks[looks[i]]
                picture = stage.show(clip.frames[shown[i]], look, float(t), float(seconds[i]) / clip.end_s)
                if share[i] < 1.0:
                    picture = np.asarray(cv2.addWeighted(picture, share[i], stage.fill(float(t)), 1 - share[i], 0), np.uint8)
            else:
                picture = stage.fill(float(t))
            writer.add(picture, float(t))
    clip_s = np.array([clips[c].times_s[f] if c >= 0 else np.nan for c, f in zip(clip_at, shown, strict=True)])
    return Truth(times, clip_at, shown, clip_s, end_s)


def _follow(
    steps: Sequence[Step], clips: Sequence[Clip], times: Times
) -> tuple[npt.NDArray[np.int64], Times, npt.NDArray[np.int64], npt.NDArray[np.int64]]:
    clip_at = np.full(len(times), -1, np.int64)
    seconds = np.zeros(len(times))
    looks = np.zeros(len(times), np.int64)
    shown = np.full(len(times), -1, np.int64)
    start_s, position = 0.0, 0.0
    for step in steps:
        inside = (times >= start_s) & (times < start_s + step.duration_s)
        position = position if step.start_clip_s is None else step.start_clip_s
        clip_at[inside], looks[inside] = step.clip, step.look
        if step.clip >= 0:
            clip = clips[step.clip]
            at = np.clip(position + step.rate * (times[inside] - start_s), 0.0, clip.end_s - 1e-3)
            seconds[inside] = at
            shown[inside] = np.maximum(0, np.searchsorted(clip.times_s, at + 1e-7, side="right") - 1)
            position = float(np.clip(position + step.rate * step.duration_s, 0.0, clip.end_s - 1e-3))
        start_s += step.duration_s
    return clip_at, seconds, looks, shown


def _fade_shares(times: Times, clip_at: npt.NDArray[np.int64], fade_s: float) -> Times:
    share = np.ones(len(times))
    if fade_s <= 0.0:
        return share
    on = clip_at >= 0
    for i in np.flatnonzero(np.diff(on.astype(int))) + 1:
        distance = times - times[i] if on[i] else times[i] - times
        near = on & (distance >= 0) & (distance < fade_s)
        share[near] = np.minimum(share[near], 0.5 + distance[near] / fade_s / 2)
    return share


class Stage:
    """Draws the canvas of the recording."""

    def __init__(self, options: RecordingOptions) -> None:
        self._o = options
        self._rng = np.random.default_rng(options.seed + 2000)
        w, h = options.width, options.height
        self._desktop = np.tile(np.linspace(70, 130, w), (h, 1)).astype(np.uint8)
        for _ in range(14):
            x, y = int(self._rng.integers(0, w)), int(self._rng.integers(0, h))
            cv2.rectangle(self._desktop, (x, y), (x + w // 24, y + h // 16), int(self._rng.integers(30, 230)), -1)
            cv2.putText(self._desktop, f"file {x}", (x, y + h // 11), FONT, h / 1400, 240, 1, cv2.LINE_AA)
        rink = RinkOptions(seed=options.seed + 500, duration_s=4.0, width=w, height=h, pan=0.6)
        self._video = draw_frames(rink, np.arange(48) / 12.0) if options.filler == "video" else []
        self._strokes = self._rng.uniform(0.15, 0.85, (6, 4))
        self._noise = self._rng.normal(0, 12, (h // 4, w // 4)).astype(np.float32)

    def show(self, clip: Picture, look: Look, narration_s: float, progress: float) -> Picture:
        """The canvas with the clip on it; progress is the share of the clip that has been played, 0..1."""
        o = self._o
        w, h = o.width, o.height
        canvas = self._desktop.copy() if look.background == "desktop" else np.zeros((h, w), np.uint8)
        x, y, rw, rh = (v * s for v, s in zip(look.rect, (w, h, w, h), strict=True))
        picture = clip
        if look.gamma != 1.0 or look.gain != 1.0 or look.offset:
            table = np.clip((np.arange(256) / 255.0) ** look.gamma * 255.0 * look.gain + look.offset, 0, 255)
            picture = np.asarray(cv2.LUT(picture, table.astype(np.uint8)), np.uint8)
        shrink = clip.shape[1] / rw
        if shrink > 1.3:  # a player's scaler averages when it makes smaller
            picture = np.asarray(cv2.resize(picture, (max(1, round(rw)), max(1, round(rh))), interpolation=cv2.INTER_AREA), np.uint8)
        sx, sy = picture.shape[1] / rw, picture.shape[0] / rh
        matrix = np.array([[sx, 0, (0.5 - x) * sx - 0.5], [0, sy, (0.5 - y) * sy - 0.5]], np.float32)
        flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
        placed = cv2.warpAffine(picture, matrix, (w, h), flags=flags, borderMode=cv2.BORDER_REPLICATE)
        vx, vy, vw, vh = look.window or look.rect
        left, top = max(0, round(vx * w)), max(0, round(vy * h))
        right, bottom = min(w, round((vx + vw) * w)), min(h, round((vy + vh) * h))
        canvas[top:bottom, left:right] = placed[top:bottom, left:right]
        if look.chrome:
            cv2.rectangle(canvas, (left, max(0, top - h // 24)), (right, top - 1), 205, -1)
            cv2.putText(canvas, "clip - player", (left + 8, top - h // 80), FONT, h / 1200, 30, 1, cv2.LINE_AA)
            cv2.rectangle(canvas, (left, bottom), (right, min(h, bottom + h // 20)), 50, -1)
            mark = left + round((right - left) * progress)
            cv2.rectangle(canvas, (left, bottom + h // 50), (mark, bottom + h // 40), 220, -1)
        if look.bar:
            band = canvas[bottom - h // 12 : bottom, left:right]
            band[:] = (band * 0.35 + 20).astype(np.uint8)
            mark = left + round((right - left) * progress)
            cv2.circle(canvas, (mark, bottom - h // 24), h // 60, 250, -1, cv2.LINE_AA)
        if look.draw_s and look.draw_s[0] <= narration_s < look.draw_s[1]:
            self._draw(canvas, (left, top, right, bottom), narration_s - look.draw_s[0])
        if look.webcam:
            bx, by, bw, bh = (round(v * s) for v, s in zip(look.webcam, (w, h, w, h), strict=True))
            canvas[by : by + bh, bx : bx + bw] = self._head(bw, bh, narration_s)[: h - by, : w - bx]
        if look.cursor:
            cx = round(w * (0.5 + 0.3 * np.sin(narration_s * 0.9)))
            cy = round(h * (0.5 + 0.3 * np.sin(narration_s * 1.3 + 1)))
            cv2.fillConvexPoly(canvas, np.array([(cx, cy), (cx, cy + h // 28), (cx + h // 40, cy + h // 40)]), 255)
        return canvas

    def fill(self, narration_s: float) -> Picture:
        """The canvas without the clip."""
        w, h = self._o.width, self._o.height
        if self._o.filler == "head":
            return self._head(w, h, narration_s)
        if self._o.filler == "video":
            return self._video[int(narration_s * 12) % 48]
        if self._o.filler == "slides":
            page = np.full((h, w), 245, np.uint8)
            number = int(narration_s / 3)
            cv2.putText(page, f"Gap control {number}", (w // 12, h // 6), FONT, h / 400, 20, 2, cv2.LINE_AA)
            for i in range(5):
                cv2.putText(
                    page,
                    f"- point {number * 5 + i} to watch",
                    (w // 10, h // 3 + i * h // 9),
                    FONT,
                    h / 600,
                    60,
                    1,
                    cv2.LINE_AA,
                )
            return page
        return np.zeros((h, w), np.uint8)

    def _head(self, w: int, h: int, t: float) -> Picture:
        picture = np.asarray(cv2.resize(self._noise, (w, h)) + 90, np.float32).clip(0, 255).astype(np.uint8)
        dx, dy = round(w * 0.03 * np.sin(t * 1.7)), round(h * 0.02 * np.sin(t * 2.9))
        cv2.ellipse(picture, (w // 2 + dx, h), (w // 3, h // 3), 0, 0, 360, 60, -1, cv2.LINE_AA)
        cv2.ellipse(picture, (w // 2 + dx, h // 2 + dy), (w // 8, h // 4), 0, 0, 360, 190, -1, cv2.LINE_AA)
        for side in (-1, 1):
            cv2.circle(picture, (w // 2 + dx + side * w // 24, h * 9 // 20 + dy), max(2, h // 50), 40, -1, cv2.LINE_AA)
        opening = max(1, round(h * 0.02 * (1 + np.sin(t * 11))))
        cv2.ellipse(picture, (w // 2 + dx, h * 6 // 10 + dy), (w // 30, opening), 0, 0, 360, 50, -1, cv2.LINE_AA)
        return picture

    def _draw(self, canvas: Picture, box: tuple[int, int, int, int], since_s: float) -> None:
        left, top, right, bottom = box
        thick = max(2, (bottom - top) // 70)
        for i, (x1, y1, x2, y2) in enumerate(self._strokes):
            grown = float(np.clip(since_s - 0.6 * i, 0.0, 0.5)) * 2
            if grown <= 0.0:
                continue
            a = (round(left + x1 * (right - left)), round(top + y1 * (bottom - top)))
            b = (round(a[0] + grown * (x2 - x1) * (right - left)), round(a[1] + grown * (y2 - y1) * (bottom - top)))
            shade = 250 if i % 2 else 5
            if i % 3 == 2:
                cv2.ellipse(
                    canvas,
                    a,
                    ((right - left) // 10, (bottom - top) // 10),
                    0,
                    0,
                    360 * grown,
                    shade,
                    thick,
                    cv2.LINE_AA,
                )
            else:
                cv2.arrowedLine(canvas, a, b, shade, thick, cv2.LINE_AA, tipLength=0.2)
