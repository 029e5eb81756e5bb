"""Everything that may be a mention, with all that speaks for and against it."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from voiceover.mentions.meaning import Judgement, MeaningFinder, Nearest
from voiceover.mentions.model import Proposal
from voiceover.mentions.ngrams import NgramFinder, NgramScores
from voiceover.mentions.parse import ParsedSentence, ParsedTalk, Span, runs_of_pieces
from voiceover.mentions.plain import plain_words, without_simile
from voiceover.mentions.reading import Reading
from voiceover.mentions.references import Reference
from voiceover.mentions.status import status_cues
from voiceover.mentions.words import split_words
from voiceover.possessions import Possession

# Less than this in every run of clauses, and without a phrase, a principle is not thought of. At 0.12 nine in ten of the
# marked mentions of the public narrations are among the candidates.
LEAST_PROBABILITY = 0.12
# So much of the finder by n-grams makes a principle worth a thought too.
LEAST_SCORE = -0.3
# And so much of any run of clauses by the reader.
LEAST_READ = 0.15
# Of two runs of clauses that say it about equally well, the shorter is the quote.
PRICE_OF_A_WORD = 0.004
# Below this the phrase's own words are the quote, and not the best run of clauses.
SURE_RUN = 0.3

FEATURES = (
    "best", "whole", "nothing", "second", "rival", "words", "two_words", "four_words", "phrase", "phrase_score",
    "phrase_and_best", "spread", "nearest", "nearest_nothing", "nearest_gap", "act_next", "act_again", "act_reopen",
    "act_closing", "act_opening", "before", "behind", "other_times", "wish", "whole_nothing", "short_sentence", "runs",
    "whole_nearest_nothing", "whole_nearest", "phrase_words",
    "ngrams", "ngrams_nothing", "ngrams_rival", "ngrams_margin", "ngrams_whole",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Candidate:
    """One principle that one sentence may tell."""

    sentence: int
    principle_id: str
    span: Span
    """The words that would be quoted."""
    text: str
    """These words as the finders see them (`plain_words`)."""
    features: tuple[float, ...]
    """As named in FEATURES."""
    kinds: tuple[float, float, float]
    """How likely it is told as say, lacking or failing."""
    hits: tuple[Proposal, ...]
    """What the finders by wording proposed in this sentence."""


def log_odds(p: float) -> float:
    """Natural logarithm of the odds of a probability, kept within 1e-4 of its ends."""
    p = min(max(p, 1e-4), 1 - 1e-4)
    return float(np.log(p / (1 - p)))


def gather_candidates(
    talk: ParsedTalk, finder: MeaningFinder, ngrams: NgramFinder, phrases: Sequence[Proposal],
    references: Sequence[Sequence[Reference]], acts: NDArray[np.float32], possessions: Sequence[Possession], reading: Reading,
) -> list[Candidate]:  # fmt: skip
    """Every sentence and principle worth a thought.

    Args:
        talk: the parsed narration.
        finder: judges runs of clauses by what they mean.
        ngrams: judges them by their words; of the same lexicon.
        phrases: proposals of the finders by wording.
        references: to people, for each sentence.
        acts: what each sentence does in the talk, shape (sentences, 12).
        possessions: where the possessions are.
        reading: what the reader thinks of the talk.
    """
    spans = [(s.index, span) for s in talk.sentences for span in runs_of_pieces(s)]
    if not spans:
        return []
    texts = [plain_words(talk, span, references[i]) for i, span in spans]
    judged, scores = _judge(finder, texts), ngrams.score(texts)
    hits: dict[tuple[int, str], list[Proposal]] = defaultdict(list)
    for p in phrases:
        hits[talk.sentence_of_word[p.first], p.principle_id].append(p)
    rows: dict[int, list[int]] = defaultdict(list)
    for row, (sentence, _) in enumerate(spans):
        rows[sentence].append(row)
    first = possessions[0].first_sentence if possessions else 0
    last = possessions[-1].last_sentence if possessions else len(talk.sentences)
    thoughts: list[tuple[_Place, list[_Thought]]] = []
    for parsed in talk.sentences:
        read = reading.told_by(finder.ids, [spans[row][1] for row in rows[parsed.index]])
        place = _Place(talk, parsed, references[parsed.index], rows[parsed.index], [span for _, span in spans], judged, scores, read)
        found = [(column, hits.get((parsed.index, i), [])) for column, i in enumerate(finder.ids)]
        worth = [
            place.thought(column, proposals)
            for column, proposals in found
            if place.best[column] >= LEAST_PROBABILITY
            or place.best_score[column] >= LEAST_SCORE
            or proposals
            or place.read[column] >= LEAST_READ
        ]
        if worth:
            thoughts.append((place, worth))
    # Only what is thought of is held against every line that teaches.
    asked = sorted({row for place, worth in thoughts for row in (place.whole, *(t.row for t in worth))})
    near, at = finder.nearest(judged.vectors[asked]), {row: i for i, row in enumerate(asked)}
    out: list[Candidate] = []
    for place, worth in thoughts:
        i = place.parsed.index
        around = [*(float(np.log(a + 0.02)) for a in acts[i, :5]), i < first, i > last]
        out += [place.candidate(t, finder.ids[t.column], near, at, around) for t in worth]
    return out


def _judge(finder: MeaningFinder, texts: list[str]) -> Judgement:
    """Judge texts, and those with a comparison in them without it too: "like a bus at a crossing" hides what is done."""
    bare = [without_simile(t) for t in texts]
    changed = [i for i, (a, b) in enumerate(zip(texts, bare, strict=True)) if a != b]
    judged = finder.judge(texts + [bare[i] for i in changed])
    n = len(texts)
    rows = np.arange(n)
    for k, i in enumerate(changed):
        if judged.probability[n + k].max() > judged.probability[i].max():
            rows[i] = n + k
    return Judgement(
        judged.probability[rows],
        judged.nothing[rows],
        judged.kinds[rows],
        judged.vectors[rows],
    )


@dataclass(frozen=True, slots=True)
class _Thought:
    """One principle that a sentence may tell, before it is looked at closely."""

    column: int
    row: int
    """Of the run of clauses that is judged."""
    span: Span
    found: list[Proposal]
    hit: Proposal | None
    """The surest of what was found by wording."""


class _Place:
    """One sentence with its runs of clauses."""

    def __init__(
        self, talk: ParsedTalk, parsed: ParsedSentence, references: Sequence[Reference], rows: list[int], spans: list[Span],
        judged: Judgement, scores: NgramScores, read: NDArray[np.float32],
    ) -> None:  # fmt: skip
        self._talk, self.parsed, self._references = talk, parsed, references
        self._rows, self._spans, self._judged, self._scores = rows, spans, judged, scores
        self.whole = max(rows, key=lambda r: len(spans[r]))
        self._price = np.array([PRICE_OF_A_WORD * len(spans[r]) for r in rows])
        self.best, self.best_score = judged.probability[rows].max(axis=0), scores.principle[rows].max(axis=0)
        self.read = read.max(axis=0)
        # For each principle its own best run of clauses: another principle is a rival only where it would be quoted.
        self._best_row = [rows[i] for i in (judged.probability[rows] + read - self._price[:, None]).argmax(axis=0)]

    def thought(self, column: int, found: list[Proposal]) -> _Thought:
        judged, spans = self._judged, self._spans
        row = self._best_row[column]
        span = spans[row]
        hit = max(found, key=lambda p: p.score, default=None)
        if hit is not None and self.best[column] < SURE_RUN:
            span = Span(hit.first, hit.last)
            holding = [r for r in self._rows if spans[r].first <= span.first and span.last <= spans[r].last]
            row = max(holding or [row], key=lambda r: float(judged.probability[r, column]))
        return _Thought(column, row, span, found, hit)

    def candidate(self, thought: _Thought, principle_id: str, near: Nearest, at: Mapping[int, int], around: Sequence[float]) -> Candidate:
        judged, spans = self._judged, self._spans
        column, row, span, hit = thought.column, thought.row, thought.span, thought.hit
        over = [r for r in self._rows if spans[r].overlaps(span)]
        rival = max(
            (float(judged.probability[r, other]) for other, r in enumerate(self._best_row) if other != column and spans[r].overlaps(span)),
            default=0.0,
        )
        best = log_odds(float(judged.probability[row, column]))
        cues = status_cues(self._talk, self.parsed, span)
        nearest = near.principle[at[row]]
        score, score_nothing = float(self._scores.principle[row, column]), float(self._scores.nothing[row])
        score_rival = float(np.delete(self._scores.principle[row], column).max(initial=-1.0))
        features = (
            best,
            log_odds(float(judged.probability[self.whole, column])),
            log_odds(float(judged.nothing[row])),
            log_odds(float(np.delete(judged.probability[row], column).max(initial=0.0))),
            log_odds(rival),
            min(len(span), 20),
            len(span) <= 2,
            len(span) <= 4,
            hit is not None,
            hit.score if hit else 0.0,
            best if hit else 0.0,
            float(np.mean(judged.probability[over, column] > SURE_RUN)),
            float(nearest[column]),
            float(near.nothing[at[row]]),
            float(nearest.max() - nearest[column]),
            *around,
            cues.other_times,
            cues.wish,
            log_odds(float(judged.nothing[self.whole])),
            len(self.parsed.doc) <= 8,
            len(self._rows),
            float(near.nothing[at[self.whole]]),
            float(near.principle[at[self.whole], column]),
            len(split_words(hit.wording)) if hit else 0.0,
            score,
            score_nothing,
            score_rival,
            score - max(score_rival, score_nothing),
            float(self._scores.principle[self.whole, column]),
        )
        say, lacking, failing = map(float, judged.kinds[row, column])
        kinds = hit.kinds if hit is not None and hit.kinds[0] < 1 and best < 0 else (say, lacking, failing)
        text = plain_words(self._talk, span, self._references)
        return Candidate(self.parsed.index, principle_id, span, text, tuple(map(float, features)), kinds, tuple(thought.found))
