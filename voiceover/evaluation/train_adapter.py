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

from voiceover.evaluation.learner import NOT_ASKED, Learner
from voiceover.lexicon.io import load_lexicon
from voiceover.lexicon.model import WORDING_KINDS, Lexicon
from voiceover.lexicon.wording import GAP, readings
from voiceover.mentions.encoder_weights import LARGE, SMALL, Weights
from voiceover.mentions.lines import NOTHING, talk_lines, training_lines
from voiceover.mentions.variation import alike, vary

BATCH = 64
SCALE = 20.0  # of the cosine before the softmax, as sentence-transformers uses
# The encoder learns too whether a wording tells that a thing is done, lacking or failing: the status is read from it. Guess, not measured.
WEIGHT_OF_KIND = 0.3
SEED = 20261125
# Where the reader begins (train_reader.py).
BEGINNING = Path(__file__).with_name("large_encoder_adapter.npz")


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
            kinds = torch.tensor([WORDING_KINDS.index(kind) if pid != NOTHING else NOT_ASKED for _, pid, kind in batch])
            if (kinds != NOT_ASKED).any():
                told = vectors @ torch.nn.functional.normalize(kind_head, dim=1).T
                loss = loss + WEIGHT_OF_KIND * torch.nn.functional.cross_entropy(told, kinds, ignore_index=NOT_ASKED)
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
