"""The course of a talk: what each sentence does in it, judged with all that is said before and behind.

Whether somebody has the puck anew is told by what happened since: lost two sentences ago, won back in an aside. The reader sees a few sentences
at once; here what it made of each of them goes, one after the other, through a small recurrent network in both directions (gated recurrent
units, Cho et al. 2014, arXiv 1406.1078).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float32]


@dataclass(frozen=True, slots=True)
class Direction:
    """One way through the talk; rows in three thirds: reset, update, new."""

    inward: Array
    """Shape (3 d, n)."""
    inward_bias: Array
    onward: Array
    """Shape (3 d, d)."""
    onward_bias: Array

    def run(self, sentences: Array) -> Array:
        """The state behind each sentence, shape (sentences, d), from shape (sentences, n)."""
        d = self.onward.shape[1]
        given = sentences @ self.inward.T + self.inward_bias
        state, out = np.zeros(d, np.float32), np.zeros((len(sentences), d), np.float32)
        for i, row in enumerate(given):
            kept = self.onward @ state + self.onward_bias
            reset, update = np.split(1 / (1 + np.exp(-(row[: 2 * d] + kept[: 2 * d]))), 2)
            new = np.tanh(row[2 * d :] + reset * kept[2 * d :])
            state = out[i] = (1 - update) * new + update * state
        return out


@dataclass(frozen=True, slots=True)
class Course:
    """What was learnt of how talks go."""

    narrow: Array
    """From the width of the encoder to what the directions are given: shape (n, 768)."""
    forth: Direction
    back: Direction
    answers: Array
    """Shape (places, 2 d)."""

    @classmethod
    def kept_in(cls, arrays: Mapping[str, NDArray[np.float16]]) -> Course:
        """The one that train_reader.py wrote; of what else is kept beside it nothing is read."""
        parts = {name.removeprefix("course_"): arrays[name].astype(np.float32) for name in arrays if name.startswith("course_")}
        directions = [
            Direction(*(parts[f"{part}{way}"] for part in ("weight_ih_l0", "bias_ih_l0", "weight_hh_l0", "bias_hh_l0")))
            for way in ("", "_reverse")
        ]
        return cls(parts["narrow"], directions[0], directions[1], parts["answers"])

    def judge(self, sentences: Array) -> Array:
        """What is added to the logits of each sentence's place, shape (sentences, places).

        Args:
            sentences: the mean of what the encoder made of the word pieces of each, shape (sentences, 768).
        """
        given = np.tanh(sentences @ self.narrow.T)
        return np.hstack([self.forth.run(given), self.back.run(given[::-1])[::-1]]) @ self.answers.T
