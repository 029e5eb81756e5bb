"""Sentence embeddings on the engine that recognition already brings (CTranslate2), from weights prepared by encoder_weights.py."""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from voiceover.mentions.encoder_weights import LARGE, SMALL, Weights, prepare

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
        self._tokenizer.enable_truncation(MAX_PIECES)
        self._model = ctranslate2.Encoder(str(folder), device="cpu", compute_type="int8", intra_threads=threads)

    def embed(self, texts: Sequence[str], *, batch: int = 64) -> NDArray[np.float32]:
        """Embed texts.

        Args:
            texts: clauses or sentences; case does not matter.
            batch: how many go through the engine at once.
        Returns:
            float32, shape (len(texts), width of the encoder), each row of length 1; no rows for no texts.
        """
        import ctranslate2

        out = np.zeros((len(texts), self._weights.width), np.float32)
        pieces = [e.ids for e in self._tokenizer.encode_batch(list(texts))]
        order = sorted(range(len(texts)), key=lambda i: len(pieces[i]))
        for start in range(0, len(order), batch):
            part = order[start : start + batch]
            lengths = np.array([len(pieces[i]) for i in part], np.int32)
            ids = np.zeros((len(part), int(lengths.max())), np.int32)
            for row, i in enumerate(part):
                ids[row, : lengths[row]] = pieces[i]
            first = self._weights.first_position
            places = [list(range(first, first + ids.shape[1]))] * len(part) if self._weights.relative else None
            result = self._model.forward_batch(ctranslate2.StorageView.from_array(ids), ctranslate2.StorageView.from_array(lengths), places)
            states = np.asarray(result.last_hidden_state)
            mask = (np.arange(ids.shape[1])[None, :] < lengths[:, None])[:, :, None]
            mean = (states * mask).sum(axis=1) / lengths[:, None]
            out[part] = mean / np.linalg.norm(mean, axis=1, keepdims=True)
        return out


@lru_cache(maxsize=4)
def load_encoder(*, threads: int = 1, adapted: bool = True, large: bool = False) -> Encoder | None:
    """An encoder, prepared on first use; None where its weights are not installed.

    Args:
        threads: processor threads.
        adapted: with the adapter that learnt coaches' language from the lexicon; without it, the packaged weights as they are.
        large: the one for the second look.

    Raises:
        WeightsError: the package's file is not the pinned one, or the cache cannot be written.
    """
    weights = LARGE if large else SMALL
    folder = prepare(weights, adapted=adapted)
    return None if folder is None else Encoder(folder, weights, threads=threads)
