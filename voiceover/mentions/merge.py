"""One decision over all candidates: what becomes a mention, and what is rejected and why."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from voiceover.fitted import fitted
from voiceover.mentions.candidates import FEATURES, LEAST_SCORE, Candidate
from voiceover.mentions.model import Proposal, Rejected
from voiceover.mentions.parse import Span
from voiceover.mentions.trees import Trees, from_kept

# Accepted from this probability on: best F1 with an eighth of the narrations held out in turn, flat from 0.34 to 0.42.
MIN_CONFIDENCE = 0.38
# Where the words of a surer mention of another principle are shared, this much is needed to stand beside it.
MIN_BESIDE = 0.7
# Two exact phrases of one principle in a sentence are two mentions where at least so many words lie between.
WORDS_BETWEEN = 4
# From these log odds of the finder by meaning on, it counts as having found it. Guess, not measured.
LEAST_MEANT = -1.0
_BEST, _NGRAMS = FEATURES.index("best"), FEATURES.index("ngrams")
# Without meaning weights a phrase needs two words that carry a picture (0.4 + 0.2 for each).
MIN_PHRASE = 0.75


@dataclass(frozen=True, slots=True)
class Linear:
    """A logistic model over features that are first brought to mean 0 and deviation 1."""

    mean: NDArray[np.float64]
    scale: NDArray[np.float64]
    weights: NDArray[np.float64]
    constant: float

    def probability(self, x: NDArray[np.float64]) -> NDArray[np.float64]:
        """Shape (n,), for features of shape (n, k)."""
        return np.asarray(1 / (1 + np.exp(-((x - self.mean) / self.scale @ self.weights + self.constant))))


@dataclass(frozen=True, slots=True)
class Judge:
    """Decides over candidates, fitted on the public narrations and our own by evaluation/fit.py.

    A talk has themes: what is surely told in one sentence is likelier in another. So each candidate is judged first for itself, and
    then with how sure the same principle is elsewhere. Where a reader knows its principle, what it reads decides with them.
    """

    alone: Linear
    """Over FEATURES."""
    in_talk: Linear
    """Over FEATURES and elsewhere()."""
    with_reader: tuple[Linear, Trees] | None = None
    """Over these and what a reader says; the mean of both in log odds decides."""

    def confidence(self, candidates: Sequence[Candidate], read: NDArray[np.float64] | None = None) -> NDArray[np.float64]:
        """Probability that each candidate of one talk is a mention, shape (n,).

        Args:
            candidates: all of the talk.
            read: `opinion` of a reader, rows of NaN for principles that it does not know; None where there is no reader.
        """
        if not candidates:
            return np.zeros(0)
        x = self.features_in_talk(candidates)
        sure = self.in_talk.probability(x)
        if self.with_reader is not None and read is not None and (known := ~np.isnan(read).any(axis=1)).any():
            seen = np.hstack([x, read])[known]
            line, trees = self.with_reader
            odds = (_log_odds(line.probability(seen)) + _log_odds(trees.probability(seen))) / 2
            sure[known] = 1 / (1 + np.exp(-odds))
        return sure

    def features_in_talk(self, candidates: Sequence[Candidate]) -> NDArray[np.float64]:
        """FEATURES and elsewhere() of at least one candidate, shape (n, k)."""
        x = np.array([c.features for c in candidates])
        return np.hstack([x, elsewhere(candidates, self.alone.probability(x))])


# Sentences so near are about the same moment.
NEAR_SENTENCES = 2
_LEAST = 1e-3


def _log_odds(p: NDArray[np.float64]) -> NDArray[np.float64]:
    """Of probabilities kept within _LEAST of their ends."""
    clipped = np.clip(p, _LEAST, 1 - _LEAST)
    return np.asarray(np.log(clipped / (1 - clipped)))


def elsewhere(candidates: Sequence[Candidate], alone: NDArray[np.float64]) -> NDArray[np.float64]:
    """How sure the same principle is in the talk's other sentences, shape (n, 3): the surest, the surest nearby, how many.

    Args:
        candidates: all of one talk.
        alone: probability of each, judged for itself.
    """
    odds = _log_odds(alone)
    floor = float(_log_odds(np.zeros(1))[0])
    of_principle: dict[str, list[tuple[int, float]]] = {}
    for c, o in zip(candidates, odds, strict=True):
        of_principle.setdefault(c.principle_id, []).append((c.sentence, float(o)))
    out = np.zeros((len(candidates), 3))
    for row, c in enumerate(candidates):
        others = [(abs(sentence - c.sentence), o) for sentence, o in of_principle[c.principle_id] if sentence != c.sentence]
        out[row] = (
            max((o for _, o in others), default=floor),
            max((o for gap, o in others if gap <= NEAR_SENTENCES), default=floor),
            sum(o > 0 for _, o in others),
        )
    return out


@lru_cache(maxsize=1)
def load_judge() -> Judge:
    """The fitted numbers that ship with the tool."""
    kept = fitted("mentions")

    def linear(part: str) -> Linear:
        k = kept[part]
        return Linear(np.array(k["mean"]), np.array(k["scale"]), np.array(k["weights"]), float(k["constant"]))

    with_reader = (linear("with_reader"), from_kept(kept["trees"])) if kept["with_reader"] else None
    return Judge(linear("alone"), linear("in_talk"), with_reader)


def decide(
    candidates: Sequence[Candidate], judge: Judge, read: NDArray[np.float64] | None = None, *, min_confidence: float = MIN_CONFIDENCE
) -> tuple[list[Proposal], list[Rejected]]:
    """Accept the surest first; what shares its words with a surer one must be sure itself.

    Args:
        candidates: all of one talk.
        judge: says how sure each is.
        read: `opinion` of a reader; None where there is none.
        min_confidence: what is less sure is rejected.

    Returns:
        The accepted mentions in order of the talk, score being the calibrated confidence, and the rejected with the
        reason. Every candidate is in one of the two.
    """
    confidence = judge.confidence(candidates, read)
    accepted: list[Proposal] = []
    taken: list[tuple[Span, str]] = []
    rejected: list[Rejected] = []
    for i in np.argsort(-confidence, kind="stable"):
        c, sure = candidates[i], float(confidence[i])
        proposals = _proposals(c, sure)
        if sure < min_confidence:
            rejected.append(Rejected(proposals[0], f"confidence {sure:.2f} under {min_confidence:.2f}"))
            continue
        rival = next((r for r in taken if r[0].overlaps(c.span)), None)
        if rival is not None and sure < MIN_BESIDE:
            rejected.append(Rejected(proposals[0], f"the words tell {rival[1]}"))
            continue
        taken.append((c.span, c.principle_id))
        accepted += proposals
    return sorted(accepted, key=lambda p: (p.first, p.last, p.principle_id)), rejected


def _proposals(c: Candidate, sure: float) -> list[Proposal]:
    """One mention; two where two phrases stand apart in the sentence ("over the left one, ... over the right one")."""
    names = dict.fromkeys(h.found_by for h in c.hits)
    others = [name for name, yes in (("meaning", c.features[_BEST] > LEAST_MEANT), ("n-grams", c.features[_NGRAMS] >= LEAST_SCORE)) if yes]
    found_by = "+".join([*names, *others]) or "reader"
    apart: list[Proposal] = []
    for hit in sorted(c.hits, key=lambda h: h.first):
        if not apart or hit.first - apart[-1].last > WORDS_BETWEEN:
            apart.append(hit)
    if len(apart) > 1:
        return [Proposal(c.principle_id, h.first, h.last, sure, found_by, c.kinds, h.wording) for h in apart]
    wording = max(c.hits, key=lambda h: h.score).wording if c.hits else ""
    return [Proposal(c.principle_id, c.span.first, c.span.last, sure, found_by, c.kinds, wording)]


def decide_by_wording(phrases: Sequence[Proposal]) -> tuple[list[Proposal], list[Rejected]]:
    """The decision where the meaning weights are not installed: phrases alone, the surest first."""
    accepted: list[Proposal] = []
    rejected: list[Rejected] = []
    for p in sorted(phrases, key=lambda p: -p.score):
        rival = next((a for a in accepted if Span(a.first, a.last).overlaps(Span(p.first, p.last))), None)
        if p.score < MIN_PHRASE:
            rejected.append(Rejected(p, f"score {p.score:.2f} under {MIN_PHRASE:.2f}"))
        elif rival is not None:
            rejected.append(Rejected(p, f"the words tell {rival.principle_id}"))
        else:
            accepted.append(p)
    return sorted(accepted, key=lambda p: (p.first, p.last, p.principle_id)), rejected
