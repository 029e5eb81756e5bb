"""Words that a reviewer put right: a misheard name everywhere, or the words of a sentence."""

from __future__ import annotations

import re
from collections.abc import Sequence

from voiceover.corrections import MAX_TEXT, WORD_KINDS, Anchor, Correction
from voiceover.speech.transcript import Transcript, Word

# A sentence is found again by its beginning, within so many seconds: other weights put words a little elsewhere.
SAME_PLACE_S = 0.6
_AROUND = re.compile(r"^(\W*)(.*?)((?:['’]s?)?\W*)$", re.UNICODE)


def edit_words(transcript: Transcript, corrections: Sequence[Correction]) -> Transcript:
    """A transcript with the corrections of its words applied, in order; those of other kinds and those that fit nowhere change nothing."""
    words, breaks = list(transcript.words), list(transcript.breaks)
    for c in corrections:
        if c.kind == "rename":
            words, breaks = _rename(words, breaks, c.change.heard, c.change.text)
        elif c.kind == "edit-words" and c.anchor is not None:
            words, breaks = _rewrite(words, breaks, c)
    return Transcript(tuple(words), transcript.source, transcript.duration_narration_s, transcript.language, tuple(sorted(set(breaks))))


def fits(transcript: Transcript, correction: Correction) -> bool:
    """Whether a correction of words finds its place in a transcript."""
    if correction.kind not in WORD_KINDS:
        return True
    if correction.kind == "rename":
        return bool(_places(transcript.words, correction.change.heard))
    return _span(transcript.words, correction) is not None


def quoted_words(words: Sequence[Word], anchor: Anchor) -> tuple[int, int] | None:
    """First of the words that an anchor quotes and the one after the last, where they stand nearest to its time.

    None where they do not stand there, or were too many to be quoted whole.
    """
    quoted = [_bare(t) for t in anchor.quote.split()]
    if not quoted or len(anchor.quote) >= MAX_TEXT:
        return None
    inside = _near(words, anchor)
    bare = [_bare(words[i].text) for i in inside]
    found = [inside[at] for at in range(len(bare) - len(quoted) + 1) if bare[at : at + len(quoted)] == quoted]
    # The same words may be said twice within this time.
    first = min(found, key=lambda i: abs(words[i].start_narration_s - anchor.start_narration_s), default=None)
    return None if first is None else (first, first + len(quoted))


def rewritten(anchor: Anchor, later: Sequence[Correction]) -> Anchor:
    """The anchor of a sentence with the words that later corrections gave to it."""
    for c in later:
        if c.kind == "edit-words" and c.anchor is not None and c.anchor.quote == anchor.quote:
            if abs(c.anchor.start_narration_s - anchor.start_narration_s) <= SAME_PLACE_S:
                anchor = anchor.model_copy(update={"quote": c.change.text})
    return anchor


def _rename(words: list[Word], breaks: list[int], heard: str, name: str) -> tuple[list[Word], list[int]]:
    length = len(heard.split())
    for first in reversed(_places(words, heard)):
        before = words[first : first + length]
        lead, tail = _AROUND.sub(r"\1", before[0].text), _AROUND.sub(r"\3", before[-1].text)
        texts = name.split()
        texts[0], texts[-1] = lead + texts[0], texts[-1] + tail
        words, breaks = _put(words, breaks, first, first + length, texts)
    return words, breaks


def _places(words: Sequence[Word], heard: str) -> list[int]:
    """Where some words stand, whatever their case, punctuation and possessive."""
    wanted = [_bare(t) for t in heard.split()]
    bare = [_bare(w.text) for w in words]
    out: list[int] = []
    for i in range(len(bare) - len(wanted) + 1):
        if wanted and bare[i : i + len(wanted)] == wanted and (not out or i >= out[-1] + len(wanted)):
            out.append(i)
    return out


def _bare(text: str) -> str:
    return _AROUND.sub(r"\2", text).lower()


def _rewrite(words: list[Word], breaks: list[int], c: Correction) -> tuple[list[Word], list[int]]:
    span = _span(words, c)
    return (words, breaks) if span is None else _put(words, breaks, *span, c.change.text.split())


def _span(words: Sequence[Word], c: Correction) -> tuple[int, int] | None:
    """First word of the anchored sentence and the one after its last."""
    assert c.anchor is not None
    found = quoted_words(words, c.anchor)
    if found is not None:
        return found
    # Not in these very words any more: by time alone.
    exact = [
        i for i in _near(words, c.anchor) if c.anchor.start_narration_s - 0.05 <= words[i].start_narration_s < c.anchor.end_narration_s
    ]
    return (exact[0], exact[-1] + 1) if exact else None


def _near(words: Sequence[Word], anchor: Anchor) -> list[int]:
    return [
        i for i, w in enumerate(words)
        if w.start_narration_s >= anchor.start_narration_s - SAME_PLACE_S and w.end_narration_s <= anchor.end_narration_s + SAME_PLACE_S
    ]  # fmt: skip


def _put(words: list[Word], breaks: list[int], first: int, after: int, texts: Sequence[str]) -> tuple[list[Word], list[int]]:
    """Put other words in place of some, their times spread by length over the time of those: guessed, since pauses are not known."""
    start_s = words[first].start_narration_s
    end_s = max(w.end_narration_s for w in words[first:after])
    total = sum(len(t) for t in texts) or 1
    new, at = [], 0
    for text in texts:
        a, at = at, at + len(text)
        new.append(Word(text, start_s + (end_s - start_s) * a / total, start_s + (end_s - start_s) * at / total, None, None, "guessed"))
    if len(new) == after - first:  # one for one: the times that were heard are kept
        new = [
            Word(n.text, w.start_narration_s, w.end_narration_s, None, w.heard or w.text, w.timed)
            for n, w in zip(new, words[first:after], strict=True)
        ]
    shift = len(new) - (after - first)
    moved = [b if b <= first else b + shift for b in breaks if not first < b < after]
    return words[:first] + new + words[after:], moved
