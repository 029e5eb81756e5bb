"""What each finder is worth and what it costs: python -m voiceover.evaluation.ablation

For each finder the decision is fitted again without what it says, and without what it alone proposes, an eighth of the public
narrations held out in turn: F1 by sentence, on those and on our own. The cost is processor seconds for 1,000 words, on one thread, once the
lexicon is learnt.
"""

from __future__ import annotations

import dataclasses
import sys
import time
from collections.abc import Callable, Sequence

from voiceover.evaluation.fit import MarkedTalk, fit_mentions, in_turn, look_again, look_at, sentence_f1
from voiceover.evaluation.marked import ROOT
from voiceover.lexicon.io import load_lexicon
from voiceover.mentions.candidates import FEATURES, LEAST_PROBABILITY, LEAST_SCORE, Candidate
from voiceover.mentions.encoder import load_encoder
from voiceover.mentions.fuzzy import FuzzyFinder
from voiceover.mentions.meaning import MeaningFinder
from voiceover.mentions.merge import load_judge
from voiceover.mentions.ngrams import NgramFinder
from voiceover.mentions.outcome import OutcomeClassifier
from voiceover.mentions.parse import known_words, runs_of_pieces
from voiceover.mentions.phrases import PhraseFinder
from voiceover.mentions.second_look import SecondLook
from voiceover.talk_acts import ActClassifier

COLUMNS = {
    "phrases": ("phrase", "phrase_score", "phrase_and_best", "phrase_words"),
    "meaning": (
        "best", "whole", "nothing", "second", "rival", "phrase_and_best", "spread", "nearest", "nearest_nothing", "nearest_gap",
        "whole_nothing", "whole_nearest_nothing", "whole_nearest",
    ),
    "n-grams": ("ngrams", "ngrams_nothing", "ngrams_rival", "ngrams_margin", "ngrams_whole"),
}  # fmt: skip

SECOND = "second look"


def without(marked: Sequence[MarkedTalk], finders: Sequence[str]) -> list[MarkedTalk]:
    """The same talks as if some finders did not exist."""
    gone = [FEATURES.index(c) for f in finders for c in COLUMNS.get(f, ())]
    out = []
    for m in marked:
        kept = [i for i, c in enumerate(m.candidates) if _proposed(c, finders)]
        blind = [
            dataclasses.replace(m.candidates[i], features=tuple(0.0 if k in gone else v for k, v in enumerate(m.candidates[i].features)))
            for i in kept
        ]
        again = None if m.again is None or SECOND in finders else m.again[kept]
        out.append(dataclasses.replace(m, candidates=blind, again=again))
    return out


def _proposed(c: Candidate, gone: Sequence[str]) -> bool:
    """Whether another finder proposes it too."""
    value = dict(zip(FEATURES, c.features, strict=True))
    probability = 1 / (1 + 2.718281828 ** -value["best"])
    said = {"phrases": bool(c.hits), "meaning": probability >= LEAST_PROBABILITY, "n-grams": value["ngrams"] >= LEAST_SCORE}
    return any(yes for finder, yes in said.items() if finder not in gone)


def main() -> None:
    """Fit, score and print the table."""
    plain, adapted, large = load_encoder(adapted=False), load_encoder(), load_encoder(large=True)
    if plain is None or adapted is None or large is None:
        sys.exit("a package with weights is not installed")
    lexicon, acts, outcomes = load_lexicon(), ActClassifier(plain), OutcomeClassifier(plain)
    meaning = MeaningFinder(lexicon, adapted)
    second = SecondLook(lexicon, large)
    public, own = (look_again(look_at(ROOT / name, lexicon, meaning, acts, outcomes, second), second) for name in ("public", "own"))
    print("finders                      F1 public   F1 own")
    alone = [[SECOND, *(f for f in COLUMNS if f != only)] for only in COLUMNS]
    for gone in ([], *([f] for f in (*COLUMNS, SECOND)), *alone):
        a, b = without(public, gone), without(own, gone)
        held, whole = in_turn(a, fit_mentions), fit_mentions(a)
        name = "all" if not gone else "without " + " and ".join(gone)
        print(f"{name:<28} {100 * sentence_f1(a, held)[2]:9.1f} {100 * sentence_f1(b, [whole] * len(b))[2]:8.1f}")
    talks = [m.talk for m in public]
    words = sum(len(t.transcript.words) for t in talks)
    texts = [[t.text(s) for p in t.sentences for s in runs_of_pieces(p)] for t in talks]
    fresh = SecondLook(lexicon, large)  # the other one remembers what it has judged
    phrases, fuzzy, ngrams = PhraseFinder(lexicon), FuzzyFinder(lexicon, known_words()), NgramFinder(lexicon)
    for name, work in (
        ("phrases", lambda: [phrases.find(t) for t in talks]),
        ("fuzzy", lambda: [fuzzy.find(t, frozenset()) for t in talks]),
        ("meaning, every run held against every line", lambda: [meaning.nearest(meaning.judge(x).vectors) for x in texts]),
        ("n-grams", lambda: [ngrams.score(x) for x in texts]),
        (SECOND, lambda: [fresh.look(m.candidates, load_judge().worth_another_look(m.candidates)) for m in public]),
    ):
        print(f"{name}: {_seconds(work) / words * 1000:.2f} s for 1,000 words")


def _seconds(work: Callable[[], object]) -> float:
    started = time.process_time()
    work()
    return time.process_time() - started


if __name__ == "__main__":
    main()
