"""One playhead from several sources: at each moment the surest one holds."""

from __future__ import annotations

import bisect
from collections.abc import Sequence
from dataclasses import replace

from voiceover.playhead.spoken import TOLERANCE_S, SpokenTime
from voiceover.playhead.track import LOW_CONFIDENCE, PlayheadRow, PlayheadTrack

# A spoken time is right to a second or two, and nothing says how the clip goes on from there. Guess, not measured.
SPOKEN_CONFIDENCE = 0.3
# Rows that continue each other within this, seconds, are one.
SAME_S = 1e-6
# Sound and picture are right to a frame each; further apart than this, seconds, one of them is wrong.
AGREE_S = 0.25
# For so long they must differ to be worth a word, seconds.
DIFFER_S = 1.0


def merge_playheads(tracks: Sequence[PlayheadTrack]) -> PlayheadTrack:
    """Join tracks of different sources into one.

    At each moment the row with the best standing holds: user, then recorded, then what a picture shows for sure (also that no clip is
    on screen), then sound, then what a picture leaves open, then a spoken time; a spoken time comes before a picture that is less
    exact than itself; of equals the later track. A user's row holds until the next row of his, or until another source has a new row (the clip jumps, pauses
    or runs on), whichever comes first; a spoken time, and sound that cannot tell, are no such rows. Where no source knows
    anything, the joined track has a row without `clip_s`.
    """
    tracks = [t for t in tracks if t.rows]
    if len(tracks) < 2:
        return tracks[0] if tracks else PlayheadTrack(())
    moments = sorted({row.narration_s for track in tracks for row in track.rows})
    out: list[PlayheadRow] = []
    for at in moments:
        now = [row for track in tracks if (row := _row_at(track, at)) is not None]
        held = [row for row in now if not _is_over(row, tracks, at)]
        # Where nothing is held the row that knows nothing is taken over, or the one before would go on.
        row = _advanced(max(reversed(held or [row for row in now if _knows_nothing(row)]), key=_standing), at)
        if not out or not _continues(out[-1], row):
            out.append(row)
    return PlayheadTrack(tuple(out))


def spoken_track(spoken: Sequence[SpokenTime]) -> PlayheadTrack:
    """Seconds of the clip that are named, as rows: each holds for the sentence in which it is said, nothing in between."""
    rows: list[PlayheadRow] = []
    for s in spoken:
        if s.kind != "clip" or (rows and s.from_narration_s < rows[-1].narration_s):
            continue
        rows.append(PlayheadRow(s.from_narration_s, s.value_s, 0.0, source="spoken", confidence=SPOKEN_CONFIDENCE, tolerance_s=TOLERANCE_S))
        rows.append(PlayheadRow(s.to_narration_s, None, 0.0, source="spoken"))
    return PlayheadTrack(tuple(rows))


def differences(seen: PlayheadTrack, heard: PlayheadTrack) -> list[str]:
    """Where the sound says something else than the picture, one line each."""
    out = []
    for i, row in enumerate(heard.rows):
        end_s = heard.rows[i + 1].narration_s if i + 1 < len(heard.rows) else row.narration_s + DIFFER_S
        middle_s = (row.narration_s + end_s) / 2
        at, by_sound = seen.narration_to_clip(middle_s), heard.narration_to_clip(middle_s)
        if at is None or by_sound is None or row.rate == 0 or end_s - row.narration_s < DIFFER_S:
            continue
        sure = at.confidence is None or at.confidence >= LOW_CONFIDENCE
        if sure and abs(at.clip_s - by_sound.clip_s) > AGREE_S:
            minutes, seconds = divmod(int(middle_s), 60)
            out.append(
                f"At {minutes}:{seconds:02d} the picture shows second {at.clip_s:.1f} of the clip and its sound is that of second"
                f" {by_sound.clip_s:.1f}; the picture was taken. Sound that runs late in the recording is one cause."
            )
    return out


def _row_at(track: PlayheadTrack, at: float) -> PlayheadRow | None:
    i = bisect.bisect_right(track.rows, at, key=lambda row: row.narration_s) - 1
    return track.rows[i] if i >= 0 else None


def _is_over(row: PlayheadRow, tracks: Sequence[PlayheadTrack], at: float) -> bool:
    """Whether a row says nothing more: a user's row after which something happened, or a source that knows nothing now."""
    if row.source == "user":
        return any(row.narration_s < other.narration_s <= at for t in tracks for other in t.rows if _is_event(other))
    return _knows_nothing(row)


def _is_event(row: PlayheadRow) -> bool:
    """Whether a row says that the clip jumps, pauses or runs on: what is spoken only says where it stands."""
    return row.source not in ("user", "spoken") and not _knows_nothing(row)


def _knows_nothing(row: PlayheadRow) -> bool:
    return row.clip_s is None and row.source in ("sound", "spoken")


def _standing(row: PlayheadRow) -> float:
    sure = row.confidence is None or row.confidence >= LOW_CONFIDENCE
    if row.source == "spoken":
        return 1.0
    if row.source == "screen" and not sure:
        return 2.0 if row.tolerance_s <= TOLERANCE_S else 0.5
    return {"sound": 3.0, "screen": 4.0, "recorded": 5.0, "user": 6.0}[row.source]


def _advanced(row: PlayheadRow, at: float) -> PlayheadRow:
    clip_s = None if row.clip_s is None else row.clip_s + row.rate * (at - row.narration_s)
    return replace(row, narration_s=at, clip_s=clip_s)


def _continues(before: PlayheadRow, row: PlayheadRow) -> bool:
    expected = _advanced(before, row.narration_s)
    if (expected.clip_s is None) != (row.clip_s is None):
        return False
    near = expected.clip_s is None or row.clip_s is None or abs(expected.clip_s - row.clip_s) <= SAME_S
    return near and replace(expected, clip_s=row.clip_s) == row
