"""The finder by meaning: clauses against the lexicon's wordings, through sentence embeddings and a trained head.

The wordings are the only training data: a coach who adds one teaches the finder. The head and the wordings' vectors are made
again, in minutes, whenever the lexicon changes, and kept in the cache under the lexicon's digest. The head of the shipped lexicon ships.
"""

from __future__ import annotations

import hashlib
import random
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from voiceover.cache import cache_folder, kept_arrays
from voiceover.lexicon.model import WORDING_KINDS, Lexicon
from voiceover.mentions.encoder import Encoder
from voiceover.mentions.lines import NOTHING, all_lines, talk_lines
from voiceover.mentions.variation import alike, vary

# Inverse regularisation of the head; best of 1, 3, 10 and 30 on the public narrations.
HEAD_C = 10.0
# Similarity of a text to a principle without wordings: below any real cosine.
NO_WORDING = -1.0
SEED = 20261125
_FORMAT = "head-v6"
SHIPPED = Path(__file__).with_name("meaning_head.npz")
"""Made by evaluation/fit.py: weights (384, k) and bias (k,) of the classes, their labels, and what they were taught by."""


def softmax(logits: NDArray[np.float32]) -> NDArray[np.float32]:
    """Probabilities, each row adding up to 1."""
    exps = np.exp(logits - logits.max(axis=1, keepdims=True))
    return np.asarray(exps / exps.sum(axis=1, keepdims=True), np.float32)


@dataclass(frozen=True, slots=True)
class Head:
    """A linear classifier over sentence embeddings, and the lines that it learnt from."""

    weights: NDArray[np.float32]
    """Shape (384, k)."""
    bias: NDArray[np.float32]
    """Shape (k,)."""
    labels: tuple[tuple[str, str], ...]
    """(principle id, kind of wording) of each class; the id is NOTHING for talk without a principle."""
    vectors: NDArray[np.float32]
    """Embeddings of the training lines, shape (lines, 384)."""
    label_of_line: NDArray[np.int64]
    """For each training line the index of its class, shape (lines,)."""

    def probabilities(self, vectors: NDArray[np.float32]) -> NDArray[np.float32]:
        """Probability of each class, shape (n, k), for vectors of shape (n, 384)."""
        return softmax(vectors @ self.weights + self.bias)


@dataclass(frozen=True, slots=True)
class Judgement:
    """What the finder thinks of n texts."""

    probability: NDArray[np.float32]
    """That a text tells a principle, shape (n, principles)."""
    nothing: NDArray[np.float32]
    """That it tells none, shape (n,)."""
    kinds: NDArray[np.float32]
    """As which kind of wording it would be told, shape (n, principles, 3), in the order of WORDING_KINDS."""
    vectors: NDArray[np.float32]
    """Their embeddings, shape (n, 384)."""


@dataclass(frozen=True, slots=True)
class Nearest:
    """How near some texts are to the lines that teach."""

    principle: NDArray[np.float32]
    """Cosine to the nearest wording of each principle, shape (n, principles)."""
    nothing: NDArray[np.float32]
    """Cosine to the nearest line of talk about nothing, shape (n,)."""


class MeaningFinder:
    """Judges runs of words by what they mean."""

    def __init__(self, lexicon: Lexicon, encoder: Encoder, *, cache: Path | None = None) -> None:
        self._encoder = encoder
        self._head = load_head(lexicon, encoder, cache=cache)
        labels = self._head.labels
        self.ids = tuple(sorted({i for i, _ in labels if i != NOTHING}))
        self._columns = [[c for c, (i, _) in enumerate(labels) if i == pid] for pid in self.ids]
        self._nothing = [c for c, (i, _) in enumerate(labels) if i == NOTHING]
        self._lines = [np.flatnonzero(np.isin(self._head.label_of_line, columns)) for columns in self._columns]
        self._nothing_lines = np.flatnonzero(np.isin(self._head.label_of_line, self._nothing))

    def judge(self, texts: Sequence[str]) -> Judgement:
        """How likely each text tells each principle."""
        vectors = self._encoder.embed([t.lower() for t in texts])
        each = self._head.probabilities(vectors)
        kinds = np.zeros((len(texts), len(self.ids), len(WORDING_KINDS)), np.float32)
        for i, columns in enumerate(self._columns):
            for c in columns:
                kinds[:, i, WORDING_KINDS.index(self._head.labels[c][1])] = each[:, c]
        total = kinds.sum(axis=2)
        return Judgement(total, each[:, self._nothing].sum(axis=1), kinds / np.maximum(total[:, :, None], 1e-9), vectors)

    def nearest(self, vectors: NDArray[np.float32]) -> Nearest:
        """How near texts are to the lines that teach; dear, since there are tens of thousands of lines.

        Args:
            vectors: embeddings that `judge` gave, shape (n, 384).
        """
        out = np.full((len(vectors), len(self.ids)), NO_WORDING, np.float32)
        for i, lines in enumerate(self._lines):
            out[:, i] = (vectors @ self._head.vectors[lines].T).max(axis=1)
        return Nearest(out, self.nearest_nothing(vectors))

    def nearest_nothing(self, vectors: NDArray[np.float32]) -> NDArray[np.float32]:
        """Cosine to the nearest line of talk about nothing, shape (n,), for embeddings of shape (n, 384)."""
        return np.asarray((vectors @ self._head.vectors[self._nothing_lines].T).max(axis=1, initial=NO_WORDING))


def load_head(lexicon: Lexicon, encoder: Encoder, *, cache: Path | None = None) -> Head:
    """The head of a lexicon: from the cache, the shipped one, or trained now."""
    digest = taught_by(lexicon, encoder)
    kept = kept_arrays((cache or cache_folder()) / f"{_FORMAT}-{digest}.npz", lambda: _make(lexicon, encoder, digest))
    labels = tuple((str(a), str(b)) for a, b in kept["labels"])
    return Head(kept["weights"], kept["bias"], labels, kept["vectors"].astype(np.float32), kept["label_of_line"])


def taught_by(lexicon: Lexicon, encoder: Encoder) -> str:
    """Identifies all that teaches a head, as hexadecimal digits."""
    return hashlib.sha256("\n".join([lexicon.digest(), encoder.digest, *talk_lines()]).encode()).hexdigest()[:16]


def shipped_for() -> str:
    """What the shipped head was taught by, as `taught_by` tells it; empty where none ships."""
    return str(_shipped()["taught_by"]) if SHIPPED.is_file() else ""


def ship_head(head: Head, digest: str) -> None:
    """Write the head that ships: its weights in 16 bits; the lines are embedded anew on each machine."""
    weights, labels = head.weights.astype(np.float16), np.array(head.labels)
    np.savez_compressed(SHIPPED, weights=weights, bias=head.bias, labels=labels, taught_by=np.array(digest))


def _shipped() -> dict[str, NDArray[Any]]:
    with np.load(SHIPPED) as kept:
        return dict(kept)


def _make(lexicon: Lexicon, encoder: Encoder, digest: str) -> dict[str, NDArray[Any]]:
    if shipped_for() == digest:
        lines, labels, label_of_line = _taught(lexicon)
        kept = _shipped()
        vectors = encoder.embed([text.lower() for text, _, _ in lines])
        head = Head(kept["weights"].astype(np.float32), kept["bias"], labels, vectors, label_of_line)
    else:
        head = train_head(lexicon, encoder)
    return {
        "weights": head.weights,
        "bias": head.bias,
        "labels": np.array(head.labels),
        "vectors": head.vectors.astype(np.float16),
        "label_of_line": head.label_of_line,
    }


def _taught(lexicon: Lexicon) -> tuple[list[tuple[str, str, str]], tuple[tuple[str, str], ...], NDArray[np.int64]]:
    """The lines that teach a lexicon's head, the classes, and for each line the index of its class."""
    lines = all_lines(lexicon)
    labels = tuple(sorted({(i, k) for _, i, k in lines}))
    column = {label: n for n, label in enumerate(labels)}
    return lines, labels, np.array([column[i, k] for _, i, k in lines])


def _from_shipped(labels: Sequence[tuple[str, str]]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Weights (classes, 384) and bias (classes,) of the shipped head for the labels that it has, 0 for others."""
    kept = _shipped()
    column = {(str(i), str(kind)): n for n, (i, kind) in enumerate(kept["labels"])}
    at = np.array([column.get(label, -1) for label in labels])
    weights, bias = kept["weights"].T[at].astype(np.float64), kept["bias"][at].astype(np.float64)
    return np.where(at[:, None] >= 0, weights, 0.0), np.where(at >= 0, bias, 0.0)


def train_head(lexicon: Lexicon, encoder: Encoder) -> Head:
    """Train the head on the lexicon's wordings, and on talk about nothing, alone.

    Each line is taken as it is and once varied: F1 on our own narrations 78.6 to 80.0 by the draw, 77.7 without; a second
    variation added nothing.
    """
    from sklearn.linear_model import LogisticRegression

    lines, labels, label_of_line = _taught(lexicon)
    nothing, like, draw = [*lexicon.nothing, *talk_lines()], alike(lexicon), random.Random(SEED)
    varied = [(vary(text, nothing, like, draw), principle_id, kind) for text, principle_id, kind in lines]
    vectors = encoder.embed([text.lower() for text, _, _ in lines + varied])
    # Balanced, so that a principle with few wordings weighs as much as one with many.
    model = LogisticRegression(C=HEAD_C, max_iter=400, class_weight="balanced", warm_start=True)
    if len(labels) > 2 and SHIPPED.is_file() and vectors.shape[1] == len(_shipped()["weights"]):
        # A coach's lexicon differs little from the shipped one: from there it is a short way.
        model.coef_, model.intercept_ = _from_shipped(labels)
    model.fit(vectors, np.concatenate([label_of_line, label_of_line]))
    weights, bias = model.coef_, model.intercept_
    if len(labels) == 2:  # the library then keeps the second label alone; half of it against half of it is as likely
        weights, bias = np.concatenate([-weights, weights]) / 2, np.concatenate([-bias, bias]) / 2
    return Head(weights.T.astype(np.float32), bias.astype(np.float32), labels, vectors[: len(lines)], label_of_line)
