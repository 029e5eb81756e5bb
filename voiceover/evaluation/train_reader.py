"""Teach the reader by marked narrations: python -m voiceover.evaluation.train_reader [FOLDER] [--go-on]

FOLDER is marked_narrations/teaching: narrations that nothing is measured with, and nothing that sees the reader is fitted on. Begins with an encoder that knows the
lexicon (evaluation/large_encoder_adapter.npz) and writes mentions/reader_adapter.npz and mentions/reader.npz after each epoch.
With --go-on it goes on from the reader that ships, after narrations were added. Needs PyTorch, for this command alone.
"""

from __future__ import annotations

import os
import random
import sys
import time
from collections.abc import Iterator, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from voiceover.evaluation.learner import DROPOUT, NOT_ASKED, Learner
from voiceover.evaluation.lessons import Listener, Taught, lessons_in, windows
from voiceover.evaluation.marked import ROOT, teaching_narrations
from voiceover.evaluation.misheard import read_misheard
from voiceover.evaluation.train_adapter import BEGINNING, samples
from voiceover.lexicon.io import load_lexicon
from voiceover.lexicon.model import Lexicon
from voiceover.mentions.encoder import load_encoder
from voiceover.mentions.encoder_weights import LARGE
from voiceover.mentions.lines import NOTHING
from voiceover.mentions.meaning import train_head
from voiceover.mentions.model import ROLES, STATUSES
from voiceover.mentions.reader import HEAD, Unit, digest_of_file, meaning_of
from voiceover.mentions.reading import PLACES

BEFORE_READING = replace(LARGE, adapter=BEGINNING)
# Guesses, not measured, as all settings of the training below.
EPOCHS, EPOCHS_OF_GOING_ON = 4, 2
LEARNING_RATE, HEAD_RATE = 4e-4, 2e-3
SHARE_OF_GOING_ON = 0.5
# Layers below keep their weights: they know words, and cost time.
FIRST_LAYER = 4
# Talks that are learnt at once.
BATCH = 2
# Of the lexicon's lines so many are learnt beside in each epoch, so that what the narrations do not tell is not forgotten.
WORDINGS, WORDINGS_AT_ONCE = 2000, 64
# Beside the principle. Guesses, not measured.
WEIGHT_OF_STATUS, WEIGHT_OF_ROLE, WEIGHT_OF_PLACE, WEIGHT_OF_POINTING, WEIGHT_OF_KIND = 0.6, 0.3, 0.4, 0.3, 0.2
# Width of the vectors by which a telling points to whoever does it; of what the network over a whole talk is given of each sentence, and of what it
# remembers in each direction; and the share of what it is given that misses while it learns. Guesses, not measured.
POINTER = 64
GIVEN, REMEMBERED, DROPPED = 64, 48, 0.3
STATUS_OF_KIND = {"say": "executed", "lacking": "missed", "failing": "attempted"}
# Any talk will do to measure how long the vectors of word pieces are.
SOME_TALK = (
    "he looks over his shoulder before the puck gets there",
    "okay, so here is the second one",
    "she keeps her stick in the lane and he has to go wide",
)
SEED = 20261126
GO_ON = "--go-on"


class Lesson:
    """The encoder and the head that learn together."""

    def __init__(self, lexicon: Lexicon, labels: Sequence[str], *, go_on: bool) -> None:
        import torch

        self.labels = labels
        self.learner = Learner(LARGE, FIRST_LAYER)
        self.learner.begin_with((LARGE if go_on else BEFORE_READING).adapter)
        self.sizes = (len(labels), len(STATUSES), len(ROLES), len(PLACES))
        self.head = torch.nn.Linear(LARGE.width, sum(self.sizes))
        torch.nn.init.normal_(self.head.weight, std=0.02)
        self.asks, self.answers = (torch.nn.Linear(LARGE.width, POINTER, bias=False) for _ in range(2))
        self.unnamed = torch.nn.Parameter(torch.randn(len(ROLES), POINTER) * 0.1)
        self.narrow = torch.nn.Linear(LARGE.width, GIVEN, bias=False)
        self.course = torch.nn.GRU(GIVEN, REMEMBERED, bidirectional=True)
        self.course_answers = torch.nn.Linear(2 * REMEMBERED, len(PLACES), bias=False)
        if go_on:
            self._take_heads()
        else:
            self._begin_head(lexicon)

    def _take_heads(self) -> None:
        """Those of the shipped reader."""
        import torch

        with np.load(HEAD) as kept:
            if (NOTHING, *map(str, kept["ids"])) != tuple(self.labels):
                raise SystemExit(f"{HEAD}: was taught other principles; train from the beginning")
            for name, parameter in self.named_heads().items():
                parameter.data = torch.from_numpy(kept[name].astype(np.float32))

    def _begin_head(self, lexicon: Lexicon) -> None:
        """Principles begin as the lexicon's lines alone tell them: that head judges vectors of length 1, this one the pieces whose mean they are."""
        import torch

        encoder = load_encoder(BEFORE_READING, threads=2)
        assert encoder is not None
        head = train_head(lexicon, encoder)
        columns = [head.labels.index((label, "say")) for label in self.labels]
        opening, closing = encoder.brackets
        some = [[opening, *encoder.pieces(p.split())[0], closing] for p in SOME_TALK]
        length = float(np.mean([np.linalg.norm(s.mean(axis=0)) for s in encoder.states(some)]))
        for row, column in enumerate(columns):
            self.head.weight.data[row] = torch.from_numpy(head.weights[:, column].astype(np.float32) / length)
            self.head.bias.data[row] = float(head.bias[column])

    def named_heads(self) -> dict[str, Any]:
        """What is learnt beside the adapter, as HEAD keeps it."""
        course = {"narrow": self.narrow.weight, "answers": self.course_answers.weight, **dict(self.course.named_parameters())}
        own = {"weights": self.head.weight, "bias": self.head.bias, "asks": self.asks.weight, "answers": self.answers.weight}
        return {**own, "unnamed": self.unnamed, **{f"course_{name}": p for name, p in course.items()}}

    def judge(self, pieces: Sequence[Sequence[int]]) -> tuple[list[Any], Any, Any]:
        """For each of `sizes` its logits, shape (texts, longest, size); what the encoder made of the pieces; and which of them are there."""
        import torch

        opening, closing = self.learner.tokenizer.encode("").ids
        states, mask = self.learner.states([[opening, *p, closing] for p in pieces])
        states = torch.nn.functional.dropout(states, DROPOUT)
        return list(torch.split(self.head(states), self.sizes, dim=-1)), states, mask

    def of_talk(self, taught: Taught, cut: Sequence[Sequence[Unit]]) -> Any:
        """The loss over the windows of a talk, in order."""
        import torch
        from torch.nn.functional import cross_entropy

        (principles, statuses, roles, _), states, mask = self.judge([[i for u in units for i in u.pieces] for units in cut])
        total = torch.zeros(())
        for logits, of_word, weight in (
            (principles, taught.principles, 1.0), (statuses, taught.statuses, WEIGHT_OF_STATUS), (roles, taught.roles, WEIGHT_OF_ROLE),
        ):  # fmt: skip
            wanted = torch.full(mask.shape, NOT_ASKED)
            for row, units in enumerate(cut):
                each = of_word[[w for u in units for w in u.word_of_piece]]
                wanted[row, 1 : 1 + len(each)] = torch.from_numpy(each)
            if (wanted != NOT_ASKED).any():
                total = total + weight * cross_entropy(logits.flatten(0, 1), wanted.flatten(), ignore_index=NOT_ASKED)
        total = total + WEIGHT_OF_PLACE * self._of_places(taught, cut, states)
        pointed = [loss for row, units in enumerate(cut) for loss in self._of_pointing(taught, units, states[row, 1:])]
        return total + WEIGHT_OF_POINTING * torch.stack(pointed).mean() if pointed else total

    def _of_places(self, taught: Taught, cut: Sequence[Sequence[Unit]], states: Any) -> Any:
        """The loss of where each sentence stands: by what is near alone, and with the whole talk in mind."""
        import torch
        from torch.nn.functional import cross_entropy

        means, stand = [], []
        for row, units in enumerate(cut):
            start = 1
            for unit in units:
                end = start + len(unit.pieces)
                if unit.begins and unit.pieces:
                    means.append(states[row, start:end].mean(0))
                    stand.append(int(taught.places[unit.sentence]))
                start = end
        sentences, true = torch.stack(means), torch.tensor(stand)
        alone = self.head(sentences)[:, -len(PLACES) :]
        given = torch.nn.functional.dropout(torch.tanh(self.narrow(sentences)), DROPPED)
        with_all = alone + self.course_answers(torch.nn.functional.dropout(self.course(given)[0], DROPPED))
        return (cross_entropy(alone, true) + cross_entropy(with_all, true)) / 2

    def _of_pointing(self, taught: Taught, units: Sequence[Unit], states: Any) -> Iterator[Any]:
        """The loss of each telling in a window: how unlikely it thinks that whoever does it is pointed to."""
        import torch

        of_word = np.array([w for u in units for w in u.word_of_piece], np.int64)
        names = [(int(np.flatnonzero(of_word == w)[0]), name) for w, name in taught.named.items() if (of_word == w).any()]
        answers = torch.cat([self.answers(states[[row for row, _ in names]]), self.unnamed]) if names else self.unnamed
        for span, player, role in taught.done:
            rows = np.flatnonzero((of_word >= span.first) & (of_word <= span.last))
            if not rows.size:
                continue
            asked = self.asks(states[rows].mean(0)) / POINTER**0.5
            right = [i for i, (_, name) in enumerate(names) if name == player] or [len(names) + role]
            yield -torch.logsumexp(torch.log_softmax(answers @ asked, 0)[right], 0)

    def of_wordings(self, lines: Sequence[tuple[str, str, str]]) -> Any:
        """The loss over some lines of the lexicon, each judged as a whole."""
        import torch
        from torch.nn.functional import cross_entropy

        tokenizer = self.learner.tokenizer
        answers, _, mask = self.judge([tokenizer.encode(text.lower(), add_special_tokens=False).ids for text, _, _ in lines])
        # The brackets around a text are never asked about in a talk, but the head of the lexicon's lines was made with them.
        principles, statuses = ((a * mask[:, :, None]).sum(1) / mask.sum(1, keepdim=True) for a in answers[:2])
        loss = cross_entropy(principles, torch.tensor([self.labels.index(i) for _, i, _ in lines]))
        kinds = torch.tensor([STATUSES.index(STATUS_OF_KIND[k]) if i != NOTHING else NOT_ASKED for _, i, k in lines])
        if (kinds != NOT_ASKED).any():
            loss = loss + WEIGHT_OF_KIND * cross_entropy(statuses, kinds, ignore_index=NOT_ASKED)
        return loss

    def save(self, lexicon: Lexicon) -> None:
        """Write what was learnt."""
        self.learner.save(LARGE.adapter)
        principles = lexicon.active()
        np.savez_compressed(
            HEAD,
            **{name: p.detach().numpy().astype(np.float16) for name, p in self.named_heads().items()},
            adapter=np.array(digest_of_file(LARGE.adapter)),
            ids=np.array([p.id for p in principles]),
            taught=np.array([meaning_of(p) for p in principles]),
        )


def train(folder: Path, lexicon: Lexicon, *, go_on: bool = False) -> None:
    """Train the reader and write it after each epoch.

    Args:
        folder: with marked narrations.
        lexicon: whose principles are learnt.
        go_on: from the shipped reader, with lower rates and fewer epochs.
    """
    import torch

    torch.manual_seed(SEED)
    draw = random.Random(SEED)
    labels = [NOTHING, *(p.id for p in lexicon.active())]
    talks = lessons_in(folder, lexicon, labels)
    lesson = Lesson(lexicon, labels, go_on=go_on)
    share, count = (SHARE_OF_GOING_ON, EPOCHS_OF_GOING_ON) if go_on else (1.0, EPOCHS)
    rates = share * LEARNING_RATE, share * HEAD_RATE
    encoder = load_encoder(LARGE)
    assert encoder is not None
    stops = frozenset(i for mark in ".,;:!?" for i in lesson.learner.tokenizer.encode(mark, add_special_tokens=False).ids)
    listener = Listener(read_misheard(), stops, encoder.pieces)
    parameters = lesson.learner.parameters()
    torch.set_num_threads(os.cpu_count() or 1)  # the encoders that were loaded for the lessons had set it to one
    optimiser = torch.optim.AdamW(
        [{"params": parameters, "weight_decay": 0.01}, {"params": list(lesson.named_heads().values()), "lr": rates[1]}], lr=rates[0]
    )
    epochs = [_batches(talks, lexicon, listener, draw) for _ in range(count)]
    steps = sum(map(len, epochs)) + 1
    schedule = torch.optim.lr_scheduler.OneCycleLR(optimiser, list(rates), total_steps=steps, pct_start=0.1)
    started = time.time()
    print(f"{len(talks)} narrations, {steps} steps", flush=True)
    for epoch, batches in enumerate(epochs, start=1):
        sums = {"talk": [0.0], "wordings": [0.0]}
        for done, (kind, batch) in enumerate(batches, start=1):
            optimiser.zero_grad()
            for part in batch:
                loss = (lesson.of_talk(*part) if kind == "talk" else lesson.of_wordings(part)) / len(batch)
                loss.backward()
                sums[kind].append(float(loss.detach()) * len(batch))
            torch.nn.utils.clip_grad_norm_(parameters, 1.0)
            optimiser.step()
            schedule.step()
            if done % 50 == 0 or done == len(batches):
                losses = ", ".join(f"{kind} {sum(values) / max(1, len(values) - 1):.3f}" for kind, values in sums.items())
                print(f"epoch {epoch} of {count}, {done} of {len(batches)}: loss of {losses}; {time.time() - started:.0f} s", flush=True)
        lesson.save(lexicon)


def _batches(talks: Sequence[Taught], lexicon: Lexicon, listener: Listener, draw: random.Random) -> list[tuple[str, Any]]:
    """One epoch: all talks and some of the lexicon's lines."""
    cut = [(t, [listener.hear(t, units, draw) for units in windows(t, draw)]) for t in draw.sample(talks, len(talks))]
    lines = samples(lexicon, draw)[:WORDINGS]
    lines.sort(key=lambda line: len(line[0]) + 8 * draw.random())
    out: list[tuple[str, Any]] = [("talk", cut[i : i + BATCH]) for i in range(0, len(cut), BATCH)]
    out += [("wordings", [lines[i : i + WORDINGS_AT_ONCE]]) for i in range(0, len(lines), WORDINGS_AT_ONCE)]
    draw.shuffle(out)
    return out


def main() -> None:
    """Train on a folder of marked narrations."""
    given = [a for a in sys.argv[1:] if a != GO_ON]
    if len(given) > 1 or any(a.startswith("-") for a in given):
        raise SystemExit(__doc__)
    folder = Path(given[0]) if given else ROOT / "teaching"
    teaching_narrations(folder)
    train(folder, load_lexicon(), go_on=GO_ON in sys.argv)


if __name__ == "__main__":
    main()
