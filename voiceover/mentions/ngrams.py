"""The finder by n-grams: which words, and runs of letters in them, the wordings of a principle have and others don't.

It sees what sentence embeddings blur (the one telling noun, a verb with its preposition, a misspelt or dialect form) and is blind
to what they see. Together they find far more than either: F1 by sentence on the public narrations, each held out in turn,
78.1 without it and 82.6 with it.
"""

from __future__ import annotations

import hashlib
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from voiceover.cache import cache_folder, kept_arrays
from voiceover.lexicon.model import Lexicon
from voiceover.mentions.lines import NOTHING, all_lines, talk_lines
from voiceover.mentions.words import normal_form, split_words

# Penalty of the classifier; 0.1, 0.3 and 1 give F1 82.0, 82.6 and 82.5 on the public narrations.
SVC_C = 0.3
_FORMAT = "ngrams-v3"


@dataclass(frozen=True, slots=True)
class NgramScores:
    """What the finder thinks of n texts. Scores are distances from a boundary: above 0 speaks for, about -1 is nothing."""

    principle: NDArray[np.float32]
    """Shape (n, principles)."""
    nothing: NDArray[np.float32]
    """That the text tells no principle, shape (n,)."""


class NgramFinder:
    """Judges runs of words by the words themselves."""

    def __init__(self, lexicon: Lexicon, *, cache: Path | None = None) -> None:
        digest = hashlib.sha256("\n".join([lexicon.digest(), *talk_lines()]).encode()).hexdigest()[:16]
        path = (cache or cache_folder()) / f"{_FORMAT}-{digest}.npz"
        self._classifier = NgramClassifier(path, lambda: _lines(lexicon))
        labels = self._classifier.labels
        self.ids = tuple(i for i in labels if i != NOTHING)
        self._columns = [labels.index(i) for i in self.ids]
        self._nothing = labels.index(NOTHING)

    def score(self, texts: Sequence[str]) -> NgramScores:
        """Score texts against every principle."""
        scores = self._classifier.score(texts)
        return NgramScores(scores[:, self._columns], scores[:, self._nothing])


class NgramClassifier:
    """A linear classifier over tf-idf of word and letter n-grams, one label against the rest."""

    def __init__(self, path: Path, lines: Callable[[], Sequence[tuple[str, str]]]) -> None:
        """Take it from the cache file, or train it now on (text, label) lines and keep it there."""
        kept = kept_arrays(path, lambda: _train(lines()))
        self.labels = tuple(str(i) for i in kept["labels"])
        self._parts = [
            ({term: i for i, term in enumerate(str(kept[f"{part}_terms"]).split("\n"))}, kept[f"{part}_idf"], kept[f"{part}_weights"])
            for part in _PARTS
        ]
        self._bias = kept["bias"]

    def score(self, texts: Sequence[str]) -> NDArray[np.float32]:
        """Distance from the boundary of each label, shape (n, labels)."""
        out = np.tile(self._bias, (len(texts), 1))
        for row, text in enumerate(texts):
            for (terms, idf, weights), ngrams_of in zip(self._parts, _PARTS.values(), strict=True):
                counts = Counter(i for g in ngrams_of(text) if (i := terms.get(g)) is not None)
                if counts:
                    found = np.fromiter(counts, np.intp, len(counts))
                    # As scikit-learn weighs them in training: 1 + ln(count), times idf, to unit length.
                    tf_idf = (1 + np.log(np.fromiter(counts.values(), np.float32, len(counts)))) * idf[found]
                    out[row] += tf_idf / np.linalg.norm(tf_idf) @ weights[found]
        return out


def word_ngrams(text: str) -> list[str]:
    """Runs of one to three normal forms, joined by blanks."""
    words = [normal_form(w) for w in split_words(text)]
    return [" ".join(words[i : i + n]) for n in (1, 2, 3) for i in range(len(words) - n + 1)]


def letter_ngrams(text: str) -> list[str]:
    """Runs of three to five letters inside each normal form, with a blank on either side of it.

    >>> letter_ngrams("go")
    [' go', 'go ', ' go ']
    """
    out = []
    for word in split_words(text):
        padded = f" {normal_form(word)} "
        out += [padded[i : i + n] for n in (3, 4, 5) for i in range(len(padded) - n + 1)]
    return out


_PARTS = {"words": word_ngrams, "letters": letter_ngrams}
# An n-gram that stands in fewer lines would be learnt by heart.
_MIN_LINES = {"words": 2, "letters": 3}


def _lines(lexicon: Lexicon) -> list[tuple[str, str]]:
    return [(text, i) for text, i, _ in all_lines(lexicon)]


def _train(lines: Sequence[tuple[str, str]]) -> dict[str, NDArray[Any]]:
    from scipy.sparse import hstack
    from sklearn.feature_extraction.text import TfidfVectorizer
    from sklearn.svm import LinearSVC

    texts = [text for text, _ in lines]
    kept: dict[str, NDArray[Any]] = {}
    found, widths = [], []
    for part, ngrams_of in _PARTS.items():
        # In a small lexicon hardly anything stands in two lines.
        least = min(_MIN_LINES[part], max(1, len(texts) // 200))
        vectorizer = TfidfVectorizer(analyzer=ngrams_of, min_df=least, sublinear_tf=True)
        found.append(vectorizer.fit_transform(texts))
        kept[f"{part}_terms"] = np.array("\n".join(vectorizer.get_feature_names_out()))
        kept[f"{part}_idf"] = vectorizer.idf_.astype(np.float32)
        widths.append(found[-1].shape[1])
    labels = sorted({label for _, label in lines})
    model = LinearSVC(C=SVC_C, class_weight="balanced", max_iter=200, tol=1e-2, random_state=0)
    model.fit(hstack(found).tocsr(), [labels.index(label) for _, label in lines])
    weights, bias = model.coef_, model.intercept_
    if len(labels) == 2:  # the library then keeps the second label alone
        weights, bias = np.concatenate([-weights, weights]), np.concatenate([-bias, bias])
    for part, columns in zip(_PARTS, np.split(weights.T.astype(np.float32), [widths[0]]), strict=True):
        kept[f"{part}_weights"] = columns
    return {**kept, "labels": np.array(labels), "bias": bias.astype(np.float32)}
