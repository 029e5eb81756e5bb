"""Sentence embeddings on the engine that recognition already brings (CTranslate2), from weights prepared by encoder_weights.py."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from functools import lru_cache
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from voiceover.mentions.encoder_weights import SMALL, Weights, prepare

# Longer clauses are cut here; the models were trained on 128 word pieces and more (their model cards).
MAX_PIECES = 64


class Encoder:
    """Turns texts into unit vectors whose dot product is nearness of meaning."""

    def __init__(self, folder: Path, weights: Weights, *, threads: int = 1) -> None:
        self.digest = folder.name
        """Identifies the weights: what is made with these vectors is kept under it."""
        import ctranslate2
        from tokenizers import Tokenizer

        self._weights = weights
        self._tokenizer = Tokenizer.from_file(str(folder / "tokenizer.json"))
        self._tokenizer.no_padding()
        self._tokenizer.no_truncation()
        self._model = ctranslate2.Encoder(str(folder), device="cpu", compute_type="int8", intra_threads=threads)

    def embed(self, texts: Sequence[str], *, batch: int = 64) -> NDArray[np.float32]:
        """Embed texts.

        Args:
            texts: clauses or sentences; case does not matter.
            batch: how many go through the engine at once.
        Returns:
            float32, shape (len(texts), width of the encoder), each row of length 1; no rows for no texts.
        """
        out = np.zeros((len(texts), self._weights.width), np.float32)
        for row, states in self._run([self._cut(e.ids) for e in self._tokenizer.encode_batch(list(texts))], batch):
            mean = states.mean(axis=0)
            out[row] = mean / np.linalg.norm(mean)
        return out

    @property
    def brackets(self) -> tuple[int, int]:
        """The pieces that stand before and behind every text."""
        opening, closing = self._tokenizer.encode("").ids
        return opening, closing

    def pieces(self, words: Sequence[str]) -> tuple[list[int], list[int]]:
        """Ids of the word pieces of words, however many they are, without brackets; and for each piece the index of its word."""
        encoded = self._tokenizer.encode(list(words), is_pretokenized=True, add_special_tokens=False)
        return encoded.ids, [w for w in encoded.word_ids if w is not None]

    def states(self, texts: Sequence[Sequence[int]], *, batch: int = 16) -> list[NDArray[np.float32]]:
        """What the encoder makes of each word piece.

        Args:
            texts: ids of word pieces with their brackets, at most 512 each.
            batch: how many texts go through the engine at once.
        Returns:
            For each text float32 of shape (pieces, width of the encoder).
        """
        out: list[NDArray[np.float32]] = [np.zeros((0, self._weights.width), np.float32)] * len(texts)
        for row, states in self._run(texts, batch):
            out[row] = states
        return out

    @staticmethod
    def _cut(pieces: list[int]) -> list[int]:
        """No more than MAX_PIECES of a text, the closing bracket kept."""
        return pieces if len(pieces) <= MAX_PIECES else [*pieces[: MAX_PIECES - 1], pieces[-1]]

    def _run(self, texts: Sequence[Sequence[int]], batch: int) -> Iterator[tuple[int, NDArray[np.float32]]]:
        """(index of a text, states of its pieces), texts of like length together."""
        import ctranslate2

        order = sorted(range(len(texts)), key=lambda i: len(texts[i]))
        for start in range(0, len(order), batch):
            part = order[start : start + batch]
            lengths = np.array([len(texts[i]) for i in part], np.int32)
            ids = np.zeros((len(part), int(lengths.max())), np.int32)
            for row, i in enumerate(part):
                ids[row, : lengths[row]] = texts[i]
            first = self._weights.first_position
            places = [list(range(first, first + ids.shape[1]))] * len(part) if self._weights.relative else None
            result = self._model.forward_batch(ctranslate2.StorageView.from_array(ids), ctranslate2.StorageView.from_array(lengths), places)
            states = np.asarray(result.last_hidden_state)
            for row, i in enumerate(part):
                yield i, states[row, : lengths[row]]


@lru_cache(maxsize=4)
def load_encoder(weights: Weights = SMALL, *, threads: int = 1, adapted: bool = True) -> Encoder | None:
    """An encoder, prepared on first use; None where its weights are not installed.

    Args:
        weights: which.
        threads: processor threads.
        adapted: with the adapter that it learnt; without it, the packaged weights as they are.

    Raises:
        WeightsError: the package's file is not the pinned one, or the cache cannot be written.
    """
    folder = prepare(weights, adapted=adapted)
    return None if folder is None else Encoder(folder, weights, threads=threads)
