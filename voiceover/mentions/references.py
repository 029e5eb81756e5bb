"""Where the talk points to a person: by name, nickname, shirt number, colour, part played or pronoun."""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

from rapidfuzz.distance import Levenshtein

from voiceover.lexicon.model import Lexicon
from voiceover.mentions.numbers import number_at, spelled_number_at
from voiceover.mentions.words import split_words
from voiceover.roster import Player, Roster

# A nickname shares at least this many first letters with a name ("Moose" and "Moosbrugger"). Guess, not measured.
NICKNAME_LETTERS = 3
_NICK_ENDINGS = ("y", "ie", "er", "ers", "sy", "o", "s", "e", "ey", "zy", "ster")
_PRONOUNS = {
    "he": "he", "him": "he", "his": "he", "himself": "he", "she": "she", "her": "she", "hers": "she", "herself": "she",
    "they": "they", "them": "they", "their": "they", "you": "you", "your": "you", "yourself": "you",
}  # fmt: skip
# Behind a number these words say that it counts things or time and is no shirt.
_COUNTED = re.compile(
    r"^(seconds?|minutes?|years?|feet|foot|yards?|metres?|meters?|on|of|left|times?|guys?|touches|reps?|things?|principles?|"
    r"goals?|more|different|pounds?|percent|o'clock|hundred|times|shifts?|turns?|goes|strokes?|points?|period|"
    r"possessions?|looks?|in|or|and|inches|ways|players?|men|boys|girls|kids)$"
)
# "the gold fella", "the black D": behind a colour these stand for one of that side.
_ANYBODY = frozenset(
    "d defender guy guys forward winger centre center defenceman player fella fellow boy boys lad lads girl girls kid man"
    " woman lass one ones man's".split()
)
# Words that begin sentences, or are common, and look like a form of some name.
_NO_NICKNAMES = frozenset(
    "the and now there then look see watch okay well here stop she he daddy mommy mummy happy buddy puppy hobby lobby jelly belly silly funny sunny"
    " lucky messy alley offer hurry carry sorry better calls picks".split()
)
# "Nine in black", "nine for the gold": between a number and its team.
_WEARING = frozenset("in for from of".split())
TEAMMATE, OPPONENT = "teammate", "opponent"


@dataclass(frozen=True, slots=True)
class Reference:
    """Some words that point to a person."""

    first: int
    """Index of the first word in the transcript."""
    last: int
    kind: str
    """name, number, part (partner, defender ...) or pronoun."""
    player: Player | None = None
    """None for a part, a pronoun, and a number that several wear."""
    role: str = ""
    """focus, teammate or opponent; empty for a pronoun that is not resolved yet."""
    pronoun: str = ""
    """he, she, they or you."""


def reference_at(references: Sequence[Reference], word: int) -> Reference | None:
    """The reference that a word of the transcript is part of."""
    return next((r for r in references if r.first <= word <= r.last), None)


class ReferenceFinder:
    """Finds references to the people of one roster."""

    def __init__(self, roster: Roster, lexicon: Lexicon) -> None:
        self._roster = roster
        self._teams = {p.team.lower() for p in roster.players if p.team}
        self._forms = [(form, p) for p in roster.players for form in _forms_of(p)]
        self._numbers: dict[int, list[Player]] = defaultdict(list)
        """All who wear a number: two teams may have the same, and one may have 0 and 00."""
        for p in roster.players:
            if p.number.isdecimal():
                self._numbers[int(p.number)].append(p)
        parts = [(tuple(w.lower() for w in part.split()), role) for role, parts in lexicon.people.items() for part in parts]
        self._parts: dict[str, list[tuple[tuple[str, ...], str]]] = defaultdict(list)
        """By their first word, the longest first."""
        for words, role in sorted(parts, key=lambda item: -len(item[0])):
            self._parts[words[0]].append((words, role))

    def find(self, words: Sequence[str], *, offset: int = 0) -> list[Reference]:
        """The references among some words, in order, none inside another.

        Args:
            words: one sentence as spoken, punctuation included.
            offset: index of its first word in the transcript.
        """
        out: list[Reference] = []
        i = 0
        while i < len(words):
            found = self._name(words, i) or self._number(words, i) or self._part(words, i) or _pronoun(words, i)
            if found is None:
                i += 1
                continue
            taken, reference = found
            out.append(
                Reference(
                    offset + i,
                    offset + i + taken - 1,
                    reference.kind,
                    reference.player,
                    reference.role,
                    reference.pronoun,
                )
            )
            i += taken
        return out

    def _role(self, player: Player) -> str:
        return self._roster.role_of(player)

    def _name(self, words: Sequence[str], at: int) -> tuple[int, Reference] | None:
        plain = _plain(words[at])
        if len(plain) < 2:
            return None
        for form, player in self._forms:
            parts = form.split()
            if [_plain(w) for w in words[at : at + len(parts)]] == parts:
                taken = len(parts)
                if taken == 1 and at + 1 < len(words):  # given name and family name together
                    family = player.name.lower().split()[-1]
                    taken += _plain(words[at + 1]) == family and plain != family
                return taken, Reference(at, at, "name", player, self._role(player))
        if not words[at][:1].isupper():
            return None
        near = [p for p in self._roster.players if any(is_nickname_of(plain, part) for part in p.name.lower().split())]
        if len(near) == 1:
            return 1, Reference(at, at, "name", near[0], self._role(near[0]))
        return None

    def _number(self, words: Sequence[str], at: int) -> tuple[int, Reference] | None:
        found = number_at(words, at)
        spelled = spelled_number_at(words, at)
        if spelled and spelled[0] in self._numbers and (not found or found[0] not in self._numbers):
            found = spelled
        if found is None or found[0] not in self._numbers:
            return None
        value, taken = found
        before = _plain(words[at - 1]) if at else ""
        after = _plain(words[at + taken]) if at + taken < len(words) else ""
        side, behind = self._side_beside(words, at, taken)
        marked = before in {"number", "#", "our", "their"} or before in self._teams or after in self._teams
        shared = len(self._numbers[value]) > 1
        marked = marked or (bool(side) and shared)  # "nine in black" is said where there are two of them
        ends_clause = words[at + taken - 1][-1:] in ",.;:!?"
        if not marked and (value < 10 or (_COUNTED.match(after) and not ends_clause)):
            return None
        if not marked and before in {"to", "of", "in", "at", "about", "around", "least"} and value < 20 and ends_clause:
            return None
        return taken + behind * shared, self._wearer(words, at, value, side)

    def _side_beside(self, words: Sequence[str], at: int, taken: int) -> tuple[str, int]:
        """The side that is said with a number ("black nine", "their number nine", "nine in black"), empty for none; and how many words of it
        stand behind the number."""
        before = [_plain(w) for w in words[max(0, at - 2) : at]]
        if before[-1:] in (["number"], ["#"]):
            before.pop()
        if before and (before[-1] in ("our", "their") or before[-1] in self._teams):
            return before[-1], 0
        behind = [_plain(w) for w in words[at + taken : at + taken + 3]]
        skipped = 0 if not behind or behind[0] not in _WEARING else 2 if behind[1:2] == ["the"] else 1
        return (behind[skipped], skipped + 1) if behind[skipped:] and behind[skipped] in self._teams else ("", 0)

    def _is_of(self, player: Player, side: str) -> bool:
        if side in ("our", "their"):
            return (self._role(player) == OPPONENT) == (side == "their")
        return player.team.lower() == side

    def _wearer(self, words: Sequence[str], at: int, value: int, side: str) -> Reference:
        """The one who wears a number; where several do, the one of the side that is said with it, else the one in focus, else nobody."""
        fits = self._numbers[value]
        if len(fits) > 1 and side:
            fits = [p for p in fits if self._is_of(p, side)] or [p for p in fits if not p.team]
        said = _plain(words[at]) if _plain(words[at]).isdecimal() else str(value)
        fits = [p for p in fits if p.number == said] or fits
        if len(fits) > 1:
            fits = [p for p in fits if p.focus] or fits
        if len(fits) == 1:
            return Reference(at, at, "number", fits[0], self._role(fits[0]))
        roles = {self._role(p) for p in fits}
        if side in ("our", self._roster.team_of_focus()) and not fits:
            roles = {TEAMMATE}
        # Whoever is called by his number alone is rather one whose name the coach does not know. Guess, not measured.
        return Reference(at, at, "number", None, roles.pop() if len(roles) == 1 else OPPONENT)

    def _part(self, words: Sequence[str], at: int) -> tuple[int, Reference] | None:
        for parts, role in self._parts.get(_plain(words[at]), ()):
            if tuple(_plain(w) for w in words[at : at + len(parts)]) == parts:
                return len(parts), Reference(at, at, "part", None, role)
        # "black three" and "the black D": the colour alone says which side.
        team = _plain(words[at])
        if team in self._teams and at + 1 < len(words):
            number = number_at(words, at + 1)
            if number and any(p.team.lower() == team for p in self._numbers.get(number[0], ())):
                return 1 + number[1], self._wearer(words, at + 1, number[0], team)
            role = TEAMMATE if team == self._roster.team_of_focus() else OPPONENT
            if _plain(words[at + 1]) in _ANYBODY:
                return 2, Reference(at, at, "part", self._only(team, role), role)
        return None

    def _only(self, team: str, role: str) -> Player | None:
        """The one player of a side who is not in focus, where there is just one."""
        fits = [p for p in self._roster.players if p.team.lower() == team and not p.focus]
        return fits[0] if len(fits) == 1 else None


def _pronoun(words: Sequence[str], at: int) -> tuple[int, Reference] | None:
    whole = words[at].lower().replace("’", "'").strip('.,;:!?"')
    pronoun = _PRONOUNS.get(whole.split("'")[0])
    return (1, Reference(at, at, "pronoun", pronoun=pronoun)) if pronoun else None


def _forms_of(player: Player) -> list[str]:
    """Lower-case forms in which a name is spoken, longest first."""
    parts = player.name.lower().split()
    forms = {
        player.name.lower(),
        *(p for p in parts if len(p) > 1),
        *map(str.lower, (*player.nicknames, *player.say_as)),
    }
    return sorted((" ".join(split_words(f)) or f for f in forms), key=len, reverse=True)


@lru_cache(maxsize=4096)
def _plain(word: str) -> str:
    return re.sub(r"['’]s?$", "", word.lower().strip('.,;:!?"()'))


def is_nickname_of(word: str, name: str) -> bool:
    """Whether a capitalised word is a short or playful form of a name, or one letter off it.

    >>> is_nickname_of("hutch", "hutchins"), is_nickname_of("brandty", "brandt"), is_nickname_of("olly", "oliver")
    (True, True, True)
    >>> is_nickname_of("here", "henrik"), is_nickname_of("silly", "silas"), is_nickname_of("sees", "sean")
    (False, False, False)
    """
    if word in _NO_NICKNAMES:
        return False
    stem = word
    for ending in sorted(_NICK_ENDINGS, key=len, reverse=True):
        if word.endswith(ending) and len(word) - len(ending) >= NICKNAME_LETTERS:
            stem = word[: -len(ending)]
            break
    doubled = stem[-1:] == stem[-2:-1] or stem.endswith("ck")  # "Benny", "Kocko" for Kocian
    shortened = {stem[:-1]} if len(stem) > NICKNAME_LETTERS and doubled else set()
    if len(stem) == NICKNAME_LETTERS and doubled and word.endswith(("y", "ie", "ey")) and name.startswith(stem[:-1]):
        return True  # "Olly" for Oliver
    for form in {word, stem} | shortened:
        if len(form) >= NICKNAME_LETTERS + (form == word) and name.startswith(form):
            return True
    return len(word) >= 5 and abs(len(word) - len(name)) <= 1 and word[0] == name[0] and Levenshtein.distance(word, name) <= 1
