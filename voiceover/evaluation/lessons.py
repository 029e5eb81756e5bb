"""What marked narrations teach the reader: what is true of each word and sentence, and how a talk is cut and misheard while it teaches."""

from __future__ import annotations

import random
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from voiceover.evaluation.learner import NOT_ASKED
from voiceover.evaluation.marked import marked_roles, quoted_span, roster_of
from voiceover.evaluation.marked_talks import load_narrations
from voiceover.evaluation.misheard import Misheard, mishear
from voiceover.lexicon.model import Lexicon
from voiceover.mentions.encoder import load_encoder
from voiceover.mentions.encoder_weights import LARGE
from voiceover.mentions.model import ROLES, STATUSES
from voiceover.mentions.parse import Span
from voiceover.mentions.people import PeopleResolver
from voiceover.mentions.reader import Unit, named_in, units_of, words_to_read
from voiceover.mentions.reading import PLACES

# Word pieces in one window: drawn between these for each talk, so that no sentence has always the same neighbours.
SHORTEST_WINDOW, LONGEST_WINDOW = 30, 200
# Shares of the windows that are learnt without punctuation, with words missing, and as they might be heard; and the share of words that miss.
# Guesses, not measured.
WITHOUT_STOPS, LOSSY, HEARD, MISSING_WORDS = 0.2, 0.15, 0.3, 0.08


@dataclass(frozen=True, slots=True)
class Taught:
    """A narration as it teaches: its units, and what is true of each word and sentence, as indices or NOT_ASKED."""

    units: list[Unit]
    words: list[str]
    """As they are read."""
    principles: NDArray[np.int64]
    statuses: NDArray[np.int64]
    roles: NDArray[np.int64]
    places: NDArray[np.int64]
    named: dict[int, str]
    """For each word that names somebody the player's name."""
    done: list[tuple[Span, str, int]]
    """What is told: its words, who does it, and his role as an index."""


def lessons_in(folder: Path, lexicon: Lexicon, labels: Sequence[str]) -> list[Taught]:
    """What the marked narrations of a folder teach.

    Raises:
        SystemExit: the weights are not installed.
    """
    encoder = load_encoder(LARGE)
    if encoder is None:
        raise SystemExit(f"the weights are not installed; run: {LARGE.install}")
    out = []
    for doc, talk, _ in load_narrations(folder):
        roster = roster_of(doc)
        people = PeopleResolver(talk, roster, lexicon)
        words = len(talk.transcript.words)
        principles = np.zeros(words, np.int64)
        done = []
        statuses, roles = (np.full(words, NOT_ASKED) for _ in range(2))
        role_of = marked_roles(roster)
        for m in doc["mentions"]:
            span = quoted_span(talk, m["sentence"], m["quote"])
            if span is None or m["principle"] not in labels:
                continue
            at = slice(span.first, span.last + 1)
            role = ROLES.index(role_of[m["player"]])
            principles[at], roles[at] = labels.index(m["principle"]), role
            done.append((span, m["player"], role))
            # A preview has the status that the play then shows: its own words do not tell it.
            statuses[at] = NOT_ASKED if m["kind"] == "preview" else STATUSES.index(m["status"])
        read = words_to_read(talk, people)
        units, places = units_of(talk, read, encoder), _places(doc, len(talk.sentences))
        out.append(Taught(units, read, principles, statuses, roles, places, named_in(talk, people), done))
    return out


def _places(doc: dict[str, Any], sentences: int) -> NDArray[np.int64]:
    """What stands between two possessions goes on with the former, as the log has it: only what is said behind the last is outside."""
    starts = {p["first"] for p in doc["possessions"]} or {0}
    last = max((p["last"] for p in doc["possessions"]), default=-1)
    names = ["opening" if i < min(starts) else "begins" if i in starts else "goes_on" if i <= last else "outside" for i in range(sentences)]
    return np.array([PLACES.index(n) for n in names])


def windows(taught: Taught, draw: random.Random) -> list[list[Unit]]:
    """A narration cut into windows, all of about the same drawn length: they are learnt at once, and what is filled up is lost."""
    out: list[list[Unit]] = [[]]
    most = draw.randint(SHORTEST_WINDOW, LONGEST_WINDOW)
    for unit in taught.units:
        if out[-1] and sum(len(u.pieces) for u in (*out[-1], unit)) > most:
            out.append([])
        out[-1].append(unit)
    return out


@dataclass(frozen=True, slots=True)
class Listener:
    """Makes of what was said what a recogniser might give."""

    misheard: Misheard
    stops: frozenset[int]
    """Ids of the pieces that are punctuation."""
    pieces: Callable[[Sequence[str]], tuple[list[int], list[int]]]
    """As `Encoder.pieces`."""

    def hear(self, taught: Taught, units: Sequence[Unit], draw: random.Random) -> list[Unit]:
        """Units of one window: some without commas and full stops, some with words missing, some with others in their place."""
        if draw.random() < HEARD:
            units = [self._misheard(taught, unit, draw) for unit in units]
        gone = self.stops if draw.random() < WITHOUT_STOPS else frozenset()
        lossy = draw.random() < LOSSY
        out = []
        for unit in units:
            missing = {w for w in sorted(set(unit.word_of_piece)) if lossy and draw.random() < MISSING_WORDS}
            kept = [(p, w) for p, w in zip(unit.pieces, unit.word_of_piece, strict=True) if p not in gone and w not in missing]
            out.append(replace(unit, pieces=tuple(p for p, _ in kept), word_of_piece=tuple(w for _, w in kept)))
        return out

    def _misheard(self, taught: Taught, unit: Unit, draw: random.Random) -> Unit:
        if not unit.word_of_piece:
            return unit
        first, last = unit.word_of_piece[0], unit.word_of_piece[-1]
        names = frozenset(w - first for w in taught.named if first <= w <= last)
        heard = mishear(taught.words[first : last + 1], self.misheard, draw, left=names)
        pieces, of_word = self.pieces([text for text, _ in heard])
        return replace(unit, pieces=tuple(pieces), word_of_piece=tuple(first + heard[w][1] for w in of_word))
