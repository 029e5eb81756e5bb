"""Numbers as they are spoken: "fourteen", "twenty-two", "one-four", "third", "a couple of"."""

from __future__ import annotations

from collections.abc import Sequence

_UNITS = {w: i for i, w in enumerate(
    "zero one two three four five six seven eight nine ten eleven twelve thirteen fourteen fifteen sixteen seventeen"
    " eighteen nineteen".split()
)}  # fmt: skip
_TENS = {w: 10 * i for i, w in enumerate("_ _ twenty thirty forty fifty sixty seventy eighty ninety".split()) if w != "_"}
_HUNDREDS = {"a": 1, **{w: i for w, i in _UNITS.items() if 0 < i < 10}}
_ORDINALS = {
    w: i
    for i, w in enumerate(
        "_ first second third fourth fifth sixth seventh eighth ninth tenth eleventh twelfth thirteenth fourteenth fifteenth".split()
    )
    if w != "_"
}
_ORDINAL_DIGITS = {f"{i}{suffix}": i for i in range(1, 32) for suffix in ("st", "nd", "rd", "th")}


def number_at(words: Sequence[str], at: int) -> tuple[int, int] | None:
    """The whole number that begins at a word: (value, how many words it takes); None where none does.

    >>> number_at(["twenty", "two", "looks"], 0), number_at(["14"], 0), number_at(["fifty-two"], 0)
    ((22, 2), (14, 1), (52, 1))
    >>> number_at("a hundred and eighteen seconds".split(), 0), number_at("two hundred times".split(), 0), number_at(["two-hundred"], 0)
    ((118, 4), (200, 2), (200, 1))
    """
    word = _clean(words[at])
    if word == "hundred" or (word in _HUNDREDS and at + 1 < len(words) and _clean(words[at + 1]) == "hundred"):
        return _hundreds_at(words, at, _HUNDREDS.get(word, 1))
    return _below_hundred_at(words, at)


def _below_hundred_at(words: Sequence[str], at: int) -> tuple[int, int] | None:
    word = _clean(words[at])
    if word.isdecimal() and len(word) <= 3:
        return int(word), 1
    if "-" in word:
        inner = [p for p in word.split("-") if p]
        value = number_at(inner, 0) if inner else None
        return (value[0], 1) if value and value[1] == len(inner) else None
    following = _clean(words[at + 1]) if at + 1 < len(words) else ""
    if word in _TENS:
        if following in _UNITS and 0 < _UNITS[following] < 10 and not ends_clause(words[at]):
            return _TENS[word] + _UNITS[following], 2
        return _TENS[word], 1
    if word in _UNITS:
        return _UNITS[word], 1
    return None


def _hundreds_at(words: Sequence[str], at: int, hundreds: int) -> tuple[int, int]:
    last = at if _clean(words[at]) == "hundred" else at + 1
    rest = last + 2 if last + 1 < len(words) and _clean(words[last + 1]) == "and" else last + 1
    more = _below_hundred_at(words, rest) if rest < len(words) and not ends_clause(words[last]) else None
    if more is not None and 0 < more[0] < 100:
        return 100 * hundreds + more[0], rest + more[1] - at
    return 100 * hundreds, last + 1 - at


def spelled_number_at(words: Sequence[str], at: int) -> tuple[int, int] | None:
    """A shirt number spoken digit by digit, as in "one-four" or "one four": (value, words taken), else None.

    >>> spelled_number_at(["one-four"], 0)
    (14, 1)
    """
    word = _clean(words[at])
    inner = word.split("-")
    if len(inner) == 2 and all(p in _UNITS and _UNITS[p] < 10 for p in inner):
        return 10 * _UNITS[inner[0]] + _UNITS[inner[1]], 1
    if at + 1 < len(words) and not ends_clause(words[at]):
        second = _clean(words[at + 1])
        if all(p in _UNITS and _UNITS[p] < 10 for p in (word, second)) and _UNITS[word] > 0:
            return 10 * _UNITS[word] + _UNITS[second], 2
    return None


def ordinal_at(words: Sequence[str], at: int) -> int | None:
    """The ordinal at a word ("third", "3rd"); None where there is none."""
    word = _clean(words[at])
    return _ORDINALS.get(word) or _ORDINAL_DIGITS.get(word)


def _clean(word: str) -> str:
    return word.lower().strip(".,;:!?\"'()").removesuffix("'s").removesuffix("’s")


def ends_clause(word: str) -> bool:
    """Whether a word as spoken, punctuation included, is the last of its clause."""
    return word[-1:] in ",.;:!?"
