"""Whether what follows a mention tells that it did not come off: "and Bruhn smells it the whole way", "only nobody's there".

How a try fails is told by what somebody else does, in more ways than a pattern holds. A small classifier over embeddings and
n-grams, taught by `lexicon/outcomes.yaml`, reads the rest of the sentence.
"""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from voiceover.cache import cache_folder, kept_arrays
from voiceover.lexicon.io import shipped_lexicon_path, shipped_lines
from voiceover.mentions.encoder import Encoder
from voiceover.mentions.ngrams import NgramClassifier
from voiceover.mentions.parse import ParsedTalk, Span

OUTCOMES = ("failed", "came_off")
# A rest of fewer words ("there", "again") says nothing.
SHORTEST = 2
_FORMAT = "outcomes-v1"


class OutcomeClassifier:
    """How likely a failure is told, for pieces of talk."""

    def __init__(self, encoder: Encoder, *, cache: Path | None = None) -> None:
        self._encoder = encoder
        content = shipped_lexicon_path("outcomes").read_bytes()
        digest = hashlib.sha256(content + encoder.digest.encode()).hexdigest()[:16]
        folder = cache or cache_folder()
        kept = kept_arrays(folder / f"{_FORMAT}-{digest}.npz", lambda: _train(encoder))
        self._weights, self._bias = kept["weights"], kept["bias"]
        self._ngrams = NgramClassifier(folder / f"{_FORMAT}-ngrams-{digest}.npz", _lines)

    def failed(self, rests: Sequence[str]) -> NDArray[np.float64]:
        """Probability that each tells a failure, shape (n,); 0 for those that are too short to tell anything."""
        out = np.zeros(len(rests))
        told = [i for i, text in enumerate(rests) if len(text.split()) >= SHORTEST]
        if told:
            texts = [rests[i].lower() for i in told]
            logit = (self._encoder.embed(texts) @ self._weights + self._bias)[:, 0]
            scores = self._ngrams.score(texts)
            logit += scores[:, self._ngrams.labels.index("failed")] - scores[:, self._ngrams.labels.index("came_off")]
            out[told] = 1.0 / (1.0 + np.exp(-logit))
        return out


def rest_of_sentence(talk: ParsedTalk, span: Span) -> str:
    """What follows some words in their sentence."""
    sentence = talk.sentences[talk.sentence_of_word[span.last]].sentence
    return talk.text(Span(span.last + 1, sentence.last)).strip(" ,.;:!?") if span.last < sentence.last else ""


def _lines() -> list[tuple[str, str]]:
    taught = shipped_lines("outcomes")
    return [(text, outcome) for outcome in OUTCOMES for text in taught[outcome]]


def _train(encoder: Encoder) -> dict[str, NDArray[Any]]:
    from sklearn.linear_model import LogisticRegression

    lines = _lines()
    model = LogisticRegression(C=5.0, max_iter=1000, class_weight="balanced")
    model.fit(encoder.embed([text.lower() for text, _ in lines]), [outcome == "failed" for _, outcome in lines])
    return {"weights": model.coef_.T.astype(np.float32), "bias": model.intercept_.astype(np.float32)}
