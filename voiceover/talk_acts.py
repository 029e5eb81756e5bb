"""What a sentence does in the talk: opens the next possession, shows one again, sums up, or just goes on.

A small classifier over sentence embeddings, taught by `lexicon/talk.yaml` (how coaches move through a talk) against the
lexicon's own wordings (plain talk of play).
"""

from __future__ import annotations

import hashlib
import os
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import yaml
from numpy.typing import NDArray

from voiceover.cache import cache_folder
from voiceover.lexicon.io import load_lexicon, shipped_lexicon_path
from voiceover.mentions.encoder import Encoder
from voiceover.mentions.lines import NOTHING, training_lines

ACTS = ("next", "again", "reopen", "closing", "opening", "play")
# Enough plain talk to learn what is none of the acts, drawn evenly over the lexicon.
PLAY_LINES = 1500
_FORMAT = "acts-v1"


class ActClassifier:
    """Probabilities of the acts for sentences."""

    def __init__(self, encoder: Encoder, *, cache: Path | None = None) -> None:
        self._encoder = encoder
        self._weights, self._bias = _load(encoder, cache or cache_folder())

    def judge(self, sentences: Sequence[str]) -> NDArray[np.float32]:
        """Probability of each of ACTS for each sentence, float32 of shape (n, 6)."""
        if not sentences:
            return np.zeros((0, len(ACTS)), np.float32)
        logits = self._encoder.embed([s.lower() for s in sentences]) @ self._weights + self._bias
        exps = np.exp(logits - logits.max(axis=1, keepdims=True))
        return np.asarray(exps / exps.sum(axis=1, keepdims=True), np.float32)


def _load(encoder: Encoder, folder: Path) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    path = shipped_lexicon_path("talk")
    lexicon = load_lexicon()
    digest = hashlib.sha256(path.read_bytes() + lexicon.digest().encode() + encoder.digest.encode()).hexdigest()[:16]
    kept = folder / f"{_FORMAT}-{digest}.npz"
    if kept.is_file():
        arrays = np.load(kept)
        return arrays["weights"], arrays["bias"]
    from sklearn.linear_model import LogisticRegression

    lines = yaml.safe_load(path.read_text(encoding="utf-8"))
    texts = [(text, act) for act in ACTS[:-1] for text in lines[act]]
    plain = [text for text, principle_id, _ in training_lines(lexicon) if principle_id != NOTHING]
    texts += [(text, "play") for text in [*plain[:: max(1, len(plain) // PLAY_LINES)], *lexicon.nothing]]
    model = LogisticRegression(C=10.0, max_iter=500, class_weight="balanced")
    model.fit(encoder.embed([t.lower() for t, _ in texts]), [ACTS.index(a) for _, a in texts])
    weights, bias = model.coef_.T.astype(np.float32), model.intercept_.astype(np.float32)
    folder.mkdir(parents=True, exist_ok=True)
    unfinished = kept.with_suffix(f".{os.getpid()}.npz")
    np.savez(unfinished, weights=weights, bias=bias)
    os.replace(unfinished, kept)
    return weights, bias
