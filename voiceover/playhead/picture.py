"""A found playhead for the eye: its track as a picture, and pairs of recording and clip frames side by side."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np

from voiceover.errors import OutputError
from voiceover.media.frames import colour_at
from voiceover.playhead.track import LOW_CONFIDENCE, PlayheadTrack

# Pairs on a contact sheet: what a page holds at a size that can be read.
MOST_PAIRS = 12


def draw_track(track: PlayheadTrack, duration_narration_s: float, path: Path) -> None:
    """Draw recording time against clip time; pauses are level, rewinds drop, what is unsure is shaded.

    Args:
        duration_narration_s: length of the recording, seconds.
        path: PNG or SVG to write.
    Raises:
        OutputError: it cannot be written.
    """
    from matplotlib.figure import Figure

    figure = Figure(figsize=(10, 4), layout="constrained")
    axes = figure.subplots()
    for start, end, row in track.stretches(0.0, duration_narration_s):
        if row.clip_s is None:
            continue
        clip = [row.clip_s + row.rate * (t - row.narration_s) for t in (start, end)]
        axes.plot([start, end], clip, color="0.1", linewidth=1.6 if row.rate else 3.0, solid_capstyle="butt")
        if row.confidence is not None and row.confidence < LOW_CONFIDENCE:
            axes.axvspan(start, end, color="0.85", linewidth=0)
    axes.set(xlabel="recording, s", ylabel="clip, s", xlim=(0, duration_narration_s))
    # From where the clip is shown, not from its begin: a stretch of a whole game would be a line at the top.
    axes.set_ylim(bottom=max(0.0, axes.get_ylim()[0]))
    axes.set_title("where the clip stands (level and thick: paused; shaded: unsure)", fontsize=9)
    _save(figure, path)


def draw_pairs(recording: Path, clip: Path, track: PlayheadTrack, moments_narration_s: Sequence[float], path: Path) -> int:
    """Draw what the recording shows at some moments beside the clip's frame at the clip time found for it.

    Args:
        moments_narration_s: seconds of the recording; those without a clip on screen are left out, and so are all but
            MOST_PAIRS, evenly.
        path: PNG to write; nothing is written where no moment is left.
    Returns:
        How many pairs were drawn.
    Raises:
        MediaError: a file cannot be read.
        OutputError: the picture cannot be written.
    """
    from matplotlib.figure import Figure

    at = [(t, instant.clip_s) for t in sorted(moments_narration_s) if (instant := track.narration_to_clip(t)) is not None]
    if len(at) > MOST_PAIRS:
        at = [at[i] for i in np.linspace(0, len(at) - 1, MOST_PAIRS).round().astype(int)]
    if not at:
        return 0
    shown = colour_at(recording, [t for t, _ in at])
    meant = colour_at(clip, [clip_s for _, clip_s in at])
    figure = Figure(figsize=(8, 2.3 * len(at)), layout="constrained")
    cells = figure.subplots(len(at), 2, squeeze=False)
    for row, (narration_s, clip_s) in enumerate(at):
        for cell, frame, title in zip(
            cells[row], (shown[row], meant[row]), (f"recording {narration_s:.2f} s", f"clip {clip_s:.2f} s"), strict=True
        ):
            if frame is not None:
                cell.imshow(frame.rgb)
            cell.set_title(title, fontsize=8)
            cell.set_axis_off()
    _save(figure, path)
    return len(at)


def _save(figure: object, path: Path) -> None:
    try:
        figure.savefig(path, dpi=110)  # type: ignore[attr-defined]
    except (OSError, ValueError) as error:
        raise OutputError(f"{path}: cannot be written ({error}); choose another place, ending in .png") from error
