"""The small language of wordings: `[a|b]` alternatives, `<ball>` word classes, `...` a gap of a few words."""

from __future__ import annotations

import itertools
import re
from collections.abc import Mapping

from voiceover.errors import LexiconError

# Words that a gap may span. Guess, not measured: longer gaps joined unrelated clauses.
MAX_GAP_WORDS = 4
# A wording with more readings than this is a mistake, not a wish.
MAX_READINGS = 600

_PIECE = re.compile(r"\[([^\[\]]*)\]|<([^<>]*)>|(\.\.\.|…)|([^\[\]<>…]+?(?=\[|<|\.\.\.|…|$))")
GAP = "..."
_MARKED = re.compile(r"[\[\]<>…]|\.\.\.")


def readings(wording: str, word_classes: Mapping[str, tuple[str, ...]]) -> list[list[str]]:
    """Every plain reading of a wording, as lists of words in which `...` stands for a gap.

    Args:
        wording: as written in the lexicon.
        word_classes: what `<name>` stands for.
    Returns:
        At least one reading, each at least one word that is no gap.
    Raises:
        LexiconError: unknown word class, unbalanced brackets, nothing but gaps, or too many readings.

    >>> readings("keeps [his|her] feet ... going", {})
    [['keeps', 'his', 'feet', '...', 'going'], ['keeps', 'her', 'feet', '...', 'going']]
    """
    if not _MARKED.search(wording):  # most wordings are plain, and there are many
        words = wording.split()
        if not words:
            raise LexiconError(f"'{wording}': has no words; write what the coach would say")
        return [words]
    choices: list[list[str]] = []
    at = 0
    for match in _PIECE.finditer(wording):
        if match.start() != at:
            break
        at = match.end()
        alternatives, word_class, gap, plain = match.groups()
        if alternatives is not None:
            choices.append([a.strip() for a in alternatives.split("|")])
        elif word_class is not None:
            if word_class not in word_classes:
                known = ", ".join(sorted(word_classes)) or "none"
                raise LexiconError(f"'{wording}': no word class <{word_class}>; defined are: {known}")
            choices.append(list(word_classes[word_class]))
        elif gap is not None:
            choices.append([GAP])
        elif plain.strip():
            choices.append([plain.strip()])
    if at != len(wording):
        raise LexiconError(f"'{wording}': brackets do not match; write alternatives as [a|b] and word classes as <name>")
    count = 1
    for c in choices:
        count *= len(c)
    if count > MAX_READINGS:
        raise LexiconError(f"'{wording}': has {count} readings; split it into several wordings")
    out = []
    for parts in itertools.product(*choices):
        words = " ".join(p for p in parts if p).split()
        while words and words[0] == GAP:
            words = words[1:]
        while words and words[-1] == GAP:
            words = words[:-1]
        if not words:
            raise LexiconError(f"'{wording}': has no words; write what the coach would say")
        out.append(words)
    return out


def plain_text(wording: str, word_classes: Mapping[str, tuple[str, ...]]) -> str:
    """One speakable reading of a wording: the first alternatives, gaps left out."""
    return " ".join(w for w in readings(wording, word_classes)[0] if w != GAP)
