"""Numbers in digits and words."""

from __future__ import annotations

import pytest

from voiceover.speech.numbers import normalise_numbers, number_in, number_to_words, ordinal_to_words


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


def test_every_number_comes_back() -> None:
    for value in range(1000):
        assert number_in(number_to_words(value)) == value
        assert number_in(ordinal_to_words(value)) == value
        assert number_in(str(value)) == value


@pytest.mark.parametrize("text", ["", "Marek", "fourteen goals", "two two", "hundred hundred", "twenty eleven"])
def test_not_a_number(text: str) -> None:
    assert number_in(text) is None
