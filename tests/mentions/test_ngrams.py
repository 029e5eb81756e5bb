"""The finder by n-grams on a small lexicon of its own."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from voiceover.lexicon.io import load_lexicon
from voiceover.mentions.ngrams import NgramClassifier, NgramFinder

LEXICON = """
sport: test
families: {f: F}
nothing: ["the bus was late", "we had soup"]
principles:
- {id: kettle, name: Kettle, family: f, definition: Boils water., say: ["puts the kettle on", "boils the kettle", "the kettle sings"]}
- {id: ladder, name: Ladder, family: f, definition: Climbs., say: ["climbs the ladder", "up the ladder he goes", "a rung of the ladder"]}
"""


@pytest.fixture
def finder(tmp_path: Path) -> NgramFinder:
    (tmp_path / "test.yaml").write_text(LEXICON)
    return NgramFinder(load_lexicon(tmp_path / "test.yaml"), cache=tmp_path)


def test_what_was_never_written_is_told_by_its_words(finder: NgramFinder) -> None:
    scores = finder.score(["then she was boiling that kettle", "he went climbing on ladders", "soup on the bus"])
    best = [finder.ids[i] for i in scores.principle.argmax(axis=1)]
    assert best[:2] == ["kettle", "ladder"]
    assert scores.nothing[2] > scores.principle[2].max()


def test_kept_and_learnt_anew_are_the_same(finder: NgramFinder, tmp_path: Path) -> None:
    again = NgramFinder(load_lexicon(tmp_path / "test.yaml"), cache=tmp_path)
    texts = ["puts a kettle up the ladder"]
    np.testing.assert_allclose(finder.score(texts).principle, again.score(texts).principle, rtol=1e-6)


def test_two_labels_and_no_texts(tmp_path: Path) -> None:
    lines = [("red apples", "a"), ("green apples", "a"), ("blue cars", "b"), ("grey cars", "b")]
    two = NgramClassifier(tmp_path / "two.npz", lambda: lines)
    assert two.labels == ("a", "b")
    scores = two.score(["an apple", "a car"])
    assert scores[0, 0] > scores[0, 1] and scores[1, 1] > scores[1, 0]
    assert two.score([]).shape == (0, 2)
