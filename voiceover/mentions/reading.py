"""What the reader thinks of a talk, and what that says for and against a candidate."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from voiceover.mentions.lines import NOTHING
from voiceover.mentions.model import ROLES, STATUSES
from voiceover.mentions.parse import ParsedTalk, Span

if TYPE_CHECKING:
    from voiceover.mentions.candidates import Candidate

FOCUS = ROLES[0]
PLACES = ("opening", "begins", "goes_on", "outside")
"""Where a sentence stands: before the first possession, first of one, further on in one, between or behind them."""
# Logarithms of probabilities are cut here: beyond, they only say how sure the head is of what is not there. Guess, not measured.
LEAST = -9.0
# Of a word that tells nothing, when the words of a span are weighed: so a principle that the reader missed is told by all of them alike.
# Guess, not measured.
LEAST_WEIGHT = 0.05


# A name that is so many sentences before a telling, or behind it, may be whose it is: about what the reader sees of it at once. Guesses, not measured.
NAMED_BEFORE, NAMED_BEHIND = 3, 1


@dataclass(frozen=True, slots=True)
class Pointers:
    """By which the words of a telling point to whoever does it: vectors whose dot product says how likely."""

    asks: NDArray[np.float32]
    """What each word asks, shape (words, d)."""
    answers: NDArray[np.float32]
    """What each word answers, shape (words, d): true only of words that name somebody."""
    unnamed: NDArray[np.float32]
    """The answer that it is somebody of each of ROLES who is not named near, shape (3, d)."""
    named: Mapping[int, str]
    """For each word that names somebody the player's name."""


@dataclass(frozen=True, slots=True)
class Reading:
    """What the reader thinks of every word and sentence of a talk, as logarithms of probabilities."""

    labels: tuple[str, ...]
    """NOTHING, then ids of principles."""
    principles: NDArray[np.float32]
    """Of each of `labels`, shape (words, k)."""
    statuses: NDArray[np.float32]
    """Of each of STATUSES, shape (words, 4): true only of words that tell a principle. The last is never taught: no words tell it."""
    roles: NDArray[np.float32]
    """Of each of ROLES, shape (words, 3), likewise."""
    places: NDArray[np.float32]
    """Of each of PLACES with the whole talk in mind, shape (sentences, 4)."""
    places_alone: NDArray[np.float32]
    """The same by what stands near alone."""
    knows: frozenset[str] = frozenset()
    """Ids of the principles that were looked for."""
    pointers: Pointers | None = None

    @property
    def is_silent(self) -> bool:
        """Whether there was no reader."""
        return self.pointers is None

    @classmethod
    def silent(cls, talk: ParsedTalk) -> Reading:
        """What is thought where there is no reader: nothing is likelier than anything else."""
        words, sentences = len(talk.transcript.words), len(talk.sentences)
        places = _alike(sentences, len(PLACES))
        return cls((NOTHING,), _alike(words, 1), _alike(words, len(STATUSES)), _alike(words, len(ROLES)), places, places)

    def status(self, span: Span, principle_id: str) -> NDArray[np.float32]:
        """Of each of STATUSES for a principle told in a span of words, shape (4,)."""
        return self._mean(self.statuses, span, principle_id)

    def role(self, span: Span, principle_id: str) -> NDArray[np.float32]:
        """Of each of ROLES for a principle told in a span of words, shape (3,)."""
        return self._mean(self.roles, span, principle_id)

    def doers(self, talk: ParsedTalk, sentence: int, span: Span, principle_id: str) -> dict[str, float]:
        """Logarithm of the probability that somebody does what a span tells: players by name, and each of ROLES for one who is not named near."""
        pointers = self.pointers
        if pointers is None:
            return dict.fromkeys(ROLES, float(-np.log(len(ROLES))))
        first = talk.sentences[max(0, sentence - NAMED_BEFORE)].sentence.first
        last = talk.sentences[min(len(talk.sentences) - 1, sentence + NAMED_BEHIND)].sentence.last
        words = [w for w in pointers.named if first <= w <= last]
        asked = self._mean(pointers.asks, span, principle_id) / np.sqrt(pointers.asks.shape[1])
        scores = np.concatenate([pointers.answers[words] @ asked, pointers.unnamed @ asked])
        each = np.exp(scores - scores.max())
        each /= each.sum()
        out = dict.fromkeys(ROLES, 0.0)
        for name, p in zip([*(pointers.named[w] for w in words), *ROLES], each, strict=True):
            out[name] = out.get(name, 0.0) + float(p)
        return {name: float(np.log(max(p, np.exp(LEAST)))) for name, p in out.items()}

    def told_by(self, principle_ids: Sequence[str], spans: Sequence[Span]) -> NDArray[np.float32]:
        """Mean probability of each principle over the words of each span, shape (spans, principles); 0 for those that were not looked for."""
        columns = [self.labels.index(i) if i in self.knows else -1 for i in principle_ids]
        told = np.stack([np.exp(self.principles[s.first : s.last + 1]).mean(axis=0) for s in spans])
        return np.where(np.array(columns) >= 0, told[:, columns], 0.0).astype(np.float32)

    def _mean(self, told: NDArray[np.float32], span: Span, principle_id: str) -> NDArray[np.float32]:
        """Mean over a span, the words that tell the principle counting most."""
        inside = slice(span.first, span.last + 1)
        told_here = np.exp(self.principles[inside, self.labels.index(principle_id)]) if principle_id in self.knows else np.zeros(len(span))
        weights = told_here + LEAST_WEIGHT
        return np.asarray(weights @ told[inside] / weights.sum())


FEATURES = ("read", "read_most", "read_nothing", "read_other", "read_sentence", "read_margin", "read_around", "read_elsewhere")


def opinion(reading: Reading, talk: ParsedTalk, candidates: Sequence[Candidate]) -> NDArray[np.float64]:
    """What a reading says for each candidate, shape (n, len(FEATURES)); rows of NaN for principles that were not looked for."""
    out = np.full((len(candidates), len(FEATURES)), np.nan)
    known = np.maximum(reading.principles, LEAST)
    most = np.array([known[s.sentence.first : s.sentence.last + 1].max(axis=0, initial=LEAST) for s in talk.sentences])
    for row, c in enumerate(candidates):
        if c.principle_id in reading.knows:
            column = reading.labels.index(c.principle_id)
            out[row] = _for_and_against(known[c.span.first : c.span.last + 1], column, most[:, column], c.sentence)
    return out


def _for_and_against(inside: NDArray[np.float32], column: int, most: NDArray[np.float32], sentence: int) -> tuple[float, ...]:
    """As named in FEATURES.

    Args:
        inside: what is thought of the words of a candidate, shape (words, k).
        column: of its principle.
        most: for each sentence of the talk the most that any of its words says for that principle.
        sentence: index of the one that the candidate is in.
    """
    mean = inside.mean(axis=0)
    mine, nothing = float(mean[column]), float(mean[0])
    other = float(np.delete(mean, [0, column]).max(initial=LEAST))
    near = slice(max(0, sentence - 1), sentence + 2)
    around = float(np.delete(most[near], sentence - near.start).max(initial=LEAST))
    elsewhere = float(np.delete(most, range(near.start, min(near.stop, len(most)))).max(initial=LEAST))
    return mine, float(inside[:, column].max()), nothing, other, float(most[sentence]), mine - max(other, nothing), around, elsewhere


def log_softmax(x: NDArray[Any]) -> NDArray[Any]:
    """Logarithms of the probabilities that logits of shape (n, k) stand for."""
    shifted = x - x.max(axis=1, keepdims=True)
    return np.asarray(shifted - np.log(np.exp(shifted).sum(axis=1, keepdims=True)))


def _alike(rows: int, columns: int) -> NDArray[np.float32]:
    return np.full((rows, columns), -np.log(columns), np.float32)
