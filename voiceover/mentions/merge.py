"""One decision over all proposals: what becomes a mention, and what is rejected and why."""

from __future__ import annotations

import numpy as np

from voiceover.lexicon.model import WORDING_KINDS
from voiceover.mentions.meaning import MeaningFinder
from voiceover.mentions.model import Proposal, Rejected
from voiceover.mentions.parse import ParsedTalk, Span, runs_of_pieces

# A run of clauses is proposed from this probability on. Best of 0.3 to 0.7 on the public corpus.
MIN_MEANING = 0.45
# A phrase alone needs two words that carry a picture (0.4 + 0.2 for each).
MIN_PHRASE = 0.75
# Where words of one principle lie inside those of another, the weaker needs this much to stand beside the stronger.
MIN_BESIDE = 0.6


def propose_by_meaning(talk: ParsedTalk, finder: MeaningFinder) -> list[Proposal]:
    """Every run of clauses that may tell a principle; the best run of each principle within a sentence."""
    spans: list[tuple[int, Span]] = [(s.index, span) for s in talk.sentences for span in runs_of_pieces(s)]
    if not spans:
        return []
    probabilities, kinds, _ = finder.judge([talk.text(span) for _, span in spans])
    best: dict[tuple[int, int], tuple[float, int]] = {}
    for row, column in zip(*np.nonzero(probabilities >= MIN_MEANING / 2), strict=True):
        key = (spans[row][0], int(column))
        score = float(probabilities[row, column])
        # Of two runs that say it about equally well, the shorter is the quote.
        rank = score - 0.004 * len(spans[row][1])
        if key not in best or rank > best[key][0]:
            best[key] = (rank, int(row))
    out = []
    for (_, column), (_, row) in best.items():
        span = spans[row][1]
        tells = WORDING_KINDS[int(kinds[row, column].argmax())]
        score = float(probabilities[row, column])
        out.append(Proposal(finder.ids[column], span.first, span.last, score, "meaning", tells))
    return out


def merge(talk: ParsedTalk, phrases: list[Proposal], meanings: list[Proposal]) -> tuple[list[Proposal], list[Rejected]]:
    """Decide.

    Args:
        talk: the parsed narration.
        phrases: proposals of the phrase finder.
        meanings: proposals of the finder by meaning; none where its weights are not installed.
    Returns:
        The accepted proposals in order, each with the finders that agree in `found_by` and their joint score, and the
        rejected ones with the reason. Together they are all proposals, a phrase and a meaning that agree counting once.
    """
    by_meaning = {(talk.sentence_of_word[p.first], p.principle_id): p for p in meanings}
    joined: list[Proposal] = []
    rejected: list[Rejected] = []
    used = set()
    for p in phrases:
        key = (talk.sentence_of_word[p.first], p.principle_id)
        other = by_meaning.get(key)
        if other is not None:
            used.add(key)
            score = 1 - (1 - p.score * 0.8) * (1 - other.score)
            joined.append(Proposal(p.principle_id, p.first, p.last, score, "phrase+meaning", p.tells if p.tells != "say" else other.tells, p.wording))
        else:
            joined.append(p)
    joined += [p for key, p in by_meaning.items() if key not in used]
    accepted: list[Proposal] = []
    for p in sorted(joined, key=lambda p: -p.score):
        needed = MIN_PHRASE if p.found_by == "phrase" else MIN_MEANING
        span = Span(p.first, p.last)
        if p.score < needed:
            rejected.append(Rejected(p, f"score {p.score:.2f} under {needed:.2f}"))
            continue
        rival = next((a for a in accepted if span.overlaps(Span(a.first, a.last))), None)
        if rival is not None and (rival.principle_id == p.principle_id or p.score < MIN_BESIDE):
            rejected.append(Rejected(p, f"the words tell {rival.principle_id} ({rival.score:.2f})"))
            continue
        accepted.append(p)
    return sorted(accepted, key=lambda p: (p.first, p.last, p.principle_id)), rejected
