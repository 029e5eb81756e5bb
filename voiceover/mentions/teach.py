"""Find what was said often and not matched: voiceover suggest-wordings."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from voiceover.breakdown import Breakdown
from voiceover.errors import WeightsError
from voiceover.lexicon.model import Lexicon
from voiceover.lexicon.suggestion import MIN_TIMES, Evidence, Suggestion
from voiceover.mentions.encoder import load_encoder
from voiceover.mentions.encoder_weights import SMALL
from voiceover.mentions.meaning import MeaningFinder
from voiceover.mentions.parse import ParsedTalk, Span, parse_talk
from voiceover.mentions.people import PeopleResolver
from voiceover.mentions.phrases import LIGHT
from voiceover.mentions.plain import plain_words
from voiceover.mentions.words import normal_form, split_words
from voiceover.roster import Roster
from voiceover.talk_acts import ACTS, ActClassifier

# Clauses nearer than this (1 - cosine) are the same thing said again. Guess, not measured.
SAME_DISTANCE = 0.3
# From this probability on the clauses of a group tell a known principle.
LEAST_PROBABILITY = 0.25
# A group as near as this (cosine) to a line about nothing is one of those: a new principle is near none. Guess, not measured.
LIKE_NOTHING = 0.7
MIN_WORDS, MAX_WORDS = 2, 10


@dataclass(frozen=True, slots=True)
class _Clause:
    text: str
    evidence: Evidence


def suggest_wordings(breakdowns: Sequence[Breakdown], lexicon: Lexicon, *, min_times: int = MIN_TIMES) -> list[Suggestion]:
    """Propose wordings for known principles and for new ones, the most often said first.

    Args:
        breakdowns: of one coach or several.
        lexicon: what is matched already.
        min_times: how often a thing must have been said.
    Raises:
        WeightsError: the meaning weights are not installed.
    """
    encoder, plain = load_encoder(), load_encoder(adapted=False)
    if encoder is None or plain is None:
        raise WeightsError(f"what is said alike cannot be told without the meaning weights; run: {SMALL.install}")
    acts = ActClassifier(plain)
    clauses = [c for b in breakdowns for c in _unmatched(b, lexicon, acts)]
    if len(clauses) < min_times:
        return []
    finder = MeaningFinder(lexicon, encoder)
    judged = finder.judge([c.text for c in clauses])
    vectors, near_nothing = judged.vectors, finder.nearest_nothing(judged.vectors)
    out = []
    for group in _groups(vectors):
        if len(group) < min_times:
            continue
        chance = judged.probability[group].mean(axis=0)
        best = int(chance.argmax())
        known = float(chance[best]) >= LEAST_PROBABILITY
        if not known and float(near_nothing[group].mean()) > LIKE_NOTHING:
            continue
        near = vectors[group] @ vectors[group].T
        wording = clauses[group[int(near.sum(axis=1).argmax())]].text
        places = tuple(clauses[i].evidence for i in group)
        out.append(Suggestion(finder.ids[best] if known else "", wording, places))
    return sorted(out, key=lambda s: (-len(s.evidence), s.principle_id == "", s.wording))


def _unmatched(breakdown: Breakdown, lexicon: Lexicon, acts: ActClassifier) -> list[_Clause]:
    """The clauses of a talk that tell of play and are no part of a mention."""
    talk = parse_talk(breakdown.transcript())
    people = PeopleResolver(talk, Roster(tuple(breakdown.roster)), lexicon)
    taken = [Span(m.first, m.last) for m in breakdown.mentions]
    doing = acts.judge([s.sentence.text for s in talk.sentences]).argmax(axis=1)
    out = []
    for parsed, act in zip(talk.sentences, doing, strict=True):
        if ACTS[act] != "play":
            continue
        references = people.references(parsed.index)
        for piece in parsed.pieces:
            if any(piece.overlaps(t) for t in taken):
                continue
            text = plain_words(talk, piece, references)
            if MIN_WORDS <= len(text.split()) <= MAX_WORDS and _pictures(text) >= 2:
                out.append(_Clause(text, _place(breakdown, talk, piece)))
    return out


def _pictures(text: str) -> int:
    return sum(normal_form(w) not in LIGHT for w in split_words(text))


def _place(breakdown: Breakdown, talk: ParsedTalk, span: Span) -> Evidence:
    return Evidence(breakdown.narration, talk.transcript.words[span.first].start_narration_s, talk.text(span).strip(" ,.;:"))


def _groups(vectors: NDArray[np.float32]) -> list[list[int]]:
    """Groups of clauses that say the same, each a list of indices."""
    from sklearn.cluster import AgglomerativeClustering

    model = AgglomerativeClustering(n_clusters=None, metric="cosine", linkage="average", distance_threshold=SAME_DISTANCE)
    labels = model.fit_predict(vectors)
    return [np.flatnonzero(labels == label).tolist() for label in range(labels.max() + 1)]
