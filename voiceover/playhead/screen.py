"""The playhead of a narrated screen recording, found by its picture."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

import cv2
from threadpoolctl import threadpool_limits

from voiceover.errors import PlayheadError
from voiceover.media.frames import LumaFrame, iter_luma, iter_luma_at
from voiceover.media.probe import MediaInfo, probe
from voiceover.playhead.screen_bank import ClipBank, Region, Thumbnailer, build_bank, shrink
from voiceover.playhead.screen_locate import CANVAS_WIDTH, Locator, Target
from voiceover.playhead.screen_rows import SeenLog, rows_of
from voiceover.playhead.screen_scan import Scanner, first_look
from voiceover.playhead.screen_stretch import find_stretch
from voiceover.playhead.stretch import LONG_S
from voiceover.playhead.track import PlayheadTrack

Progress = Callable[[float, float], None]
"""Told (seconds done, seconds in all), counted over the clips and the recording together."""

# Frames of the recording that are looked at before it is read: one every few seconds, and more where those show nothing.
FIRST_FRAMES = 40
MORE_FRAMES = 120


def find_screen_playhead(
    recording: Path,
    clips: Sequence[Path],
    *,
    from_clip_s: float | None = None,
    to_clip_s: float | None = None,
    progress: Progress | None = None,
) -> PlayheadTrack:
    """Find where one or several clips stand at each moment of a screen recording.

    Args:
        recording: a video of the screen on which the clip is played, paused, rewound, drawn on.
        clips: the raw clips.
        from_clip_s: begin of the stretch of a long clip that is talked about, seconds of clip time; only with one clip. Without it
            and `to_clip_s`, the stretch of a clip over ten minutes is found.
        to_clip_s: its end, seconds of clip time.
        progress: told (done, total) in seconds of video to read.
    Returns:
        Rows with source "screen". `clip_s` is None while no clip is on screen; where the pictures leave it open,
        confidence is below 0.5 and tolerance_s spans what is possible. Row `clip` is the file name where there are several.
    Raises:
        MediaError: a file cannot be read or has no moving picture.
        PlayheadError: no clip is in the recording, or the stretch is empty, too long or not found.
        ValueError: no clips, or a stretch with several clips.
    """
    if not clips:
        raise ValueError("at least one clip")
    if len(clips) > 1 and (from_clip_s is not None or to_clip_s is not None):
        raise ValueError("from_clip_s and to_clip_s go with one clip")
    info = probe(recording, need_picture=True)
    with _one_thread():
        lengths = [probe(clip, need_picture=True).duration_s for clip in clips]
        if len(clips) == 1 and from_clip_s is None and to_clip_s is None and lengths[0] > LONG_S:
            stretch = find_stretch(recording, clips[0], info=info, progress=_shift(progress, 0.0, lengths[0] + info.duration_s))
            if stretch is None:
                raise PlayheadError(
                    f"{recording}: too little of {clips[0].name} ({lengths[0] / 60:.0f} minutes) is recognised in it to say which stretch it"
                    " shows; name the stretch that is talked about with --from and --to"
                )
            from_clip_s, to_clip_s = stretch
        if len(clips) == 1:
            lengths = [max(0.0, min(lengths[0], to_clip_s or lengths[0]) - (from_clip_s or 0.0))]
        total_s = sum(lengths) + info.duration_s
        banks: list[ClipBank] = []
        done_s = 0.0
        for i, clip in enumerate(clips):
            banks.append(build_bank(clip, i, from_s=from_clip_s, to_s=to_clip_s, progress=_shift(progress, done_s, total_s)))
            done_s += lengths[i]
        locator = Locator(banks)
        targets = _first_targets(recording, info, locator)
        if not targets:
            raise PlayheadError(_not_found(recording, clips))
        scanner = Scanner(banks, locator, targets)
        log = SeenLog()
        for seen in scanner.scan(iter_luma(recording, info=info), _shift(progress, done_s, total_s)):
            log.append(seen)
        track = rows_of(log, banks, info.duration_s)
    if not track.rows:
        raise PlayheadError(_not_found(recording, clips))
    return track


def _not_found(recording: Path, clips: Sequence[Path]) -> str:
    names = " or ".join(clip.name for clip in clips)
    return f"{recording}: {names} is not seen in it; name the clip that is played there, or give the playhead as a file, or write --playhead none"


def _shift(progress: Progress | None, done_s: float, total_s: float) -> Callable[[float], None] | None:
    if progress is None:
        return None
    return lambda s: progress(min(total_s, done_s + s), total_s)


def _first_targets(recording: Path, info: MediaInfo, locator: Locator) -> list[Target]:
    """Where clips sit, by a look at some frames that are stored whole; empty where none is seen."""
    size: tuple[int, int] | None = None
    targets: list[Target] = []
    for count in (FIRST_FRAMES, MORE_FRAMES):
        times = [(i + 0.5) * info.duration_s / count for i in range(count)]
        frames: list[LumaFrame] = []
        for frame in iter_luma_at(recording, times, info=info):
            size = (frame.luma.shape[0], frame.luma.shape[1])
            frames.append(LumaFrame(frame.time_s, shrink(frame.luma, CANVAS_WIDTH), True))
        targets = first_look(locator, frames)
        if targets:
            break
    if size is None:
        return targets
    return [_enlarge(t, size) for t in targets]


def _enlarge(target: Target, canvas: tuple[int, int]) -> Target:
    small = target.thumbnailer.canvas
    zoom_y, zoom_x = canvas[0] / small[0], canvas[1] / small[1]
    r = target.region
    region = Region(r.x * zoom_x, r.y * zoom_y, r.width * zoom_x, r.height * zoom_y)
    thumbnailer = Thumbnailer(region, canvas, target.bank.size)
    return replace(target, region=region, thumbnailer=thumbnailer)


@contextmanager
def _one_thread() -> Iterator[None]:
    """OpenCV and BLAS on one thread: pictures this small only lose by sharing, and the decoder needs the other cores.

    BLAS threads that wait for work spin: they doubled the CPU time of a 1080p recording.
    """
    before = cv2.getNumThreads()
    cv2.setNumThreads(1)
    try:
        with threadpool_limits(1, user_api="blas"):
            yield
    finally:
        cv2.setNumThreads(before)
