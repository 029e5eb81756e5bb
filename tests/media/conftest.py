"""Recordings made on the spot, with PyAV alone: tones stand where a voice would."""

from __future__ import annotations

from collections.abc import Callable
from fractions import Fraction
from pathlib import Path

import av
import numpy as np
import pytest

RATE = 48_000


def tone(seconds: float, *, hz: float = 440.0, level: float = 0.3, rate: int = RATE) -> np.ndarray:
    """A sine, float32 of shape (n,)."""
    return (level * np.sin(2 * np.pi * hz * np.arange(round(seconds * rate)) / rate)).astype(np.float32)


def write_media(
    path: Path,
    *,
    audio: list[np.ndarray] | None = None,
    audio_start_s: float = 0.0,
    video_s: float = 0.0,
    video_times_s: list[float] | None = None,
    rate: int = RATE,
    codec: str = "pcm_s16le",
    hole_s: tuple[float, float] | None = None,
) -> Path:
    """Write a recording: sound tracks of shape (n,) or (channels, n), and a grey picture if `video_s` or times are given."""
    with av.open(str(path), "w") as out:
        picture = None
        if video_s or video_times_s:
            picture = out.add_stream("mpeg4", rate=25)
            picture.width, picture.height, picture.pix_fmt = 64, 48, "yuv420p"
            picture.time_base = picture.codec_context.time_base = Fraction(1, 1000)
        streams = []
        for samples in audio or []:
            stream = out.add_stream(codec, rate=rate)
            stream.layout = "stereo" if samples.ndim == 2 and len(samples) == 2 else "mono"
            streams.append((stream, np.atleast_2d(samples)))
        if picture is not None:
            for at_s in video_times_s or [i / 25 for i in range(round(video_s * 25))]:
                frame = av.VideoFrame.from_ndarray(np.full((48, 64, 3), int(at_s * 40) % 255, np.uint8), format="rgb24")
                frame = frame.reformat(format="yuv420p")
                frame.pts, frame.time_base = round(at_s * 1000), Fraction(1, 1000)
                out.mux(picture.encode(frame))
            out.mux(picture.encode(None))
        for stream, channels in streams:
            step = 1024
            for first in range(0, channels.shape[1], step):
                at_s = first / rate
                if hole_s and hole_s[0] <= at_s < hole_s[1]:
                    continue
                part = np.ascontiguousarray(channels[:, first : first + step])
                frame = av.AudioFrame.from_ndarray(part, format="fltp", layout=stream.layout.name)
                frame.sample_rate, frame.time_base = rate, Fraction(1, rate)
                frame.pts = first + round(audio_start_s * rate)
                packets = stream.encode(frame)
                out.mux(packets)
            out.mux(stream.encode(None))
    return path


@pytest.fixture
def make(tmp_path: Path) -> Callable[..., Path]:
    """Writes a recording of a given name into the test's own folder."""

    def write(name: str, **settings: object) -> Path:
        return write_media(tmp_path / name, **settings)  # type: ignore[arg-type]

    return write
