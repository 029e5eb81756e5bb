"""The talk with names and fillers set aside, so that only what happens is left to judge."""

from __future__ import annotations

import re
from collections.abc import Sequence

from voiceover.mentions.parse import ParsedTalk, Span
from voiceover.mentions.references import Reference

_FILLERS = re.compile(
    r"\b(?:uh|um|er|ah|erm|you know|i mean|okay|ok|alright|kindly|please|well)\b,?\s*", re.IGNORECASE
)
_POSSESSIVE = re.compile(r"['’]s?$")
_END = re.compile(r"[.,;:!?]+$")
SOMEBODY = "he"


def plain_words(talk: ParsedTalk, span: Span, references: Sequence[Reference]) -> str:
    """The words of a span in lower case, with every name and shirt number as "he" and without fillers.

    Args:
        references: of the sentence that the span stands in.
    """
    named = {r.first: r for r in references if r.kind in ("name", "number")}
    words: list[str] = []
    i = span.first
    while i <= span.last:
        reference = named.get(i)
        if reference is None:
            words.append(talk.transcript.words[i].text)
            i += 1
            continue
        last = min(reference.last, span.last)
        word = talk.transcript.words[last].text
        end = _END.search(word)
        bare = word[: end.start()] if end else word
        words.append(SOMEBODY + ("'s" if _POSSESSIVE.search(bare) else "") + (end.group() if end else ""))
        i = last + 1
    whole = " ".join(words).lower()
    return _FILLERS.sub("", whole).strip(" ,.;:") or whole
