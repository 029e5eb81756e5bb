"""The shortest words that carry a mention: what is quoted, and when it was said."""

from __future__ import annotations

from collections.abc import Sequence

from voiceover.mentions.parse import ParsedSentence, Span
from voiceover.mentions.references import Reference

# Joints and turns of talk that begin a clause and carry nothing of what is told.
_LEADING = frozenset("and but so then now because also plus".split())
# These only where a comma sets them apart: "Look, he turns" but "Look behind you".
_SET_APART = frozenset("look see watch here there well okay ok right yeah yes no oh good again anyway but and then now first next".split())
_SUBJECTS = frozenset({"nsubj", "nsubjpass"})
# A quote keeps at least so many words.
SHORTEST = 2


def shortest_words(parsed: ParsedSentence, span: Span, references: Sequence[Reference]) -> Span:
    """A span without the joints, the turns of talk and the subject that it begins with.

    Who it is stands in the row's own column, and in the talk the name comes up to half a second before the thing itself.

    Args:
        parsed: the sentence it stands in.
        span: the words of a mention.
        references: to people, of the sentence.
    Returns:
        The span, or a part of it that ends with it.
    """
    tokens = parsed.tokens_of(span)
    first = span.first
    while span.last - first + 1 > SHORTEST:
        here = [t for t in tokens if parsed.word_of_token[t.i] == first]
        words = [t for t in here if not t.is_punct]
        set_apart = any(t.is_punct for t in here)
        if not words:
            first += 1
        elif words[0].lower_ in _LEADING or (set_apart and words[0].lower_ in _SET_APART):
            first += 1
        elif (r := next((r for r in references if r.first == first), None)) and r.last < span.last and _is_subject(parsed, r, span):
            first = r.last + 1
        else:
            break
    return Span(first, span.last)


def _is_subject(parsed: ParsedSentence, reference: Reference, span: Span) -> bool:
    """Whether a reference is the subject of a verb behind it in the span, and nothing hangs on its word ("he's" but not "his")."""
    named = parsed.tokens_of(Span(reference.first, reference.last))
    subject = next((t for t in named if t.dep_ in _SUBJECTS), None)
    if subject is None or any(t.dep_ == "poss" or t.tag_ == "POS" for t in named):
        return False
    behind = parsed.tokens_of(Span(reference.last + 1, span.last))
    if not behind or subject.head.i < subject.i:
        return False
    contracted = any(t.pos_ in {"AUX", "VERB"} for t in named if t.i != subject.i)
    return behind[0].tag_ in {"VBG", "VBN"} if contracted else parsed.word_of_token[subject.head.i] > reference.last
