"""What was said and when: words on the narration clock, and the sentences they form."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from voiceover.errors import TranscriptError

# A pause this long ends a sentence even without a full stop. Source: faster-whisper 1.2.1's
# VadOptions.min_silence_duration_ms (2000), halved because coaches pause less inside a clause; guess, not measured.
MIN_PAUSE_S = 1.2
SENTENCE_ENDS = (".", "?", "!", "…")
# Closing quotes and brackets may stand behind the full stop.
CLOSERS = "\"'”’)]»"


@dataclass(frozen=True, slots=True)
class Word:
    """One spoken word."""

    text: str
    """The word with its punctuation and without surrounding blanks."""
    start_narration_s: float
    """Start, seconds of narration time."""
    end_narration_s: float
    """End, seconds of narration time; never before the start."""
    probability: float | None = None
    """The recogniser's own probability in 0..1; None where a caption or transcript stood in for recognition."""
    heard: str | None = None
    """What the recogniser wrote before a misheard term or name was corrected; None where nothing was changed."""
    timed: str = "recognised"
    """Where the times come from: recognised, adjusted, captions (spread over the caption) or guessed (no times of its own)."""


@dataclass(frozen=True, slots=True)
class Sentence:
    """A run of words that belong together."""

    first: int
    """Index of its first word in the transcript."""
    last: int
    """Index of its last word in the transcript, inclusive."""
    text: str
    """Its words joined by blanks."""
    start_narration_s: float
    end_narration_s: float


@dataclass(frozen=True, slots=True)
class Transcript:
    """All words of one narration in order, with where they came from."""

    words: tuple[Word, ...]
    source: str
    """captions, transcript, or the name of the recognition weights."""
    duration_narration_s: float | None = None
    """Length of the narration in seconds; None where only a text was given."""
    language: str = "en"
    breaks: tuple[int, ...] = ()
    """Word indices that begin a caption or paragraph of the source, where it had any: a sentence never crosses one."""

    def sentences(self) -> list[Sentence]:
        """Group the words into sentences: at full stops, at the source's own breaks and at long pauses.

        Returns:
            The sentences in order; none for no words.

        >>> words = (Word("Good.", 0, 0.4), Word("Head", 0.5, 0.7), Word("up.", 0.8, 1.0))
        >>> [s.text for s in Transcript(words, "captions").sentences()]
        ['Good.', 'Head up.']
        """
        out: list[Sentence] = []
        first = 0
        breaks = set(self.breaks)
        for i, word in enumerate(self.words):
            following = self.words[i + 1] if i + 1 < len(self.words) else None
            ends = (
                following is None
                or i + 1 in breaks
                or word.text.rstrip(CLOSERS).endswith(SENTENCE_ENDS)
                or following.start_narration_s - word.end_narration_s >= MIN_PAUSE_S
            )
            if ends:
                run = self.words[first : i + 1]
                text = " ".join(w.text for w in run)
                out.append(Sentence(first, i, text, run[0].start_narration_s, max(w.end_narration_s for w in run)))
                first = i + 1
        return out


def check_word_order(words: Sequence[Word], *, name: str) -> None:
    """Refuse words whose times run backwards.

    Args:
        name: the file they came from, for the message.
    Raises:
        TranscriptError: a word ends before it starts, starts before the one before it, or has a time that is not a number.
    """
    before = 0.0
    for i, word in enumerate(words):
        if not (word.end_narration_s >= word.start_narration_s >= before):
            raise TranscriptError(
                f"{name}: word {i + 1} ('{word.text}') is at {word.start_narration_s:.3f} to {word.end_narration_s:.3f} s,"
                f" after {before:.3f} s; put the words in order of time"
            )
        before = word.start_narration_s
