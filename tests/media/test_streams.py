"""A cover image that stands before the picture in a file is never taken for it."""

from __future__ import annotations

import io
import struct
from collections.abc import Iterator
from fractions import Fraction
from pathlib import Path

import av
import numpy as np
import pytest
from av.stream import Disposition

pytest.importorskip("cv2")
pytest.importorskip("PIL")

from voiceover import Breakdown
from voiceover.media.frames import iter_luma
from voiceover.media.playable import copy_playable
from voiceover.media.stills import stills_at
from voiceover.possessions import Possession
from voiceover.reports.chapters import write_chapters
from voiceover.reports.film import Shot, write_film
from voiceover.reports.privacy import Shared

DARK, WHITE = 40, 255


@pytest.fixture
def covered(tmp_path: Path) -> Path:
    """A second of a dark picture, in an MP4 that names its white cover first."""
    path = tmp_path / "clip.mp4"
    with av.open(str(path), "w") as out:
        picture, cover = out.add_stream("mpeg4", rate=25), out.add_stream("mjpeg", rate=1)
        cover.disposition = Disposition.attached_pic
        picture.width, picture.height, picture.pix_fmt = 64, 48, "yuv420p"
        cover.width, cover.height, cover.pix_fmt = 64, 48, "yuvj420p"
        for stream, level, count in ((cover, WHITE, 1), (picture, DARK, 25)):
            for i in range(count):
                frame = av.VideoFrame.from_ndarray(np.full((48, 64, 3), level, np.uint8), format="rgb24").reformat(format=stream.pix_fmt)
                frame.pts, frame.time_base = i, Fraction(1, 25)
                out.mux(stream.encode(frame))
            out.mux(stream.encode(None))
    content = path.read_bytes()
    start, end = next((a, b) for kind, a, b in boxes(content, 0, len(content)) if kind == b"moov")
    parts = sorted(boxes(content, start + 8, end), key=lambda part: part[0] != b"udta")
    path.write_bytes(content[: start + 8] + b"".join(content[a:b] for _, a, b in parts) + content[end:])
    with av.open(str(path)) as container:
        assert container.streams.video[0].disposition & Disposition.attached_pic
    return path


def boxes(content: bytes, at: int, end: int) -> Iterator[tuple[bytes, int, int]]:
    """(kind, first byte, byte after the last) of each box of an MP4."""
    while at < end:
        (size,) = struct.unpack(">I", content[at : at + 4])
        yield content[at + 4 : at + 8], at, at + size
        at += size


def brightness(path: Path) -> float:
    return float(np.mean([f.luma.mean() for f in iter_luma(path)]))


def test_stills_films_and_copies_show_the_picture(covered: Path, tmp_path: Path) -> None:
    assert brightness(covered) < 100
    (still,) = stills_at(covered, [0.4])
    assert still is not None
    with av.open(io.BytesIO(still)) as image:
        assert next(image.decode(video=0)).to_ndarray(format="gray").mean() < 100
    write_film([Shot(covered, 0.2, 0.8)], tmp_path / "film.mp4")
    assert brightness(tmp_path / "film.mp4") < 100
    copy_playable(covered, tmp_path / "copy.mp4")
    assert brightness(tmp_path / "copy.mp4") < 100
    possession = Breakdown(narration="x", possessions=[Possession(1, 0, 0, 0.0, 0.8)], possession_clip_times=[(0.0, 0.8)])
    write_chapters(Shared(possession, "", []), covered, tmp_path / "chapters.mp4")
    assert brightness(tmp_path / "chapters.mp4") < 100
