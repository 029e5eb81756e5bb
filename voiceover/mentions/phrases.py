"""Finders that trust the wordings as written: the exact phrase (by normal form), and its content words in order."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from voiceover.cache import cache_folder, kept_arrays
from voiceover.lexicon.model import Lexicon
from voiceover.lexicon.wording import GAP, MAX_GAP_WORDS, readings
from voiceover.mentions.model import Proposal
from voiceover.mentions.parse import ParsedTalk, Span
from voiceover.mentions.words import PERSON, normal_form, reading_forms, split_words

# Words that carry no picture of their own: a wording made of these alone is never looked for.
LIGHT = frozenset(
    normal_form(w)
    for w in "a an the of to in on at it is be and or so but that this there here he with for up by as just then not do does"
    " have has will would can could should get go come one two all very really little bit some".split()
) | {PERSON}


_FORMAT = "phrases-v1"
KIND_PROBABILITIES = {"say": (1.0, 0.0, 0.0), "lacking": (0.0, 1.0, 0.0), "failing": (0.0, 0.0, 1.0)}


@dataclass(slots=True)
class _Node:
    """A step in the trie of wordings."""

    children: dict[str, _Node] = field(default_factory=dict)
    ends: tuple[tuple[str, str, str], ...] = ()
    """(principle id, kind of wording, wording) that end here; kind `not` marks a look-alike."""


class PhraseFinder:
    """Looks for every wording of a lexicon at once; the time hardly grows with the number of wordings.

    The normal forms of tens of thousands of readings are kept in the cache under the lexicon's digest, and only what begins with a word of the
    talk becomes a trie: else a short talk would wait longest for this.
    """

    def __init__(self, lexicon: Lexicon, *, cache: Path | None = None) -> None:
        path = (cache or cache_folder()) / f"{_FORMAT}-{lexicon.digest()[:16]}.npz"
        kept = kept_arrays(path, lambda: _readings_of(lexicon))
        self._entries = _entries_of(lexicon)
        self._readings: dict[str, list[tuple[list[str], int]]] = defaultdict(list)
        for line, entry in zip(str(kept["forms"]).splitlines(), kept["entries"].tolist(), strict=True):
            first, *further = line.split(" ")
            self._readings[first].append((further, entry))
        self._tries: dict[str, _Node] = {}

    def _behind(self, first: str) -> _Node:
        """The trie of the readings that begin with a form; empty where none does."""
        if first not in self._tries:
            root = self._tries[first] = _Node()
            for further, entry in self._readings.get(first, ()):
                node = root
                for form in further:
                    child = node.children.get(form)
                    if child is None:
                        child = node.children[form] = _Node()
                    node = child
                if self._entries[entry] not in node.ends:
                    node.ends = (*node.ends, self._entries[entry])
        return self._tries[first]

    def find(self, talk: ParsedTalk) -> list[Proposal]:
        """Every wording that stands in the talk, longest first where one contains another of the same principle.

        A look-alike that covers a hit of its own principle takes it away.
        """
        out: list[Proposal] = []
        for parsed in talk.sentences:
            forms: list[str] = []
            word_of_form: list[int] = []
            for i in range(parsed.sentence.first, parsed.sentence.last + 1):
                for part in split_words(talk.transcript.words[i].text):
                    forms.append(normal_form(part))
                    word_of_form.append(i)
            hits = list(self._hits(forms))
            out += _proposals(hits, word_of_form)
        return out

    def _hits(self, forms: Sequence[str]) -> Iterable[tuple[int, int, tuple[str, str, str]]]:
        """(first form, last form, entry) for each wording found."""
        for start in range(len(forms)):
            stack = [(self._behind(forms[start]), start + 1)]
            while stack:
                node, at = stack.pop()
                for entry in node.ends:
                    yield start, at - 1, entry
                if at < len(forms):
                    child = node.children.get(forms[at])
                    if child is not None:
                        stack.append((child, at + 1))
                gap = node.children.get(GAP)
                if gap is not None:
                    for skip in range(MAX_GAP_WORDS + 1):
                        if at + skip < len(forms):
                            child = gap.children.get(forms[at + skip])
                            if child is not None:
                                stack.append((child, at + skip + 1))


def _entries_of(lexicon: Lexicon) -> list[tuple[str, str, str]]:
    """(principle id, kind of wording, wording) of all that is looked for; kind `not` marks a look-alike."""
    return [
        (principle.id, kind, wording)
        for principle in lexicon.active()
        for kind, wording in [*principle.wordings(), *(("not", w) for w, _ in principle.look_alikes)]
    ]


def _readings_of(lexicon: Lexicon) -> dict[str, NDArray[Any]]:
    """The forms of every reading that carries a picture, joined by blanks, and for each the index of its entry."""
    lines, entries = [], []
    for entry, (_, _, wording) in enumerate(_entries_of(lexicon)):
        for reading in readings(wording, lexicon.word_classes):
            forms = reading_forms(reading)
            if not all(f in LIGHT or f == GAP for f in forms):
                lines.append(" ".join(forms))
                entries.append(entry)
    return {"forms": np.array("\n".join(lines)), "entries": np.array(entries, np.int64)}


def _proposals(hits: Sequence[tuple[int, int, tuple[str, str, str]]], word_of_form: Sequence[int]) -> list[Proposal]:
    by_principle: dict[str, list[tuple[int, int, str, str]]] = defaultdict(list)
    look_alikes: dict[str, list[tuple[int, int]]] = defaultdict(list)
    for first, last, (principle_id, kind, wording) in hits:
        if kind == "not":
            look_alikes[principle_id].append((first, last))
        else:
            by_principle[principle_id].append((first, last, kind, wording))
    out = []
    for principle_id, found in by_principle.items():
        taken: list[Span] = []
        for first, last, kind, wording in sorted(found, key=lambda h: (h[0] - h[1], h[0])):
            if any(a <= first and last <= b and (a, b) != (first, last) for a, b in look_alikes[principle_id]):
                continue
            span = Span(word_of_form[first], word_of_form[last])
            if any(span.overlaps(t) for t in taken):
                continue
            taken.append(span)
            # The more words of the wording carry a picture, the surer.
            weight = sum(f not in LIGHT for f in map(normal_form, split_words(wording)))
            out.append(
                Proposal(
                    principle_id,
                    span.first,
                    span.last,
                    min(1.0, 0.4 + 0.2 * weight),
                    "phrase",
                    KIND_PROBABILITIES[kind],
                    wording,
                )
            )
    return out
