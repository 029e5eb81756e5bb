"""The words that are quoted."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from voiceover.lexicon.io import load_lexicon
from voiceover.mentions.parse import ParsedTalk, Span
from voiceover.mentions.people import PeopleResolver
from voiceover.mentions.quote import shortest_words
from voiceover.roster import Roster


@pytest.mark.parametrize(
    ("sentence", "quote"),
    [
        ("And then she looks behind her early.", "looks behind her early."),
        ("But Drummond lifts her stick.", "lifts her stick."),
        ("Look behind you first.", "Look behind you first."),
        ("Look, she turns it up ice.", "turns it up ice."),
        ("So he's skating the whole time.", "skating the whole time."),
        ("Her eyes are on the far side.", "Her eyes are on the far side."),
        ("Now go.", "Now go."),
        ("No look behind.", "No look behind."),
    ],
)
def test_a_quote_begins_with_what_is_done(talk: Callable[..., ParsedTalk], roster: Roster, sentence: str, quote: str) -> None:
    parsed = talk(sentence)
    people = PeopleResolver(parsed, roster, load_lexicon())
    span = Span(0, len(parsed.transcript.words) - 1)
    assert parsed.text(shortest_words(parsed.sentences[0], span, people.references(0))) == quote
