"""Fit the few numbers that decide, on the marked narrations: python -m voiceover.evaluation.fit

Writes voiceover/fitted.json. The public narrations and our own are used, and an eighth of them is held out in turn to say how it generalises. Those
that taught the reader are used only where nothing of the reader is: for the counts that are said, and for what begins a possession without it.
The unopened ones are for the end.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from dataclasses import fields, replace
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray
from sklearn.ensemble import GradientBoostingClassifier
from sklearn.linear_model import LogisticRegression

from voiceover.evaluation.fit_claims import claims_found, fit_claims, marked_numbers
from voiceover.evaluation.fit_doers import doers_right, fit_doers, kept_ranking
from voiceover.evaluation.marked import ROOT
from voiceover.evaluation.marked_talks import Finders, MarkedTalk, load_narrations, look_at
from voiceover.fitted import FITTED
from voiceover.mentions.doers import Ranking
from voiceover.mentions.merge import Judge, Linear, decide, elsewhere
from voiceover.mentions.reading import Reading
from voiceover.mentions.status import DECIDED, FEATURES_WITHOUT_READER, STATUS_FEATURES, StatusWeights, decide_status
from voiceover.mentions.trees import LEAF, Trees, from_nodes, to_keep
from voiceover.possessions import Evidence, Weights, best_path, gather_evidence

Item = TypeVar("Item")
Fit = TypeVar("Fit")
# Inverse regularisation; best of 0.1, 0.3, 1 and 3 with some narrations held out in turn.
BEGIN_C, PART_C = 0.3, 1.0
JUDGE_C = 0.3
STATUS_C = 0.3
# The better of two settings that were tried before there was a reader (150 trees of 8 leaves: a tenth of a point less).
TREES: dict[str, Any] = {
    "n_estimators": 200, "learning_rate": 0.05, "max_leaf_nodes": 12, "min_samples_leaf": 20, "subsample": 0.6, "max_features": 8, "random_state": 0
}  # fmt: skip
# Each of n narrations alone would fit the first models n * n times.
FOLDS = 8


def in_turn(items: Sequence[Item], fit: Callable[[Sequence[Item]], Fit]) -> list[Fit]:
    """For each item a fit that has not seen it; every eighth is held out at once."""
    folds = min(FOLDS, len(items))
    fits = [fit([x for i, x in enumerate(items) if i % folds != fold]) for fold in range(folds)]
    return [fits[i % folds] for i in range(len(items))]


Told = tuple[dict[str, Any], list[Evidence]]
"""A marked narration and what its sentences say about the possessions."""


def fit_without_reader(marked: Sequence[Told]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """`begin` and `part` of the weights of the possessions."""
    x = [np.array([e.features for e in told]) for _, told in marked]
    begin = LogisticRegression(C=BEGIN_C, max_iter=3000).fit(*_begins(marked, x))
    part = LogisticRegression(C=PART_C, max_iter=3000).fit(*_parts(marked, x))
    return _with_constant(begin)[0], _with_constant(part)


def fit_possessions(marked: Sequence[Told], without: tuple[NDArray[np.float64], NDArray[np.float64]]) -> Weights:
    """Fit what goes on from there with the reader, on narrations that did not teach it.

    Args:
        marked: these narrations.
        without: as `fit_without_reader` gives it.
    """
    first = Weights(*without, np.zeros(0), np.zeros(0))
    looks = [first.without_reader(told) for _, told in marked]
    read = [np.array([e.read for e in told]) for _, told in marked]
    begin_x = [np.column_stack([begin, r]) for (begin, _), r in zip(looks, read, strict=True)]
    part_x = [np.column_stack([part, r]) for (_, part), r in zip(looks, read, strict=True)]
    begin = LogisticRegression(C=BEGIN_C, max_iter=3000).fit(*_begins(marked, begin_x))
    part = LogisticRegression(C=PART_C, max_iter=3000).fit(*_parts(marked, part_x))
    return replace(first, begin_read=_with_constant(begin)[0], part_read=_with_constant(part))


def _begins(marked: Sequence[Told], x: Sequence[NDArray[np.float64]]) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
    """Features of the sentences inside the possessions, but for the very first, and whether each begins one."""
    inside, begins = [], []
    for (doc, _), features in zip(marked, x, strict=True):
        starts = {p["first"] for p in doc["possessions"]}
        rows = range(min(starts) + 1, max(p["last"] for p in doc["possessions"]) + 1)
        inside.append(features[rows.start : rows.stop])
        begins += [i in starts for i in rows]
    return np.concatenate(inside), np.array(begins)


def _parts(marked: Sequence[Told], x: Sequence[NDArray[np.float64]]) -> tuple[NDArray[np.float64], NDArray[np.int64]]:
    """Features of all sentences, and whether each is in the opening (0), on a possession or in the closing (2)."""
    parts = []
    for (doc, told), _ in zip(marked, x, strict=True):
        first, last = min(p["first"] for p in doc["possessions"]), max(p["last"] for p in doc["possessions"])
        parts += [0 if i < first else 1 if i <= last else 2 for i in range(len(told))]
    return np.concatenate(x), np.array(parts)


def _with_constant(model: LogisticRegression) -> NDArray[np.float64]:
    return np.column_stack([model.coef_, model.intercept_])


def agreement(marked: Sequence[Told], weights: Weights) -> tuple[int, float]:
    """(narrations with the exact number of possessions, mean share of sentences on the right possession)."""
    exact, shares = 0, []
    for doc, evidence in marked:
        starts, end = best_path(evidence, weights)
        exact += len(starts) == len(doc["possessions"])
        for p in doc["possessions"]:
            truth = set(range(p["first"], p["last"] + 1))
            mine = [set(range(a, b)) for a, b in zip(starts, [*starts[1:], end], strict=True)]
            shares.append(max(len(truth & m) / len(truth | m) for m in mine))
    return exact, float(np.mean(shares))


def fit_status(marked: Sequence[MarkedTalk]) -> StatusWeights:
    """Fit what decides between DECIDED."""
    x = np.array([f for m in marked for f, _ in m.statuses])
    y = [DECIDED.index(s) for m in marked for _, s in m.statuses]
    with_reader, without = (
        _with_constant(LogisticRegression(C=STATUS_C, max_iter=5000).fit(x[:, : len(names)], y))
        for names in (STATUS_FEATURES, FEATURES_WITHOUT_READER)
    )
    return StatusWeights(with_reader, without)


def status_right(marked: Sequence[MarkedTalk], weights: Sequence[StatusWeights]) -> float:
    """Share of marked mentions whose status is decided as marked."""
    right = [decide_status(f, w) == s for m, w in zip(marked, weights, strict=True) for f, s in m.statuses]
    return float(np.mean(right))


def fit_mentions(marked: Sequence[MarkedTalk]) -> Judge:
    """Fit the model that decides over candidates.

    What decides last learns from what the first models say of narrations that they were not fitted on.
    """
    alone = _fit_linear([(_features(m), m.is_marked()) for m in marked])
    first = [
        f.probability(_features(m))
        for m, f in zip(marked, in_turn(marked, lambda ms: _fit_linear([(_features(o), o.is_marked()) for o in ms])), strict=True)
    ]
    seen = [np.hstack([_features(m), elsewhere(m.candidates, p)]) for m, p in zip(marked, first, strict=True)]
    in_talk = _fit_linear([(x, m.is_marked()) for x, m in zip(seen, marked, strict=True)])
    read = []
    for x, m in zip(seen, marked, strict=True):
        known = ~np.isnan(m.read).any(axis=1)
        read.append((np.hstack([x, m.read])[known], list(np.array(m.is_marked())[known])))
    return Judge(alone, in_talk, (_fit_linear(read), fit_trees(read)) if sum(len(x) for x, _ in read) else None)


def _features(m: MarkedTalk) -> NDArray[np.float64]:
    return np.array([c.features for c in m.candidates])


def _fit_linear(pairs: Sequence[tuple[NDArray[np.float64], list[bool]]]) -> Linear:
    x = np.concatenate([features for features, _ in pairs])
    mean, scale = x.mean(axis=0), x.std(axis=0) + 1e-9
    model = LogisticRegression(C=JUDGE_C, max_iter=5000).fit((x - mean) / scale, [right for _, marks in pairs for right in marks])
    return Linear(mean, scale, model.coef_[0], float(model.intercept_[0]))


def fit_trees(pairs: Sequence[tuple[NDArray[np.float64], list[bool]]]) -> Trees:
    """Boosted trees over the features of many talks, and for each of their rows whether it is marked."""
    x = np.concatenate([features for features, _ in pairs])
    y = np.array([right for _, marks in pairs for right in marks])
    model = GradientBoostingClassifier(**TREES).fit(x, y)
    trees = []
    for (regressor,) in model.estimators_:
        t = regressor.tree_
        trees.append([
            (LEAF, 0.0, 0, 0, TREES["learning_rate"] * float(t.value[i, 0, 0])) if t.children_left[i] < 0
            else (int(t.feature[i]), float(t.threshold[i]), int(t.children_left[i]), int(t.children_right[i]), 0.0)
            for i in range(t.node_count)
        ])  # fmt: skip
    return from_nodes(float(np.log(y.mean() / (1 - y.mean()))), trees)


def _rounded(linear: Linear) -> dict[str, Any]:
    return {
        "mean": np.round(linear.mean, 4).tolist(), "scale": np.round(linear.scale, 4).tolist(),
        "weights": np.round(linear.weights, 4).tolist(), "constant": round(linear.constant, 4),
    }  # fmt: skip


def sentence_f1(marked: Sequence[MarkedTalk], judges: Sequence[Judge]) -> tuple[float, float, float]:
    """Precision, recall and F1 of (sentence, principle) pairs: a quick stand-in for the scorer."""
    hit = found = gold = 0
    for m, judge in zip(marked, judges, strict=True):
        accepted, _ = decide(m.candidates, judge, m.read)
        mine = {(m.talk.sentence_of_word[p.first], p.principle_id) for p in accepted}
        marks = {(k["sentence"], k["principle"]) for k in m.doc["mentions"]}
        hit, found, gold = hit + len(mine & marks), found + len(mine), gold + len(marks)
    precision, recall = hit / max(1, found), hit / max(1, gold)
    return precision, recall, 2 * precision * recall / max(1e-9, precision + recall)


def reliability(marked: Sequence[MarkedTalk], judges: Sequence[Judge]) -> tuple[float, list[tuple[float, float, int]]]:
    """Expected calibration error, and (mean confidence, share right, count) in ten bins of confidence."""
    sure = np.concatenate([j.confidence(m.candidates, m.read) for m, j in zip(marked, judges, strict=True)])
    right = np.array([r for m in marked for r in m.is_marked()])
    table, error = [], 0.0
    for low in np.arange(0.0, 1.0, 0.1):
        inside = (sure >= low) & (sure < low + 0.1 + 1e-9)
        if inside.any():
            table.append((float(sure[inside].mean()), float(right[inside].mean()), int(inside.sum())))
            error += abs(table[-1][0] - table[-1][1]) * inside.mean()
    return error, table


def _fit_doers(marked: Sequence[MarkedTalk]) -> Ranking:
    return fit_doers([m.doers for m in marked])


def main() -> None:
    """Fit on the public narrations and our own, say how it generalises, and write the numbers."""
    finders = Finders.load()
    public, own = (look_at(ROOT / name, finders) for name in ("public", "own"))
    marked = public + own
    pairs = [(m.doc, m.evidence) for m in marked]
    teaching = load_narrations(ROOT / "teaching")
    without = fit_without_reader([
        (doc, gather_evidence(talk, track, finders.judged_acts(talk), Reading.silent(talk))) for doc, talk, track in teaching
    ])  # fmt: skip
    held = [agreement([pair], w) for pair, w in zip(pairs, in_turn(pairs, lambda told: fit_possessions(told, without)), strict=True)]
    weights, judge, status = fit_possessions(pairs, without), fit_mentions(marked), fit_status(marked)
    judges, statuses = in_turn(marked, fit_mentions), in_turn(marked, fit_status)
    doers = np.array([
        (*doers_right(m.doers, ranking), len(m.doers)) for m, ranking in zip(marked, in_turn(marked, _fit_doers), strict=True)
    ])  # fmt: skip
    print("an eighth of the narrations held out in turn:")
    for name, part in (("public", slice(0, len(public))), ("own", slice(len(public), None))):
        precision, recall, f1 = sentence_f1(marked[part], judges[part])
        print(
            f"  {name}: possessions exact {sum(h[0] for h in held[part])} of {len(held[part])}, overlap {np.mean([h[1] for h in held[part]]):.2f};"
            f" mentions by sentence P {precision:.3f} R {recall:.3f} F1 {f1:.3f}; status {status_right(marked[part], statuses[part]):.3f};"
            f" who {doers[part, 0].sum() / doers[part, 2].sum():.3f}, by rules alone {doers[part, 1].sum() / doers[part, 2].sum():.3f}"
        )
    counted = [m.numbers for m in marked] + [marked_numbers(doc, talk) for doc, talk, _ in teaching]
    found = np.array([claims_found(m, w) for m, w in zip(counted, in_turn(counted, fit_claims), strict=True)]).sum(axis=0)
    print(f"  counts that are said, those of the teaching narrations too: {found[0]} of {found[1]} found, {found[2]} found that are none")
    error, table = reliability(marked, judges)
    print(f"  expected calibration error {error:.3f}")
    for sure, right, count in table:
        print(f"    said {sure:.2f}  right {right:.2f}  of {count}")
    kept: dict[str, Any] = {
        "status": {f.name: np.round(getattr(status, f.name), 4).tolist() for f in fields(status)},
        "claims": fit_claims(counted),
        "doers": kept_ranking(_fit_doers(marked)),
        "possessions": {f.name: np.round(getattr(weights, f.name), 4).tolist() for f in fields(weights)},
        "mentions": {"alone": _rounded(judge.alone), "in_talk": _rounded(judge.in_talk), "with_reader": None, "trees": None},
    }  # fmt: skip
    if judge.with_reader is not None:
        line, trees = judge.with_reader
        kept["mentions"] |= {"with_reader": _rounded(line), "trees": to_keep(trees)}
    parts = ",\n".join(f"{json.dumps(part)}: {json.dumps(numbers)}" for part, numbers in kept.items())
    FITTED.write_text(f"{{\n{parts}\n}}\n", encoding="utf-8")


if __name__ == "__main__":
    main()
