"""What a sentence says about where a possession begins."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable

import numpy as np
import pytest

from voiceover.mentions.parse import ParsedTalk
from voiceover.mentions.reading import Reading
from voiceover.possessions import FEATURES, READ_FEATURES, Evidence, Weights, best_path, gather_evidence
from voiceover.talk_acts import ACTS


@pytest.mark.parametrize(
    ("text", "number"),
    [
        ("Touch three, down by the dot.", 3),
        ("Third swing at it, she starts behind the net.", 3),
        ("Okay, second crack, same corner.", 2),
        ("And there's one more, a small one, number four.", 4),
        ("Last one now.", -1),
        ("On the fifth she barely gets a sniff.", 5),
        ("Second effort there.", None),
        ("On the second wave he goes.", None),
        ("In the second, they were down two.", None),
        ("Last Saturday she tried that too.", None),
        ("First she looks.", None),
    ],
)
def test_a_number_under_which_a_possession_opens(talk: Callable[..., ParsedTalk], text: str, number: int | None) -> None:
    parsed = talk(text)
    acts = np.full((len(parsed.sentences), 2 * len(ACTS)), 1 / len(ACTS), np.float32)
    assert gather_evidence(parsed, None, acts, Reading.silent(parsed))[0].number == number


def test_a_count_that_ends_one_is_evidence_for_the_sentence_after_it(talk: Callable[..., ParsedTalk]) -> None:
    parsed = talk("And she carries it out, that's two.", "This time they dump it.")
    acts = np.full((2, 2 * len(ACTS)), 1 / len(ACTS), np.float32)
    assert [e.after for e in gather_evidence(parsed, None, acts, Reading.silent(parsed))] == [None, 2]


def _evidence(n: int, begins: set[int]) -> list[Evidence]:
    """Sentences that say nothing, but for those that sound a little like a beginning."""
    quiet = dict.fromkeys(FEATURES, 0.0) | {"next": math.log(0.01), "reopen": math.log(0.01)}
    read = (0.0,) * len(READ_FEATURES)
    return [Evidence(None, None, tuple((quiet | {"next": math.log(0.2)} if i in begins else quiet).values()), read) for i in range(n)]


def test_without_a_reader_the_models_without_it_decide() -> None:
    begins = {0, 6, 12}
    blind = [dataclasses.replace(e, read=()) for e in _evidence(18, begins)]
    weights = _plain_weights()
    never = dataclasses.replace(weights, begin_read=np.array([*np.zeros(len(READ_FEATURES) + 1), -9.0]))
    assert set(best_path(blind, never)[0]) == begins
    assert best_path(_evidence(18, begins), never)[0] == [0]


def test_one_sentence_is_one_possession() -> None:
    assert best_path(_evidence(1, set()), _plain_weights()) == ([0], 1)


def test_a_long_talk_is_not_one_endless_possession() -> None:
    """Of many ways through a talk some must be dropped: not those that have paid for their possessions already."""
    begins = set(range(0, 600, 6))
    starts, end = best_path(_evidence(600, begins), _plain_weights())
    assert end == 600
    assert set(starts) <= begins and len(starts) > 80


def test_the_longer_the_talk_the_longer_is_a_possession() -> None:
    """What sounds a little like a beginning after six sentences begins one in a short talk; whoever talks for longer says more of each."""
    assert best_path(_evidence(24, set(range(0, 24, 6))), _plain_weights())[0] == [0, 6, 12, 18]
    starts, _ = best_path(_evidence(96, set(range(0, 96, 6))), _plain_weights())
    assert starts == list(range(0, 96, 12))


def _plain_weights() -> Weights:
    """A sentence begins a possession as far as it sounds like it; all of them are on possessions."""
    begin = np.zeros(len(FEATURES) + 1)
    begin[FEATURES.index("next")], begin[-1] = 1.0, 0.0
    part = np.zeros((3, len(FEATURES) + 1))
    part[1, -1] = 3.0
    nothing = np.zeros(len(READ_FEATURES) + 1)
    return Weights(begin, part, np.array([1.0, *nothing]), np.hstack([np.eye(3), np.tile(nothing, (3, 1))]))
