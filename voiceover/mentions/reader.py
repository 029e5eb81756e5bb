"""The reader: the large encoder, taught by marked narrations to read a talk as a whole.

What the other finders judge is a wording by itself. "Late" or "and there it is again" tells something only behind the sentence before, and
that a pass failed is often told by the sentence that follows. The reader sees each sentence with its neighbours, and says of every word
which principle it is part of, how that comes out and whose it is, and of every sentence what it does in the talk.
"""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from voiceover.lexicon.model import Lexicon, Principle
from voiceover.mentions.course import Course
from voiceover.mentions.encoder import Encoder
from voiceover.mentions.lines import NOTHING
from voiceover.mentions.model import ROLES, STATUSES
from voiceover.mentions.parse import ParsedTalk
from voiceover.mentions.people import PeopleResolver
from voiceover.mentions.reading import FOCUS, PLACES, Pointers, Reading, log_softmax
from voiceover.mentions.references import OPPONENT, TEAMMATE, Reference

HEAD = Path(__file__).with_name("reader.npz")
"""Made by evaluation/train_reader.py: weights (k, 768) and bias (k,) of all answers, the principles and what each was taught as; and what
points to somebody: asks and answers (64, 768), unnamed (3, 64); and course_*, as course.py has them. `adapter` is the SHA-256 of the adapter that was taught with it."""

# Whoever is named is read under one of these names, in the order of the roster: so the reader knows whose side somebody is on, and learns nobody's name.
STAND_INS = {
    FOCUS: ("alex", "andy"),
    TEAMMATE: ("blake", "bobby", "brian", "bruce", "bailey", "becky"),
    OPPONENT: ("casey", "carl", "craig", "curtis", "connie", "cathy"),
}
# Word pieces of the sentences that are judged at once, and of those before and behind that are read with them, of which one at least is whatever its length.
# Together they are well within what the reader was taught with (lessons.py: 30 to 200). 160 with one sentence on either side costs half of this, and half a
# point of mention F1 on our own narrations.
JUDGED, BEFORE, BEHIND = 48, 20, 12
# A sentence of more word pieces is read in parts; captions without full stops have such. Three of them are well within the encoder's 512.
LONGEST_UNIT = 100
_BEHIND_NAME = re.compile(r"(?:['’]s?)?[.,;:!?]*$")


class Reader:
    """Reads talks."""

    def __init__(self, lexicon: Lexicon, encoder: Encoder) -> None:
        self._encoder = encoder
        with np.load(HEAD) as kept:
            self._weights, self._bias = kept["weights"].astype(np.float32), kept["bias"].astype(np.float32)
            self._asks, self._answers, self._unnamed = (kept[name].astype(np.float32) for name in ("asks", "answers", "unnamed"))
            self._course = Course.kept_in(kept)
            taught = dict(zip(map(str, kept["ids"]), map(str, kept["taught"]), strict=True))
        self.labels = (NOTHING, *taught)
        self.knows = frozenset(p.id for p in lexicon.active() if taught.get(p.id) == meaning_of(p))
        """Ids of the principles that it can find."""

    def read(self, talk: ParsedTalk, people: PeopleResolver) -> Reading:
        """Read a talk."""
        units = units_of(talk, words_to_read(talk, people), self._encoder)
        logits = np.zeros((len(talk.transcript.words), len(self._bias)), np.float32)
        places = np.zeros((len(talk.sentences), len(PLACES)), np.float32)
        sentences = np.zeros((len(talk.sentences), self._weights.shape[1]), np.float32)
        asks, answers = (np.zeros((len(logits), len(self._asks)), np.float32) for _ in range(2))
        windows = windows_of([len(u.pieces) for u in units])
        opening, closing = self._encoder.brackets
        texts = [[opening, *(i for u in units[w.first : w.last + 1] for i in u.pieces), closing] for w in windows]
        read = np.zeros(len(logits), bool)
        for window, bracketed in zip(windows, self._encoder.states(texts), strict=True):
            states = bracketed[1:-1]
            told = states @ self._weights.T + self._bias
            pointing = states @ self._asks.T, states @ self._answers.T
            start = sum(len(u.pieces) for u in units[window.first : window.judged_first])
            for unit in units[window.judged_first : window.judged_last + 1]:
                mine = slice(start, start + len(unit.pieces))
                of_word = np.array(unit.word_of_piece)
                for word in set(unit.word_of_piece):
                    at = start + np.flatnonzero(of_word == word)
                    logits[word] = told[at].mean(axis=0)
                    asks[word], answers[word] = pointing[0][at].mean(axis=0), pointing[1][at[0]]
                    read[word] = True
                start = mine.stop
                if unit.begins and unit.pieces:
                    places[unit.sentence] = told[mine, -len(PLACES) :].mean(axis=0)
                    sentences[unit.sentence] = states[mine].mean(axis=0)
        # The further words of a name have no pieces of their own: what is thought of its first word holds for them.
        last_read = np.maximum.accumulate(np.where(read, np.arange(len(read)), 0))
        logits, asks, answers = logits[last_read], asks[last_read], answers[last_read]
        k = len(self.labels)
        bounds = [0, k, k + len(STATUSES), k + len(STATUSES) + len(ROLES)]
        parts = [log_softmax(logits[:, a:b]) for a, b in zip(bounds, bounds[1:], strict=False)]
        pointers = Pointers(asks, answers, self._unnamed, named_in(talk, people))
        with_all = log_softmax(places + self._course.judge(sentences))
        return Reading(self.labels, parts[0], parts[1], parts[2], with_all, log_softmax(places), self.knows, pointers)


@dataclass(frozen=True, slots=True)
class Unit:
    """A sentence, or a part of one that is too long to be read at once."""

    sentence: int
    """Its index in the talk."""
    begins: bool
    """Whether it is the first of its sentence."""
    pieces: tuple[int, ...]
    """Ids of its word pieces."""
    word_of_piece: tuple[int, ...]
    """Index in the transcript of the word that each is part of."""


@dataclass(frozen=True, slots=True)
class Window:
    """Units that are read together, as indices, all inclusive."""

    first: int
    judged_first: int
    judged_last: int
    last: int


def words_to_read(talk: ParsedTalk, people: PeopleResolver) -> list[str]:
    """The words of a talk in lower case, whoever is named by name or number as one of STAND_INS; the further words of such a name are empty."""
    words = [w.text.lower().replace("’", "'") for w in talk.transcript.words]
    names: dict[str, str] = {}
    for role, given in STAND_INS.items():
        players = [p.name for p in people.roster.players if people.roster.role_of(p) == role]
        names |= {name: given[i % len(given)] for i, name in enumerate(players)}
    for r, name in _named(talk, people):
        ending = _BEHIND_NAME.search(words[r.last])
        words[r.first : r.last + 1] = [names[name] + (ending.group() if ending else ""), *[""] * (r.last - r.first)]
    return words


def named_in(talk: ParsedTalk, people: PeopleResolver) -> dict[int, str]:
    """For each word of a talk that names somebody, by name or by number, the player's name."""
    return {r.first: name for r, name in _named(talk, people)}


def _named(talk: ParsedTalk, people: PeopleResolver) -> Iterator[tuple[Reference, str]]:
    """The references of a talk that name a player, by name or by number, each with his name."""
    for parsed in talk.sentences:
        for r in people.references(parsed.index):
            if r.kind in ("name", "number") and r.player is not None:
                yield r, r.player.name


def units_of(talk: ParsedTalk, words: Sequence[str], encoder: Encoder) -> list[Unit]:
    """What the words of a talk are read as, in order.

    Args:
        words: as `words_to_read` gives them.
    """
    out = []
    for parsed in talk.sentences:
        first = parsed.sentence.first
        pieces, of_word = encoder.pieces(words[first : parsed.sentence.last + 1])
        start = 0
        while start < len(pieces) or start == 0:
            end = min(start + LONGEST_UNIT, len(pieces))
            # Back to where a word ends, unless a single word is longer than a unit.
            while start < end < len(pieces) and of_word[end] == of_word[end - 1] and of_word[end] != of_word[start]:
                end -= 1
            out.append(Unit(parsed.index, start == 0, tuple(pieces[start:end]), tuple(first + w for w in of_word[start:end])))
            start = max(end, 1)
    return out


def windows_of(lengths: Sequence[int]) -> list[Window]:
    """How units of so many pieces are read: each is judged once, with what stands before and behind.

    >>> windows_of([15, 15, 30])
    [Window(first=0, judged_first=0, judged_last=1, last=2), Window(first=1, judged_first=2, judged_last=2, last=2)]
    """
    out, start, n = [], 0, len(lengths)
    while start < n:
        end = _reach(lengths, start, n, 1, JUDGED)
        first = start if start == 0 else _reach(lengths, start - 1, -1, -1, BEFORE)
        last = end if end == n - 1 else _reach(lengths, end + 1, n, 1, BEHIND)
        out.append(Window(first, start, end, last))
        start = end + 1
    return out


def _reach(lengths: Sequence[int], start: int, stop: int, step: int, most: int) -> int:
    """The furthest unit from `start` on up to which they have no more than `most` pieces together; at least `start` itself."""
    reached, total = start, lengths[start]
    for i in range(start + step, stop, step):
        total += lengths[i]
        if total > most:
            break
        reached = i
    return reached


def digest_of_file(path: Path) -> str:
    """SHA-256 of a file, as hexadecimal digits."""
    return hashlib.sha256(path.read_bytes()).hexdigest()


def meaning_of(p: Principle) -> str:
    """Identifies what a principle is, whatever its wordings, as hexadecimal digits."""
    return hashlib.sha256(json.dumps([p.id, p.name, p.definition], ensure_ascii=False).encode()).hexdigest()[:16]
