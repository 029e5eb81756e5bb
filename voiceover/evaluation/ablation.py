"""What each finder is worth and what it costs: python -m voiceover.evaluation.ablation

For each finder the decision is fitted again without what it says, and without what it alone proposes, an eighth of the
narrations held out in turn: F1 by sentence, on the public ones and on our own. The cost is processor seconds for 1,000 words, on one thread, once the
lexicon is learnt.
"""

from __future__ import annotations

import dataclasses
import time
from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import NDArray

from voiceover.evaluation.fit import fit_mentions, in_turn, sentence_f1
from voiceover.evaluation.marked import ROOT
from voiceover.evaluation.marked_talks import Finders, MarkedTalk, look_at
from voiceover.mentions.candidates import FEATURES, LEAST_PROBABILITY, LEAST_READ, LEAST_SCORE, Candidate
from voiceover.mentions.encoder import load_encoder
from voiceover.mentions.encoder_weights import LARGE
from voiceover.mentions.fuzzy import FuzzyFinder
from voiceover.mentions.parse import known_words, runs_of_pieces
from voiceover.mentions.people import PeopleResolver
from voiceover.mentions.reader import Reader
from voiceover.roster import Roster

COLUMNS = {
    "phrases": ("phrase", "phrase_score", "phrase_and_best", "phrase_words"),
    "meaning": (
        "best", "whole", "nothing", "second", "rival", "phrase_and_best", "spread", "nearest", "nearest_nothing", "nearest_gap",
        "whole_nothing", "whole_nearest_nothing", "whole_nearest",
    ),
    "n-grams": ("ngrams", "ngrams_nothing", "ngrams_rival", "ngrams_margin", "ngrams_whole"),
}  # fmt: skip

READER = "reader"


def without(marked: Sequence[MarkedTalk], finders: Sequence[str]) -> list[MarkedTalk]:
    """The same talks as if some finders did not exist."""
    gone = [FEATURES.index(c) for f in finders for c in COLUMNS.get(f, ())]
    out = []
    for m in marked:
        kept = [i for i, c in enumerate(m.candidates) if _proposed(c, m.read[i], finders)]
        blind = [
            dataclasses.replace(m.candidates[i], features=tuple(0.0 if k in gone else v for k, v in enumerate(m.candidates[i].features)))
            for i in kept
        ]
        out.append(dataclasses.replace(m, candidates=blind, read=m.read[kept]))
    return out


def _proposed(c: Candidate, read: NDArray[np.float64], gone: Sequence[str]) -> bool:
    """Whether another finder proposes it too: told by what they say of its words."""
    value = dict(zip(FEATURES, c.features, strict=True))
    probability = 1 / (1 + np.exp(-value["best"]))
    said = {
        "phrases": bool(c.hits), "meaning": probability >= LEAST_PROBABILITY, "n-grams": value["ngrams"] >= LEAST_SCORE,
        READER: bool(read[0] >= np.log(LEAST_READ)),
    }  # fmt: skip
    return any(yes for finder, yes in said.items() if finder not in gone)


def main() -> None:
    """Fit, score and print the table."""
    finders = Finders.load()
    public, own = (look_at(ROOT / name, finders) for name in ("public", "own"))
    # Without the reader the words that are quoted are chosen without it too.
    alone_public, alone_own = (look_at(ROOT / name, dataclasses.replace(finders, reader=None)) for name in ("public", "own"))
    print("finders                      F1 public   F1 own")
    alone = [[READER, *(f for f in COLUMNS if f != only)] for only in COLUMNS]
    for gone in ([], *([f] for f in (*COLUMNS, READER)), list(COLUMNS), *alone):
        marked = without(alone_public + alone_own if READER in gone else public + own, gone)
        held = in_turn(marked, fit_mentions)
        name = "all" if not gone else "without " + " and ".join(gone)
        n = len(public)
        print(f"{name:<28} {100 * sentence_f1(marked[:n], held[:n])[2]:9.1f} {100 * sentence_f1(marked[n:], held[n:])[2]:8.1f}", flush=True)
    talks = [m.talk for m in public]
    words = sum(len(t.transcript.words) for t in talks)
    texts = [[t.text(s) for p in t.sentences for s in runs_of_pieces(p)] for t in talks]
    lexicon, encoder = finders.lexicon, load_encoder(LARGE)
    assert encoder is not None
    meaning, fuzzy, reader = finders.meaning, FuzzyFinder(lexicon, known_words()), Reader(lexicon, encoder)
    for name, work in (
        ("phrases", lambda: [finders.phrases.find(t) for t in talks]),
        ("fuzzy", lambda: [fuzzy.find(t, frozenset()) for t in talks]),
        ("meaning, every run held against every line", lambda: [meaning.nearest(meaning.judge(x).vectors) for x in texts]),
        ("n-grams", lambda: [finders.ngrams.score(x) for x in texts]),
        (READER, lambda: [reader.read(t, PeopleResolver(t, Roster(), lexicon)) for t in talks]),
    ):
        print(f"{name}: {_seconds(work) / words * 1000:.2f} s for 1,000 words")


def _seconds(work: Callable[[], object]) -> float:
    started = time.process_time()
    work()
    return time.process_time() - started


if __name__ == "__main__":
    main()
