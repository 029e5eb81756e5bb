"""A drawn rink that stands in for a clip where no real one may be published: skaters, a puck, a panning camera, a clock."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

import av
import cv2
import numpy as np
import numpy.typing as npt

Picture = npt.NDArray[np.uint8]
Times = npt.NDArray[np.float64]

# The drawn world, in pixels of its own: a rink of 60 x 26 m at 40 px a metre with stands around it.
WORLD_WIDTH, WORLD_HEIGHT = 2800, 1500
SKATERS = 10
FONT = cv2.FONT_HERSHEY_SIMPLEX


@dataclass(frozen=True, slots=True)
class RinkOptions:
    """What the drawn clip looks like."""

    seed: int = 1
    duration_s: float = 40.0
    rate: Fraction = Fraction(30)
    """Frames per second."""
    width: int = 640
    height: int = 360
    pan: float = 1.0
    """How far the camera follows the puck: 0 stands still, 1 follows."""
    clock: bool = True
    """Whether a scoreboard with a running clock is drawn into a corner."""
    motionless_s: tuple[float, float] | None = None
    """A stretch in which nothing moves at all, from and to, seconds of clip time."""
    repeat_s: tuple[float, float, float] | None = None
    """From, to, and where the same pictures are shown once more, seconds of clip time."""
    variable: bool = False
    """Whether the frames are irregular: some left out, as a phone does in dim light."""


def frame_times_of(options: RinkOptions) -> Times:
    """When each frame of the clip appears: float64, shape (n,), seconds of clip time."""
    count = round(options.duration_s * options.rate)
    times = np.arange(count) / float(options.rate)
    if not options.variable:
        return times
    rng = np.random.default_rng(options.seed + 77)
    keep = rng.random(count) > 0.25
    keep[:1] = True
    return np.asarray(times[keep], np.float64)


def draw_frames(options: RinkOptions, times_clip_s: Times) -> list[Picture]:
    """The clip's pictures, grey, uint8 of shape (height, width), one for each time."""
    world = _world(options.seed)
    paths = _paths(options)
    return [_draw(options, world, paths, _scene_time(options, float(t))) for t in times_clip_s]


def write_video(path: Path, pictures: list[Picture], times_s: Times, *, rate: Fraction = Fraction(30), crf: int = 20) -> None:
    """Write grey pictures at given times as H.264, seconds from zero."""
    with VideoWriter(path, pictures[0].shape[1], pictures[0].shape[0], rate=rate, crf=crf) as writer:
        for picture, time_s in zip(pictures, times_s, strict=True):
            writer.add(picture, float(time_s))


class VideoWriter:
    """Writes grey pictures with their own times; a context manager."""

    def __init__(self, path: Path, width: int, height: int, *, rate: Fraction = Fraction(30), crf: int = 20) -> None:
        self._container = av.open(str(path), "w")
        self._stream = self._container.add_stream("libx264", rate=rate)
        self._stream.width, self._stream.height, self._stream.pix_fmt = width, height, "yuv420p"
        self._stream.options = {"preset": "ultrafast", "crf": str(crf), "g": "250"}
        self._stream.codec_context.thread_count = 2
        self._stream.codec_context.time_base = Fraction(1, 90_000)
        self._chroma = np.full((height // 2, width), 128, np.uint8)

    def __enter__(self) -> VideoWriter:
        return self

    def __exit__(self, *_: object) -> None:
        for packet in self._stream.encode(None):
            self._container.mux(packet)
        self._container.close()

    def add(self, picture: Picture, time_s: float) -> None:
        """Append a picture that appears at a time, seconds."""
        frame = av.VideoFrame.from_ndarray(np.concatenate([picture, self._chroma]), format="yuv420p")
        frame.pts, frame.time_base = round(time_s * 90_000), Fraction(1, 90_000)
        for packet in self._stream.encode(frame):
            self._container.mux(packet)


def _scene_time(options: RinkOptions, clip_s: float) -> float:
    if options.repeat_s is not None:
        start_s, end_s, again_s = options.repeat_s
        if again_s <= clip_s < again_s + end_s - start_s:
            return start_s + clip_s - again_s
    if options.motionless_s is not None:
        start_s, end_s = options.motionless_s
        if clip_s >= start_s:
            return start_s if clip_s < end_s else clip_s - (end_s - start_s)
    return clip_s


def _world(seed: int) -> Picture:
    rng = np.random.default_rng(seed)
    world = np.full((WORLD_HEIGHT, WORLD_WIDTH), 70, np.uint8)
    for _ in range(2600):  # the stands
        x, y = int(rng.integers(0, WORLD_WIDTH)), int(rng.integers(0, WORLD_HEIGHT))
        cv2.circle(world, (x, y), int(rng.integers(6, 16)), int(rng.integers(20, 160)), -1)
    left, top, right, bottom = 200, 250, 2600, 1290
    cv2.rectangle(world, (left - 24, top - 24), (right + 24, bottom + 24), 215, -1)
    for x in range(left, right - 100, 240):  # boards with lettering
        word = "".join(chr(int(c)) for c in rng.integers(65, 91, 5))
        cv2.putText(world, word, (x, top - 3), FONT, 0.9, 60, 2, cv2.LINE_AA)
        cv2.putText(world, word[::-1], (x, bottom + 20), FONT, 0.9, 60, 2, cv2.LINE_AA)
    cv2.rectangle(world, (left, top), (right, bottom), 236, -1)
    for x in (left + 900, left + 1500):
        cv2.line(world, (x, top), (x, bottom), 120, 12)
    cv2.line(world, (left + 1200, top), (left + 1200, bottom), 100, 12)
    for x in (left + 160, right - 160):
        cv2.line(world, (x, top), (x, bottom), 110, 3)
    for x in (left + 400, left + 1200, right - 400):
        for y in (top + 260, bottom - 260):
            cv2.circle(world, (x, y), 180, 130, 4, cv2.LINE_AA)
            cv2.circle(world, (x, y), 14, 110, -1, cv2.LINE_AA)
    cv2.circle(world, (left + 1200, (top + bottom) // 2), 190, 120, 4, cv2.LINE_AA)
    ice = world[top:bottom, left:right].astype(np.int16)
    marks = cv2.GaussianBlur(rng.normal(0, 24, ice.shape).astype(np.float32), (0, 0), 3)
    world[top:bottom, left:right] = np.clip(ice + marks, 0, 255).astype(np.uint8)
    return world


def _paths(options: RinkOptions) -> npt.NDArray[np.float64]:
    """Smooth ways of the skaters and the puck: parameters of sums of sines, shape (SKATERS + 1, 2, 3, 3)."""
    rng = np.random.default_rng(options.seed + 1)
    amplitude = rng.uniform([300, 120, 40], [700, 240, 90], (SKATERS + 1, 2, 3))
    amplitude[:, 1] *= 0.45
    period_s = rng.uniform([14, 6, 2.5], [23, 10, 4], (SKATERS + 1, 2, 3))
    phase = rng.uniform(0, 2 * np.pi, (SKATERS + 1, 2, 3))
    return np.stack([amplitude, period_s, phase], axis=-1)


def _draw(options: RinkOptions, world: Picture, paths: npt.NDArray[np.float64], scene_s: float) -> Picture:
    where = np.sum(paths[..., 0] * np.sin(2 * np.pi * scene_s / paths[..., 1] + paths[..., 2]), axis=-1)
    where += (WORLD_WIDTH / 2, 770)
    puck = where[-1]
    view_w = 1500.0
    view_h = view_w * options.height / options.width
    cx = WORLD_WIDTH / 2 + options.pan * 0.8 * float(np.clip(puck[0] - WORLD_WIDTH / 2, -600, 600))
    cy = 770 + options.pan * 0.3 * float(np.clip(puck[1] - 770, -300, 300))
    scale = view_w / options.width
    matrix = np.array([[scale, 0, cx - view_w / 2], [0, scale, cy - view_h / 2]], np.float32)
    size = (options.width, options.height)
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    picture: Picture = np.asarray(cv2.warpAffine(world, matrix, size, flags=flags, borderMode=cv2.BORDER_REPLICATE), np.uint8)

    def at(x: float, y: float) -> tuple[int, int]:
        # In sixteenths of a pixel, so that slow movement is smooth.
        return round((x - cx + view_w / 2) / scale * 16), round((y - cy + view_h / 2) / scale * 16)

    for i in range(SKATERS):
        x, y = float(where[i, 0]), float(where[i, 1])
        body = 40 if i % 2 else 175
        cv2.circle(picture, at(x, y), round(34 / scale * 16), body, -1, cv2.LINE_AA, 4)
        cv2.circle(picture, at(x, y - 44), round(15 / scale * 16), 90, -1, cv2.LINE_AA, 4)
        swing = 40 * np.sin(scene_s * 5 + i)
        cv2.line(picture, at(x + 20, y), at(x + 75, y + 30 + swing), 30, max(1, round(7 / scale)), cv2.LINE_AA, 4)
    cv2.circle(picture, at(float(puck[0]), float(puck[1])), round(11 / scale * 16), 10, -1, cv2.LINE_AA, 4)
    if options.clock:
        h = options.height
        cv2.rectangle(picture, (h // 30, h // 30), (h // 30 + h // 3, h // 30 + h // 12), 25, -1)
        left_s = max(0.0, 1200 - scene_s)
        text = f"{int(left_s // 60):02d}:{left_s % 60:04.1f}"
        cv2.putText(picture, text, (h // 20, h // 11), FONT, h / 720, 235, max(1, h // 360), cv2.LINE_AA)
    return picture
