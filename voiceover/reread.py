"""A talk read again from its words as a reviewer put them right."""

from __future__ import annotations

from collections.abc import Sequence

from voiceover.breakdown import Breakdown
from voiceover.corrections import Correction, changes_of_words
from voiceover.edited_words import edit_words
from voiceover.lexicon.model import Lexicon
from voiceover.pipeline import Progress, understand


def read_edited(machine: Breakdown, corrections: Sequence[Correction], lexicon: Lexicon, *, progress: Progress | None = None) -> Breakdown:
    """What the machine reads from the changed words; what it read before where no words were changed.

    Args:
        machine: what was read from the words as they were heard.
        corrections: all of them in order, undone ones included.
        lexicon: what is looked for.
        progress: told the name of the step.
    """
    changed = changes_of_words(corrections)
    return understand(machine, edit_words(machine.transcript(), changed), lexicon, progress=progress) if changed else machine
