"""What a sentence does in the talk: opens the next possession, shows one again, sums up, or just goes on.

A small classifier over sentence embeddings, taught by `lexicon/talk.yaml` (how coaches move through a talk) against the
lexicon's own wordings (plain talk of play).
"""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from voiceover.cache import cache_folder, kept_arrays
from voiceover.lexicon.io import load_lexicon, shipped_lexicon_path, shipped_lines
from voiceover.lexicon.model import Lexicon
from voiceover.mentions.encoder import Encoder
from voiceover.mentions.lines import NOTHING, training_lines
from voiceover.mentions.meaning import softmax
from voiceover.mentions.ngrams import NgramClassifier

ACTS = ("next", "again", "reopen", "closing", "opening", "play")
# Enough plain talk of play to learn what is none of the acts, drawn evenly over the lexicon. 1500 to 3000 are equally good on the
# public narrations, all of it is worse.
PLAY_LINES = 3000
# How much the words themselves count beside the meaning.
WEIGHT_OF_NGRAMS = 1.0
# Words of a sentence that tell what it begins: of 5, 7 and 9 the best with each narration held out in turn.
FIRST_WORDS = 7
_FORMAT = "acts-v4"


class ActClassifier:
    """Probabilities of the acts for sentences."""

    def __init__(self, encoder: Encoder, *, cache: Path | None = None) -> None:
        self._encoder = encoder
        lexicon = load_lexicon()
        content = shipped_lexicon_path("talk").read_bytes() + lexicon.digest().encode()
        digest = hashlib.sha256(content + encoder.digest.encode()).hexdigest()[:16]
        folder = cache or cache_folder()
        kept = kept_arrays(folder / f"{_FORMAT}-{digest}.npz", lambda: _train(encoder, lexicon))
        self._weights, self._bias = kept["weights"], kept["bias"]
        self._ngrams = NgramClassifier(folder / f"{_FORMAT}-ngrams-{digest}.npz", lambda: _lines(lexicon))

    def judge_talk(self, sentences: Sequence[str]) -> NDArray[np.float32]:
        """Probability of each of ACTS for each sentence, then for its first words alone: float32 of shape (n, 12).

        "Okay next, and this one's short, what you see is a fake": what a sentence begins is said in its first words, and drowned by the rest.
        """
        firsts = [" ".join(s.split()[:FIRST_WORDS]) for s in sentences]
        texts = list(dict.fromkeys([*sentences, *firsts]))
        row = {text: i for i, text in enumerate(texts)}
        judged = self.judge(texts)
        return np.hstack([judged[[row[s] for s in sentences]], judged[[row[s] for s in firsts]]])

    def judge(self, sentences: Sequence[str]) -> NDArray[np.float32]:
        """Probability of each of ACTS for each sentence, float32 of shape (n, 6)."""
        if not sentences:
            return np.zeros((0, len(ACTS)), np.float32)
        logits = self._encoder.embed([s.lower() for s in sentences]) @ self._weights + self._bias
        columns = [self._ngrams.labels.index(act) for act in ACTS]
        logits += WEIGHT_OF_NGRAMS * self._ngrams.score(sentences)[:, columns]
        return softmax(logits)


def _lines(lexicon: Lexicon) -> list[tuple[str, str]]:
    """(text, act) of every line that teaches the acts."""
    taught = shipped_lines("talk")
    plain = [text for text, principle_id, _ in training_lines(lexicon) if principle_id != NOTHING]
    play = plain[:: max(1, len(plain) // PLAY_LINES)]
    return [(text, act) for act in ACTS[:-1] for text in taught[act]] + [(text, "play") for text in play]


def _train(encoder: Encoder, lexicon: Lexicon) -> dict[str, NDArray[Any]]:
    from sklearn.linear_model import LogisticRegression

    lines = _lines(lexicon)
    model = LogisticRegression(C=10.0, max_iter=500, class_weight="balanced")
    model.fit(encoder.embed([text.lower() for text, _ in lines]), [ACTS.index(act) for _, act in lines])
    return {"weights": model.coef_.T.astype(np.float32), "bias": model.intercept_.astype(np.float32)}
