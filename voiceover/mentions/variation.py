"""Saying a wording in other words' company: how the lines of a lexicon are varied before anything learns from them."""

from __future__ import annotations

import random

from voiceover.lexicon.model import Lexicon

_BEFORE = [
    "",
    "",
    "",
    "and ",
    "so ",
    "and then ",
    "now ",
    "look, ",
    "see, ",
    "here ",
    "but ",
    "because ",
    "there, ",
    "first, ",
]
_AFTER = ["", "", "", " there", " here", ", good", " again", ", nice", ", see that", " this time"]
_PEOPLE = {
    "he": ["he", "she", "they", "you", "the kid", "our winger", "this boy", "our girl", "the number nine"],
    "his": ["his", "her", "their", "your"],
    "him": ["him", "her", "them", "you"],
}
_KIND = {"he": "he", "she": "he", "his": "his", "her": "his", "him": "him"}


def vary(text: str, nothing: list[str], like: dict[str, tuple[str, ...]], draw: random.Random) -> str:
    """Say a wording as it may stand in the talk: other people, a joint before it, something unrelated beside it.

    Args:
        like: for each word of a word class, the words of that class.
    """
    chosen: dict[str, str] = {}
    words = []
    for word in text.split():
        if word in like and draw.random() < 0.35:
            word = draw.choice(like[word])
        kind = _KIND.get(word)
        if kind is not None:
            chosen.setdefault(kind, draw.choice(_PEOPLE[kind]) if draw.random() < 0.6 else word)
            word = chosen[kind]
        words.append(word)
    if len(words) > 5 and draw.random() < 0.15:
        del words[draw.randrange(len(words))]
    out = draw.choice(_BEFORE) + " ".join(words) + draw.choice(_AFTER)
    beside = draw.random()
    if beside < 0.15:
        return f"{draw.choice(nothing)}, {out}"
    if beside < 0.3:
        return f"{out}, {draw.choice(nothing)}"
    return out


def alike(lexicon: Lexicon) -> dict[str, tuple[str, ...]]:
    """For each word of a word class, all words of that class."""
    return {word: words for words in lexicon.word_classes.values() for word in words}
