"""Fit who does it: how much each of the features of `mentions/doers.py` speaks for somebody, on the marked narrations."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from sklearn.linear_model import LogisticRegression

from voiceover.evaluation.marked import marked_roles
from voiceover.mentions.doers import Ranking, Somebody, all_features, somebodies
from voiceover.mentions.model import ROLES
from voiceover.mentions.parse import ParsedTalk, Span
from voiceover.mentions.people import PeopleResolver
from voiceover.mentions.reading import Reading

# Inverse regularisation, and mentions of the usual kind that are added to each principle; with an eighth of the narrations held out in
# turn 0.1 to 1 are equally good.
C, LEAST = 0.5, 4.0


@dataclass(frozen=True, slots=True)
class MarkedDoer:
    """One marked mention: who may have done it, and who did."""

    principle_id: str
    candidates: list[Somebody]
    marked: str
    """As str(Somebody)."""
    role: str


def marked_doers(
    doc: dict[str, Any], talk: ParsedTalk, people: PeopleResolver, reading: Reading, spans: Sequence[Span | None]
) -> list[MarkedDoer]:
    """Those of one narration, in the order of its words.

    Args:
        doc: the marked narration.
        talk: the same, parsed.
        people: resolves its references.
        reading: what the reader thinks of it.
        spans: the quoted words of each of its mentions; None leaves one out.
    """
    roles = marked_roles(people.roster)
    quoted = [(mark, span) for mark, span in zip(doc["mentions"], spans, strict=True) if span is not None]
    quoted.sort(key=lambda pair: (pair[1].first, pair[1].last, pair[0]["principle"]))
    focus = people.roster.focus[0]
    return [
        MarkedDoer(
            m["principle"], somebodies(talk, people, reading, m["sentence"], span, m["principle"], focus), m["player"], roles[m["player"]]
        )
        for m, span in quoted
    ]


def usual_roles(done: Sequence[tuple[str, str]], least: float = LEAST) -> dict[str, list[float]]:
    """How much oftener than others each principle is done by each of ROLES, as logarithms.

    Args:
        done: (principle id, role) of marked mentions.
        least: so many mentions of the usual kind are added to each principle, so that a few don't say much.
    """
    share = [(sum(role == r for _, role in done) + 1) / (len(done) + len(ROLES)) for r in ROLES]
    out = {}
    for principle_id in sorted({i for i, _ in done}):
        own = [role for i, role in done if i == principle_id]
        out[principle_id] = [math.log((own.count(r) + least * s) / (len(own) + least) / s) for r, s in zip(ROLES, share, strict=True)]
    return out


def fit_doers(talks: Sequence[Sequence[MarkedDoer]]) -> Ranking:
    """Fit on the marked mentions of many narrations; what is usual is told to each by the others."""
    x, y = [], []
    for i, talk in enumerate(talks):
        usual = usual_roles([(m.principle_id, m.role) for j, other in enumerate(talks) if j != i for m in other])
        before = ""
        for m in talk:
            x += [all_features(c, before, usual.get(m.principle_id)) for c in m.candidates]
            y += [str(c) == m.marked for c in m.candidates]
            before = m.marked
    model = LogisticRegression(C=C, max_iter=3000).fit(x, y)
    return Ranking(model.coef_[0], usual_roles([(m.principle_id, m.role) for talk in talks for m in talk]))


def doers_right(talk: Sequence[MarkedDoer], ranking: Ranking) -> tuple[int, int]:
    """How many of one narration's are as marked by the ranking, which goes on from its own answers, and how many by the rules alone."""
    by_ranking, before = 0, ""
    for m in talk:
        before = str(ranking.best(m.candidates, m.principle_id, before))
        by_ranking += before == m.marked
    return by_ranking, sum(str(m.candidates[0]) == m.marked for m in talk)


def kept_ranking(ranking: Ranking) -> dict[str, Any]:
    """The numbers as they are written."""
    usual = {i: [round(v, 3) for v in values] for i, values in ranking.usual.items()}
    return {"weights": np.round(ranking.weights, 4).tolist(), "usual": usual}
