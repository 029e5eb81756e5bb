"""The picture of a video as brightness, frame by frame, on the clock that a browser shows for the file.

What goes wrong elsewhere and is kept right here: frame numbers in place of presentation times, a stream that starts late, edit
lists, variable frame rate, rotated phone files, 10-bit colour. Frames are found by decoding in order or by seeking to a
time, never by counting.
"""

from __future__ import annotations

import logging
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import av
import cv2
import numpy as np
import numpy.typing as npt
from av.container import InputContainer
from av.video.frame import VideoFrame
from av.video.stream import VideoStream

from voiceover.errors import MediaError
from voiceover.media.probe import REMEDY_UNREADABLE, MediaInfo, open_media, probe
from voiceover.media.streams import picture_of

Luma = npt.NDArray[np.uint8]

log = logging.getLogger(__name__)

DEFAULT_THREADS = 2
"""Decoder threads: more cost memory (each holds a frame of its own) and little is won on a laptop that also plays sound."""
# A time that is before zero by less than this is rounding of the container's time base (1 ms in Matroska), not an edit list.
BEFORE_ZERO_S = 0.002
# Without any timestamp (raw streams) and without a stated rate, this many frames per second are assumed.
ASSUMED_RATE = 25.0


@dataclass(frozen=True, slots=True)
class LumaFrame:
    """One frame of a video, brightness only."""

    time_s: float
    """When it appears, seconds on the file's own clock; it stays until the next one appears."""
    luma: Luma
    """uint8, shape (height, width) as shown (rotation applied). May be a view of the decoder's buffer: copy it to keep it."""
    is_key: bool = False
    """Whether the frame was stored whole."""


@dataclass(frozen=True, slots=True)
class ColourFrame:
    """One frame of a video in colour."""

    time_s: float
    """When it appears, seconds on the file's own clock."""
    rgb: npt.NDArray[np.uint8]
    """uint8, shape (height, width, 3), as shown."""


def iter_luma(
    path: Path | str,
    *,
    from_s: float | None = None,
    to_s: float | None = None,
    keyframes_only: bool = False,
    threads: int = DEFAULT_THREADS,
    info: MediaInfo | None = None,
) -> Iterator[LumaFrame]:
    """Decode the frames of a video in the order in which they are shown.

    Args:
        path: any video that FFmpeg reads.
        from_s: time on the file's clock to begin at, seconds; the frame that is on screen then comes first.
        to_s: frames that appear at or after this time are left out, seconds.
        keyframes_only: only frames that are stored whole; cheap, and every few seconds one.
        threads: decoder threads.
        info: the result of `probe`, where it is at hand.
    Yields:
        Frames with strictly rising times. A damaged packet is left out and logged.
    Raises:
        MediaError: the file cannot be read, has no moving picture, or nothing of it can be decoded.
    """
    path = Path(path)
    info = info or probe(path, need_picture=True)
    count = 0
    held: LumaFrame | None = None
    for time_s, frame in _frames(info, from_s, to_s, keyframes_only, threads):
        count += 1
        if from_s is not None and time_s < from_s and not keyframes_only:
            # It may be the one that is still on screen at from_s: keep it until the next one is known.
            held = LumaFrame(time_s, luma_of(frame).copy(), bool(frame.key_frame))
            continue
        if held is not None:
            if from_s is None or time_s > from_s:
                yield held
            held = None
        yield LumaFrame(time_s, luma_of(frame), bool(frame.key_frame))
    if held is not None:
        yield held
    if not count and (from_s is None or from_s <= 0.0):
        raise MediaError(f"{path}: no frame could be decoded from it; {REMEDY_UNREADABLE}")


def frame_times(path: Path | str, *, from_s: float | None = None, to_s: float | None = None) -> npt.NDArray[np.float64]:
    """When each frame appears, without decoding: float64, shape (n,), rising, seconds on the file's clock.

    Raises:
        MediaError: the file cannot be read or has no moving picture.
    """
    info = probe(Path(path), need_picture=True)
    times: list[float] = []
    with _open_stream(info) as (container, stream):
        for packet in container.demux(stream):
            if packet.pts is None or packet.time_base is None or packet.is_discard:
                continue
            time_s = float(packet.pts * packet.time_base) - info.zero_s
            if time_s > -BEFORE_ZERO_S and (from_s is None or time_s >= from_s) and (to_s is None or time_s < to_s):
                times.append(max(0.0, time_s))
    return np.unique(np.asarray(times, np.float64))


def iter_luma_at(path: Path | str, times_s: Sequence[float], *, info: MediaInfo | None = None) -> Iterator[LumaFrame]:
    """The frames that were stored whole at or before some rising times, by seeking; each only once, so there may be fewer."""
    path = Path(path)
    info = info or probe(path, need_picture=True)
    last_s = -1.0
    with _open_stream(info) as (container, stream):
        stream.codec_context.skip_frame = "NONKEY"
        for wanted_s in times_s:
            try:
                container.seek(max(0, round((wanted_s + info.zero_s) * av.time_base)), backward=True)
                frame = next(container.decode(stream))
            except (av.FFmpegError, StopIteration, OSError):
                continue  # a broken spot: there are others
            time_s = _time_s(frame, info)
            if time_s is not None and time_s > last_s:
                last_s = time_s
                yield LumaFrame(max(0.0, time_s), luma_of(frame), True)


def colour_at(path: Path | str, times_s: Sequence[float], *, max_width: int = 640) -> list[ColourFrame | None]:
    """The frame on screen at each of some times, in colour, at most `max_width` pixels wide; None past the end."""
    info = probe(Path(path), need_picture=True)
    out: list[ColourFrame | None] = []
    with _open_stream(info) as (container, stream):
        for wanted_s in times_s:
            shown: tuple[float, VideoFrame] | None = None
            try:
                container.seek(max(0, round((wanted_s + info.zero_s) * av.time_base)), backward=True)
                for frame in container.decode(stream):
                    time_s = _time_s(frame, info)
                    if time_s is None:
                        continue
                    if shown is not None and time_s > wanted_s + 1e-6:
                        break
                    shown = (time_s, frame)
            except (av.FFmpegError, OSError) as error:
                log.warning("%s: no frame at %.3f s (%s)", path, wanted_s, error)
            out.append(None if shown is None else ColourFrame(shown[0], _rgb(shown[1], max_width)))
    return out


def luma_of(frame: VideoFrame) -> Luma:
    """The brightness of a decoded frame: uint8, shape (height, width) as shown; a view of its buffer where possible."""
    name = frame.format.name
    planar_yuv = name.startswith(("yuv", "yuvj", "nv", "gray", "p0", "p2", "p4")) and "yuyv" not in name
    if not planar_yuv:
        frame = frame.reformat(format="gray")
        name = "gray"
    plane = frame.planes[0]
    bits = frame.format.components[0].bits
    luma: Luma
    if bits <= 8:
        raw = np.frombuffer(memoryview(plane), np.uint8)
        luma = raw[: plane.line_size * frame.height].reshape(frame.height, plane.line_size)[:, : frame.width]
    else:
        wide = np.frombuffer(memoryview(plane), np.dtype(">u2" if name.endswith("be") else "<u2"))
        stride = plane.line_size // 2
        wide = wide[: stride * frame.height].reshape(frame.height, stride)[:, : frame.width]
        shift = 8 if name.startswith(("p0", "p2", "p4")) else bits - 8  # P010 and its kin fill from the top
        luma = (wide >> shift).astype(np.uint8)
    turns = (int(frame.rotation) % 360) // 90
    return np.ascontiguousarray(np.rot90(luma, turns)) if turns else luma


def _rgb(frame: VideoFrame, max_width: int) -> npt.NDArray[np.uint8]:
    rgb: npt.NDArray[np.uint8] = frame.to_ndarray(format="rgb24").astype(np.uint8, copy=False)
    turns = (int(frame.rotation) % 360) // 90
    if turns:
        rgb = np.ascontiguousarray(np.rot90(rgb, turns))
    if rgb.shape[1] > max_width:
        size = (max_width, max(1, round(rgb.shape[0] * max_width / rgb.shape[1])))
        rgb = np.asarray(cv2.resize(rgb, size, interpolation=cv2.INTER_AREA), np.uint8)
    return rgb


def _frames(
    info: MediaInfo, from_s: float | None, to_s: float | None, keyframes_only: bool, threads: int
) -> Iterator[tuple[float, VideoFrame]]:
    last_s = -1.0
    rate = float(info.picture.rate) if info.picture and info.picture.rate else ASSUMED_RATE
    damaged = 0
    with _open_stream(info) as (container, stream):
        stream.thread_type = "AUTO"
        stream.codec_context.thread_count = threads
        tick_s = float(stream.time_base or 0)  # as a float once: two fractions a frame cost as much as a thumbnail
        if keyframes_only:
            stream.codec_context.skip_frame = "NONKEY"
        if from_s is not None and from_s > 0.0:
            container.seek(round((from_s + info.zero_s) * av.time_base), backward=True)
        try:
            for packet in container.demux(stream):
                try:
                    frames = packet.decode()
                except av.FFmpegError:
                    damaged += 1
                    continue
                for frame in frames:
                    time_s = None if frame.pts is None else frame.pts * tick_s - info.zero_s
                    if time_s is None:
                        time_s = last_s + 1.0 / rate if last_s >= 0.0 else 0.0
                    if time_s < -BEFORE_ZERO_S or time_s <= last_s:
                        continue  # before the edit list's beginning, or a time given twice
                    if to_s is not None and time_s >= to_s:
                        return
                    last_s = max(0.0, time_s)
                    yield last_s, frame
        except av.FFmpegError as error:
            log.warning("%s: broken after %.1f s of picture (%s)", info.path, max(0.0, last_s), error)
    if damaged:
        log.warning("%s: %d damaged packets of picture were left out", info.path, damaged)


def _time_s(frame: VideoFrame, info: MediaInfo) -> float | None:
    if frame.pts is None or frame.time_base is None:
        return None
    return float(frame.pts * frame.time_base) - info.zero_s


@contextmanager
def _open_stream(info: MediaInfo) -> Iterator[tuple[InputContainer, VideoStream]]:
    with open_media(info.path) as container:
        yield container, picture_of(container)
