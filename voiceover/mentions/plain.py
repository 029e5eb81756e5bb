"""The talk with names and fillers set aside, so that only what happens is left to judge."""

from __future__ import annotations

import re
from collections.abc import Sequence

from voiceover.mentions.parse import ParsedTalk, Span
from voiceover.mentions.references import Reference

_FILLERS = re.compile(r"\b(?:uh|um|er|ah|erm|you know|i mean|okay|ok|alright|kindly|please|well)\b,?\s*", re.IGNORECASE)
# Dialect as captions and recognisers spell it. The encoder has seen too little of it to know the words.
_SPELLINGS = {
    "'em": "them", "'fore": "before", "'cross": "across", "'round": "round", "'cause": "because", "'til": "until",
    "wi'": "with", "wi'out": "without", "o'": "of", "an'": "and", "th'": "the", "y'all": "you", "ya": "you", "yer": "your",
    "fella": "guy", "fellas": "guys", "fellow": "guy", "lad": "boy", "lads": "boys", "lass": "girl", "lasses": "girls",
    "bairn": "kid", "owt": "anything", "nowt": "nothing", "summat": "something", "oughta": "ought to", "gonna": "going to",
    "gotta": "got to", "coulda": "could have", "shoulda": "should have", "woulda": "would have", "kinda": "kind of",
    "ain't": "is not", "wee": "little", "aye": "yes", "nae": "not", "didnae": "did not", "cannae": "cannot", "oot": "out",
    "ower": "over", "yon": "that", "yonder": "over there", "bum": "backside", "skates'": "skates",
}  # fmt: skip
_DROPPED_G = re.compile(r"\b([a-z]{2,}in)['’](?=\s|[.,;:!?]|$)")
_POSSESSIVE = re.compile(r"['’]s?$")
_END = re.compile(r"[.,;:!?]+$")
SOMEBODY = "he"
_SIMILE = re.compile(
    r",?\s*\b(?:just |exactly |sort of |kind of |a bit )?(?:like|as if|as though|same as) (?!(?:he|she|they|you|that|this|it)\b\s*(?:'s|is|was)?\s*,)[^,.;]*"
)


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
    whole = _DROPPED_G.sub(r"\1g", " ".join(words).lower().replace("’", "'"))
    whole = " ".join(_respelled(w) for w in whole.split())
    return _FILLERS.sub("", whole).strip(" ,.;:") or whole


def _respelled(word: str) -> str:
    bare = word.rstrip(".,;:!?")
    return _SPELLINGS.get(bare, bare) + word[len(bare) :]


def without_simile(text: str) -> str:
    """A text without what it is compared to; unchanged where nothing is left.

    >>> without_simile("he slows right up, like a bus at a crossing, and goes")
    'he slows right up, and goes'
    """
    bare = _SIMILE.sub("", text).strip(" ,.;:")
    return bare if len(bare.split()) >= 2 else text
