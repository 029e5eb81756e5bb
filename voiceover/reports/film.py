"""Cuts of a clip joined to a film: exact to the frame, with titles, captions and sound.

A film is a list of shots. Each shot says which pictures of the clip are shown (a stretch of clip time, or the clip as the talk went over
it, with its pauses) and which sound lies under them.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from fractions import Fraction
from pathlib import Path
from typing import Any

import av
import numpy as np
from av.container import OutputContainer
from av.video.frame import VideoFrame

from voiceover.errors import MediaError
from voiceover.media.audio import SAMPLE_RATE, Samples, read_audio
from voiceover.media.playable import KEY_EVERY, TIME_BASE, upright
from voiceover.media.probe import open_media, probe
from voiceover.media.streams import picture_of
from voiceover.reports.lettering import captioned, title_card
from voiceover.whole_files import whole_file

QUALITY = 23
TITLE_S = 1.6
# A shot along the talk shows so many pictures a second.
TALK_RATE = 25
SOUND_HZ = 48_000

Progress = Callable[[float, float], None]


@dataclass(frozen=True, slots=True)
class Caption:
    """Words on the picture for a time of the shot, seconds from its beginning."""

    start_s: float
    end_s: float
    text: str


@dataclass(frozen=True, slots=True)
class Shot:
    """One piece of a film."""

    clip: Path
    start_clip_s: float
    end_clip_s: float
    title: str = ""
    captions: tuple[Caption, ...] = ()
    sound: Samples | None = None
    """float32 at 16 kHz, laid under the pictures; None for silence."""
    times_clip_s: tuple[float, ...] = field(default=())
    """Where the clip stands at each picture of TALK_RATE, for a shot along the talk; empty for the plain stretch."""


@dataclass(frozen=True, slots=True)
class ShotPlace:
    """Where a shot stands in the film, and which pictures of the clip it begins and ends with."""

    start_s: float
    end_s: float
    first_clip_s: float
    last_clip_s: float


def write_film(
    shots: Sequence[Shot],
    out: Path,
    *,
    max_width: int = 1280,
    titles: bool = True,
    quality: int = QUALITY,
    progress: Progress | None = None,
) -> list[ShotPlace]:
    """Write shots as one MP4; it appears when it is whole, and holds no place, device or date.

    Args:
        max_width: pixels; smaller clips stay as they are.
        titles: a card with the title before each shot that has one.
        quality: x264's scale, 0 best to 51.
        progress: told (shots done, shots in all).
    Raises:
        MediaError: a clip cannot be read, or a shot holds no picture.
        OutputError: the film cannot be written.
    """
    if not shots:
        raise MediaError("nothing to join: no moment fits; loosen the filter")
    size = _size(shots[0].clip, max_width)
    with whole_file(out) as unfinished, av.open(str(unfinished), "w", format="mp4", options={"movflags": "+faststart"}) as target:
        writer = _Writer(target, size, quality)
        places = []
        for i, shot in enumerate(shots):
            if titles and shot.title:
                writer.card(shot.title)
            places.append(writer.shot(shot))
            if progress:
                progress(i + 1, len(shots))
        writer.finish()
    return places


def clip_sound(clip: Path, start_clip_s: float, end_clip_s: float) -> Samples | None:
    """The clip's own sound of a stretch; None where it has none."""
    return read_audio(clip, from_s=start_clip_s, to_s=end_clip_s) if probe(clip).audio else None


class _Writer:
    """Puts pictures and sound on the film's one clock."""

    def __init__(self, target: OutputContainer, size: tuple[int, int], quality: int) -> None:
        self._target = target
        self._size = size
        options = {"crf": str(quality), "preset": "veryfast"}
        self._picture = target.add_stream("libx264", rate=30, options=options)
        self._picture.width, self._picture.height = size
        self._picture.pix_fmt = "yuv420p"
        self._picture.time_base = self._picture.codec_context.time_base = TIME_BASE
        self._picture.codec_context.max_b_frames = 0
        self._picture.codec_context.gop_size = KEY_EVERY * 4
        self._track: Any = target.add_stream("aac", rate=SOUND_HZ, layout="mono")
        self._at_s = 0.0
        self._last_pts = -1
        self._sound_samples = 0
        self._sound = np.zeros(0, np.float32)

    def card(self, title: str) -> None:
        """A title on its own."""
        picture = title_card(self._size, title)
        for i in range(int(TITLE_S * TALK_RATE)):
            self._put(picture, self._at_s + i / TALK_RATE)
        self._advance(TITLE_S, None)

    def shot(self, shot: Shot) -> ShotPlace:
        """The pictures of a shot, then its sound."""
        begin_s = self._at_s
        first = last = None
        length_s = 0.0
        pictures = _along_talk(shot) if shot.times_clip_s else _stretch(shot)
        for at_s, clip_s, frame in pictures:
            shown = frame.reformat(width=self._size[0], height=self._size[1], format="yuv420p")
            words = next((c.text for c in shot.captions if c.start_s <= at_s < c.end_s), "")
            self._put(captioned(shown, words) if words else shown, begin_s + at_s)
            first = clip_s if first is None else first
            last, length_s = clip_s, at_s
        if first is None or last is None:
            raise MediaError(
                f"{shot.clip}: no picture between {shot.start_clip_s:.3f} and {shot.end_clip_s:.3f} s; it is shorter than that"
            )
        whole_s = len(shot.times_clip_s) / TALK_RATE if shot.times_clip_s else max(length_s + 0.01, shot.end_clip_s - shot.start_clip_s)
        self._advance(whole_s, shot.sound)
        return ShotPlace(begin_s, self._at_s, first, last)

    def finish(self) -> None:
        """Write what the encoders still hold."""
        self._target.mux(self._picture.encode(None))
        self._target.mux(self._track.encode(None))

    def _put(self, frame: VideoFrame, at_s: float) -> None:
        pts = max(self._last_pts + 1, round(at_s * TIME_BASE.denominator))
        frame.pts, frame.time_base = pts, TIME_BASE
        frame.pict_type = 0
        self._last_pts = pts
        self._target.mux(self._picture.encode(frame))

    def _advance(self, seconds: float, sound: Samples | None) -> None:
        """Go on by some seconds, with sound or silence under them."""
        end = round((self._at_s + seconds) * SAMPLE_RATE)
        wanted = end - self._sound_samples
        piece = np.zeros(wanted, np.float32)
        if sound is not None:
            piece[: min(wanted, len(sound))] = sound[:wanted]
            fade = min(160, len(piece) // 2)
            if fade:
                ramp = np.linspace(0.0, 1.0, fade, dtype=np.float32)
                piece[:fade] *= ramp
                piece[-fade:] *= ramp[::-1]
        self._sound_samples = end
        self._at_s += seconds
        resampled = np.interp(np.arange(wanted * 3) / 3.0, np.arange(wanted), piece).astype(np.float32) if wanted else piece
        step = 1024
        self._sound = np.concatenate([self._sound, resampled])
        start = end * 3 - len(self._sound)
        while len(self._sound) >= step:
            frame = av.AudioFrame.from_ndarray(np.ascontiguousarray(self._sound[None, :step]), format="fltp", layout="mono")
            frame.sample_rate, frame.pts, frame.time_base = SOUND_HZ, start, Fraction(1, SOUND_HZ)
            self._target.mux(self._track.encode(frame))
            self._sound, start = self._sound[step:], start + step


def _stretch(shot: Shot) -> Iterator[tuple[float, float, VideoFrame]]:
    """(seconds of the shot, clip time, picture): the picture on screen at the start, and every one that appears before the end."""
    held: tuple[float, VideoFrame] | None = None
    for clip_s, frame in _frames(shot.clip, shot.start_clip_s):
        if clip_s > shot.start_clip_s + 1e-6 and held is not None:
            yield 0.0, held[0], held[1]
            held = None
        if clip_s >= shot.end_clip_s - 1e-6:
            return
        if clip_s <= shot.start_clip_s + 1e-6:
            held = (clip_s, frame)
        else:
            yield clip_s - shot.start_clip_s, clip_s, frame
    if held is not None:
        yield 0.0, held[0], held[1]


def _along_talk(shot: Shot) -> Iterator[tuple[float, float, VideoFrame]]:
    """The clip as the talk went over it: for each picture of the film the one on screen then."""
    wanted = shot.times_clip_s
    source: Iterator[tuple[float, VideoFrame]] | None = None
    shown: tuple[float, VideoFrame] | None = None
    following: tuple[float, VideoFrame] | None = None
    for i, clip_s in enumerate(wanted):
        if source is None or shown is None or clip_s < shown[0] - 1e-6 or clip_s > shown[0] + 2.0:
            source = _frames(shot.clip, clip_s)
            shown, following = next(source, None), None
            following = next(source, None)
        while following is not None and following[0] <= clip_s + 1e-6:
            shown, following = following, next(source, None)
        if shown is not None:
            yield i / TALK_RATE, shown[0], shown[1]


def _frames(path: Path, from_s: float) -> Iterator[tuple[float, VideoFrame]]:
    """The picture on screen at a moment and those after it, with their clip times, upright."""
    info = probe(path, need_picture=True)
    turned = bool(info.picture and info.picture.rotation)
    with open_media(path) as container:
        stream = picture_of(container)
        stream.thread_type = "AUTO"
        container.seek(max(0, round((from_s + info.zero_s) * av.time_base)), backward=True)
        held: tuple[float, VideoFrame] | None = None
        for frame in container.decode(stream):
            if frame.pts is None or frame.time_base is None:
                continue
            at_s = float(frame.pts * frame.time_base) - info.zero_s
            if held is not None and at_s > from_s + 1e-6:
                yield held[0], upright(held[1]) if turned else held[1]
                held = None
            if at_s <= from_s + 1e-6:
                held = (max(0.0, at_s), frame)
            else:
                yield at_s, upright(frame) if turned else frame
        if held is not None:
            yield held[0], upright(held[1]) if turned else held[1]


def _size(clip: Path, max_width: int) -> tuple[int, int]:
    picture = probe(clip, need_picture=True).picture
    assert picture is not None
    width, height = picture.shown_size
    if width > max_width:
        width, height = max_width, round(height * max_width / width)
    return width // 2 * 2, height // 2 * 2
