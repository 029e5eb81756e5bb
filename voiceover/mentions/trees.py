"""Boosted decision trees, kept as plain numbers: what is fitted by scikit-learn is judged without it, and read as text."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

LEAF = -1


@dataclass(frozen=True, slots=True)
class Trees:
    """Trees whose leaves add up to log odds. Nodes of tree t are row t; row entries behind its last node are never reached."""

    constant: float
    feature: NDArray[np.int64]
    """Which feature a node asks, LEAF at a leaf: shape (trees, nodes)."""
    threshold: NDArray[np.float64]
    """Up to which value it goes left, same shape."""
    left: NDArray[np.int64]
    right: NDArray[np.int64]
    value: NDArray[np.float64]
    """What a leaf adds, same shape."""

    def probability(self, x: NDArray[np.float64]) -> NDArray[np.float64]:
        """Shape (n,), for features of shape (n, k)."""
        trees = np.arange(len(self.feature))[None, :]
        rows = np.arange(len(x))[:, None]
        node = np.zeros((len(x), len(self.feature)), np.int64)
        # Compared as it was fitted: values in 32 bits.
        values = x.astype(np.float32)
        while (inner := self.feature[trees, node] != LEAF).any():
            asked = np.where(inner, self.feature[trees, node], 0)
            goes_left = values[rows, asked] <= self.threshold[trees, node]
            node = np.where(inner, np.where(goes_left, self.left[trees, node], self.right[trees, node]), node)
        return np.asarray(1 / (1 + np.exp(-(self.constant + self.value[trees, node].sum(axis=1)))))


def from_nodes(constant: float, trees: Sequence[Sequence[Sequence[float]]]) -> Trees:
    """Trees of their nodes.

    Args:
        constant: log odds before any tree.
        trees: for each its nodes, the root first: feature or LEAF, threshold, left, right, what a leaf adds.
    """
    table = np.zeros((len(trees), max(len(nodes) for nodes in trees), 5))
    table[:, :, 0] = LEAF
    for t, nodes in enumerate(trees):
        table[t, : len(nodes)] = nodes
    ints = table[:, :, [0, 2, 3]].astype(np.int64)
    return Trees(constant, ints[:, :, 0], table[:, :, 1], ints[:, :, 1], ints[:, :, 2], table[:, :, 4])


def from_kept(kept: Mapping[str, Any]) -> Trees:
    """The trees that `to_keep` wrote."""
    return from_nodes(float(kept["constant"]), kept["trees"])


def to_keep(trees: Trees) -> dict[str, Any]:
    """Trees as they are written."""
    columns = [c.tolist() for c in (trees.feature, np.round(trees.threshold, 6), trees.left, trees.right, np.round(trees.value, 5))]
    nodes = [list(zip(*tree, strict=True)) for tree in zip(*columns, strict=True)]
    return {"constant": round(trees.constant, 4), "trees": nodes}
