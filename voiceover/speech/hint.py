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


def build_hint(
    names: Sequence[str], terms: Sequence[str], *, weights: Weights, max_tokens: int = MAX_HINT_TOKENS
) -> Hint:
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
    sentences: list[str] = []
    left_out: list[str] = []
    used = 0
    seen: set[str] = set()
    for item in [*names, *terms]:
        item = " ".join(item.split()).strip(" .,;:!?")
        if not item or item.casefold() in seen:
            continue
        seen.add(item.casefold())
        sentence = f"{item[0].upper()}{item[1:]}."
        # Counted one by one and with the blank before it: as they stand in the prompt.
        cost = len(tokenizer.encode(f" {sentence}", add_special_tokens=False).ids)
        if used + cost > max_tokens:
            left_out.append(item)
            continue
        sentences.append(sentence)
        used += cost
    text = " ".join(sentences)
    return Hint(text, used, frozenset(bare_words(text)), tuple(left_out))


def bare_words(text: str) -> list[str]:
    """Words in small letters, without punctuation at their ends.

    >>> bare_words("Stick on puck. O'Hara!")
    ['stick', 'on', 'puck', "o'hara"]
    """
    return [bare for word in text.casefold().split() if (bare := word.strip('.,;:!?…"()[]-“”‘'))]


@lru_cache(maxsize=4)
def _tokenizer(folder: Path) -> Tokenizer:
    return Tokenizer.from_file(str(folder / "tokenizer.json"))
