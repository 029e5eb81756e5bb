"""Fit the few numbers that decide, on the marked narrations: python -m voiceover.evaluation.fit

Writes voiceover/fitted.json. The public narrations and our own are used, and an eighth of them is held out in turn to say how it generalises; the
unopened ones are for the end.
"""

from __future__ import annotations

import json
import sys
import tempfile
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray
from sklearn.ensemble import GradientBoostingClassifier
from sklearn.linear_model import LogisticRegression

from voiceover.evaluation.fit_doers import MarkedDoer, doers_right, fit_doers, kept_ranking, marked_doers
from voiceover.evaluation.marked import ROOT, by_sentences_of, narrations_in, prepare, quoted_span
from voiceover.fitted import FITTED
from voiceover.lexicon.io import load_lexicon
from voiceover.lexicon.model import Lexicon
from voiceover.mentions.candidates import Candidate, gather_candidates
from voiceover.mentions.doers import Ranking
from voiceover.mentions.encoder import load_encoder
from voiceover.mentions.meaning import MeaningFinder, ship_head, shipped_for, taught_by, train_head
from voiceover.mentions.merge import Judge, Linear, decide, elsewhere
from voiceover.mentions.ngrams import NgramFinder
from voiceover.mentions.outcome import OutcomeClassifier, rest_of_sentence
from voiceover.mentions.parse import ParsedTalk, parse_talk
from voiceover.mentions.people import PeopleResolver
from voiceover.mentions.phrases import PhraseFinder
from voiceover.mentions.plain import plain_words
from voiceover.mentions.second_look import SecondLook, is_current, save_head
from voiceover.mentions.status import DECIDED, decide_status, status_cues, status_features
from voiceover.mentions.trees import LEAF, Trees, from_nodes, to_keep
from voiceover.playhead.track import PlayheadTrack, read_playhead
from voiceover.possessions import Evidence, Possession, Weights, best_path, gather_evidence
from voiceover.roster import Player, Roster
from voiceover.speech.captions import read_transcript
from voiceover.talk_acts import ActClassifier

Item = TypeVar("Item")
Fit = TypeVar("Fit")
# Inverse regularisation; best of 0.1, 0.3, 1 and 3 with some narrations held out in turn.
BEGIN_C, PART_C = 0.3, 1.0
JUDGE_C = 0.3
STATUS_C = 3.0
# The better of two settings that were tried on what the first look sees (150 trees of 8 leaves: a tenth of a point less).
TREES: dict[str, Any] = {
    "n_estimators": 200, "learning_rate": 0.05, "max_leaf_nodes": 12, "min_samples_leaf": 20, "subsample": 0.6, "max_features": 8, "random_state": 0
}  # fmt: skip
# Each of n narrations alone would fit the first look n * n times.
FOLDS = 8


def in_turn(items: Sequence[Item], fit: Callable[[Sequence[Item]], Fit]) -> list[Fit]:
    """For each item a fit that has not seen it; every eighth is held out at once."""
    folds = min(FOLDS, len(items))
    fits = [fit([x for i, x in enumerate(items) if i % folds != fold]) for fold in range(folds)]
    return [fits[i % folds] for i in range(len(items))]


def load_narrations(folder: Path) -> list[tuple[dict[str, Any], ParsedTalk, PlayheadTrack]]:
    """The marked narrations of a folder, parsed from their captions, with their playheads."""
    out = []
    with tempfile.TemporaryDirectory() as scratch:
        for source in narrations_in(folder):
            prepare(source, Path(scratch))
            stem = Path(scratch) / source.stem
            talk = parse_talk(read_transcript(Path(f"{stem}.vtt")))
            doc = by_sentences_of(talk, json.loads(source.read_text(encoding="utf-8")))
            out.append((doc, talk, read_playhead(Path(f"{stem}.playhead.csv"))))
    return out


def fit_possessions(marked: Sequence[tuple[dict[str, Any], list[Evidence]]]) -> Weights:
    """Fit both models of the possessions."""
    begin_x, begin_y, part_x, part_y = [], [], [], []
    for doc, evidence in marked:
        starts = {p["first"] for p in doc["possessions"]}
        first, last = min(starts), max(p["last"] for p in doc["possessions"])
        for i, e in enumerate(evidence):
            part_x.append(e.features)
            part_y.append(0 if i < first else 1 if i <= last else 2)
            if first < i <= last:
                begin_x.append(e.features)
                begin_y.append(i in starts)
    begin = LogisticRegression(C=BEGIN_C, max_iter=3000).fit(begin_x, begin_y)
    part = LogisticRegression(C=PART_C, max_iter=3000).fit(part_x, part_y)
    return Weights(np.append(begin.coef_[0], begin.intercept_), np.column_stack([part.coef_, part.intercept_]))


def agreement(marked: Sequence[tuple[dict[str, Any], list[Evidence]]], weights: Weights) -> tuple[int, float]:
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


@dataclass(frozen=True, slots=True)
class MarkedTalk:
    """One marked narration with all that the fits look at."""

    doc: dict[str, Any]
    talk: ParsedTalk
    evidence: list[Evidence]
    candidates: list[Candidate]
    statuses: list[tuple[tuple[float, ...], str]]
    """Features and marked status of each marked mention that is no preview."""
    doers: list[MarkedDoer]
    again: NDArray[np.float64] | None = None
    """What the second look thinks of the candidates; None before it looked."""

    def is_marked(self) -> list[bool]:
        """For each candidate whether its sentence is marked with its principle."""
        marks = {(m["sentence"], m["principle"]) for m in self.doc["mentions"]}
        return [(c.sentence, c.principle_id) in marks for c in self.candidates]


def look_at(
    folder: Path, lexicon: Lexicon, finder: MeaningFinder, acts: ActClassifier, outcomes: OutcomeClassifier, second: SecondLook
) -> list[MarkedTalk]:
    """Read the marked narrations of a folder as the pipeline would, up to the decisions."""
    phrases, ngrams = PhraseFinder(lexicon), NgramFinder(lexicon)
    out = []
    for doc, talk, track in load_narrations(folder):
        judged = acts.judge_talk([s.sentence.text for s in talk.sentences])
        players = [
            Player(
                p["name"],
                str(p.get("number", "")),
                p.get("team", ""),
                bool(p.get("focus")),
                nicknames=tuple(p.get("nicknames", ())),
            )
            for p in doc["roster"]
        ]
        people = PeopleResolver(talk, Roster(tuple(players)), lexicon)
        references = [people.references(s.index) for s in talk.sentences]
        # The true possessions, so that the fit of the mentions does not learn the faults of the other fit.
        spans = [
            Possession(p["n"], p["first"], p["last"], talk.sentences[p["first"]].sentence.start_narration_s,
                       talk.sentences[p["last"]].sentence.end_narration_s)
            for p in doc["possessions"]
        ]  # fmt: skip
        candidates = gather_candidates(talk, finder, ngrams, phrases.find(talk), references, judged, spans)
        statuses = []
        quoted = [quoted_span(talk, m["sentence"], m["quote"]) for m in doc["mentions"]]
        for mark, span in zip(doc["mentions"], quoted, strict=True):
            if mark["kind"] == "preview" or span is None or mark["principle"] not in finder.ids:
                continue
            text = plain_words(talk, span, references[mark["sentence"]])
            say, lacking, failing = map(float, finder.judge([text]).kinds[0, finder.ids.index(mark["principle"])])
            kinds = second.blended([(say, lacking, failing)], [text], [mark["principle"]])[0]
            cues = status_cues(talk, talk.sentences[mark["sentence"]], span)
            failed = float(outcomes.failed([rest_of_sentence(talk, span)])[0])
            statuses.append((status_features(cues, kinds, failed), mark["status"]))
        out.append(
            MarkedTalk(doc, talk, gather_evidence(talk, track, judged), candidates, statuses, marked_doers(doc, talk, people, quoted))
        )
    return out


def fit_status(marked: Sequence[MarkedTalk]) -> NDArray[np.float64]:
    """Fit the model that decides between DECIDED, shape (3, features + 1)."""
    x = [f for m in marked for f, _ in m.statuses]
    y = [DECIDED.index(s) for m in marked for _, s in m.statuses]
    model = LogisticRegression(C=STATUS_C, max_iter=5000).fit(x, y)
    return np.column_stack([model.coef_, model.intercept_])


def status_right(marked: Sequence[MarkedTalk], weights: Sequence[NDArray[np.float64]]) -> float:
    """Share of marked mentions whose status is decided as marked."""
    right = [decide_status(f, w) == s for m, w in zip(marked, weights, strict=True) for f, s in m.statuses]
    return float(np.mean(right))


def fit_mentions(marked: Sequence[MarkedTalk]) -> Judge:
    """Fit the model that decides over candidates.

    The second look learns from first looks at narrations that they were not fitted on.
    """
    alone = _fit_linear([(_features(m), m.is_marked()) for m in marked])
    first = [
        f.probability(_features(m))
        for m, f in zip(marked, in_turn(marked, lambda ms: _fit_linear([(_features(o), o.is_marked()) for o in ms])), strict=True)
    ]
    seen = [np.hstack([_features(m), elsewhere(m.candidates, p)]) for m, p in zip(marked, first, strict=True)]
    in_talk = _fit_linear([(x, m.is_marked()) for x, m in zip(seen, marked, strict=True)])
    looked_at = []
    for x, m in zip(seen, marked, strict=True):
        if m.again is not None:
            looked = ~np.isnan(m.again[:, 0])
            looked_at.append((np.hstack([x, m.again])[looked], list(np.array(m.is_marked())[looked])))
    return Judge(alone, in_talk, (_fit_linear(looked_at), fit_trees(looked_at)) if looked_at else None)


def look_again(marked: Sequence[MarkedTalk], second: SecondLook) -> list[MarkedTalk]:
    """The same talks with what the second look thinks of their candidates."""
    judge = fit_mentions(marked)
    return [replace(m, again=second.look(m.candidates, judge.worth_another_look(m.candidates))) for m in marked]


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
        accepted, _ = decide(m.candidates, judge, m.again)
        mine = {(m.talk.sentence_of_word[p.first], p.principle_id) for p in accepted}
        marks = {(k["sentence"], k["principle"]) for k in m.doc["mentions"]}
        hit, found, gold = hit + len(mine & marks), found + len(mine), gold + len(marks)
    precision, recall = hit / max(1, found), hit / max(1, gold)
    return precision, recall, 2 * precision * recall / max(1e-9, precision + recall)


def reliability(marked: Sequence[MarkedTalk], judges: Sequence[Judge]) -> tuple[float, list[tuple[float, float, int]]]:
    """Expected calibration error, and (mean confidence, share right, count) in ten bins of confidence."""
    sure = np.concatenate([j.confidence(m.candidates, m.again) for m, j in zip(marked, judges, strict=True)])
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
    plain, adapted, large = load_encoder(adapted=False), load_encoder(), load_encoder(threads=2, large=True)
    if plain is None or adapted is None or large is None:
        sys.exit("a package with weights is not installed")
    lexicon, acts = load_lexicon(), ActClassifier(plain)
    if shipped_for() != (digest := taught_by(lexicon, adapted)):
        ship_head(train_head(lexicon, adapted), digest)
    if not is_current(lexicon, large):
        head = train_head(lexicon, large)
        save_head(lexicon, large, head.weights, head.bias, head.labels)
    finder, second = MeaningFinder(lexicon, adapted), SecondLook(lexicon, large)
    public, own = (look_at(ROOT / name, lexicon, finder, acts, OutcomeClassifier(plain), second) for name in ("public", "own"))
    marked = look_again(public + own, second)
    public, own = marked[: len(public)], marked[len(public) :]
    pairs = [(m.doc, m.evidence) for m in marked]
    held = [agreement([pair], w) for pair, w in zip(pairs, in_turn(pairs, fit_possessions), strict=True)]
    weights, judge, status = fit_possessions(pairs), fit_mentions(marked), fit_status(marked)
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
    error, table = reliability(marked, judges)
    print(f"  expected calibration error {error:.3f}")
    for sure, right, count in table:
        print(f"    said {sure:.2f}  right {right:.2f}  of {count}")
    kept: dict[str, Any] = {
        "status": np.round(status, 4).tolist(),
        "doers": kept_ranking(_fit_doers(marked)),
        "possessions": {"begin": np.round(weights.begin, 4).tolist(), "part": np.round(weights.part, 4).tolist()},
        "mentions": {"alone": _rounded(judge.alone), "in_talk": _rounded(judge.in_talk), "again": None, "trees": None},
    }  # fmt: skip
    if judge.again is not None:
        line, trees = judge.again
        kept["mentions"] |= {"again": _rounded(line), "trees": to_keep(trees)}
    parts = ",\n".join(f"{json.dumps(part)}: {json.dumps(numbers)}" for part, numbers in kept.items())
    FITTED.write_text(f"{{\n{parts}\n}}\n", encoding="utf-8")


if __name__ == "__main__":
    main()
