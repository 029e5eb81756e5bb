"""A sentence encoder with an adapter that learns, on PyTorch: what the training commands have in common."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np

from voiceover.mentions.encoder import MAX_PIECES
from voiceover.mentions.encoder_weights import FURTHEST, Weights, packaged, read_packaged

RANK = 16
DROPOUT = 0.1
NOT_ASKED = -100  # the index that PyTorch's cross entropy leaves out


class Learner:
    """An encoder with an adapter that learns."""

    def __init__(self, weights: Weights, first_layer: int) -> None:
        import torch
        from tokenizers import Tokenizer

        found = packaged(weights)
        if found is None:
            raise SystemExit(f"the weights are not installed; run: {weights.install}")
        tensors, tokenizer = read_packaged(weights, found)
        self._weights, self._first = weights, first_layer
        self._base = {k: torch.from_numpy(v) for k, v in tensors.items()}
        self.tokenizer = Tokenizer.from_str(tokenizer)
        self.tokenizer.no_padding()
        self.tokenizer.enable_truncation(MAX_PIECES)
        self.lora: dict[str, tuple[Any, Any]] = {}
        for name in weights.adapted_layers():
            if int(name.split(".")[2]) >= first_layer:
                rows, columns = self._base[f"{name}.weight"].shape
                a = torch.nn.Parameter(torch.randn(RANK, columns) / columns**0.5)
                self.lora[name] = (a, torch.nn.Parameter(torch.zeros(rows, RANK)))

    def begin_with(self, adapter: Path) -> None:
        """Take what another adapter of the same weights learnt as the beginning."""
        import torch

        with np.load(adapter) as kept:
            for name, pair in self.lora.items():
                for part, parameter in zip("ab", pair, strict=True):
                    if f"{name}.{part}" in kept:
                        parameter.data = torch.from_numpy(kept[f"{name}.{part}"].astype(np.float32))

    def parameters(self) -> list[Any]:
        """What is learnt."""
        return [p for pair in self.lora.values() for p in pair]

    def embed(self, texts: list[str]) -> Any:
        """Unit vectors, shape (len(texts), width), with dropout."""
        import torch

        x, mask = self.states([e.ids for e in self.tokenizer.encode_batch([t.lower() for t in texts])])
        mean = (x * mask[:, :, None]).sum(1) / mask.sum(1, keepdim=True)
        return torch.nn.functional.normalize(mean, dim=1)

    def states(self, pieces: Sequence[list[int]]) -> tuple[Any, Any]:
        """What the encoder makes of every word piece, with dropout, and which of them are there.

        Args:
            pieces: ids of the pieces of each text.
        Returns:
            Shape (n, longest, width) and (n, longest).
        """
        import torch

        ids = torch.zeros((len(pieces), max(map(len, pieces))), dtype=torch.long)
        mask = torch.zeros_like(ids)
        for row, text in enumerate(pieces):
            ids[row, : len(text)], mask[row, : len(text)] = torch.tensor(text), 1
        # In 16 bits where the processor has it: twice as fast, equally good. What is added up stays in 32. Elsewhere it is over three times slower.
        with torch.autocast("cpu", dtype=torch.bfloat16, enabled=torch.backends.cpu.get_cpu_capability().startswith("AVX512")):
            with torch.no_grad():
                x = self._embeddings(ids)
            for i in range(self._weights.layers):
                with torch.set_grad_enabled(i >= self._first and torch.is_grad_enabled()):
                    x = self._layer(f"encoder.layer.{i}", x, (1 - mask)[:, None, None, :] * -1e9 + self._distances(ids.shape[1]))
        return x.float(), mask

    def _embeddings(self, ids: Any) -> Any:
        first = self._weights.first_position
        x = self._base["embeddings.word_embeddings.weight"][ids]
        x = x + self._base["embeddings.position_embeddings.weight"][first : first + ids.shape[1]]
        if not self._weights.relative:
            x = x + self._base["embeddings.token_type_embeddings.weight"][0]
        return self._norm(x, "embeddings.LayerNorm")

    def _layer(self, at: str, x: Any, bias: Any) -> Any:
        import torch

        query, key, value, output, norm = (f"{at}.{n}" for n in self._weights.attention)
        heads = self._weights.heads
        q, k, v = (self._linear(x, n).view(*x.shape[:2], heads, -1).transpose(1, 2) for n in (query, key, value))
        weights = torch.softmax((q @ k.transpose(2, 3)).float() / (self._weights.width // heads) ** 0.5 + bias, -1)
        mixed = (weights.to(v.dtype) @ v).transpose(1, 2).reshape(x.shape)
        x = self._norm(x + torch.nn.functional.dropout(self._linear(mixed, output), DROPOUT), norm)
        wide = torch.nn.functional.gelu(self._linear(x, f"{at}.intermediate.dense"))
        return self._norm(x + torch.nn.functional.dropout(self._linear(wide, f"{at}.output.dense"), DROPOUT), f"{at}.output.LayerNorm")

    def _linear(self, x: Any, name: str) -> Any:
        import torch

        out = torch.nn.functional.linear(x, self._base[f"{name}.weight"], self._base[f"{name}.bias"])
        if name in self.lora:
            a, b = self.lora[name]
            out = out + torch.nn.functional.linear(torch.nn.functional.linear(x, a), b)
        return out

    def _norm(self, x: Any, name: str) -> Any:
        import torch

        return torch.nn.functional.layer_norm(
            x.float(), (self._weights.width,), self._base[f"{name}.weight"], self._base[f"{name}.bias"], self._weights.epsilon
        )

    def _distances(self, length: int) -> Any:
        """What the distance of two words adds to their attention, shape (heads, length, length); 0 where the encoder has no such thing.

        In buckets: near distances each their own, far ones together, the two directions apart (Raffel et al. 2020, arXiv 1910.10683).
        """
        import torch

        if not self._weights.relative:
            return 0.0
        table = self._base["encoder.relative_attention_bias.weight"]
        half = table.shape[0] // 2
        place = torch.arange(length)
        distance = place[None, :] - place[:, None]
        far = (
            half // 2 + (torch.log(distance.abs().clamp(min=1) / (half // 2)) / np.log(FURTHEST / (half // 2)) * (half - half // 2)).long()
        )
        bucket = torch.where(distance.abs() < half // 2, distance.abs(), far.clamp(max=half - 1)) + (distance > 0) * half
        return table[bucket].permute(2, 0, 1)

    def save(self, target: Path) -> None:
        """Write what was learnt."""
        arrays = {}
        for name, (a, b) in self.lora.items():
            arrays[f"{name}.a"] = a.detach().numpy().astype(np.float16)
            arrays[f"{name}.b"] = b.detach().numpy().astype(np.float16)
        np.savez_compressed(target, **arrays)
