"""The finder by meaning: clauses against the lexicon's wordings, through sentence embeddings and a trained head.

The wordings are the only training data: a coach who adds one teaches the finder. The head is a few hundred kB of numbers,
made again in seconds whenever the lexicon changes and kept in the cache under the lexicon's digest.
"""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from voiceover.cache import cache_folder
from voiceover.lexicon.model import WORDING_KINDS, Lexicon
from voiceover.lexicon.wording import plain_text
from voiceover.mentions.encoder import Encoder

NOTHING = ""
"""The class of talk that tells no principle."""
# Inverse regularisation of the head; best of 1, 3, 10, 30 on the public corpus (benchmarks/understanding.py).
HEAD_C = 10.0
_FORMAT = "head-v2"


@dataclass(frozen=True, slots=True)
class Head:
    """A linear classifier over sentence embeddings."""

    weights: NDArray[np.float32]
    """Shape (384, k)."""
    bias: NDArray[np.float32]
    """Shape (k,)."""
    labels: tuple[tuple[str, str], ...]
    """(principle id, kind of wording) of each class; the id is NOTHING for talk without a principle."""

    def probabilities(self, vectors: NDArray[np.float32]) -> NDArray[np.float32]:
        """Probability of each class, shape (n, k), for vectors of shape (n, 384)."""
        logits = vectors @ self.weights + self.bias
        logits -= logits.max(axis=1, keepdims=True)
        exps = np.exp(logits)
        return np.asarray(exps / exps.sum(axis=1, keepdims=True), np.float32)


def training_lines(lexicon: Lexicon) -> list[tuple[str, str, str]]:
    """(text, principle id, kind) of every line that teaches the head."""
    lines = []
    for p in lexicon.active():
        for kind, wording in p.wordings():
            lines.append((plain_text(wording, lexicon.word_classes), p.id, kind))
        lines.append((f"{p.name}: {p.definition}", p.id, "say"))
    ids = {p.id for p in lexicon.active()}
    owned = {text for text, _, _ in lines}
    others = [*((w, "") for w in lexicon.nothing), *(w for p in lexicon.active() for w in p.look_alikes)]
    for wording, other in others:
        text = plain_text(wording, lexicon.word_classes)
        if text not in owned and (other in ids or not other):
            lines.append((text, other, "say"))
    return lines


class MeaningFinder:
    """Judges runs of words by what they mean."""

    def __init__(self, lexicon: Lexicon, encoder: Encoder, *, cache: Path | None = None) -> None:
        self._encoder = encoder
        self.head = load_head(lexicon, encoder, cache=cache)
        ids = sorted({i for i, _ in self.head.labels if i != NOTHING})
        self.ids = tuple(ids)
        self._columns = [[c for c, (i, _) in enumerate(self.head.labels) if i == pid] for pid in ids]

    def judge(self, texts: Sequence[str]) -> tuple[NDArray[np.float32], NDArray[np.float32], NDArray[np.float32]]:
        """How likely each text tells each principle.

        Returns:
            probabilities, float32 of shape (n, len(ids)); the kind that each would be told as, float32 of shape
            (n, len(ids), 3) in the order of WORDING_KINDS; and the embeddings, shape (n, 384).
        """
        vectors = self._encoder.embed([t.lower() for t in texts])
        each = self.head.probabilities(vectors)
        kinds = np.zeros((len(texts), len(self.ids), len(WORDING_KINDS)), np.float32)
        for i, columns in enumerate(self._columns):
            for c in columns:
                kinds[:, i, WORDING_KINDS.index(self.head.labels[c][1])] = each[:, c]
        total = kinds.sum(axis=2)
        return total, kinds / np.maximum(total[:, :, None], 1e-9), vectors


def load_head(lexicon: Lexicon, encoder: Encoder, *, cache: Path | None = None) -> Head:
    """The head of a lexicon, from the cache or trained now."""
    folder = cache or cache_folder()
    path = folder / f"{_FORMAT}-{encoder.digest}-{lexicon.digest()[:16]}.npz"
    if path.is_file():
        kept = np.load(path)
        labels = tuple((str(a), str(b)) for a, b in kept["labels"])
        return Head(kept["weights"], kept["bias"], labels)
    head = train_head(lexicon, encoder)
    folder.mkdir(parents=True, exist_ok=True)
    unfinished = path.with_suffix(f".{os.getpid()}.npz")
    np.savez(unfinished, weights=head.weights, bias=head.bias, labels=np.array(head.labels))
    os.replace(unfinished, path)
    return head


def train_head(lexicon: Lexicon, encoder: Encoder) -> Head:
    """Train the head on the lexicon's wordings alone."""
    from sklearn.linear_model import LogisticRegression

    lines = training_lines(lexicon)
    vectors = encoder.embed([text.lower() for text, _, _ in lines])
    labels = sorted({(i, k) for _, i, k in lines})
    model = LogisticRegression(C=HEAD_C, max_iter=300, class_weight="balanced")
    model.fit(vectors, [labels.index((i, k)) for _, i, k in lines])
    return Head(model.coef_.T.astype(np.float32), model.intercept_.astype(np.float32), tuple(labels))
