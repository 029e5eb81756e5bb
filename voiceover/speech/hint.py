"""What the recogniser is told beforehand: the names on the roster and the words of the game, as short sentences.

A list with commas makes Whisper write without full stops; short sentences keep its punctuation and bias it just as much.
The hint is prompt text and is cut silently where it is too long, so its tokens are counted here, names first.
"""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

from tokenizers import Tokenizer

from voiceover.speech.models import Weights

# Source: faster-whisper 1.2.1, WhisperModel.get_prompt: half of the 448 tokens of Whisper's text window, less one.
MAX_HINT_TOKENS = 223
# Names or terms in one sentence of the hint. The recogniser copies its rhythm: one item for each gave 16 sentence ends per
# 100 words where 7.5 were true (benchmarks/recognition.py on the public narrations).
SENTENCE_ITEMS = 5


@dataclass(frozen=True, slots=True)
class Hint:
    """What the recogniser is told before it listens."""

    text: str
    """Short sentences; empty for no hint."""
    tokens: int
    """How many tokens of the prompt it takes."""
    words: frozenset[str]
    """Its words in small letters, without punctuation."""
    left_out: tuple[str, ...] = ()
    """Names and terms that no longer fitted."""

    @property
    def sha256(self) -> str:
        """Identity of the text."""
        return hashlib.sha256(self.text.encode()).hexdigest()


def build_hint(names: Sequence[str], terms: Sequence[str], *, weights: Weights, max_tokens: int = MAX_HINT_TOKENS) -> Hint:
    """Write a hint that fits.

    Args:
        names: of players, as they are spoken; most important first. They come before the terms.
        terms: words and phrases of the game; most important first.
        weights: whose tokens are counted.
        max_tokens: upper limit, at most 223.
    Returns:
        The hint; with empty text where nothing was given.
    Raises:
        ValueError: max_tokens is out of range.
    """
    if not 0 <= max_tokens <= MAX_HINT_TOKENS:
        raise ValueError(f"max_tokens must be in 0..{MAX_HINT_TOKENS}, got {max_tokens}")
    tokenizer = _tokenizer(weights.folder)

    def cost(sentence: str) -> int:
        # Counted with the blank before it, as it stands in the prompt.
        return len(tokenizer.encode(f" {sentence}", add_special_tokens=False).ids)

    items: list[str] = []
    for item in [*names, *terms]:
        item = " ".join(item.split()).strip(" .,;:!?")
        if item and item.casefold() not in (i.casefold() for i in items):
            items.append(item)
    name_count = sum(item.casefold() in {" ".join(n.split()).strip(" .,;:!?").casefold() for n in names} for item in items)
    groups = [items[i : i + SENTENCE_ITEMS] for i in range(0, name_count, SENTENCE_ITEMS)]
    groups += [items[i : i + SENTENCE_ITEMS] for i in range(name_count, len(items), SENTENCE_ITEMS)]
    sentences: list[str] = []
    left_out: list[str] = []
    used = 0
    for group in groups:
        while group:
            sentence = _sentence(group)
            if used + cost(sentence) <= max_tokens:
                sentences.append(sentence)
                used += cost(sentence)
                break
            left_out.insert(len(left_out), group[-1])
            group = group[:-1]
    text = " ".join(sentences)
    return Hint(text, used, frozenset(bare_words(text)), tuple(left_out))


def _sentence(items: Sequence[str]) -> str:
    """Some names or terms as one sentence of about the length that people speak.

    >>> _sentence(["shoulder check", "eyes up", "delay"])
    'Shoulder check, eyes up, and delay.'
    """
    listed = items[0] if len(items) == 1 else f"{', '.join(items[:-1])}, and {items[-1]}"
    return f"{listed[0].upper()}{listed[1:]}."


def bare_words(text: str) -> list[str]:
    """Words in small letters, without punctuation at their ends.

    >>> bare_words("Stick on puck. O'Hara!")
    ['stick', 'on', 'puck', "o'hara"]
    """
    return [bare for word in text.casefold().split() if (bare := word.strip('.,;:!?…"()[]-“”‘'))]


@lru_cache(maxsize=4)
def _tokenizer(folder: Path) -> Tokenizer:
    return Tokenizer.from_file(str(folder / "tokenizer.json"))
