"""Teach the sentence encoder the language of the lexicon: python -m voiceover.evaluation.train_adapter LEXICON OUT.npz

The wordings of a lexicon are the only training data. What comes out is a low-rank adapter (LoRA, Hu et al. 2021,
arXiv 2106.09685) of about a megabyte, which `mentions/encoder.py` adds to the packaged weights once, when it prepares them.
Needs PyTorch, for this command alone: nothing imports it when the tool runs.
"""

from __future__ import annotations

import random
import sys
import time
from pathlib import Path
from typing import Any

import numpy as np

from voiceover.lexicon.io import load_lexicon
from voiceover.lexicon.model import Lexicon
from voiceover.lexicon.wording import GAP, readings
from voiceover.mentions.encoder import ADAPTED, HEADS, LAYERS, MAX_PIECES, WIDTH, packaged_weights
from voiceover.mentions.lines import NOTHING, talk_lines, training_lines
from voiceover.mentions.variation import alike, vary

RANK = 16
EPOCHS = 8
BATCH = 64
LEARNING_RATE = 1e-3
SCALE = 20.0  # of the cosine before the softmax, as sentence-transformers uses
SEED = 20261125


def samples(lexicon: Lexicon, draw: random.Random) -> list[tuple[str, str]]:
    """One epoch: every line of the lexicon once, varied."""
    nothing = [*lexicon.nothing, *talk_lines()]
    like = alike(lexicon)
    spoken: dict[str, list[list[str]]] = {}
    for p in lexicon.active():
        for _, wording in p.wordings():
            spoken.setdefault(p.id, []).append([" ".join(w for w in r if w != GAP) for r in readings(wording, lexicon.word_classes)])
    out = [(vary(draw.choice(choices), nothing, like, draw), pid) for pid, wordings in spoken.items() for choices in wordings]
    out += [(vary(text, nothing, like, draw), pid) for text, pid, _ in training_lines(lexicon) if pid == NOTHING for _ in range(2)]
    out += [(vary(text, nothing, like, draw), NOTHING) for text in talk_lines()]
    draw.shuffle(out)
    return out


def train(lexicon: Lexicon, target: Path) -> None:
    """Train the adapter of a lexicon and write it."""
    import torch
    from safetensors.numpy import load_file
    from tokenizers import Tokenizer

    source = packaged_weights()
    if source is None:
        raise SystemExit("the weights package is not installed")
    torch.manual_seed(SEED)
    draw = random.Random(SEED)
    base = {k: torch.from_numpy(v.astype(np.float32)) for k, v in load_file(source / "model.safetensors").items() if v.dtype != np.int64}
    lora: dict[str, tuple[Any, Any]] = {}
    for name in (n.format(layer=i) for i in range(LAYERS) for n in ADAPTED):
        rows, columns = base[f"{name}.weight"].shape
        a = torch.nn.Parameter(torch.randn(RANK, columns) / columns**0.5)
        b = torch.nn.Parameter(torch.zeros(rows, RANK))
        lora[name] = (a, b)
    tokenizer = Tokenizer.from_file(str(source / "tokenizer.json"))
    tokenizer.enable_truncation(MAX_PIECES)
    tokenizer.enable_padding()
    labels = [NOTHING, *(p.id for p in lexicon.active())]
    head = torch.nn.Parameter(torch.randn(len(labels), WIDTH) * 0.05)

    def linear(x: Any, name: str) -> Any:
        a, b = lora[name]
        return torch.nn.functional.linear(x, base[f"{name}.weight"], base[f"{name}.bias"]) + (x @ a.T) @ b.T

    def norm(x: Any, name: str) -> Any:
        return torch.nn.functional.layer_norm(x, (WIDTH,), base[f"{name}.weight"], base[f"{name}.bias"], 1e-12)

    def embed(texts: list[str], dropout: float) -> Any:
        encoded = tokenizer.encode_batch(texts)
        ids = torch.tensor([e.ids for e in encoded])
        mask = torch.tensor([e.attention_mask for e in encoded])
        x = base["embeddings.word_embeddings.weight"][ids] + base["embeddings.position_embeddings.weight"][: ids.shape[1]]
        x = norm(x + base["embeddings.token_type_embeddings.weight"][0], "embeddings.LayerNorm")
        hide = (1 - mask)[:, None, None, :] * -1e9
        for i in range(LAYERS):
            at = f"encoder.layer.{i}"
            q, k, v = (
                linear(x, f"{at}.attention.self.{n}").view(*x.shape[:2], HEADS, -1).transpose(1, 2) for n in ("query", "key", "value")
            )
            weights = torch.softmax(q @ k.transpose(2, 3) / (WIDTH // HEADS) ** 0.5 + hide, -1)
            mixed = (weights @ v).transpose(1, 2).reshape(x.shape)
            mixed = torch.nn.functional.dropout(linear(mixed, f"{at}.attention.output.dense"), dropout)
            x = norm(x + mixed, f"{at}.attention.output.LayerNorm")
            wide = torch.nn.functional.gelu(linear(x, f"{at}.intermediate.dense"))
            x = norm(x + torch.nn.functional.dropout(linear(wide, f"{at}.output.dense"), dropout), f"{at}.output.LayerNorm")
        mean = (x * mask[:, :, None]).sum(1) / mask.sum(1, keepdim=True)
        return torch.nn.functional.normalize(mean, dim=1)

    parameters = [p for pair in lora.values() for p in pair]
    optimiser = torch.optim.AdamW([{"params": parameters, "weight_decay": 0.01}, {"params": [head], "lr": 5e-3}], lr=LEARNING_RATE)
    steps = EPOCHS * (len(samples(lexicon, random.Random(0))) // BATCH + 1)
    schedule = torch.optim.lr_scheduler.OneCycleLR(optimiser, [LEARNING_RATE, 5e-3], total_steps=steps + EPOCHS, pct_start=0.1)
    started = time.time()
    for epoch in range(EPOCHS):
        lines = samples(lexicon, draw)
        lines.sort(key=lambda line: len(line[0]) + 8 * draw.random())
        batches = [lines[i : i + BATCH] for i in range(0, len(lines), BATCH)]
        draw.shuffle(batches)
        total = 0.0
        for batch in batches:
            vectors = embed([text for text, _ in batch], 0.1)
            logits = SCALE * vectors @ torch.nn.functional.normalize(head, dim=1).T
            wanted = torch.tensor([labels.index(pid) for _, pid in batch])
            loss = torch.nn.functional.cross_entropy(logits, wanted, label_smoothing=0.05)
            optimiser.zero_grad()
            loss.backward()
            torch.nn.utils.clip_grad_norm_(parameters, 1.0)
            optimiser.step()
            schedule.step()
            total += float(loss.detach())
        print(f"epoch {epoch + 1} of {EPOCHS}: loss {total / len(batches):.3f}, {time.time() - started:.0f} s", flush=True)
        arrays = {}
        for name, (a, b) in lora.items():
            arrays[f"{name}.a"] = a.detach().numpy().astype(np.float16)
            arrays[f"{name}.b"] = b.detach().numpy().astype(np.float16)
        np.savez_compressed(target, **arrays)


def main() -> None:
    """Train on a lexicon and write the adapter."""
    if len(sys.argv) != 3:
        raise SystemExit(__doc__)
    train(load_lexicon(sys.argv[1]), Path(sys.argv[2]))


if __name__ == "__main__":
    main()
