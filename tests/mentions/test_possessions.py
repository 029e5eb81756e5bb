"""What a sentence says about where a possession begins."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from voiceover.mentions.parse import ParsedTalk
from voiceover.possessions import gather_evidence
from voiceover.talk_acts import ACTS


@pytest.mark.parametrize(
    ("text", "number"),
    [
        ("Touch three, down by the dot.", 3),
        ("Third swing at it, she starts behind the net.", 3),
        ("Okay, second crack, same corner.", 2),
        ("And there's one more, a small one, number four.", 4),
        ("Last one now.", -1),
        ("Second effort there.", None),
        ("Last Saturday she tried that too.", None),
        ("First she looks.", None),
    ],
)
def test_a_number_under_which_a_possession_opens(talk: Callable[..., ParsedTalk], text: str, number: int | None) -> None:
    parsed = talk(text)
    acts = np.full((len(parsed.sentences), len(ACTS)), 1 / len(ACTS), np.float32)
    assert gather_evidence(parsed, None, acts)[0].number == number


def test_a_count_that_ends_one_is_evidence_for_the_sentence_after_it(talk: Callable[..., ParsedTalk]) -> None:
    parsed = talk("And she carries it out, that's two.", "This time they dump it.")
    acts = np.full((2, len(ACTS)), 1 / len(ACTS), np.float32)
    assert [e.after for e in gather_evidence(parsed, None, acts)] == [None, 2]
