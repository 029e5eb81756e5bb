"""Status from wishes, negation and its scope, and outcome."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from voiceover.lexicon.io import load_lexicon
from voiceover.mentions.encoder_weights import LARGE, packaged
from voiceover.mentions.parse import ParsedTalk, Span
from voiceover.mentions.people import PeopleResolver
from voiceover.mentions.status import decide_status, load_status_weights, status_cues, status_features
from voiceover.pipeline import read_talk
from voiceover.roster import Roster

SAID, LACKING, FAILING = (0.9, 0.05, 0.05), (0.05, 0.9, 0.05), (0.1, 0.1, 0.8)


@pytest.mark.model
@pytest.mark.skipif(packaged(LARGE) is None, reason="the weights of the reader are not installed")
@pytest.mark.parametrize(
    ("sentence", "words", "kinds", "expected"),
    [
        ("He never stops moving his feet.", "never stops moving his feet", SAID, "executed"),
        ("What I'd like is a look behind.", "a look behind", SAID, "missed"),
        ("She could have waited for help.", "waited for help", SAID, "missed"),
        ("He tries to slip it through, and it gets picked off.", "tries to slip it through", (0.6, 0.1, 0.3), "attempted"),
        ("No look at all this time.", "No look at all", LACKING, "missed"),
        ("He looks behind him twice.", "looks behind him twice", SAID, "executed"),
        ("You have to like how he looks behind him.", "looks behind him", SAID, "executed"),
        ("The lift never gets there.", "The lift never gets there", FAILING, "attempted"),
        ("The return pass never arrives.", "The return pass never arrives", FAILING, "attempted"),
    ],
)
def test_status(talk: Callable[..., ParsedTalk], sentence: str, words: str, kinds: tuple[float, float, float], expected: str) -> None:
    parsed = talk(sentence)
    first = sentence[: sentence.index(words)].count(" ")
    span = Span(first, first + words.count(" "))
    cues = status_cues(parsed, parsed.sentences[0], span)
    lexicon = load_lexicon()
    read = read_talk(parsed, PeopleResolver(parsed, Roster(), lexicon), lexicon).status(span, "scan")
    assert decide_status(status_features(cues, kinds, 0.0, read), load_status_weights()) == expected


def test_what_was_sent_and_does_not_arrive_is_no_lack(talk: Callable[..., ParsedTalk]) -> None:
    def negated(sentence: str) -> bool:
        parsed = talk(sentence)
        return status_cues(parsed, parsed.sentences[0], Span(0, len(sentence.split()) - 1)).negated

    assert not any(map(negated, ("The return pass never comes.", "His saucer doesn't quite get there.", "And it never connects.")))
    assert all(map(negated, ("She never comes back.", "He doesn't get his head up.", "No pass, and it comes off the wall.")))
