"""Misheard speech put right: words that sound like a name on the roster or a term of the lexicon, where the recogniser was unsure.

A false correction costs more than a miss, so a run of words is changed only if it sounds nearly the same, and only where
some word of it is unknown to the language or was heard with little confidence. What was heard stays with the word.
"""

from __future__ import annotations

import dataclasses
import re
from collections.abc import Sequence
from dataclasses import dataclass

from voiceover.lexicon.model import Lexicon
from voiceover.lexicon.wording import GAP, readings
from voiceover.mentions.phrases import LIGHT
from voiceover.mentions.references import is_nickname_of
from voiceover.mentions.sounds import sounds_alike, sounds_of
from voiceover.mentions.words import normal_forms, split_words
from voiceover.roster import Roster
from voiceover.speech.transcript import Transcript, Word

# Likeness from which a run of words is taken for another, by how surely it was heard. Probes of recognition on two cores
# found 0.75 to 0.80 on phones the useful range; ours are higher because the sounds here are made by rule.
NAME_LIKE = 0.8
TERM_LIKE = 0.86
# A word below this was heard with little confidence.
UNSURE = 0.6
# Shorter than this in sounds, too much sounds alike.
SHORTEST_NAME = 4
SHORTEST_TERM = 7
LONGEST_RUN = 3
_PUNCTUATION = re.compile(r"^(\W*)(.*?)((?:['’]s)?\W*)$", re.DOTALL)
_COUNTED_SIDES = re.compile(r"^[1-6]$|^(?:one|two|three|four|five|six)$", re.IGNORECASE)


@dataclass(frozen=True, slots=True)
class _Target:
    text: str
    sounds: str
    words: int
    is_name: bool


class MisheardFinder:
    """Corrects the words of one roster and lexicon."""

    def __init__(self, roster: Roster, lexicon: Lexicon, known_words: frozenset[str]) -> None:
        """
        Args:
            known_words: words of the language in lower case, which are not misheard names by themselves.
        """
        self._known = known_words | frozenset(_lexicon_words(lexicon))
        self._targets: list[_Target] = []
        self._parts: set[str] = set()
        for player in roster.players:
            for spoken, written in _name_forms(player.name, player.nicknames, player.say_as):
                self._parts |= {part.lower() for part in split_words(written)}
                sounds = "".join(map(sounds_of, spoken.split()))
                if len(sounds) >= SHORTEST_NAME:
                    self._targets.append(_Target(written, sounds, len(spoken.split()), True))
        for term in lexicon_terms(lexicon):
            sounds = "".join(map(sounds_of, split_words(term)))
            if len(sounds) >= SHORTEST_TERM:
                self._targets.append(_Target(term, sounds, len(split_words(term)), False))

    def correct(self, transcript: Transcript) -> Transcript:
        """The transcript with misheard runs put right; words that came from captions stay as they are."""
        words = _with_sides(transcript.words)
        out: list[Word] = []
        i = 0
        while i < len(words):
            found = self._best(words, i)
            if found is None:
                out.append(words[i])
                i += 1
                continue
            target, length = found
            out += _written(words[i : i + length], target.text)
            i += length
        # Only recognised words are changed, and recognised words carry no breaks of a source.
        return dataclasses.replace(transcript, words=tuple(out))

    def _best(self, words: Sequence[Word], at: int) -> tuple[_Target, int] | None:
        best: tuple[float, _Target, int] | None = None
        for length in range(min(LONGEST_RUN, len(words) - at), 0, -1):
            run = words[at : at + length]
            if any(w.probability is None for w in run) or any(w.text[-1:] in ".?!,;" for w in run[:-1]):
                continue
            plain = [p.removesuffix("'s").removesuffix("’s") for w in run for p in split_words(w.text)]
            if not plain or any(self._is_name(p) for p in plain):
                continue
            forms = set(normal_forms(plain)) - LIGHT
            doubtful = any(p.lower() not in self._known for p in plain)
            unsure = min(w.probability or 0.0 for w in run) < UNSURE
            if not doubtful and not unsure:
                continue
            heard = "".join(map(sounds_of, plain))
            for target in self._targets:
                if abs(len(target.sounds) - len(heard)) > 2:
                    continue
                needed = NAME_LIKE if target.is_name else TERM_LIKE
                if not doubtful:
                    needed += 0.06
                like = sounds_alike(heard, target.sounds)
                if forms >= set(normal_forms(split_words(target.text))) - LIGHT:
                    continue  # it says so already, in another form or with a small word beside it
                if like >= needed and (best is None or like > best[0]):
                    best = (like, target, length)
        return (best[1], best[2]) if best else None

    def _is_name(self, word: str) -> bool:
        """Whether a word is a name of the roster already, or a playful form of one."""
        low = word.lower()
        return low in self._parts or (word[:1].isupper() and any(is_nickname_of(low, part) for part in self._parts))


def lexicon_terms(lexicon: Lexicon) -> list[str]:
    """The short jargon of a lexicon: names of principles and the wordings of two or three plain words."""
    out: dict[str, None] = {}
    for p in lexicon.active():
        out[p.name.lower()] = None
        for wording in p.say[:12]:
            for reading in readings(wording, lexicon.word_classes)[:4]:
                if GAP not in reading and 2 <= len(reading) <= 3:
                    out[" ".join(reading).lower()] = None
    return list(out)


def _lexicon_words(lexicon: Lexicon) -> list[str]:
    lines = [w for p in lexicon.active() for _, w in p.wordings()] + list(lexicon.nothing)
    return [w.lower() for line in lines for w in split_words(line)]


def _name_forms(name: str, nicknames: Sequence[str], say_as: Sequence[str]) -> list[tuple[str, str]]:
    """(as it sounds, as it is written) for a player's names."""
    parts = name.split()
    forms = [(p, p) for p in parts] + [(n, n) for n in nicknames]
    forms += [(s, name if len(s.split()) > 1 else parts[-1]) for s in say_as]
    return forms


def _with_sides(words: Sequence[Word]) -> list[Word]:
    """ "2 and 2" is "2 on 2": a recogniser hears the small word wrong. Only between small equal or neighbouring counts."""
    out = list(words)
    for i in range(len(words) - 2):
        a, joint, b = (w.text.strip(".,;:") for w in words[i : i + 3])
        if joint.lower() in {"and", "an", "in"} and _COUNTED_SIDES.match(a) and _COUNTED_SIDES.match(b):
            if words[i + 1].probability is not None and words[i].text == a:
                out[i + 1] = dataclasses.replace(words[i + 1], text="on", heard=words[i + 1].text)
    return out


def _written(run: Sequence[Word], text: str) -> list[Word]:
    """The run as it should have been written, its time shared out by letters and its outer punctuation kept."""
    lead, tail = _PUNCTUATION.match(run[0].text), _PUNCTUATION.match(run[-1].text)
    new = text.split()
    new[0] = (lead.group(1) if lead else "") + new[0]
    new[-1] = new[-1] + (tail.group(3) if tail else "")
    start, end = run[0].start_narration_s, run[-1].end_narration_s
    letters = sum(map(len, new))
    heard = " ".join(w.text for w in run)
    out, before = [], 0
    for word in new:
        from_s = start + (end - start) * before / letters
        before += len(word)
        to_s = start + (end - start) * before / letters
        out.append(Word(word, from_s, to_s, run[0].probability, heard, "adjusted"))
    return out
