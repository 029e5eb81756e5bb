"""The possession log: one row for each possession, principle and player, and what was counted against what was said."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from voiceover.lexicon.model import Lexicon
from voiceover.mentions.model import STATUSES, Mention
from voiceover.playhead.track import ClipInstant, PlayheadTrack
from voiceover.possessions import Possession

# A possession's clip time is taken from its calls with this much room, so that one call is not a point. Guess, not measured.
CALL_ROOM_S = 0.5


@dataclass(frozen=True, slots=True)
class LogRow:
    """One possession, principle and player, from all mentions of it."""

    possession: int | None
    """Number of the possession; None for what was announced at the opening and never shown."""
    principle_id: str
    principle: str
    family: str
    player: str
    role: str
    status: str
    """The best of its mentions: executed, else attempted, else missed, else announced."""
    executed: int
    """How many mentions say that it was executed; likewise attempted and missed."""
    attempted: int
    missed: int
    clip_s: float | None
    """Where the clip stood when it was pointed out; None without a playhead or with no clip on screen."""
    narration_s: float
    """When it was said."""
    quote: str
    mentions: int
    confidence: float
    """Of the surest mention, 0..1."""
    tolerance_s: float
    """How far clip_s may be off to either side."""
    reviewed: bool = False
    withheld: bool = False
    """Kept back from everything outgoing, because all its mentions are."""


RowKey = tuple[int | None, str, str, str]


def row_key(m: Mention | LogRow) -> RowKey:
    """What the mentions of one row have in common: possession, principle, player and role."""
    return (m.possession, m.principle_id, m.player, m.role)


def build_log(
    mentions: Sequence[Mention], lexicon: Lexicon, playhead: PlayheadTrack | None, *, before: Iterable[LogRow] = ()
) -> list[LogRow]:
    """Make the rows, in order of possession and of narration time.

    Mentions outside all possessions give no row, but for what was announced at the opening and never shown,
    and what a reviewer put there.

    Args:
        before: rows that were made with the lexicon that found the mentions: they name the principles that `lexicon` does not have.
    """
    groups: dict[RowKey, list[Mention]] = {}
    for m in mentions:
        if m.possession is None and m.status != "announced" and not m.reviewed:
            continue
        groups.setdefault(row_key(m), []).append(m)
    named = named_in(before)
    rows = [_row(group, name_and_family(group[0].principle_id, lexicon, named), playhead) for group in groups.values()]
    return sorted(rows, key=lambda r: (r.possession is not None, r.possession or 0, r.narration_s))


def named_in(rows: Iterable[LogRow]) -> dict[str, tuple[str, str]]:
    """Name and family of each principle of some rows, by its id."""
    return {r.principle_id: (r.principle, r.family) for r in rows}


def name_and_family(principle_id: str, lexicon: Lexicon, named: Mapping[str, tuple[str, str]]) -> tuple[str, str]:
    """What a principle is called and the id of its family: by the lexicon, else as it was named before, else its id and no family."""
    principle = lexicon.find(principle_id)
    return named.get(principle_id, (principle_id, "")) if principle is None else (principle.name, principle.family)


def _row(group: list[Mention], called: tuple[str, str], playhead: PlayheadTrack | None) -> LogRow:
    status = min((m.status for m in group), key=STATUSES.index)
    # The times are the call's: a preview is said before the play, a recap after it.
    shown = [m for m in group if m.kind == "call"] or [m for m in group if m.kind == "recap"] or group
    head = min((m for m in shown if m.status == status), key=lambda m: m.start_narration_s, default=shown[0])
    at = instant(playhead, head.start_narration_s)
    put = next((m.set_clip_s for m in [head, *group] if m.set_clip_s is not None), None)
    first = group[0]
    return LogRow(
        first.possession,
        first.principle_id,
        *called,
        first.player,
        first.role,
        status,
        sum(m.status == "executed" for m in group),
        sum(m.status == "attempted" for m in group),
        sum(m.status == "missed" for m in group),
        put if put is not None else at.clip_s if at else None,
        head.start_narration_s,
        head.quote,
        len(group),
        max(m.confidence for m in group),
        at.tolerance_s if at and put is None else 0.0,
        all(m.reviewed for m in group),
        all(m.withheld for m in group),
    )


def instant(playhead: PlayheadTrack | None, narration_s: float) -> ClipInstant | None:
    """Where the clip stands, or None without a playhead."""
    return playhead.narration_to_clip(narration_s) if playhead else None


def possession_clip_times(
    possession: Possession, mentions: Iterable[Mention], playhead: PlayheadTrack | None
) -> tuple[float | None, float | None]:
    """First and last clip second of a possession, from where the clip stood at its calls; (None, None) without a playhead.

    A possession without calls takes the clip time shown while it was talked about.
    """
    if playhead is None:
        return None, None
    calls = [m.start_narration_s for m in mentions if m.possession == possession.number and m.kind == "call"]
    at = [i.clip_s for i in (playhead.narration_to_clip(s) for s in calls) if i]
    if not at:
        for start, end, row in playhead.stretches(possession.start_narration_s, possession.end_narration_s):
            if row.clip_s is not None:
                at += [row.clip_s + row.rate * (t - row.narration_s) for t in (start, end)]
        return (max(0.0, min(at)), max(0.0, max(at))) if at else (None, None)
    return max(0.0, min(at) - CALL_ROOM_S), max(at) + CALL_ROOM_S
