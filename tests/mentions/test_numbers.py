"""Numbers as they are said and written."""

from __future__ import annotations

import pytest

from voiceover.mentions.numbers import number_at


@pytest.mark.parametrize("word", ["²", "①", "٣x", "", "½"])
def test_digits_that_are_no_number_are_none(word: str) -> None:
    assert number_at([word], 0) is None


def test_figures_and_words_are_numbers() -> None:
    assert number_at(["14"], 0) == (14, 1) and number_at(["twenty", "two"], 0) == (22, 2)
