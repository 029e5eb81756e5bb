"""What a reader would try first, for comparison: searching captions for the principles' names, exactly and by rapidfuzz."""

from __future__ import annotations

from rapidfuzz import fuzz

from voiceover.breakdown import Breakdown
from voiceover.lexicon.model import Lexicon
from voiceover.lexicon.wording import plain_text
from voiceover.mentions.model import Mention
from voiceover.speech.transcript import Sentence

# As in the probe that the first figures came from: partial ratio of at least 80.
MIN_PARTIAL = 80.0
# Names, and as many wordings as one would type by hand; partial matching of thousands fits every sentence.
WORDINGS = 3


def by_exact_names(breakdown: Breakdown, lexicon: Lexicon) -> list[Mention]:
    """Sentences that hold the display name of a principle, letter by letter."""
    return [
        _mention(p.id, sentence, index)
        for index, sentence in enumerate(_sentences(breakdown))
        for p in lexicon.active()
        if p.name.lower() in sentence.text.lower()
    ]


def by_partial_ratio(breakdown: Breakdown, lexicon: Lexicon) -> list[Mention]:
    """Sentences that rapidfuzz finds like a name or one of the first wordings of a principle."""
    forms = {p.id: [p.name.lower(), *(plain_text(w, lexicon.word_classes).lower() for w in p.say[:WORDINGS])] for p in lexicon.active()}
    return [
        _mention(principle_id, sentence, index)
        for index, sentence in enumerate(_sentences(breakdown))
        for principle_id, names in forms.items()
        if max(fuzz.partial_ratio(name, sentence.text.lower()) for name in names) >= MIN_PARTIAL
    ]


def _sentences(breakdown: Breakdown) -> list[Sentence]:
    return breakdown.transcript().sentences()


def _mention(principle_id: str, sentence: Sentence, index: int) -> Mention:
    return Mention(
        principle_id, sentence.first, sentence.last, index, sentence.text, sentence.start_narration_s, sentence.end_narration_s,
        "baseline", 1.0,
    )  # fmt: skip
