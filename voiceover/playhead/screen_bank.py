"""Small pictures of a clip's frames, and how a screen's picture is made comparable with them."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

import cv2
import numpy as np
import numpy.typing as npt

from voiceover.errors import PlayheadError
from voiceover.media.frames import Luma, iter_luma
from voiceover.media.probe import MediaInfo, probe

Floats = npt.NDArray[np.float32]
Bytes = npt.NDArray[np.int8]
Times = npt.NDArray[np.float64]

# Pixels of a thumbnail: 144 x 81 for 16:9. A skater two thumbnail pixels wide still tells one frame from the next
# (drawn rink and two real samples); for long clips fewer, so that the bank stays under BANK_BYTES.
THUMB_PIXELS = 144 * 81
SMALL_THUMB_PIXELS = 96 * 54
BANK_BYTES = 110_000_000
# The coarse search runs on thumbnails a third as wide, ten a second: a quick pan moves about one of its pixels in between.
COARSE = 3
COARSE_RATE = 10.0
# Thumbnails are averaged from samples this many times as dense in both directions; halving is what OpenCV does fastest.
FINE = 2
# Descriptors are kept as bytes: this many steps per mean magnitude, cut at four times the mean magnitude.
STEPS = 30.0
CUT = 4.0
# Box that is blurred away twice, thumbnail pixels at 144 wide: takes out brightness, contrast and slow shading.
BLUR_PIXELS = 11
# Pictures kept larger, for finding out where on the screen the clip sits: width in pixels, how many a second, at most.
KEY_WIDTH = 640
KEY_RATE = 2.0
KEY_MAX = 160


@dataclass(frozen=True, slots=True)
class Region:
    """Where the whole picture of the clip lies on the screen, pixels; it may reach beyond the screen."""

    x: float
    y: float
    width: float
    height: float

    def moved(self, dx: float, dy: float, sx: float, sy: float) -> Region:
        """Shifted by shares of its size, then stretched about its centre."""
        cx, cy = self.x + self.width * (0.5 + dx), self.y + self.height * (0.5 + dy)
        w, h = self.width * sx, self.height * sy
        return Region(cx - w / 2, cy - h / 2, w, h)

    def distance(self, other: Region) -> float:
        """The largest shift of a corner, as a share of the width."""
        corners = (
            abs(self.x - other.x),
            abs(self.y - other.y),
            abs(self.x + self.width - other.x - other.width),
            abs(self.y + self.height - other.y - other.height),
        )
        return max(corners) / max(1.0, self.width)


class Thumbnailer:
    """Makes the thumbnail of one region of a picture of a certain size."""

    def __init__(self, region: Region, canvas: tuple[int, int], size: tuple[int, int]) -> None:
        """Region in pixels, canvas (height, width), size (width, height) of the thumbnail."""
        self.region, self.canvas, self.size = region, canvas, size
        height, width = canvas
        self._fine = (size[0] * FINE, size[1] * FINE)
        inside = region.x > -0.5 and region.y > -0.5
        inside = inside and region.x + region.width < width + 0.5 and region.y + region.height < height + 0.5
        # Whole pixels are exact enough where a thumbnail pixel spans many; resizing is twice as fast as warping.
        self._slice: tuple[slice, slice] | None = None
        if inside and region.width / size[0] >= 8.0:
            left, top = max(0, round(region.x)), max(0, round(region.y))
            right, bottom = round(region.x + region.width), round(region.y + region.height)
            self._slice = (slice(top, min(height, bottom)), slice(left, min(width, right)))
        sx, sy = region.width / self._fine[0], region.height / self._fine[1]
        self._matrix = np.array([[sx, 0, region.x + 0.5 * sx - 0.5], [0, sy, region.y + 0.5 * sy - 0.5]], np.float64)
        xs = region.x + (np.arange(size[0]) + 0.5) * region.width / size[0]
        ys = region.y + (np.arange(size[1]) + 0.5) * region.height / size[1]
        seen = ((ys > 0) & (ys < height))[:, None] & ((xs > 0) & (xs < width))[None, :]
        self.visible: Floats = seen.astype(np.float32).ravel()
        """1 where the region lies on the screen, one value per thumbnail pixel."""

    def __call__(self, luma: Luma) -> Luma:
        """The thumbnail, uint8, shape (height, width)."""
        if self._slice is not None:
            fine = cv2.resize(luma[self._slice], self._fine, interpolation=cv2.INTER_LINEAR)
        else:
            fine = cv2.warpAffine(
                luma, self._matrix, self._fine, flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
                borderMode=cv2.BORDER_REPLICATE,
            )  # fmt: skip
        return np.asarray(cv2.resize(fine, self.size, interpolation=cv2.INTER_AREA), np.uint8)


def describe(thumb: npt.NDArray[np.generic], box: int) -> Floats:
    """What is left of a thumbnail without its brightness, contrast and shading: float32, flat, in steps, within +-STEPS*CUT."""
    x = np.array(thumb, np.float32)
    x -= np.asarray(cv2.blur(cv2.blur(x, (box, box)), (box, box)), np.float32)
    # A flat picture (black, a plain slide) has nothing to compare: half a grey level is rounding and noise.
    magnitude = max(0.5, float(cv2.norm(x, cv2.NORM_L1)) / x.size)
    np.multiply(x, np.float32(STEPS / magnitude), out=x)
    np.maximum(x, np.float32(-STEPS * CUT), out=x)
    return np.minimum(x, np.float32(STEPS * CUT), out=x).ravel()


@dataclass
class ClipBank:
    """Everything that is kept of a clip."""

    path: Path
    index: int
    """Which of the clips."""
    times_s: Times
    """When each frame appears, seconds of clip time, shape (n,)."""
    end_s: float
    """When the last frame ends, seconds of clip time."""
    size: tuple[int, int]
    """Width and height of the thumbnails."""
    picture_size: tuple[int, int]
    """Width and height of the clip as shown, pixels."""
    frames: Bytes
    """Descriptors, int8, shape (n, width * height)."""
    coarse_index: npt.NDArray[np.int64]
    """Which frames the coarse descriptors are of."""
    coarse: Floats
    """Descriptors at a third of the width, float32, shape (m, pixels)."""
    coarse_squares: Floats
    """The coarse descriptors squared, value by value."""
    keys: list[tuple[int, Luma]]
    """Some frames at up to KEY_WIDTH pixels: frame and picture."""

    @property
    def box(self) -> int:
        """Blur box of the thumbnails, pixels."""
        return blur_box(self.size[0])

    @property
    def coarse_size(self) -> tuple[int, int]:
        """Width and height of the coarse thumbnails."""
        return self.size[0] // COARSE, self.size[1] // COARSE

    @cached_property
    def frame_s(self) -> float:
        """Length of a typical frame, seconds."""
        return _typical_s(self.times_s)

    def next_s(self, frame: int) -> float:
        """When the frame after `frame` appears, seconds of clip time."""
        return float(self.times_s[frame + 1]) if frame + 1 < len(self.times_s) else self.end_s

    def window(self, start: int, stop: int) -> Floats:
        """Descriptors of frames start to stop (without stop), float32."""
        return self.frames[start:stop].astype(np.float32)


def blur_box(width: int) -> int:
    """Size of the blur box for thumbnails of a width, odd."""
    return max(3, round(BLUR_PIXELS * width / 144) | 1)


def coarsen(thumb: Luma, size: tuple[int, int]) -> Floats:
    """Descriptor of a thumbnail at a third of its width."""
    small = cv2.resize(thumb, size, interpolation=cv2.INTER_AREA)
    return describe(np.asarray(small, np.uint8), blur_box(size[0] * 2))


def thumb_size(width: int, height: int, pixels: int) -> tuple[int, int]:
    """Width and height of thumbnails for a picture of some shape, multiples of COARSE."""
    w = (pixels * width / height) ** 0.5
    return max(8, round(w / COARSE)) * COARSE, max(8, round(w * height / width / COARSE)) * COARSE


def build_bank(
    path: Path,
    index: int = 0,
    *,
    from_s: float | None = None,
    to_s: float | None = None,
    keyframes_only: bool = False,
    progress: Callable[[float], None] | None = None,
) -> ClipBank:
    """Decode a clip once and keep the small pictures of its frames.

    Args:
        path: the clip.
        index: which of the clips it is.
        from_s: first moment of the stretch that counts, seconds of clip time.
        to_s: its end, seconds of clip time.
        keyframes_only: only the frames that are stored whole: a rough bank of a whole game in seconds.
        progress: told the seconds of clip time that are done.
    Raises:
        MediaError: it cannot be read or has no moving picture.
        PlayheadError: nothing lies within the stretch, or the stretch is too long for memory.
    """
    info = probe(path, need_picture=True)
    start_s, stop_s = max(0.0, from_s or 0.0), min(info.duration_s, to_s if to_s is not None else info.duration_s)
    size, bank_limit = _size_for(info, max(0.0, stop_s - start_s))
    expected = 1024 if keyframes_only else max(16, int((stop_s - start_s) * _rate(info) * 1.05) + 8)
    frames = np.empty((min(expected, bank_limit), size[0] * size[1]), np.int8)
    times: list[float] = []
    coarse: list[Floats] = []
    coarse_index: list[int] = []
    keys: list[tuple[int, Luma]] = []
    key_gap_s = max(1.0 / KEY_RATE, (stop_s - start_s) / KEY_MAX)
    coarse_size = (size[0] // COARSE, size[1] // COARSE)
    thumbnailer: Thumbnailer | None = None
    next_coarse_s = next_key_s = -1.0
    for frame in iter_luma(path, from_s=from_s, to_s=to_s, keyframes_only=keyframes_only, info=info):
        height, width = frame.luma.shape
        if thumbnailer is None or thumbnailer.canvas != (height, width):
            thumbnailer = Thumbnailer(Region(0.0, 0.0, width, height), (height, width), size)
        thumb = thumbnailer(frame.luma)
        n = len(times)
        if n == len(frames):
            if n >= bank_limit:
                raise PlayheadError(
                    f"{path}: too long to be searched at once ({frame.time_s - start_s:.0f} s); name the stretch that is"
                    " talked about with --from and --to"
                )
            frames = np.concatenate([frames, np.empty((max(16, n // 4), frames.shape[1]), np.int8)])
        frames[n] = np.round(describe(thumb, blur_box(size[0])))
        times.append(frame.time_s)
        if frame.time_s >= next_coarse_s:
            coarse.append(coarsen(thumb, coarse_size))
            coarse_index.append(n)
            next_coarse_s = frame.time_s + 1.0 / COARSE_RATE - 1e-6
        if frame.time_s >= next_key_s:
            keys.append((n, shrink(frame.luma, KEY_WIDTH)))
            next_key_s = frame.time_s + key_gap_s - 1e-6
            if progress:
                progress(frame.time_s - start_s)
    if not times:
        raise PlayheadError(f"{path}: no frame between {start_s:.3f} and {stop_s:.3f} s; check --from and --to")
    picture = (thumbnailer.canvas[1], thumbnailer.canvas[0]) if thumbnailer else (1, 1)
    coarse_all = np.stack(coarse)
    times_s = np.asarray(times, np.float64)
    return ClipBank(
        path, index, times_s, times[-1] + _typical_s(times_s), size, picture, frames[: len(times)],
        np.asarray(coarse_index, np.int64), coarse_all, np.square(coarse_all), keys,
    )  # fmt: skip


def shrink(luma: Luma, width: int) -> Luma:
    """A copy at most `width` pixels wide."""
    if luma.shape[1] <= width:
        return luma.copy()
    size = (width, max(1, round(luma.shape[0] * width / luma.shape[1])))
    return np.asarray(cv2.resize(luma, size, interpolation=cv2.INTER_AREA), np.uint8)


def _typical_s(times_s: Times) -> float:
    return float(np.median(np.diff(times_s))) if len(times_s) > 1 else 0.04


def _rate(info: MediaInfo) -> float:
    return float(info.picture.rate) if info.picture and info.picture.rate else 30.0


def _size_for(info: MediaInfo, seconds: float) -> tuple[tuple[int, int], int]:
    """Thumbnail size, and how many frames fit into memory at that size."""
    width, height = info.picture.shown_size if info.picture else (16, 9)
    size = thumb_size(width, height, THUMB_PIXELS)
    if seconds * _rate(info) * size[0] * size[1] > BANK_BYTES:
        size = thumb_size(width, height, SMALL_THUMB_PIXELS)
    # Twice the target: ten minutes at 60 frames a second still fit.
    return size, 2 * BANK_BYTES // (size[0] * size[1])
