"""Numbers in digits and words."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from voiceover.speech.numbers import normalise_numbers, number_to_words, ordinal_to_words


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("2 on 1", "two on one"),
        ("3-on-3 cross-ice", "three on three cross-ice"),
        ("5v4", "five on four"),
        ("F3 stays high", "F3 stays high"),
        ("his 2nd touch", "his second touch"),
        ("the 43-second mark", "the forty three-second mark"),
        ("#17, 8.", "seventeen, eight."),
        ("1,250 pucks", "one thousand two hundred fifty pucks"),
        ("0.5 of speed", "zero point five of speed"),
        ("no numbers", "no numbers"),
    ],
)
def test_in_words(text: str, words: str) -> None:
    assert normalise_numbers(text) == words
    assert normalise_numbers(words) == words, "twice changes nothing"


@pytest.mark.parametrize("spoken", [number_to_words, ordinal_to_words])
def test_no_two_numbers_are_spoken_alike(spoken: Callable[[int], str]) -> None:
    assert len({spoken(value) for value in range(10_000)}) == 10_000
