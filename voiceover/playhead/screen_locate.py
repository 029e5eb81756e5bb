"""Where on the screen the clip's picture sits: candidates from matched corners, made exact on the thumbnails."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import cv2
import numpy as np
import numpy.typing as npt

from voiceover.media.frames import Luma
from voiceover.playhead.screen_bank import ClipBank, Floats, Region, Thumbnailer, coarsen, describe, shrink
from voiceover.playhead.screen_likeness import BLOCK, agreement, block_agrees, block_sums, likeness, misfits, without_outliers

# Corners are looked for on pictures at most this wide: a window of a quarter of the screen is then still 320 wide.
CANVAS_WIDTH = 1280
CANVAS_CORNERS = 1200
KEY_CORNERS = 300
# Bits of 256 that may differ between matching ORB descriptors; unrelated ones differ by 128 on average.
MAX_BITS = 60
MIN_INLIERS = 7
HYPOTHESES = 3000
# The clip fills between a sixth and six times the width of the screen.
SCALE_RANGE = (1 / 6, 6.0)
# Stretched by at most this much in one direction: a player that ignores the pixel shape stretches by 1.42.
MAX_STRETCH = 1.5
REFINE_ROUNDS = 12
SETTLE_ROUNDS = 4
# Least likeness to say that a clip is there. Other clips of a drawn rink reach 0.5, talking heads and slides 0.2; the clip
# itself under drawings, a webcam picture and a player's bar stays above 0.6 (benchmarks/playhead.py, seed 1).
ENTER = 0.55
# The same for a clip cut by a window, of which at least this share has to be seen.
ENTER_WINDOW = 0.75
WINDOW_SHARE = 0.35
# The likeness that is left where a window shows two fifths of a clip is 0.13; of what is no clip at all, 0.02.
LEAST_WHOLE = 0.1


@dataclass(frozen=True, slots=True)
class Target:
    """A clip at a place on the screen."""

    bank: ClipBank
    region: Region
    thumbnailer: Thumbnailer
    agreement: float
    """The likeness with which it was found, 0..1."""
    frame: int = 0
    """Which frame of the clip it agreed with."""
    open_part: Floats | None = None
    """Where the clip can be seen through a window that cuts it, 0 or 1 for each thumbnail pixel; None where all of it can."""


class Locator:
    """Finds clips on screens of one size."""

    def __init__(self, banks: Sequence[ClipBank]) -> None:
        self._banks = banks
        self._orb = cv2.ORB_create(nfeatures=CANVAS_CORNERS, fastThreshold=8)  # type: ignore[attr-defined]
        self._matcher = cv2.BFMatcher(cv2.NORM_HAMMING)
        self._pools = [self._pool(bank) for bank in banks]
        self._rng = np.random.default_rng(7)

    def _pool(self, bank: ClipBank) -> tuple[npt.NDArray[np.uint8], Floats]:
        """Corners of a clip's larger pictures: descriptors, and places as shares of the picture's size."""
        orb = cv2.ORB_create(nfeatures=KEY_CORNERS, fastThreshold=8)  # type: ignore[attr-defined]
        descriptors: list[npt.NDArray[np.uint8]] = []
        places: list[Floats] = []
        for _, picture in bank.keys:
            points, found = orb.detectAndCompute(picture, None)
            if found is None:
                continue
            descriptors.append(found)
            size = (picture.shape[1], picture.shape[0])
            places.append(np.asarray(np.array([p.pt for p in points], np.float32) / np.array(size, np.float32), np.float32))
        if not descriptors:
            return np.zeros((0, 32), np.uint8), np.zeros((0, 2), np.float32)
        return np.concatenate(descriptors), np.concatenate(places)

    def locate(self, luma: Luma, clips: Sequence[int] | None = None) -> Target | None:
        """The best place of any clip on this screen; None where none is seen."""
        canvas = shrink(luma, CANVAS_WIDTH)
        zoom = luma.shape[1] / canvas.shape[1]
        points, found = self._orb.detectAndCompute(canvas, None)
        places = np.array([p.pt for p in points], np.float32).reshape(-1, 2) * zoom
        best: Target | None = None
        for bank in self._banks:
            if clips is not None and bank.index not in clips:
                continue
            proposals = [fitted(luma.shape, bank.picture_size)]
            if found is not None:
                proposals += self._propose(bank, found, places, luma.shape[1])
            for region in proposals:
                target = verify(luma, bank, region)
                if target is not None and (best is None or target.agreement > best.agreement):
                    best = target
                if best is not None and best.agreement > 0.9:
                    return best
        return best

    def _propose(self, bank: ClipBank, found: npt.NDArray[np.uint8], places: Floats, canvas_width: int) -> list[Region]:
        """Up to three different regions that many matched corners agree on."""
        pool, shares = self._pools[bank.index]
        if len(pool) < 2 or len(found) < 2:
            return []
        matches = [m for m in self._matcher.match(found, pool) if m.distance <= MAX_BITS]
        if len(matches) < MIN_INLIERS:
            return []
        screen = places[[m.queryIdx for m in matches]].astype(np.float64)
        clip = shares[[m.trainIdx for m in matches]].astype(np.float64)
        aspect = bank.picture_size[1] / bank.picture_size[0]
        clip[:, 1] *= aspect  # in widths of the clip, in both directions
        out: list[Region] = []
        free = np.ones(len(matches), bool)
        for _ in range(3):
            region, inliers = self._vote(screen[free], clip[free], canvas_width, aspect)
            if region is None:
                break
            out.append(region)
            index = np.flatnonzero(free)
            free[index[inliers]] = False
            if free.sum() < MIN_INLIERS:
                break
        return out

    def _vote(
        self, screen: npt.NDArray[np.float64], clip: npt.NDArray[np.float64], canvas_width: int, aspect: float
    ) -> tuple[Region | None, npt.NDArray[np.bool_]]:
        n = len(screen)
        none = np.zeros(n, bool)
        if n < MIN_INLIERS:
            return None, none
        i, j = self._rng.integers(0, n, (2, HYPOTHESES))
        a, b = screen[i] - screen[j], clip[i] - clip[j]
        apart = np.hypot(b[:, 0], b[:, 1])
        with np.errstate(divide="ignore", invalid="ignore"):
            scale = np.hypot(a[:, 0], a[:, 1]) / apart  # clip's width on the screen, pixels
            turned = np.abs(a - scale[:, None] * b).max(axis=1) / np.hypot(a[:, 0], a[:, 1])
        low, high = canvas_width * SCALE_RANGE[0], canvas_width * SCALE_RANGE[1]
        good = (apart > 0.08) & (scale > low) & (scale < high) & (turned < 0.12)
        if not good.any():
            return None, none
        scale, shift = scale[good], screen[i[good]] - scale[good, None] * clip[i[good]]
        tolerance = 0.008 * scale
        left = np.abs(scale[:, None] * clip[None, :, 0] + shift[:, :1] - screen[None, :, 0])
        inside = left < tolerance[:, None]
        inside &= np.abs(scale[:, None] * clip[None, :, 1] + shift[:, 1:] - screen[None, :, 1]) < tolerance[:, None]
        votes = inside.sum(axis=1)
        top = int(votes.argmax())
        if votes[top] < MIN_INLIERS:
            return None, none
        chosen = inside[top]
        sx, tx = _line(clip[chosen, 0], screen[chosen, 0], float(scale[top]), float(shift[top, 0]))
        sy, ty = _line(clip[chosen, 1], screen[chosen, 1], float(scale[top]), float(shift[top, 1]))
        return Region(tx, ty, sx, sy * aspect), chosen


def _line(x: npt.NDArray[np.float64], y: npt.NDArray[np.float64], slope: float, shift: float) -> tuple[float, float]:
    """Least squares y = slope x + shift, or the given one where the points are too close together to say."""
    if float(np.ptp(x)) < 0.2:
        return slope, shift
    fitted_slope, fitted_shift = np.polyfit(x, y, 1)
    if not 1 / MAX_STRETCH < fitted_slope / slope < MAX_STRETCH:
        return slope, shift
    return float(fitted_slope), float(fitted_shift)


def fitted(canvas: tuple[int, ...], picture: tuple[int, int]) -> Region:
    """The clip as large as it fits onto the whole screen, centred."""
    height, width = canvas[0], canvas[1]
    scale = min(width / picture[0], height / picture[1])
    w, h = picture[0] * scale, picture[1] * scale
    return Region((width - w) / 2, (height - h) / 2, w, h)


def best_coarse(bank: ClipBank, thumb: Luma, weights: Floats | None = None) -> int:
    """The frame whose coarse picture is most like a thumbnail's."""
    h = coarsen(thumb, bank.coarse_size)
    wh = h if weights is None else h * weights
    squares = np.einsum("ij,ij->i", bank.coarse, bank.coarse) if weights is None else (bank.coarse**2) @ weights
    ncc = (bank.coarse @ wh) / np.sqrt(np.maximum(squares, 1e-6))
    return int(bank.coarse_index[int(ncc.argmax())])


def settle(luma: Luma, bank: ClipBank, region: Region, frame: int) -> tuple[Region, int, float]:
    """The frame and the place that fit one screen best together: region, frame, likeness.

    In a pan the next frame at a place a little aside looks almost the same; what else moves decides. So frames are tried
    one after the other, each at the place where it fits best.
    """
    tried: dict[int, tuple[float, Region, float]] = {}

    def attempt(k: int, near: Region) -> tuple[float, Region, float]:
        if k not in tried:
            place = near
            for _ in range(SETTLE_ROUNDS):
                thumbnailer = Thumbnailer(place, (luma.shape[0], luma.shape[1]), bank.size)
                pull = Pull()
                pull.add(describe(thumbnailer(luma), bank.box), bank, k, thumbnailer.visible, exact=True)
                step = np.clip(pull.step(), -0.02, 0.02)
                place = apply(place, step)
                if np.abs(step).max() < 5e-4:
                    break
            thumbnailer = Thumbnailer(place, (luma.shape[0], luma.shape[1]), bank.size)
            h, b = describe(thumbnailer(luma), bank.box), bank.window(k, k + 1)[0]
            _, gains = misfits(h, b[None], thumbnailer.visible)
            left, _ = misfits(h, b[None], without_outliers(h, b, float(gains[0]), thumbnailer.visible))
            score = agreement(h, b, thumbnailer.visible, bank.size) * (1.0 - float(left[0]))
            tried[k] = (float(left[0]), place, score)
        return tried[k]

    best = frame
    attempt(best, region)
    for stride in (4, 2, 1):
        for _ in range(4):
            here = tried[best][1]
            options = [k for k in (best - stride, best + stride) if 0 <= k < len(bank.times_s)]
            better = min(options, key=lambda k: attempt(k, here)[0], default=best)
            if not options or tried[better][0] >= tried[best][0]:
                break
            best = better
    return tried[best][1], best, tried[best][2]


def verify(luma: Luma, bank: ClipBank, region: Region, *, enough: float = ENTER, exact: bool = True) -> Target | None:
    """Make a region exact, and say whether the clip is really there.

    Args:
        luma: the screen.
        bank: the clip.
        region: roughly where it sits, within about 2 % of its width.
        enough: least likeness, 0..1.
        exact: whether to try neighbouring frames until the best one is found.
    """
    canvas = (luma.shape[0], luma.shape[1])
    if min(region.width, region.height) < 24:
        return None
    frame = best_coarse(bank, Thumbnailer(region, canvas, bank.size)(luma))
    best: Target | None = None
    for _ in range(2):  # once more: a better place may show a better frame
        refined = refine(luma, bank, region, frame)
        if refined is None:
            break
        region = refined
        thumbnailer = Thumbnailer(region, canvas, bank.size)
        thumb = thumbnailer(luma)
        frame = best_near(bank, thumb, best_coarse(bank, thumb), thumbnailer.visible)
        score = likeness(describe(thumb, bank.box), bank.window(frame, frame + 1)[0], thumbnailer.visible, bank.size)
        if best is None or score > best.agreement:
            best = Target(bank, region, thumbnailer, score, frame)
    if best is not None and LEAST_WHOLE < best.agreement < enough:
        best = _through_window(luma, best) or best
    if best is None or best.agreement < enough * 0.8:
        return None
    if best.open_part is not None:
        return best
    if not exact and best.agreement >= enough:
        return best
    region, frame, score = settle(luma, bank, best.region, best.frame)
    if score > best.agreement:
        best = Target(bank, region, Thumbnailer(region, canvas, bank.size), score, frame)
    return best if best.agreement >= enough else None


def _through_window(luma: Luma, target: Target) -> Target | None:
    """The same place as a clip of which a window shows a part: the rectangle of blocks that agree; None where there is none.

    It must be large and agree far better than a whole clip has to, or parts of another clip of the same rink would do.
    """
    bank, visible, (w, hgt) = target.bank, target.thumbnailer.visible, target.bank.size
    h, b = describe(target.thumbnailer(luma), bank.box), bank.window(target.frame, target.frame + 1)[0]
    hh, hb, bb, _ = block_sums(h, b, visible, bank.size)
    rows, cols = bb.shape
    worth = np.sqrt(bb) * np.where(block_agrees(hh, hb, bb), 1.0, -1.0)
    sums = np.pad(worth.cumsum(axis=0).cumsum(axis=1), ((1, 0), (1, 0)))
    top, bottom, left, right = max(
        ((a, c, d, e) for a in range(rows) for c in range(a + 1, rows + 1) for d in range(cols) for e in range(d + 1, cols + 1)),
        key=lambda r: float(sums[r[1], r[3]] - sums[r[0], r[3]] - sums[r[1], r[2]] + sums[r[0], r[2]]),
    )
    part = np.zeros((hgt, w), np.float32)
    part[top * BLOCK : bottom * BLOCK, left * BLOCK : right * BLOCK] = 1.0
    weights = np.asarray(visible * part.ravel(), np.float32)
    if float(weights.mean()) < WINDOW_SHARE:
        return None
    score = likeness(h, b, weights, bank.size)
    return replace(target, agreement=score, open_part=part.ravel()) if score >= ENTER_WINDOW else None


def best_near(bank: ClipBank, thumb: Luma, frame: int, weights: Floats) -> int:
    """The frame most like a thumbnail among those within a coarse step of `frame`."""
    reach = max(2, round(1.0 / bank.frame_s / 8))
    start, stop = max(0, frame - reach), min(len(bank.times_s), frame + reach + 1)
    window = bank.window(start, stop)
    wh = describe(thumb, bank.box) * weights
    ncc = (window @ wh) / np.sqrt(np.maximum((window * window) @ weights, 1e-6))
    return start + int(ncc.argmax())


@dataclass(slots=True)
class Pull:
    """Normal equations of where a region should move so that screens fit the clip: shift and stretch, shares of its size."""

    matrix: npt.NDArray[np.float64] = field(default_factory=lambda: np.zeros((4, 4)))
    moment: npt.NDArray[np.float64] = field(default_factory=lambda: np.zeros(4))
    count: int = 0

    def add(self, h: Floats, bank: ClipBank, frame: int, visible: Floats, *, exact: bool = False) -> None:
        """Add one screen (its descriptor) that shows about this frame of the clip (`exact`: this very frame).

        A pan makes the next frame look like this one shifted, so the frame is an unknown as well: its direction, the
        clip's own movement, is projected out of everything.
        """
        w, hgt = bank.size
        before, after = max(0, frame - 1), min(len(bank.times_s), frame + 2)
        near = bank.window(before, after)
        picture = _soften(near[frame - before], w, hgt)
        seen = _soften(h, w, hgt).ravel()
        gy, gx = np.gradient(picture)
        xs = ((np.arange(w, dtype=np.float32) + 0.5) / w - 0.5)[None, :]
        ys = ((np.arange(hgt, dtype=np.float32) + 0.5) / hgt - 0.5)[:, None]
        columns = np.stack([gx * w, gy * hgt, gx * w * xs, gy * hgt * ys]).reshape(4, -1)
        flat = picture.ravel()
        gain = float((seen * flat) @ visible) / max(1e-6, float((flat * flat) @ visible))
        left = seen / max(gain, 0.05) - flat
        weights = visible / (1.0 + (left / (2.5 * float(np.mean(np.abs(left))) + 1e-3)) ** 2)
        motion = _soften(near[-1] - near[0], w, hgt).ravel()
        weighted = motion * weights
        energy = float(weighted @ motion)
        if not exact and energy > 1e-3 * float((flat * flat) @ weights):
            columns -= np.outer(columns @ weighted, motion) / energy
            left = left - motion * (float(left @ weighted) / energy)
        self.matrix += (columns * weights) @ columns.T
        self.moment += (columns * weights) @ left
        self.count += 1

    def step(self) -> npt.NDArray[np.float64]:
        """The move, shares of the region's size; small where the pictures do not say."""
        damping = 1e-3 * float(np.trace(self.matrix)) / 4 + 1e-6
        return np.asarray(np.linalg.solve(self.matrix + damping * np.eye(4), self.moment), np.float64)


def apply(region: Region, step: npt.NDArray[np.float64]) -> Region:
    """The region after a step: the screen's picture lies where the clip's would, so the region moves against it."""
    return region.moved(-float(step[0]), -float(step[1]), 1.0 - float(step[2]), 1.0 - float(step[3]))


def _soften(descriptor: Floats, w: int, h: int) -> Floats:
    return np.asarray(cv2.GaussianBlur(descriptor.reshape(h, w), (0, 0), 1.0), np.float32)


def refine(luma: Luma, bank: ClipBank, region: Region, frame: int) -> Region | None:
    """Gauss-Newton on shift and stretch so that the screen's thumbnail fits the clip near a frame; None where it runs away."""
    start = region
    for _ in range(REFINE_ROUNDS):
        thumbnailer = Thumbnailer(region, (luma.shape[0], luma.shape[1]), bank.size)
        pull = Pull()
        thumb = thumbnailer(luma)
        frame = best_near(bank, thumb, frame, thumbnailer.visible)
        pull.add(describe(thumb, bank.box), bank, frame, thumbnailer.visible)
        step = np.clip(pull.step(), -0.03, 0.03)
        region = apply(region, step)
        if region.distance(start) > 0.25 or min(region.width, region.height) < 24:
            return None
        if np.abs(step).max() < 3e-4:
            break
    return region


def refine_together(pictures: Sequence[Luma], bank: ClipBank, region: Region, frames: Sequence[int]) -> Region:
    """One region for several screens that show the clip at the same place, exact to a fraction of a thumbnail pixel."""
    now = list(frames)
    for _ in range(6):
        pull = Pull()
        for i, luma in enumerate(pictures):
            thumbnailer = Thumbnailer(region, (luma.shape[0], luma.shape[1]), bank.size)
            thumb = thumbnailer(luma)
            now[i] = best_near(bank, thumb, now[i], thumbnailer.visible)
            pull.add(describe(thumb, bank.box), bank, now[i], thumbnailer.visible)
        step = np.clip(pull.step(), -0.02, 0.02)
        region = apply(region, step)
        if np.abs(step).max() < 2e-4:
            break
    return region
