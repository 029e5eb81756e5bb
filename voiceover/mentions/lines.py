"""The lines that teach: every wording of a lexicon with what it tells, and talk that tells nothing."""

from __future__ import annotations

from voiceover.lexicon.io import shipped_lines
from voiceover.lexicon.model import Lexicon
from voiceover.lexicon.wording import plain_text

NOTHING = ""
"""The class of talk that tells no principle."""


def training_lines(lexicon: Lexicon) -> list[tuple[str, str, str]]:
    """(text, principle id, kind) of every line that teaches the head."""
    lines = []
    for p in lexicon.active():
        for kind, wording in p.wordings():
            lines.append((plain_text(wording, lexicon.word_classes), p.id, kind))
        lines.append((f"{p.name}: {p.definition}", p.id, "say"))
    ids = {p.id for p in lexicon.active()}
    owned = {text for text, _, _ in lines}
    others = [*((w, "") for w in lexicon.nothing), *(w for p in lexicon.active() for w in p.look_alikes)]
    for wording, other in others:
        text = plain_text(wording, lexicon.word_classes)
        if text not in owned and (other in ids or not other):
            lines.append((text, other, "say"))
    return lines


def all_lines(lexicon: Lexicon) -> list[tuple[str, str, str]]:
    """(text, principle id, kind) of every line of the lexicon that teaches, and of talk that tells none."""
    return training_lines(lexicon) + [(text, NOTHING, "say") for text in talk_lines()]


def talk_lines() -> list[str]:
    """How coaches move through a talk: lines that tell no principle, of any sport."""
    return [line for lines in shipped_lines("talk").values() for line in lines]
