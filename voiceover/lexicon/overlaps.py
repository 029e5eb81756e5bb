"""Wordings that two principles of a lexicon both claim: whichever is meant, one of the two will be found wrongly."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass

from voiceover.lexicon.model import Lexicon
from voiceover.lexicon.wording import readings
from voiceover.mentions.words import reading_forms


@dataclass(frozen=True, slots=True)
class Overlap:
    """Two principles that are told by the same words."""

    words: str
    """The shared reading, as the first of the two has it."""
    principle_ids: tuple[str, ...]
    """All that claim it, in the order of the lexicon."""


def find_overlaps(lexicon: Lexicon) -> list[Overlap]:
    """Readings that, by the normal form of their words, belong to several principles.

    A wording under `not` claims nothing; the same words as `say` of one and `lacking` of another are an overlap too.
    """
    claims: dict[tuple[str, ...], dict[str, str]] = defaultdict(dict)
    for principle in lexicon.active():
        for _, wording in principle.wordings():
            for reading in readings(wording, lexicon.word_classes):
                claims[tuple(reading_forms(reading))].setdefault(principle.id, " ".join(reading))
    return [Overlap(next(iter(ids.values())), tuple(ids)) for ids in claims.values() if len(ids) > 1]
