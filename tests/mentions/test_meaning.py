"""The finder by meaning on a lexicon of one principle."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from voiceover.lexicon.io import load_lexicon
from voiceover.mentions.meaning import MeaningFinder

LEXICON = """
sport: test
families: {f: F}
nothing: ["the bus was late", "we had soup"]
principles:
- {id: kettle, name: Kettle, family: f, definition: Boils water., say: ["puts the kettle on", "boils the kettle", "the kettle sings"]}
"""


class WordCounts:
    """In place of the encoder: texts with the same words are near."""

    digest = "word counts"

    def embed(self, texts: Sequence[str]) -> NDArray[np.float32]:
        out = np.full((len(texts), 384), 1e-6, np.float32)
        for row, text in enumerate(texts):
            for word in text.split():
                out[row, int(hashlib.sha256(word.encode()).hexdigest(), 16) % 384] += 1.0
        return out / np.linalg.norm(out, axis=1, keepdims=True)


def test_one_principle_that_has_only_say(tmp_path: Path) -> None:
    (tmp_path / "test.yaml").write_text(LEXICON)
    finder = MeaningFinder(load_lexicon(tmp_path / "test.yaml"), WordCounts(), cache=tmp_path)  # type: ignore[arg-type]
    judged = finder.judge(["then he boils the kettle", "the bus had soup"])
    assert finder.ids == ("kettle",)
    assert judged.probability[0, 0] > 0.5 > judged.probability[1, 0]
    np.testing.assert_allclose(judged.probability[:, 0] + judged.nothing, 1.0, rtol=1e-5)
