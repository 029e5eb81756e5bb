"""The stretch of a longer video that is talked about, held against the video."""

from __future__ import annotations

from pathlib import Path

from voiceover.errors import OptionError
from voiceover.media.probe import probe

# A longer clip, seconds, is not searched as a whole: ten minutes at 60 frames a second fill the memory of the bank of its pictures, and
# its sound is held as a whole against every window of the talk.
LONG_S = 600.0
# A player shows whole seconds, so an end may be named that lies so far behind the last picture.
PAST_END_S = 1.0


def stretch_of(clip: Path | None, from_clip_s: float | None, to_clip_s: float | None) -> tuple[float, float | None]:
    """Where the stretch that is talked about begins and ends, seconds of clip time; the end is None where nothing tells it.

    Args:
        clip: the video; None where none is at hand, and then the stretch is only checked in itself.
        from_clip_s: its begin as it was asked for; None for that of the clip.
        to_clip_s: its end as it was asked for; None for that of the clip.
    Raises:
        MediaError: the clip cannot be read or has no moving picture.
        OptionError: the stretch is empty, or does not lie within the clip.
    """
    duration_s = None if clip is None else probe(clip, need_picture=True).duration_s
    start_s = from_clip_s or 0.0
    for option, value_s in (("--from", from_clip_s), ("--to", to_clip_s)):
        if value_s is not None and not 0.0 <= value_s < float("inf"):
            raise OptionError(f"{option} {value_s:g}: is no second of a clip; write seconds from its beginning")
        if clip is not None and duration_s is not None and value_s is not None and value_s > duration_s + PAST_END_S:
            raise OptionError(f"{option} {value_s:g}: {clip} is only {duration_s:.1f} s long; write a second within it")
    if to_clip_s is not None and to_clip_s <= start_s:
        raise OptionError(f"--from {start_s:g} --to {to_clip_s:g}: the end is not after the start; swap them")
    if duration_s is None:
        return start_s, to_clip_s
    end_s = duration_s if to_clip_s is None else min(to_clip_s, duration_s)
    if end_s <= start_s:
        raise OptionError(f"--from {start_s:g}: {clip} ends there; write an earlier second")
    return start_s, end_s
