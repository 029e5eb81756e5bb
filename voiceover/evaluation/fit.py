"""Fit the few numbers that decide, on the marked public narrations: python -m voiceover.evaluation.fit

Writes voiceover/fitted.json. Only the public narrations are used; our own are for checking, the unopened ones for the end.
"""

from __future__ import annotations

import json
import sys
import tempfile
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
from sklearn.linear_model import LogisticRegression

from voiceover.evaluation.marked import ROOT, prepare
from voiceover.mentions.encoder import load_encoder
from voiceover.mentions.parse import ParsedTalk, parse_talk
from voiceover.playhead.track import PlayheadTrack, read_playhead
from voiceover.possessions import Evidence, Weights, best_path, gather_evidence
from voiceover.speech.captions import read_transcript
from voiceover.talk_acts import ActClassifier

# Inverse regularisation; best of 0.1, 0.3, 1 and 3 with each narration held out in turn.
BEGIN_C, PART_C = 0.3, 1.0
FITTED = Path(__file__).resolve().parents[1] / "fitted.json"


def load_narrations(folder: Path) -> list[tuple[dict[str, Any], ParsedTalk, PlayheadTrack]]:
    """The marked narrations of a folder, parsed from their captions, with their playheads."""
    out = []
    with tempfile.TemporaryDirectory() as scratch:
        for source in sorted(p for p in folder.glob("[0-9]*.json") if not p.name.endswith(".times.json")):
            prepare(source, Path(scratch))
            stem = Path(scratch) / source.stem
            talk = parse_talk(read_transcript(Path(f"{stem}.vtt")))
            out.append((json.loads(source.read_text(encoding="utf-8")), talk, read_playhead(Path(f"{stem}.playhead.csv"))))
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
    return Weights(
        np.append(begin.coef_[0], begin.intercept_), np.column_stack([part.coef_, part.intercept_])
    )


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


def main() -> None:
    """Fit on the public narrations, say how it generalises, and write the numbers."""
    encoder = load_encoder(adapted=False)
    if encoder is None:
        sys.exit("the weights package is not installed")
    acts = ActClassifier(encoder)
    public, own = (
        [(doc, gather_evidence(talk, track, acts)) for doc, talk, track in load_narrations(ROOT / name)]
        for name in ("public", "own")
    )
    held = [agreement([public[i]], fit_possessions(public[:i] + public[i + 1 :])) for i in range(len(public))]
    print(f"possessions, each public narration held out in turn: {sum(h[0] for h in held)} of {len(held)} exact,"
          f" overlap {np.mean([h[1] for h in held]):.2f}")  # fmt: skip
    weights = fit_possessions(public)
    print("public, fitted:", agreement(public, weights), "own, not used:", agreement(own, weights))
    kept = json.loads(FITTED.read_text(encoding="utf-8")) if FITTED.exists() else {}
    kept["possessions"] = {"begin": np.round(weights.begin, 4).tolist(), "part": np.round(weights.part, 4).tolist()}
    FITTED.write_text(json.dumps(kept, indent=1) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
