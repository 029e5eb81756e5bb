"""What corrections teach: wordings for the library's own lexicon, always shown and asked first."""

from __future__ import annotations

from voiceover.corrections import in_force
from voiceover.lexicon.io import DEFAULT_LEXICON
from voiceover.lexicon.suggestion import add_wording
from voiceover.store.library import OWN_LEXICON, Library

# A wording longer than this, words, is a sentence: it would fit nothing else.
LONGEST_WORDING = 9


def taught_by(library: Library, breakdown_id: str) -> list[dict[str, str]]:
    """Wordings that the reviewers' corrections would teach: their words for a principle that the machine did not find in them."""
    known = {(p.id, w) for p in library.lexicon().active() for _, w in p.wordings()}
    out = []
    for c in in_force(library.corrections(breakdown_id)):
        if c.kind in ("principle", "add") and c.anchor is not None:
            wording = " ".join(c.anchor.quote.lower().strip(" ,.;:!?").split())
            plain = wording and len(wording.split()) <= LONGEST_WORDING and not set(wording) & set("[]<>|")
            if plain and (c.change.principle_id, wording) not in known:
                out.append({"principle_id": c.change.principle_id, "wording": wording})
    return out


def teach(library: Library, principle_id: str, wording: str) -> None:
    """Write a wording into the library's own lexicon, never into the shipped one.

    Raises:
        LexiconError: no such principle, or the file has a mistake in it.
    """
    add_wording(library.folder / OWN_LEXICON, DEFAULT_LEXICON, library.lexicon(), principle_id, wording)
