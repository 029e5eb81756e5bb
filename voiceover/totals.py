"""What the coach says he counted, against what the log holds, with each difference explained."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

from voiceover.mentions.numbers import number_at
from voiceover.mentions.parse import ParsedTalk
from voiceover.possession_log import LogRow
from voiceover.possessions import UNITS, Possession, plural

# The clip's length as said may be off by a second (design: "against the clip, within 1 s").
DURATION_TOLERANCE_S = 1.0
_POSSESSIONS = rf"(?:{'|'.join(f'{u}|{plural(u)}' for u in UNITS if u != 'bit')}|bites|ones)"
_PRINCIPLES = (
    r"(?:principle|principles|thing|things|habit|habits|concept|concepts|skill|skills|detail|details|point|points|items?|ideas?|"
    r"ticks?|marks?|boxes|notes|lessons?|topics?|bits|elements|pieces|teaching points)"
)
_DURATION = r"(?:seconds?|secs?)"
# From this share of the talk on, a sentence that sums up counts as closing wherever the possessions were thought to end.
CLOSING_SHARE = 0.7
_SUMS_UP = re.compile(
    r"^(?:so|okay so|and so|that's|that makes|all in all|altogether|in total|i (?:had|have|count|counted|got)|you (?:had|have))\b",
    re.IGNORECASE,
)


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
    out = []
    for what, said, narration_s, quote in claims(talk, possessions):
        out.append(_judge(what, said, narration_s, quote, possessions, rows, clip_duration_s))
    return out


def judge_again(
    totals: Sequence[Total], possessions: Sequence[Possession], rows: Sequence[LogRow], clip_duration_s: float | None
) -> list[Total]:
    """The same counts against another log."""
    return [_judge(t.what, t.said, t.narration_s, t.quote, possessions, rows, clip_duration_s) for t in totals]


def claims(talk: ParsedTalk, possessions: Sequence[Possession]) -> list[tuple[str, float, float, str]]:
    """(what, value, narration_s, quote) of each count, in order; one count of a kind is taken once for a sentence."""
    out: list[tuple[str, float, float, str]] = []
    first = possessions[0].first_sentence if possessions else 0
    last = possessions[-1].last_sentence if possessions else -1
    for parsed in talk.sentences:
        late = parsed.index >= CLOSING_SHARE * len(talk.sentences)
        outside = parsed.index < first or parsed.index > last or (late and _sums_up(parsed.sentence.text))
        words = [w.text for w in talk.transcript.words[parsed.sentence.first : parsed.sentence.last + 1]]
        for what, value, at, taken in _numbers_with_nouns(words, outside, closing=outside and parsed.index >= first):
            quote = " ".join(words[at : at + taken]).strip(",.;:!?")
            narration_s = talk.transcript.words[parsed.sentence.first + at].start_narration_s
            if not any(c[0] == what and c[1] == value and abs(c[2] - narration_s) < 8 for c in out):
                out.append((what, value, narration_s, quote))
    return out


def _sums_up(text: str) -> bool:
    return bool(_SUMS_UP.match(text))


def _numbers_with_nouns(words: Sequence[str], outside: bool, *, closing: bool) -> list[tuple[str, float, int, int]]:
    found = []
    at = 0
    while at < len(words):
        glued = re.match(r"(.+)-seconds?\b", words[at], re.IGNORECASE)
        value_s = number_at([glued.group(1)], 0) if glued else None
        if value_s is not None:
            if outside and closing:
                found.append(("duration_s", float(value_s[0]), at, 2))
            at += 1
            continue
        number = number_at(words, at)
        plain = words[at].lower().strip(",.;:!?")
        if number is None and plain == "once" or (number is None and plain == "twice"):
            number = (1 if plain == "once" else 2, 1)
        if number is None:
            at += 1
            continue
        value, taken = number
        what = _counted(words, at, taken, outside, closing)
        if what:
            found.append((what, float(value), at, min(len(words), at + taken + 3) - at))
        at += taken
    return found


def _counted(words: Sequence[str], at: int, taken: int, outside: bool, closing: bool) -> str:
    """What a number counts, or "" for nothing that is checked."""
    following = " ".join(w.lower() for w in words[at + taken : at + taken + 5])
    before = " ".join(w.lower().strip(",") for w in words[max(0, at - 8) : at])
    near = re.sub(r"[^a-z' -]", " ", following)
    glued = words[at].lower()
    if re.search(r"\b(?:number|rep|touch|item|page|line|period)\s*$", before):
        return ""
    if re.match(rf"\s*(?:\w+ )?{_DURATION}\b", near) or re.search(r"-second", glued):
        return _duration(words, at, taken, before, near, closing or outside)
    if not outside:
        return ""
    if re.match(r"\s*(?:\w+ )?ones?\b.{0,24}\b(?:wrote|written|noted|jotted|marked|down|list|sheet|paper)\b", near):
        return "principles" if closing else ""
    if re.match(r"\s*times\b", near) and re.search(r"\b(?:puck|it|has|have|had|touch(?:es)?)\b", before):
        return "possessions"
    if re.match(
        rf"\s*(?:(?:different|separate|distinct|good|great|little|big|clean|real|honest|of|them|these|those|his|her|the|more|whole|full|wee|nice)\s+){{0,3}}{_PRINCIPLES}\b",
        near,
    ):
        return "principles" if closing else ""
    if re.match(
        rf"\s*(?:(?:different|separate|good|clean|honest|of|his|her|the|puck|full|long|big|total)\s+){{0,2}}{_POSSESSIONS}\b",
        near,
    ):
        if re.match(r"\s*(?:\w+\s+)?times\b", near) and not re.search(r"puck|had it|touch|with it", following):
            return ""
        return "possessions"
    if (
        closing
        and re.search(r"\b(?:principles?|things|habits|count|counted|counting|sheet|reckon|make it|making it)\b", before)
        and re.match(r"\s*(?:in all|all in|all told|in total|altogether|of them|on the sheet)?\s*(?:$|[,.])?", near)
    ):
        return "principles" if re.search(r"\b(?:principle|thing|habit|good|sheet|skill|detail)", before) else ""
    return ""


def _duration(words: Sequence[str], at: int, taken: int, before: str, near: str, outside: bool) -> str:
    if re.search(r"\b(?:mark|left|later|ago|late|more|wait|before|after|on the clock)\b", near):
        return ""
    if re.search(r"\b(?:one|last|first|every|within|after|at|about the|the)\s*$", before) and not re.search(
        r"\bin\b|clip|for a\s*$", before
    ):
        return ""
    return "duration_s" if outside else ""


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
