"""Letters on pictures: titles and captions that are burnt in, so that every player of every phone shows them."""

from __future__ import annotations

import textwrap
from functools import lru_cache
from typing import Any

import numpy as np
from av.video.frame import VideoFrame
from PIL import Image, ImageDraw, ImageFont

# Letters are this share of the picture's height, and lines hold so many of them: read on a phone held upright.
LETTER_SHARE = 0.042
LINE_LETTERS = 46
MOST_LINES = 3


def title_card(size: tuple[int, int], text: str) -> VideoFrame:
    """A picture that says what comes next."""
    picture = Image.new("RGB", size, (27, 35, 48))
    draw = ImageDraw.Draw(picture)
    font = _font(round(size[1] * LETTER_SHARE * 1.6))
    draw.multiline_text(
        (size[0] / 2, size[1] / 2), "\n".join(textwrap.wrap(text, 32)), font=font, fill=(251, 250, 245), anchor="mm", align="center"
    )
    card: VideoFrame = VideoFrame.from_ndarray(np.asarray(picture), format="rgb24").reformat(format="yuv420p")
    return card


def captioned(frame: VideoFrame, text: str) -> VideoFrame:
    """A picture (yuv420p) with words at its foot."""
    box = _caption(frame.width, frame.height, text)
    picture = frame.to_ndarray(format="rgb24")
    top = frame.height - box.shape[0] - round(0.03 * frame.height)
    area = picture[top : top + box.shape[0]].astype(np.float32)
    alpha = box[..., 3:4].astype(np.float32) / 255.0
    picture[top : top + box.shape[0]] = (area * (1 - alpha) + box[..., :3] * alpha).astype(np.uint8)
    return VideoFrame.from_ndarray(picture, format="rgb24").reformat(format="yuv420p")


@lru_cache(maxsize=64)
def _caption(width: int, height: int, text: str) -> Any:
    """The words as a strip of RGBA, uint8, shape (rows, width, 4)."""
    letter = max(12, round(height * LETTER_SHARE))
    lines = textwrap.wrap(text, LINE_LETTERS)[:MOST_LINES]
    strip = Image.new("RGBA", (width, round(letter * 1.35 * len(lines)) + letter // 2), (0, 0, 0, 0))
    draw = ImageDraw.Draw(strip)
    font = _font(letter)
    words = "\n".join(lines)
    left, top, right, bottom = draw.multiline_textbbox((width / 2, letter / 4), words, font=font, anchor="ma", align="center")
    draw.rectangle((left - letter / 2, top - letter / 4, right + letter / 2, bottom + letter / 4), fill=(0, 0, 0, 190))
    draw.multiline_text((width / 2, letter / 4), words, font=font, fill=(255, 255, 255, 255), anchor="ma", align="center")
    return np.asarray(strip)


@lru_cache(maxsize=8)
def _font(size: int) -> Any:
    return ImageFont.load_default(size)
