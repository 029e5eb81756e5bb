"""Clock times that are spoken: "at the twelve second mark", "with six forty left", "go back three seconds".

A second of the clip that is named fixes where the clip stood. The game's clock counts down: its first mention is an anchor, and
each later one says how far the clip has gone since. Both are compared with the playhead, and a contradiction is reported.
"""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass

from voiceover.mentions.numbers import number_at
from voiceover.mentions.parse import ParsedSentence, ParsedTalk, Span
from voiceover.mentions.words import split_words
from voiceover.playhead.track import PlayheadTrack

# A spoken time is rounded to the second, and said while the clip runs on: so far it may be off. Public narrations: at most 1.0 s.
TOLERANCE_S = 2.0
# Within so many seconds of saying it he has gone there. Guess, not measured.
GO_TO_S = 15.0

_N = r"(?<!\S)#"
_SECONDS = r"(?: seconds?)?"
_TIME = rf"{_N}(?: #)?{_SECONDS}"
_MARK = re.compile(rf"\b(?:at|around|about|near|by|from) (?:the )?# ?seconds? mark\b|\b(?:at|from) second #(?!\S)|{_N} seconds? mark\b")
_INTO = re.compile(rf"{_N} seconds? (?:in|into (?:it|the clip|this|the shift))\b")
_GO_TO = re.compile(
    rf"\b(?:start|starts|starting|pick it up|picks up|picking it up|begin|begins|go|going|skip|skipping|jump|jumping) (?:ahead )?(?:at|to|from) {_N}"
    rf" seconds?\b"
)
_CLOCK = re.compile(
    rf"(?:\b(?:at|with) )?{_TIME} (?:left|remaining|to go)\b|{_TIME} on the (?:game )?clock\b|"
    rf"\b(?:we're|we are|it's|clock's|clock is) (?:now )?down to {_TIME}(?!\S)"
)
_BACK = re.compile(rf"\b(?:go|going|take (?:it|that)|run (?:it|that)|roll (?:it|that)) back (?:about |maybe |like )?{_N} seconds?\b")
_LATER = re.compile(rf"{_N} seconds? (?:later|further on|after that)\b")
_KINDS = (("clip", _MARK), ("clip", _INTO), ("clock", _CLOCK), ("back", _BACK), ("later", _LATER), ("go-to", _GO_TO))


@dataclass(frozen=True, slots=True)
class SpokenTime:
    """One time that the coach says."""

    kind: str
    """clip (a second of the clip), go-to (one that he goes to next), clock (seconds left on the game's clock), back or later
    (by so many seconds)."""
    value_s: float
    start_narration_s: float
    """Of the words themselves."""
    from_narration_s: float
    """The clip stood there at some moment from here, where the sentence begins, ..."""
    to_narration_s: float
    """... to here, where it ends, or the place that is gone to has long been reached."""
    quote: str


@dataclass(frozen=True, slots=True)
class Contradiction:
    """A spoken time that the playhead does not agree with."""

    spoken: SpokenTime
    expected_clip_s: float
    """Where the clip stands by the words, seconds of clip time."""
    found_clip_s: float
    """Where it stands by the playhead."""

    def __str__(self) -> str:
        minutes, seconds = divmod(int(self.spoken.start_narration_s), 60)
        return (
            f"At {minutes}:{seconds:02d} you said '{self.spoken.quote}', second {self.expected_clip_s:.0f} of the clip;"
            f" the playhead has {self.found_clip_s:.1f} s there. Check which is right."
        )


def spoken_times(talk: ParsedTalk) -> list[SpokenTime]:
    """Every clock time that is spoken, in order of the talk."""
    return [found for parsed in talk.sentences for found in _in_sentence(talk, parsed)]


def contradictions(spoken: Sequence[SpokenTime], playhead: PlayheadTrack, *, tolerance_s: float = TOLERANCE_S) -> list[Contradiction]:
    """The spoken times that are further from the playhead than a spoken time may be.

    Times by how much it goes back or on are not judged: from where is rarely said.
    """
    out = []
    anchor: tuple[float, float] | None = None
    for s in spoken:
        stood = _clip_times(playhead, s)
        if not stood or s.kind not in ("clip", "clock", "go-to"):
            continue
        if s.kind == "clock" and anchor is None:
            anchor = (s.value_s, stood[0])
            continue
        expected_s = s.value_s if s.kind != "clock" or anchor is None else anchor[1] + anchor[0] - s.value_s
        nearest_s = min(stood, key=lambda clip_s: abs(clip_s - expected_s))
        if abs(expected_s - nearest_s) > tolerance_s:
            out.append(Contradiction(s, expected_s, nearest_s))
    return out


def _clip_times(playhead: PlayheadTrack, s: SpokenTime) -> list[float]:
    """Where the clip stood in the span of a spoken time, four times a second."""
    count = max(2, math.ceil(4 * (s.to_narration_s - s.from_narration_s)) + 1)
    step_s = (s.to_narration_s - s.from_narration_s) / (count - 1)
    found = [playhead.narration_to_clip(s.from_narration_s + i * step_s) for i in range(count)]
    return [at.clip_s for at in found if at is not None]


def _in_sentence(talk: ParsedTalk, parsed: ParsedSentence) -> list[SpokenTime]:
    parts: list[str] = []
    numbers: list[int] = []
    places: list[int] = []
    """For each part the transcript word it stands in."""
    words = [
        (part, i) for i in range(parsed.sentence.first, parsed.sentence.last + 1) for part in split_words(talk.transcript.words[i].text)
    ]
    at = 0
    while at < len(words):
        number = number_at([w for w, _ in words], at)
        parts.append("#" if number else words[at][0].lower().replace("’", "'"))
        numbers.append(number[0] if number else -1)
        places.append(words[at][1])
        at += number[1] if number else 1
    text = " ".join(parts)
    starts = [sum(len(p) + 1 for p in parts[:i]) for i in range(len(parts))]
    out: list[SpokenTime] = []
    taken: list[tuple[int, int]] = []
    for kind, pattern in _KINDS:
        for match in pattern.finditer(text):
            inside = [i for i, start in enumerate(starts) if match.start() <= start < match.end()]
            said = [numbers[i] for i in inside if parts[i] == "#"]
            if not said or any(a <= inside[0] <= b or a <= inside[-1] <= b for a, b in taken):
                continue
            # "six forty": minutes and seconds.
            value = 60.0 * said[0] + said[1] if len(said) == 2 else float(said[0])
            taken.append((inside[0], inside[-1]))
            first = places[inside[0]]
            quote = talk.text(Span(first, places[inside[-1]])).strip(" ,.;:")
            sentence = parsed.sentence
            end_s = sentence.end_narration_s + (GO_TO_S if kind == "go-to" else 0.0)
            start_s = talk.transcript.words[first].start_narration_s
            out.append(SpokenTime(kind, value, start_s, sentence.start_narration_s, end_s, quote))
    return sorted(out, key=lambda s: s.start_narration_s)
