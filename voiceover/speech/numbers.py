"""Numbers as they are spoken, so that "2 on 1" and "two on one", or "#14" and "fourteen", can be compared.

The recogniser writes digits or words as it likes. The transcript keeps what it wrote; whoever compares texts normalises both.
"""

from __future__ import annotations

import re

ONES = (
    "zero one two three four five six seven eight nine ten eleven twelve thirteen fourteen fifteen sixteen seventeen eighteen nineteen"
).split()
TENS = "zero ten twenty thirty forty fifty sixty seventy eighty ninety".split()
IRREGULAR_ORDINALS = {
    "one": "first",
    "two": "second",
    "three": "third",
    "five": "fifth",
    "eight": "eighth",
    "nine": "ninth",
    "twelve": "twelfth",
}

# Longest first, so that "3v2" is not taken for the number 3 and a letter. Times such as 1:05 keep their two numbers.
_NUMBER = re.compile(
    r"(?P<on>\b\d(?:\s*-?\s*(?:on|v|vs\.?|x)\s*-?\s*\d)+\b)|(?P<ordinal>\b\d{1,3}(?:st|nd|rd|th)\b)|"
    r"(?P<clock>\b\d{1,2}:\d{2}\b)|(?P<decimal>\b\d{1,6}\.\d+\b)|"
    r"(?:(?<![\w.])#?(?P<plain>\d{1,3}(?:,\d{3})+|\d{1,6})(?:(?P<tail>s\b|%)|\b))",
    re.IGNORECASE,
)


def number_to_words(value: int) -> str:
    """A whole number from 0 to 999,999 in words, without hyphens.

    >>> number_to_words(43), number_to_words(105), number_to_words(2024)
    ('forty three', 'one hundred five', 'two thousand twenty four')
    """
    if not 0 <= value <= 999_999:
        raise ValueError(f"value must be in 0..999999, got {value}")
    if value >= 1000:
        head, rest = divmod(value, 1000)
        return " ".join([number_to_words(head), "thousand", *([number_to_words(rest)] if rest else [])])
    if value >= 100:
        head, rest = divmod(value, 100)
        return " ".join([ONES[head], "hundred", *([number_to_words(rest)] if rest else [])])
    if value < 20:
        return ONES[value]
    tens, ones = divmod(value, 10)
    return TENS[tens] + (f" {ONES[ones]}" if ones else "")


def ordinal_to_words(value: int) -> str:
    """An ordinal from 0 to 999,999 in words.

    >>> ordinal_to_words(2), ordinal_to_words(21), ordinal_to_words(30)
    ('second', 'twenty first', 'thirtieth')
    """
    *head, last = number_to_words(value).split()
    if last in IRREGULAR_ORDINALS:
        last = IRREGULAR_ORDINALS[last]
    else:
        last = last[:-1] + "ieth" if last.endswith("y") else last + "th"
    return " ".join([*head, last])


def normalise_numbers(text: str) -> str:
    """Write the numbers of a text in words; everything else stays as it is.

    >>> normalise_numbers("A 2-on-1, number 14, his 3rd touch at 0:43.")
    'A two on one, number fourteen, his third touch at zero forty three.'
    >>> normalise_numbers("3v2 and 5 x 5, in the 90s, 50%")
    'three on two and five on five, in the nineties, fifty percent'
    """
    return _NUMBER.sub(_in_words, text)


def _in_words(match: re.Match[str]) -> str:
    if match["on"]:
        return " on ".join(number_to_words(int(d)) for d in re.findall(r"\d", match["on"]))
    if match["ordinal"]:
        return ordinal_to_words(int(match["ordinal"][:-2]))
    if match["clock"]:
        minutes, seconds = match["clock"].split(":")
        spoken = [number_to_words(int(minutes)), number_to_words(int(seconds))]
        return " ".join(["zero", spoken[1]] if int(minutes) == 0 else spoken)
    if match["decimal"]:
        whole, part = match["decimal"].split(".")
        return " ".join([number_to_words(int(whole)), "point", *(ONES[int(d)] for d in part)])
    words = number_to_words(int(match["plain"].replace(",", "")))
    if match["tail"] == "%":
        return f"{words} percent"
    if match["tail"]:
        return words[:-1] + "ies" if words.endswith("y") else f"{words}s"
    return words
