"""Which moments of the clip go into a film, and with what words."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from voiceover.breakdown import Breakdown
from voiceover.errors import OptionError
from voiceover.media.audio import SAMPLE_RATE, Samples
from voiceover.possession_log import LogRow
from voiceover.reports.film import TALK_RATE, Caption, Shot, clip_sound
from voiceover.reports.privacy import Shared

# A moment that was talked about on one standing picture is shown from so much before it to so much after it, seconds.
LEAD_S, TAIL_S = 3.0, 2.0
# Room around the words of a possession, seconds of the talk.
TALK_ROOM_S = 0.4


@dataclass(frozen=True, slots=True)
class MomentFilter:
    """Which rows; what is empty does not count."""

    principles: tuple[str, ...] = ()
    """Ids or display names."""
    player: str = ""
    """Part of a name, or a role: focus, teammate, opponent."""
    statuses: tuple[str, ...] = ()

    def fits(self, row: LogRow) -> bool:
        """Whether a row is wanted; what was only announced has no moment."""
        named = {row.principle_id.lower(), row.principle.lower()}
        return (
            row.clip_s is not None and row.possession is not None and row.status != "announced"
            and (not self.principles or any(p.lower() in named for p in self.principles))
            and (not self.player or self.player.lower() in row.player.lower() or self.player.lower() == row.role)
            and (not self.statuses or row.status in self.statuses)
        )  # fmt: skip


def moments(
    shared: Shared, clip: Path, wanted: MomentFilter, *, lead_s: float = LEAD_S, tail_s: float = TAIL_S, sound: str = "clip",
    voice: Samples | None = None, captions: bool = True,
) -> list[Shot]:  # fmt: skip
    """The shots of the rows that fit, in order of the clip; rows of one moment are one shot.

    Args:
        shared: the breakdown as it may go out.
        clip: its clip.
        lead_s: shown before the moment, seconds of the clip.
        tail_s: shown after it.
        sound: clip, talk or none.
        voice: for `talk`, the narration without names, 16 kHz from narration zero.
    Raises:
        OptionError: no row fits, or the talk is wanted and not given.
    """
    b = shared.breakdown
    track = b.track()
    rows = sorted((r for r in b.log if wanted.fits(r)), key=lambda r: r.clip_s or 0.0)
    if not rows:
        raise OptionError("no moment with a clip time fits; loosen --principle, --player or --status")
    if sound == "talk" and voice is None:
        raise OptionError("the talk goes under a film only after its names were silenced; run `voiceover silence-names` and listen first")
    start_clip_s = b.from_clip_s or 0.0
    end_clip_s = start_clip_s + b.clip_duration_s if b.clip_duration_s else float("inf")
    groups: list[list[LogRow]] = []
    for row in rows:
        if groups and (row.clip_s or 0.0) - (groups[-1][-1].clip_s or 0.0) < 0.5 and len(groups[-1]) < 3:
            groups[-1].append(row)
        else:
            groups.append([row])
    shots = []
    for group in groups:
        first, last = group[0].clip_s or 0.0, group[-1].clip_s or 0.0
        heads = [
            next((m for m in b.mentions if m.principle_id == r.principle_id and m.start_narration_s == r.narration_s), None) for r in group
        ]
        ends = [track.narration_to_clip(m.end_narration_s) if track and m else None for m in heads]
        last = max([last, *(e.clip_s for e in ends if e is not None and e.clip_s - last < 10)])
        # Not beyond the stretch that was talked about, unless the moment itself is.
        earliest, latest = min(start_clip_s, first), max(end_clip_s, last)
        start, end = max(earliest, first - lead_s), min(latest, last + tail_s)
        words = " ".join(f"“{r.quote}”" for r in group)
        title = ", ".join(f"{r.principle}: {r.status}" for r in group)
        under = None
        if sound == "clip":
            under = clip_sound(clip, start, end)
        elif sound == "talk" and voice is not None:
            under = _piece(
                voice, group[0].narration_s - 0.3, (heads[-1].end_narration_s if heads[-1] else group[-1].narration_s + 3.0) + 0.5
            )
            end = min(latest, max(end, start + len(under) / SAMPLE_RATE))
        shots.append(Shot(clip, start, end, title, (Caption(0.0, end - start, words),) if captions else (), under))
    return shots


def possession_shot(shared: Shared, clip: Path, number: int, *, voice: Samples | None = None, captions: bool = True) -> Shot | None:
    """A possession as the coach went over it: the clip with his pauses and rewinds, his words as captions; None without clip times."""
    b = shared.breakdown
    track = b.track()
    if track is None:
        return None
    possession = next((p for p in b.possessions if p.number == number), None)
    calls = [m for m in b.mentions if m.possession == number]
    if possession is None or not calls:
        return None
    start_s = max(0.0, min(m.start_narration_s for m in calls) - TALK_ROOM_S)
    end_s = max(m.end_narration_s for m in calls) + TALK_ROOM_S
    times: list[float] = []
    for i in range(int((end_s - start_s) * TALK_RATE)):
        at = track.narration_to_clip(start_s + i / TALK_RATE)
        times.append(at.clip_s if at is not None else times[-1] if times else possession_start(b, number))
    words = _captions(b, start_s, end_s) if captions else ()
    under = _piece(voice, start_s, end_s) if voice is not None else None
    return Shot(clip, min(times), max(times), "", words, under, tuple(times))


def possession_start(b: Breakdown, number: int) -> float:
    """First clip second of a possession; 0 where it is not known."""
    start = b.possession_clip_times[number - 1][0] if number <= len(b.possession_clip_times) else None
    return start or 0.0


def _captions(b: Breakdown, start_s: float, end_s: float) -> tuple[Caption, ...]:
    return tuple(
        Caption(s.start_narration_s - start_s, s.end_narration_s - start_s + 0.3, s.text)
        for s in b.transcript().sentences()
        if s.end_narration_s > start_s and s.start_narration_s < end_s
    )


def _piece(voice: Samples, start_s: float, end_s: float) -> Samples:
    first, last = max(0, round(start_s * SAMPLE_RATE)), min(len(voice), round(end_s * SAMPLE_RATE))
    piece: Samples = np.ascontiguousarray(voice[first:last])
    return piece


def shots_of(shared: Shared, clip: Path, numbers: Sequence[int], voice: Samples | None) -> dict[int, Shot]:
    """The possessions that have a shot, by number."""
    found = ((n, possession_shot(shared, clip, n, voice=voice)) for n in numbers)
    return {n: shot for n, shot in found if shot is not None}
