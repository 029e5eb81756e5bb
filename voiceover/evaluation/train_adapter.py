"""Teach a sentence encoder the language of the lexicon: python -m voiceover.evaluation.train_adapter LEXICON OUT.npz [large]

The wordings of a lexicon are the only training data. What comes out is a low-rank adapter (LoRA, Hu et al. 2021,
arXiv 2106.09685) of a few megabytes, which `mentions/encoder_weights.py` adds to the packaged weights once, when it prepares them.
Needs PyTorch, for this command alone: nothing imports it when the tool runs.
"""

from __future__ import annotations

import random
import sys
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from voiceover.lexicon.io import load_lexicon
from voiceover.lexicon.model import WORDING_KINDS, Lexicon
from voiceover.lexicon.wording import GAP, readings
from voiceover.mentions.encoder import MAX_PIECES
from voiceover.mentions.encoder_weights import FURTHEST, LARGE, SMALL, Weights, packaged, read_packaged
from voiceover.mentions.lines import NOTHING, talk_lines, training_lines
from voiceover.mentions.variation import alike, vary

RANK = 16
BATCH = 64
SCALE = 20.0  # of the cosine before the softmax, as sentence-transformers uses
DROPOUT = 0.1
# The encoder learns too whether a wording tells that a thing is done, lacking or failing: the status is read from it. Guess, not measured.
WEIGHT_OF_KIND = 0.3
NO_KIND = -100  # the index that PyTorch's cross entropy leaves out
SEED = 20261125


@dataclass(frozen=True, slots=True)
class Schedule:
    """How long and how hard an encoder is taught."""

    epochs: int
    until: int
    """The rate falls as for `epochs`, and it stops behind this one."""
    learning_rate: float
    first_layer: int
    """Layers below keep their weights: they know words, and cost time."""


# An epoch of the large one takes 19 minutes on two cores with 37,000 wordings; a fourth was not tried.
SCHEDULES = {SMALL.name: Schedule(8, 8, 1e-3, 0), LARGE.name: Schedule(4, 3, 6e-4, 4)}


def samples(lexicon: Lexicon, draw: random.Random) -> list[tuple[str, str, str]]:
    """One epoch: every line of the lexicon once, varied, as (text, principle id, kind of wording)."""
    nothing = [*lexicon.nothing, *talk_lines()]
    like = alike(lexicon)
    out = []
    for p in lexicon.active():
        for kind, wording in p.wordings():
            choices = [" ".join(w for w in r if w != GAP) for r in readings(wording, lexicon.word_classes)]
            out.append((vary(draw.choice(choices), nothing, like, draw), p.id, kind))
    out += [(vary(text, nothing, like, draw), pid, kind) for text, pid, kind in training_lines(lexicon) if pid == NOTHING for _ in range(2)]
    out += [(vary(text, nothing, like, draw), NOTHING, "say") for text in talk_lines()]
    draw.shuffle(out)
    return out


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
        self._tokenizer = Tokenizer.from_str(tokenizer)
        self._tokenizer.enable_truncation(MAX_PIECES)
        self._tokenizer.enable_padding()
        self.lora: dict[str, tuple[Any, Any]] = {}
        for name in weights.adapted_layers():
            if int(name.split(".")[2]) >= first_layer:
                rows, columns = self._base[f"{name}.weight"].shape
                a = torch.nn.Parameter(torch.randn(RANK, columns) / columns**0.5)
                self.lora[name] = (a, torch.nn.Parameter(torch.zeros(rows, RANK)))

    def parameters(self) -> list[Any]:
        """What is learnt."""
        return [p for pair in self.lora.values() for p in pair]

    def embed(self, texts: list[str]) -> Any:
        """Unit vectors, shape (len(texts), width), with dropout."""
        import torch

        encoded = self._tokenizer.encode_batch([t.lower() for t in texts])
        ids = torch.tensor([e.ids for e in encoded])
        mask = torch.tensor([e.attention_mask for e in encoded])
        # In 16 bits where the processor has it: twice as fast, equally good. What is added up stays in 32.
        with torch.autocast("cpu", dtype=torch.bfloat16):
            with torch.no_grad():
                x = self._embeddings(ids)
            for i in range(self._weights.layers):
                with torch.set_grad_enabled(i >= self._first):
                    x = self._layer(f"encoder.layer.{i}", x, (1 - mask)[:, None, None, :] * -1e9 + self._distances(ids.shape[1]))
        x = x.float()
        mean = (x * mask[:, :, None]).sum(1) / mask.sum(1, keepdim=True)
        return torch.nn.functional.normalize(mean, dim=1)

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


def train(lexicon: Lexicon, target: Path, weights: Weights) -> None:
    """Train the adapter of a lexicon and write it after each epoch."""
    import torch

    plan = SCHEDULES[weights.name]
    torch.manual_seed(SEED)
    draw = random.Random(SEED)
    learner = Learner(weights, plan.first_layer)
    labels = [NOTHING, *(p.id for p in lexicon.active())]
    head = torch.nn.Parameter(torch.randn(len(labels), weights.width) * 0.05)
    kind_head = torch.nn.Parameter(torch.randn(len(WORDING_KINDS), weights.width) * 0.05)
    parameters = learner.parameters()
    optimiser = torch.optim.AdamW(
        [{"params": parameters, "weight_decay": 0.01}, {"params": [head, kind_head], "lr": 5e-3}], lr=plan.learning_rate
    )
    steps = plan.epochs * (len(samples(lexicon, random.Random(0))) // BATCH + 2)
    schedule = torch.optim.lr_scheduler.OneCycleLR(optimiser, [plan.learning_rate, 5e-3], total_steps=steps, pct_start=0.1)
    started = time.time()
    for epoch in range(plan.until):
        lines = samples(lexicon, draw)
        lines.sort(key=lambda line: len(line[0]) + 8 * draw.random())
        batches = [lines[i : i + BATCH] for i in range(0, len(lines), BATCH)]
        draw.shuffle(batches)
        total = 0.0
        for done, batch in enumerate(batches, start=1):
            vectors = SCALE * learner.embed([text for text, _, _ in batch])
            wanted = torch.tensor([labels.index(pid) for _, pid, _ in batch])
            loss = torch.nn.functional.cross_entropy(vectors @ torch.nn.functional.normalize(head, dim=1).T, wanted, label_smoothing=0.05)
            kinds = torch.tensor([WORDING_KINDS.index(kind) if pid != NOTHING else NO_KIND for _, pid, kind in batch])
            if (kinds != NO_KIND).any():
                told = vectors @ torch.nn.functional.normalize(kind_head, dim=1).T
                loss = loss + WEIGHT_OF_KIND * torch.nn.functional.cross_entropy(told, kinds, ignore_index=NO_KIND)
            optimiser.zero_grad()
            loss.backward()
            torch.nn.utils.clip_grad_norm_(parameters, 1.0)
            optimiser.step()
            schedule.step()
            total += float(loss.detach())
            if done % 50 == 0 or done == len(batches):
                spent = f"{time.time() - started:.0f} s"
                print(f"epoch {epoch + 1} of {plan.epochs}, {done} of {len(batches)}: loss {total / done:.3f}, {spent}", flush=True)
        learner.save(target)


def main() -> None:
    """Train on a lexicon and write the adapter."""
    if len(sys.argv) not in (3, 4) or sys.argv[3:] not in ([], ["large"]):
        raise SystemExit(__doc__)
    train(load_lexicon(sys.argv[1]), Path(sys.argv[2]), LARGE if sys.argv[3:] else SMALL)


if __name__ == "__main__":
    main()
