"""Boosted trees, kept as numbers."""

from __future__ import annotations

import json

import numpy as np
import pytest
from sklearn.ensemble import GradientBoostingClassifier

from voiceover.evaluation.fit import TREES, fit_trees
from voiceover.mentions.trees import LEAF, from_kept, from_nodes, to_keep


def test_a_tree_that_is_written_by_hand() -> None:
    trees = from_nodes(0.0, [[(1, 0.5, 1, 2, 0.0), (LEAF, 0.0, 0, 0, -2.0), (LEAF, 0.0, 0, 0, 2.0)], [(LEAF, 0.0, 0, 0, 0.0)]])
    low, high = trees.probability(np.array([[9.0, 0.5], [0.0, 0.6]]))
    assert low == pytest.approx(1 / (1 + np.exp(2))) and high == pytest.approx(1 / (1 + np.exp(-2)))


def test_kept_trees_judge_as_the_library_that_fitted_them() -> None:
    draw = np.random.default_rng(3)
    x = draw.normal(size=(600, 9))
    y = x[:, 0] * x[:, 1] + 0.3 * draw.normal(size=600) > 0
    trees = fit_trees([(x[:300], list(y[:300])), (x[300:], list(y[300:]))])
    again = from_kept(json.loads(json.dumps(to_keep(trees))))
    assert np.abs(again.probability(x) - trees.probability(x)).max() < 1e-3
    library = GradientBoostingClassifier(**TREES).fit(x, y)
    assert np.abs(trees.probability(x) - library.predict_proba(x)[:, 1]).max() < 1e-6
    assert np.mean((trees.probability(x) > 0.5) == y) > 0.9
