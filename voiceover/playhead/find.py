"""The command find-playhead: a track as a file, with pictures for the eye to check."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from voiceover.errors import OptionError
from voiceover.media.probe import probe
from voiceover.playhead.picture import MOST_PAIRS, draw_pairs, draw_track
from voiceover.playhead.screen import find_screen_playhead
from voiceover.playhead.stretch import stretch_of
from voiceover.playhead.track import LOW_CONFIDENCE, PlayheadTrack, playhead_csv
from voiceover.whole_files import write_whole


@dataclass(frozen=True, slots=True)
class FoundPlayhead:
    """What was found, in short."""

    track: PlayheadTrack
    shown_s: float
    """Seconds of the recording with a clip on screen."""
    unsure_s: float
    """Of those, with low confidence."""
    pauses: int
    rewinds: int
    files: tuple[Path, ...]


def find_playhead(
    recording: Path, clips: Sequence[Path], out: Path, *, from_clip_s: float | None = None, to_clip_s: float | None = None,
    progress: Callable[[float, float], None] | None = None,
) -> FoundPlayhead:  # fmt: skip
    """Find the playhead of a screen recording and write it, its picture and, for one clip, a contact sheet beside it.

    Args:
        out: the playhead.csv to write; the pictures take its name with .png and -pairs.png.
        from_clip_s: begin of the stretch of a long clip that is talked about, seconds of clip time.
        to_clip_s: its end.
    Raises:
        MediaError: a file cannot be read or has no moving picture.
        OptionError: the stretch does not lie within the clip, or there are several clips.
        PlayheadError: no clip is seen in the recording.
        OutputError: a file cannot be written.
    """
    if len(clips) > 1 and (from_clip_s is not None or to_clip_s is not None):
        raise OptionError("--from and --to: go with one clip; leave them away, or name the one --clip that they are of")
    if len(clips) == 1:
        stretch_of(clips[0], from_clip_s, to_clip_s)
    track = find_screen_playhead(recording, clips, from_clip_s=from_clip_s, to_clip_s=to_clip_s, progress=progress)
    duration_s = probe(recording).duration_s
    files = [write_whole(out, playhead_csv(track.rows).encode()), out.with_suffix(".png")]
    draw_track(track, duration_s, files[1])
    if len(clips) == 1:
        pairs = out.with_name(out.stem + "-pairs.png")
        if draw_pairs(recording, clips[0], track, _middles(track, duration_s), pairs):
            files.append(pairs)
    parts = [(end - start, row) for start, end, row in track.stretches(0.0, duration_s) if row.clip_s is not None]
    return FoundPlayhead(
        track,
        sum(s for s, _ in parts),
        sum(s for s, row in parts if row.confidence is not None and row.confidence < LOW_CONFIDENCE),
        sum(row.rate == 0 for _, row in parts),
        sum(jump < 0 for _, jump in track.jumps()),
        tuple(files),
    )


def _middles(track: PlayheadTrack, duration_s: float) -> list[float]:
    """The middle of the longest stretches with a clip on screen."""
    parts = sorted((s - e, (s + e) / 2) for s, e, row in track.stretches(0.0, duration_s) if row.clip_s is not None)
    return sorted(middle for _, middle in parts[:MOST_PAIRS])
