"""Still pictures of a clip as JPEG, without anything else of the file."""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction
from pathlib import Path

import av
from av.video.frame import VideoFrame

from voiceover.errors import MediaError
from voiceover.media.playable import upright
from voiceover.media.probe import open_media, probe
from voiceover.media.streams import picture_of

# Quality scale of FFmpeg's JPEG encoder, 2 best to 31: small files that still show a stick.
QUALITY = 6


def stills_at(path: Path, times_s: Sequence[float], *, width: int = 480) -> list[bytes | None]:
    """The picture on screen at each of some moments, as JPEG, past the end the last one; None where nothing can be decoded.

    Args:
        path: the clip.
        times_s: seconds of clip time, in any order.
        width: pixels; a smaller clip is not made larger.
    Raises:
        MediaError: it cannot be read or has no moving picture.
    """
    info = probe(path, need_picture=True)
    out: list[bytes | None] = []
    with open_media(path) as container:
        stream = picture_of(container)
        for wanted_s in times_s:
            shown: VideoFrame | None = None
            try:
                container.seek(max(0, round((wanted_s + info.zero_s) * av.time_base)), backward=True)
                for frame in container.decode(stream):
                    if frame.pts is None or frame.time_base is None:
                        continue
                    if shown is not None and float(frame.pts * frame.time_base) - info.zero_s > wanted_s + 1e-6:
                        break
                    shown = frame
            except (av.FFmpegError, OSError):
                pass  # a broken spot: this still is left out
            out.append(None if shown is None else jpeg(upright(shown), width))
    return out


def jpeg(frame: VideoFrame, width: int) -> bytes:
    """A picture as JPEG, at most `width` pixels wide.

    Raises:
        MediaError: it cannot be encoded.
    """
    width = min(width, frame.width) // 2 * 2
    height = max(2, round(frame.height * width / frame.width) // 2 * 2)
    encoder = av.CodecContext.create("mjpeg", "w")
    encoder.width, encoder.height, encoder.pix_fmt, encoder.time_base = width, height, "yuvj420p", Fraction(1, 25)
    encoder.options = {"qscale": str(QUALITY)}
    encoder.qmin = encoder.qmax = QUALITY
    small = frame.reformat(width=width, height=height, format="yuvj420p")
    small.pts, small.time_base = 0, Fraction(1, 25)
    packets = [*encoder.encode(small), *encoder.encode(None)]
    if not packets:
        raise MediaError("a still picture could not be encoded; report this with the clip's format")
    return b"".join(bytes(p) for p in packets)
