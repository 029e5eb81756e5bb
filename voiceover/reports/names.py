"""Where names are spoken: every form of every name on the roster, misheard ones and possessives included.

Privacy wants the opposite of recognition: rather a word too many than a name left standing.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import lru_cache

from spacy.lang.en.stop_words import STOP_WORDS

from voiceover.lexicon.io import load_lexicon
from voiceover.mentions.numbers import number_at
from voiceover.mentions.parse import known_words, load_parser
from voiceover.mentions.sounds import sounds_alike, sounds_of
from voiceover.roster import Player

# How much a word that is no ordinary word must sound like a name to be taken for it, 0..1; a split one ("Aka for") more. Lower than
# for putting misheard names right, where a false one costs more than a miss.
SOUNDS_LIKE, SPLIT_SOUNDS_LIKE = 0.62, 0.8
# Parts shorter than this are initials or particles ("J", "de"): by ear they would be everywhere.
SHORTEST_HEARD = 3
_PARTS = re.compile(r"^(\W*)(.*?)((?:['’](?:s|d|ll|ve|re)?)?\W*)$", re.UNICODE)
# Endings of words that the list of ordinary words may have in another form.
_ENDINGS = ("s", "es", "d", "ed", "ing", "er", "est", "ly", "ions", "ion")
_HYPHEN = re.compile(r"[-–]")
# Capitalised in a sentence without being somebody.
_NOBODY = frozenset(
    "i i'm i've i'd i'll monday tuesday wednesday thursday friday saturday sunday january february march april may june july august september "
    "october november december english okay ok d f1 f2 f3 d1 d2 pp pk ozone dzone nzone u gm coach god jesus christ mr mrs ms dr christmas easter "
    "can't won't ain't y'all g'day righto alrighty lemme gimme coulda outta hiya howdy anyroad okie okey och aw oi".split()
)


@dataclass(frozen=True, slots=True)
class SpokenName:
    """A run of words that names somebody."""

    first: int
    last: int
    """Index of the last word, inclusive."""
    player: Player | None
    """None for a name that is on no roster."""


class NameSpotter:
    """Finds the names of a roster in words."""

    def __init__(self, players: Sequence[Player]) -> None:
        self._forms: dict[tuple[str, ...], Player] = {}
        self._sounds: list[tuple[str, Player]] = []
        self._numbers = {int(p.number): p for p in players if p.number.isdecimal()}
        self._teams = {part.lower() for p in players for part in p.team.split()}
        for player in players:
            for form in (player.name, *player.nicknames, *player.say_as, *player.name.replace("-", " ").split()):
                parts = tuple(bare(t) for t in form.split() if bare(t))
                if not parts or (len(parts) == 1 and len(parts[0]) < 2):
                    continue
                self._forms.setdefault(parts, player)
                heard = "".join(parts)
                if len(heard) > SHORTEST_HEARD:
                    self._sounds.append((sounds_of(heard), player))
        self._longest = max((len(f) for f in self._forms), default=0)

    def find(self, texts: Sequence[str], starts: Sequence[bool]) -> list[SpokenName]:
        """The names in some words, in order.

        Args:
            texts: the words with their punctuation.
            starts: whether each begins a sentence, where a capital alone means nothing.
        """
        words = [bare(t) for t in texts]
        out: list[SpokenName] = []
        i = 0
        while i < len(words):
            found = self._at(texts, words, starts, i)
            if found is None:
                i += 1
                continue
            out.append(found)
            i = found.last + 1
        return out

    def is_name(self, word: str) -> bool:
        """Whether a word alone is a form of a name, be it an ordinary word too."""
        return (bare(word),) in self._forms

    def _at(self, texts: Sequence[str], words: Sequence[str], starts: Sequence[bool], i: int) -> SpokenName | None:
        for length in range(min(self._longest, len(words) - i), 0, -1):
            run = tuple(words[i : i + length])
            player = self._forms.get(run)
            if player is not None and (length > 1 or not _is_ordinary(texts[i], words[i])):
                return SpokenName(i, i + length - 1, player)
        hyphened = [p for p in _HYPHEN.split(words[i]) if (p,) in self._forms]
        if hyphened and not _is_ordinary(texts[i], words[i]):
            return SpokenName(i, i, self._forms[(hyphened[0],)])
        if words[i] in ("number", "no", "#") or texts[i].startswith("#"):
            at = i if texts[i].startswith("#") else i + 1
            number = number_at([w.lstrip("#") for w in words], at) if at < len(words) else None
            if number is not None and number[0] in self._numbers:
                return SpokenName(i, at + number[1] - 1, self._numbers[number[0]])
        return self._heard(texts, words, starts, i)

    def _heard(self, texts: Sequence[str], words: Sequence[str], starts: Sequence[bool], i: int) -> SpokenName | None:
        """A name that the recogniser wrote otherwise, or one that is on no roster."""
        word = words[i]
        letters = _HYPHEN.sub("", word.replace("'", ""))
        if not letters.isalpha() or word in _NOBODY:
            return None
        capital = _core(texts[i])[:1].isupper()
        parts = [p.replace("'", "") for p in _HYPHEN.split(word)]
        unknown = (capital or word.isalpha()) and any(p not in known_words() and p not in ordinary_words() for p in parts)
        if (unknown or (capital and not starts[i])) and len(letters) >= SHORTEST_HEARD:
            player = self._by_ear(sounds_of(letters), SOUNDS_LIKE)
            if player is not None:
                return SpokenName(i, i, player)
        short = self._by_beginning(word) if capital and (unknown or not starts[i]) else None
        if short is not None:
            return SpokenName(i, i, short)
        following = words[i + 1] if i + 1 < len(words) else ""
        if word.isalpha() and following.isalpha() and not (word in ordinary_words() and following in ordinary_words()):
            player = self._by_ear(sounds_of(word + following), SPLIT_SOUNDS_LIKE)
            if player is not None:
                return SpokenName(i, i + 1, player)
        if self._may_be_a_name(texts[i], word) and (not starts[i] or _is_foreign(word) or _is_proper_noun(texts, starts, i)):
            return SpokenName(i, i, None)
        return None

    def _may_be_a_name(self, text: str, word: str) -> bool:
        """Whether a word, or a part of it between hyphens, has a capital and no other reason for it than to be a name."""
        parts = [p for p in _HYPHEN.split(_core(text)) if p[:1].isupper() and len(p) > 1 and not p.isupper()]
        lower = {p.lower().replace("’", "'") for p in parts} - ordinary_words() - _NOBODY - self._teams
        return bool(lower) and number_at([word], 0) is None

    def _by_beginning(self, word: str) -> Player | None:
        """The one player with a name that begins alike: "Hutch" for Hutchins, "Benny" for Benjamin."""
        alike = {p.name: p for form, p in self._forms.items() for part in form if len(word) > 3 and len(part) > 3 and part[:3] == word[:3]}
        return next(iter(alike.values())) if len(alike) == 1 else None

    def _by_ear(self, sounds: str, least: float) -> Player | None:
        best = max(((sounds_alike(sounds, s), p) for s, p in self._sounds), key=lambda x: x[0], default=None)
        return best[1] if best is not None and best[0] >= least else None


@lru_cache(maxsize=1)
def ordinary_words() -> frozenset[str]:
    """Words of coaches' talk in lower case, which are no names there: those of the lexicon's wordings, and the small words of English."""
    lexicon = load_lexicon()
    text = " ".join(w for p in lexicon.principles for _, w in p.wordings()) + " " + " ".join(lexicon.nothing)
    return frozenset(re.findall(r"[a-z']+", text.lower())) | frozenset(STOP_WORDS)


def bare(text: str) -> str:
    """A word in lower case without punctuation, possessive and short verb.

    >>> bare("“O’Neill's,"), bare("Ruben'll")
    ("o'neill", 'ruben')
    """
    return _core(text).lower().replace("’", "'")


def tail(text: str) -> str:
    """The possessive or the short verb, and the punctuation, after a word."""
    found = _PARTS.match(text)
    return found.group(3) if found else ""


def lead(text: str) -> str:
    """The punctuation before a word."""
    found = _PARTS.match(text)
    return found.group(1) if found else ""


def replaced(parts: Sequence[str], names: Sequence[SpokenName], instead: Callable[[SpokenName], str]) -> str:
    """Words with others in the place of each name."""
    by_first = {n.first: n for n in names}
    out, i = [], 0
    while i < len(parts):
        name = by_first.get(i)
        out.append(parts[i] if name is None else instead(name))
        i = name.last + 1 if name else i + 1
    return " ".join(out)


def _core(text: str) -> str:
    found = _PARTS.match(text)
    return found.group(2) if found else text


def _is_foreign(word: str) -> bool:
    """Whether English does not have a word, not without its ending either."""
    stems = {word.removesuffix(ending) for ending in ("", *_ENDINGS)}
    english = known_words() | ordinary_words()
    return word.isalpha() and not any(s in english or f"{s}e" in english for s in stems if len(s) > 2)


def _is_proper_noun(texts: Sequence[str], starts: Sequence[bool], i: int) -> bool:
    """Whether the first word of a sentence is somebody by what it does there: a capital it has in any case."""
    after = next((j for j in range(i + 1, len(texts)) if starts[j]), len(texts))
    tokens = load_parser()(" ".join(texts[i:after]))
    return next((t.pos_ == "PROPN" for t in tokens if t.text[0].isalpha()), False)


def _is_ordinary(text: str, word: str) -> bool:
    """Whether a word that is also somebody's name stands there as a word: "the lane", not "Lane"."""
    return word in ordinary_words() and not _core(text)[:1].isupper()
