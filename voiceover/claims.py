"""Counts that a coach says aloud: how many possessions, how many principles, how long the clip is.

"Four bits", "and that's five, I said six", "by my card eighteen things": coaches count in words of their own, so which number is a claim
is judged by a linear model over the words around it, fitted on the marked narrations by evaluation/fit_claims.py.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from voiceover.fitted import fitted
from voiceover.mentions.numbers import ends_clause, number_at
from voiceover.mentions.parse import ParsedTalk
from voiceover.possessions import UNITS, Possession, plural

KINDS = ("none", "possessions", "principles", "duration_s")
# From this probability on a number is taken as a claim.
LEAST_PROBABILITY = 0.5
# The same count so soon again is the same claim. Guess, not measured.
AGAIN_S = 8.0
# Words behind and before a number that are looked at, and the share of a talk behind which a sentence is late. Guesses, not measured.
WORDS_BEHIND, WORDS_BEFORE = 5, 6
LATE_SHARE = 0.7
# What any word of the sentence counts beside those around the number. Guess, not measured.
WEIGHT_OF_WORD = 0.5
# Between these numbers, and seconds, counts are about alike: few are possessions, many principles. Guesses, not measured.
COUNT_BOUNDS, TIME_BOUNDS = (2, 3, 9, 11, 15, 41), (10, 20, 150)
# What possessions and principles are plainly called. The many other words for them are learnt from what stands around.
NOUNS = {
    "possessions": frozenset(form for unit in UNITS for form in (unit, plural(unit)) if unit != "bit"),
    "principles": frozenset("principle principles things habits concepts skills details".split()),
}
# Where one of these stands right behind a number of at least LEAST_PLAIN, possessions are counted, but inside one: no weighing needed.
PLAINLY, LEAST_PLAIN = "plainly said", 3
# "That's six, I said five": what was said before does not count beside what is said now.
CORRECTED = "corrected"
_PLAIN_NOUNS = NOUNS["possessions"] - {"times", "bits", "looks", "parts", "plays"}
_SECONDS = frozenset(("second", "seconds", "sec", "secs"))
_MINUTES = frozenset(("minute", "minutes", "min", "mins"))
_OF_THE_CLIP = frozenset("of and for on in long with all total".split())
_GLUED = re.compile(r"(.+)-(?:(seconds?)|minutes?)$")
_EDGES = re.compile(r"^[^\w]+|[^\w]+$")


@dataclass(frozen=True, slots=True)
class Claim:
    """One count that was said."""

    what: str
    """possessions, principles or duration_s."""
    value: float
    """Seconds where the length of the clip is counted."""
    narration_s: float
    quote: str


@dataclass(frozen=True, slots=True)
class SpokenNumber:
    """A number in a sentence."""

    value: float
    """Seconds where it is a time."""
    is_time: bool
    first: int
    """Index of its first word in the sentence."""
    taken: int
    """How many words it is."""


def claims(talk: ParsedTalk, possessions: Sequence[Possession]) -> list[Claim]:
    """The counts that are said in a talk, in order."""
    out: list[Claim] = []
    for parsed in talk.sentences:
        words = [w.text for w in talk.transcript.words[parsed.sentence.first : parsed.sentence.last + 1]]
        for number in numbers_in(words):
            what = what_is_counted(features(words, number, place_of(parsed.index, possessions, len(talk.sentences))), number.is_time)
            at_s = talk.transcript.words[parsed.sentence.first + number.first].start_narration_s
            if what and not any((c.what, c.value) == (what, number.value) and at_s - c.narration_s < AGAIN_S for c in out):
                quote = " ".join(words[number.first : number.first + number.taken + 3]).strip(",.;:!?")
                out.append(Claim(what, number.value, at_s, quote))
    return out


def numbers_in(words: Sequence[str]) -> Iterator[SpokenNumber]:
    """The numbers and times of a sentence, in order, none inside another."""
    at = 0
    while at < len(words):
        time, number = time_at(words, at), number_at(words, at)
        if number is None and _plain(words[at]) in ("once", "twice"):
            number = (1 if _plain(words[at]) == "once" else 2, 1)
        if time is not None and time[0] > 0:
            yield SpokenNumber(float(time[0]), True, at, time[1])
        elif number is not None:
            yield SpokenNumber(float(number[0]), False, at, number[1])
        at += time[1] if time is not None else number[1] if number is not None else 1


def time_at(words: Sequence[str], at: int) -> tuple[int, int] | None:
    """The time that begins at a word: (seconds, how many words it takes); None where none does.

    >>> time_at("a minute and a half of tape".split(), 0), time_at("two minutes ten".split(), 0), time_at(["fifty-second"], 0)
    ((90, 5), (130, 3), (50, 1))
    >>> time_at("a hundred and ten seconds".split(), 0), time_at("a second look".split(), 0)
    ((110, 5), None)
    >>> time_at("one minute and three principles".split(), 0), time_at("two and a half minutes".split(), 0), time_at("a half minute".split(), 0)
    ((60, 2), (150, 5), (30, 3))
    """
    word = _plain(words[at])
    glued = _GLUED.match(word)
    if glued:
        value = number_at([glued.group(1)], 0)
        return (value[0] if glued.group(2) else 60 * value[0], 1) if value else None
    following = [_plain(w) for w in words[at + 1 : at + 5]]
    if word == "half" and following[:2] == ["a", "minute"]:
        return 30, 3
    if [word, *following[:2]] == ["a", "half", "minute"]:
        return 30, 3
    if following[:3] == ["and", "a", "half"] and following[3:] == ["minutes"] and (whole := number_at(words, at)) is not None:
        return 60 * whole[0] + 30, 5
    count = (1, 0) if word == "minute" else number_at(words, at) or ((1, 1) if word in ("a", "an") else None)
    if count is None or at + count[1] >= len(words):
        return None
    unit, behind = _plain(words[at + count[1]]), at + count[1] + 1
    if unit in _SECONDS:
        return (count[0], behind - at) if count != (1, 1) or word not in ("a", "an") else None
    if unit not in _MINUTES:
        return None
    seconds = 60 * count[0]
    if ends_clause(words[behind - 1]):
        return seconds, behind - at
    following = [_plain(w) for w in words[behind : behind + 3]]
    if following == ["and", "a", "half"]:
        return seconds + 30, behind + 3 - at
    more_at = behind + 1 if following[:1] == ["and"] else behind
    more = number_at(words, more_at) if more_at < len(words) else None
    if more is None or more[0] >= 60:
        return seconds, behind - at
    end = more_at + more[1]
    if end < len(words) and _plain(words[end]) in _SECONDS:
        return seconds + more[0], end + 1 - at
    # "Two minutes ten" and "a minute and ten, red": but "a minute and three things" counts something else.
    alone = end == len(words) or ends_clause(words[end - 1]) or (more[0] >= 10 and _plain(words[end]) in _OF_THE_CLIP)
    return (seconds + more[0], end - at) if alone else (seconds, behind - at)


@dataclass(frozen=True, slots=True)
class Place:
    """Where in the talk a sentence stands."""

    name: str
    """opening, inside or closing."""
    first: bool
    """Whether it is the first of the talk."""
    late: bool
    """Whether it stands in the last part of it."""


def place_of(sentence: int, possessions: Sequence[Possession], sentences: int) -> Place:
    """The place of a sentence of a talk with so many of them."""
    opening = bool(possessions) and sentence < possessions[0].first_sentence
    closing = not possessions or sentence > possessions[-1].last_sentence
    name = "opening" if opening else "closing" if closing else "inside"
    return Place(name, sentence == 0, sentence >= LATE_SHARE * (sentences - 1))


def features(words: Sequence[str], number: SpokenNumber, place: Place) -> dict[str, float]:
    """What stands around a number, each thing by name."""
    end, size = number.first + number.taken, _size(number)
    stops = ends_clause(words[end - 1])
    behind = [_shown(words, end + k) for k in range(WORDS_BEHIND)]
    before = [_shown(words, number.first - 1 - k) for k in range(WORDS_BEFORE)]
    things = not stops and (behind[0].endswith("s") or behind[1].endswith("s"))
    names = [
        "", size, place.name, f"{size} {place.name}", f"stops {stops} {size} {place.name}",
        *(f"behind {k} {w}" for k, w in enumerate(behind[:3])), *(f"before {k} {w}" for k, w in enumerate(before[:3])),
        f"behind {behind[0]} {behind[1]}", f"before {before[1]} {before[0]}",
        *(f"behind {w}" for w in dict.fromkeys(behind)), *(f"before {w}" for w in dict.fromkeys(before)),
    ]  # fmt: skip
    for kind, nouns in NOUNS.items():
        if not stops and not nouns.isdisjoint(behind[:3]):
            names += [f"noun {kind}", f"noun {kind} {size}", f"noun {kind} {place.name}"]
    if not stops and not number.is_time and place.name != "inside" and number.value >= LEAST_PLAIN and behind[0] in _PLAIN_NOUNS:
        names.append(PLAINLY)
    elsewhere = any(_shown(words, k).startswith("#") for k in range(len(words)) if not number.first <= k < end)
    if before[0] == "said" and elsewhere:
        names.append(CORRECTED)
    if things:
        names += ["plural", f"plural {size} {place.name}"]
    if stops:
        names.append(f"stops {place.name} behind {before[0]}")
    names += [name for name, yes in (("first", place.first), ("late", place.late)) if yes]
    in_sentence = {f"said {_plain(w)}": WEIGHT_OF_WORD for w in words}
    return in_sentence | dict.fromkeys(names, 1.0)


@lru_cache(maxsize=1)
def load_weights() -> Mapping[str, Sequence[float]]:
    """For each feature what it adds to each of KINDS: the fitted numbers that ship with the tool."""
    weights: Mapping[str, Sequence[float]] = fitted("claims")
    return weights


def may_count(is_time: bool) -> tuple[str, ...]:
    """Which of KINDS a number may be, but for none."""
    return ("duration_s",) if is_time else ("possessions", "principles")


def what_is_counted(given: Mapping[str, float], is_time: bool, weights: Mapping[str, Sequence[float]] | None = None) -> str:
    """What a number counts, one of KINDS but the first; empty for nothing that is checked."""
    if CORRECTED in given:
        return ""
    if PLAINLY in given:
        return "possessions"
    told = load_weights() if weights is None else weights
    logits = np.zeros(len(KINDS))
    for name, value in given.items():
        if name in told:
            logits += value * np.array(told[name])
    each = np.exp(logits - logits.max())
    each /= each.sum()
    best = max(may_count(is_time), key=lambda kind: float(each[KINDS.index(kind)]))
    return best if each[KINDS.index(best)] >= LEAST_PROBABILITY else ""


def _size(number: SpokenNumber) -> str:
    """About how large, named with what it is."""
    bounds = TIME_BOUNDS if number.is_time else COUNT_BOUNDS
    return f"{'time' if number.is_time else 'count'} {sum(number.value >= b for b in bounds)}"


def _shown(words: Sequence[str], at: int) -> str:
    """A word as the model sees it: numbers by size alone, and where the sentence begins and ends."""
    if not 0 <= at < len(words):
        return "|"
    number = number_at(words, at)
    return _plain(words[at]) if number is None else "#" * sum(number[0] >= b for b in (0, 2, 3, 11))


def _plain(word: str) -> str:
    return _EDGES.sub("", word.lower().replace("’", "'"))
