"""How like a screen's picture is to a frame of the clip: how much of it agrees, and how much of it stays unexplained."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from voiceover.playhead.screen_bank import Floats

# Blocks (thumbnail pixels) whose picture must agree, and the correlation that counts as agreeing.
BLOCK = 9
BLOCK_AGREES = 0.5


def block_sums(h: Floats, b: Floats, weights: Floats, size: tuple[int, int]) -> Floats:
    """Weighted sums over blocks of h h, h b, b b and 1, shape (4, rows, columns); arguments as of `agreement`."""
    w, hgt = size
    rows, cols = hgt // BLOCK, w // BLOCK
    stack = np.empty((4, h.size), np.float32)
    np.multiply(h, weights, out=stack[0])
    np.multiply(stack[0], b, out=stack[1])
    np.multiply(b * weights, b, out=stack[2])
    stack[0] *= h
    stack[3] = weights
    tiles = stack.reshape(4, hgt, w)[:, : rows * BLOCK, : cols * BLOCK]
    sums: Floats = tiles.reshape(4, rows, BLOCK, cols, BLOCK).sum(axis=(2, 4))
    return sums


def block_agrees(hh: Floats, hb: Floats, bb: Floats) -> npt.NDArray[np.bool_]:
    """Which blocks of screen and clip agree."""
    return np.asarray(hb / np.sqrt(np.maximum(hh * bb, 1e-6)) > BLOCK_AGREES)


def agreement(h: Floats, b: Floats, weights: Floats, size: tuple[int, int]) -> float:
    """The share of a picture's texture that lies in blocks where screen and clip agree, 0..1.

    Args:
        h: descriptor of the screen, flat.
        b: descriptor of the clip's frame, flat.
        weights: how much each pixel counts, 0..1.
        size: width and height of the thumbnail.
    """
    hh, hb, bb, ww = block_sums(h, b, weights, size)
    # Texture counts on either side: a drawing over plain ice is texture of the screen alone and is masked, not counted.
    texture = np.sqrt(bb * ww)
    total = float(texture.sum())
    if total <= 0.0:
        return 0.0
    return float((texture * block_agrees(hh, hb, bb)).sum() / total)


def misfits(h: Floats, stack: Floats, weights: Floats) -> tuple[Floats, Floats]:
    """For each row: share of h's weighted energy that the row leaves over at its best gain, and that gain."""
    wh = weights * h
    energy = float(wh @ h) + 1e-6
    products = stack @ wh
    squares = np.maximum(np.square(stack) @ weights, 1e-6)
    gains = np.maximum(products / squares, 0.0)
    return np.asarray(np.clip(1.0 - gains * products / energy, 0.0, 1.0), np.float32), np.asarray(gains, np.float32)


def without_outliers(h: Floats, b: Floats, gain: float, weights: Floats) -> Floats:
    """Weights in which pixels that stick out (a new drawing, a cursor) count for little."""
    left = np.abs(h - gain * b)
    scale = np.float32(max(1.0, float(left @ weights) / max(1.0, float(weights.sum())) * 2.5))
    left /= scale
    np.multiply(left, left, out=left)
    left += 1.0
    return np.divide(weights, left, out=left)


def likeness(h: Floats, b: Floats, weights: Floats, size: tuple[int, int]) -> float:
    """How sure it is that a screen shows a frame of the clip, 0..1: what agrees, times what is explained."""
    _, gains = misfits(h, b[None], weights)
    left, _ = misfits(h, b[None], without_outliers(h, b, float(gains[0]), weights))
    return agreement(h, b, weights, size) * (1.0 - float(left[0]))
