"""Wordings spelt a letter or two off, as captions and transcripts typed in a hurry have them."""

from __future__ import annotations

from collections import defaultdict

from rapidfuzz import fuzz, process

from voiceover.lexicon.model import Lexicon
from voiceover.lexicon.wording import GAP, readings
from voiceover.mentions.model import Proposal
from voiceover.mentions.parse import ParsedTalk
from voiceover.mentions.phrases import KIND_PROBABILITIES, LIGHT
from voiceover.mentions.words import normal_form, split_words

# Similarity in percent (rapidfuzz ratio) from which two runs of letters are the same words misspelt. At 85 one letter in
# seven may differ. Guess, checked on invented misspellings only: the marked narrations have none.
MIN_RATIO = 85.0
LONGEST = 5


class FuzzyFinder:
    """Looks for misspelt wordings, only around words that are no words of the language."""

    def __init__(self, lexicon: Lexicon, known_words: frozenset[str]) -> None:
        self._known = known_words
        self._by_length: dict[int, dict[str, tuple[str, str, str]]] = defaultdict(dict)
        for p in lexicon.active():
            for kind, wording in p.wordings():
                for reading in readings(wording, lexicon.word_classes)[:6]:
                    words = [w for part in reading for w in split_words(part)]
                    if GAP in reading or not 2 <= len(words) <= LONGEST:
                        continue
                    if all(normal_form(w) in LIGHT for w in words):
                        continue
                    self._by_length[len(words)].setdefault(" ".join(words).lower(), (p.id, kind, wording))

    def find(self, talk: ParsedTalk, names: frozenset[str]) -> list[Proposal]:
        """Misspelt wordings.

        Args:
            names: parts of names in lower case, which are no misspellings.
        """
        out = []
        for parsed in talk.sentences:
            first, last = parsed.sentence.first, parsed.sentence.last
            words = [" ".join(split_words(w.text)).lower() for w in talk.transcript.words[first : last + 1]]
            strange = [i for i, w in enumerate(words) if w.isalpha() and w not in self._known and w not in names]
            for i in strange:
                best = self._best(words, i)
                if best is not None:
                    ratio, start, length, (principle_id, kind, wording) = best
                    out.append(
                        Proposal(principle_id, first + start, first + start + length - 1, ratio / 100 * 0.8, "fuzzy",
                                 KIND_PROBABILITIES[kind], wording)
                    )  # fmt: skip
        return out

    def _best(self, words: list[str], at: int) -> tuple[float, int, int, tuple[str, str, str]] | None:
        best: tuple[float, int, int, tuple[str, str, str]] | None = None
        for length, wordings in self._by_length.items():
            for start in range(max(0, at - length + 1), min(at, len(words) - length) + 1):
                run = " ".join(words[start : start + length])
                found = process.extractOne(run, wordings.keys(), scorer=fuzz.ratio, score_cutoff=MIN_RATIO)
                if found is not None and (best is None or found[1] > best[0]):
                    best = (found[1], start, length, wordings[found[0]])
        return best
