"""Fit which spoken numbers are claims: the weights of `claims.py`, on the marked narrations."""

from __future__ import annotations

import bisect
import itertools
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from sklearn.feature_extraction import DictVectorizer
from sklearn.linear_model import LogisticRegression

from voiceover.claims import KINDS, features, may_count, numbers_in, place_of, what_is_counted
from voiceover.mentions.parse import ParsedTalk
from voiceover.possessions import Possession

# Inverse regularisation; 0.3 to 3 are equally good with an eighth of the narrations held out in turn.
C = 1.0
# What stands around fewer numbers than this says nothing.
LEAST_NUMBERS = 4
# Weights below this in all kinds are left out.
LEAST_WEIGHT = 0.03

Weights = Mapping[str, Sequence[float]]


@dataclass(frozen=True, slots=True)
class MarkedNumbers:
    """The spoken numbers of one narration."""

    numbers: list[tuple[dict[str, float], bool, float, str]]
    """What stands around each, whether it is a time, its value, and what it counts: one of KINDS."""
    claims: set[tuple[str, float]]
    """All that is marked."""


def marked_possessions(doc: dict[str, Any]) -> list[Possession]:
    """The possessions of a marked narration by their sentences; their times are left at 0."""
    return [Possession(p["n"], p["first"], p["last"], 0.0, 0.0) for p in doc["possessions"]]


def marked_numbers(doc: dict[str, Any], talk: ParsedTalk) -> MarkedNumbers:
    """Those of a marked narration.

    Args:
        doc: as `by_sentences_of` gives it.
        talk: the same, parsed.
    """
    spans = marked_possessions(doc)
    claims = {(c["sentence"], c["what"], float(c["value"])) for c in doc["claims"]}
    starts = list(itertools.accumulate((len(s["text"].split()) for s in doc["sentences"]), initial=0))
    out = []
    for parsed in talk.sentences:
        words = [w.text for w in talk.transcript.words[parsed.sentence.first : parsed.sentence.last + 1]]
        for number in numbers_in(words):
            marked = bisect.bisect_right(starts, parsed.sentence.first + number.first) - 1  # the marks count sentences in their own way
            kind = next((k for k in may_count(number.is_time) if (marked, k, number.value) in claims), "none")
            around = features(words, number, place_of(parsed.index, spans, len(talk.sentences)))
            out.append((around, number.is_time, number.value, kind))
    return MarkedNumbers(out, {(what, value) for _, what, value in claims})


def fit_claims(talks: Sequence[MarkedNumbers]) -> Weights:
    """Fit on the numbers of many narrations."""
    numbers = [n for t in talks for n in t.numbers]
    often = Counter(name for around, _, _, _ in numbers for name in around)
    known = [{name: value for name, value in around.items() if often[name] >= LEAST_NUMBERS} for around, _, _, _ in numbers]
    vectors = DictVectorizer()
    model = LogisticRegression(C=C, max_iter=5000).fit(vectors.fit_transform(known), [KINDS.index(kind) for _, _, _, kind in numbers])
    weights = {
        name: [round(float(w), 2) for w in column] for name, column in zip(vectors.get_feature_names_out(), model.coef_.T, strict=True)
    }
    weights[""] = [round(float(w + b), 2) for w, b in zip(weights[""], model.intercept_, strict=True)]
    return {name: w for name, w in weights.items() if max(map(abs, w)) >= LEAST_WEIGHT}


def claims_found(talk: MarkedNumbers, weights: Weights) -> tuple[int, int, int]:
    """How many claims of a narration are found, how many are marked, and how many are found that are none."""
    found = {(what, value) for around, is_time, value, _ in talk.numbers if (what := what_is_counted(around, is_time, weights))}
    return len(found & talk.claims), len(talk.claims), len(found - talk.claims)
