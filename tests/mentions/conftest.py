"""A talk made of plain sentences."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from voiceover.mentions.parse import ParsedTalk, Span, parse_talk
from voiceover.roster import Player, Roster
from voiceover.speech.transcript import Transcript, Word


def transcript_of(*sentences: str, probability: float | None = None) -> Transcript:
    words: list[Word] = []
    breaks = []
    now = 0.0
    for sentence in sentences:
        breaks.append(len(words))
        for text in sentence.split():
            words.append(Word(text, now, now + 0.3, probability))
            now += 0.3
        now += 0.5
    return Transcript(tuple(words), "captions", now, breaks=tuple(breaks) if probability is None else ())


@pytest.fixture
def talk() -> Callable[..., ParsedTalk]:
    return lambda *sentences: parse_talk(transcript_of(*sentences))


@pytest.fixture
def roster() -> Roster:
    return Roster(
        (
            Player("Ada Quillfeather", "14", "white", True),
            Player("Bo Hollenback", "8", "white"),
            Player("Cy Drummond", "22", "black"),
        )
    )


def span_of(parsed: ParsedTalk, words: str) -> Span:
    """Where some words stand first in a talk, punctuation aside."""
    said = [w.text.strip(".,") for w in parsed.transcript.words]
    wanted = [w.strip(".,") for w in words.split()]
    first = next(i for i in range(len(said)) if said[i : i + len(wanted)] == wanted)
    return Span(first, first + len(wanted) - 1)
