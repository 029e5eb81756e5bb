"""What the coach says he counted, against what the log holds, with each difference explained."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from voiceover.claims import claims
from voiceover.mentions.parse import ParsedTalk
from voiceover.possession_log import LogRow
from voiceover.possessions import Possession

# The clip's length as said may be off by a second (design: "against the clip, within 1 s").
DURATION_TOLERANCE_S = 1.0


@dataclass(frozen=True, slots=True)
class Total:
    """One count that was said."""

    what: str
    """possessions, principles or duration_s."""
    said: float
    found: float | None
    """What the log or the clip has; None where it can't be known (no clip)."""
    agrees: bool | None
    narration_s: float
    quote: str
    why: str
    """One line that explains the difference; empty where they agree."""


def find_totals(
    talk: ParsedTalk, possessions: Sequence[Possession], rows: Sequence[LogRow], *, clip_duration_s: float | None
) -> list[Total]:
    """Find the counts in the talk and judge each.

    Args:
        clip_duration_s: length of the clip, or of the stretch of it; None where unknown.
    """
    return [_judge(c.what, c.value, c.narration_s, c.quote, possessions, rows, clip_duration_s) for c in claims(talk, possessions)]


def judge_again(
    totals: Sequence[Total], possessions: Sequence[Possession], rows: Sequence[LogRow], clip_duration_s: float | None
) -> list[Total]:
    """The same counts against another log."""
    return [_judge(t.what, t.said, t.narration_s, t.quote, possessions, rows, clip_duration_s) for t in totals]


def _judge(
    what: str, said: float, narration_s: float, quote: str, possessions: Sequence[Possession], rows: Sequence[LogRow],
    clip_duration_s: float | None,
) -> Total:  # fmt: skip
    if what == "duration_s":
        agrees = None if clip_duration_s is None else abs(said - clip_duration_s) <= DURATION_TOLERANCE_S
        why = ""
        if agrees is None:
            why = "No clip was given, so its length can't be checked."
        elif not agrees:
            why = f"You said {said:g} s; the clip is {clip_duration_s:.1f} s long."
        return Total(what, said, clip_duration_s, agrees, narration_s, quote, why)
    if what == "possessions":
        count = float(len(possessions))
        return Total(what, said, count, said == count, narration_s, quote, _why_possessions(said, possessions, rows))
    counted = {r.principle_id for r in rows if r.possession is not None and r.status != "missed"}
    found = float(len(counted))
    return Total(what, said, found, said == found, narration_s, quote, _why_principles(said, counted, rows))


def _why_possessions(said: float, possessions: Sequence[Possession], rows: Sequence[LogRow]) -> str:
    found = len(possessions)
    if said == found:
        return ""
    if said < found:
        used = {r.possession for r in rows}
        thin = [p for p in possessions if p.number not in used] or [
            min(possessions, key=lambda p: sum(r.possession == p.number for r in rows))
        ]
        which = ", ".join(f"{p.number} ('{_short(p.quote)}')" for p in thin)
        return f"You said {said:g}; the log has {found}. The one with least in it is {which}."
    longest = max(possessions, key=lambda p: p.end_narration_s - p.start_narration_s, default=None)
    if longest is None:
        return f"You said {said:g}; no possession was found."
    return f"You said {said:g}; the log has {found}. Two may be joined in possession {longest.number}, the longest."


def _why_principles(said: float, counted: set[str], rows: Sequence[LogRow]) -> str:
    if said == len(counted):
        return ""
    missed = sorted({r.principle for r in rows if r.status == "missed" and r.principle_id not in counted})
    unsure = sorted((r for r in rows if r.principle_id in counted), key=lambda r: r.confidence)
    text = f"You said {said:g}; the log has {len(counted)}"
    if said > len(counted):
        if missed:
            return f"{text}, and {_names(missed)}, only missed, {'is' if len(missed) == 1 else 'are'} not counted."
        return f"{text}. Nothing is missed only; a principle may have been told in words that were not understood."
    surplus = int(len(counted) - said)
    others = sorted({r.principle for r in rows if r.role != "focus" and r.principle_id in counted})
    if others and len(others) >= surplus:
        return f"{text}. Not done by the player in focus: {_names(others)}."
    least = list(dict.fromkeys(r.principle for r in unsure))[: max(1, surplus)]
    return f"{text}. The least sure: {_names(least)}."


def _names(names: Sequence[str]) -> str:
    shown = [f"*{n}*" for n in names[:4]]
    more = f" and {len(names) - 4} more" if len(names) > 4 else ""
    return ", ".join(shown) + more


def _short(text: str, length: int = 40) -> str:
    return text if len(text) <= length else text[: length - 1].rstrip() + "…"
