"""Teach the reader by marked narrations: python -m voiceover.evaluation.train_reader [FOLDER] [--go-on]

FOLDER is marked_narrations/teaching: narrations that nothing is measured with, and nothing that sees the reader is fitted on. Begins with an encoder that knows the
lexicon (evaluation/large_encoder_adapter.npz) and writes mentions/reader_adapter.npz and mentions/reader.npz after each epoch.
With --go-on it goes on from the reader that ships, after narrations were added. Needs PyTorch, for this command alone.
"""

from __future__ import annotations

import random
import sys
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from voiceover.evaluation.learner import DROPOUT, NOT_ASKED, Learner
from voiceover.evaluation.marked import ROOT, marked_roles, narrations_in, quoted_span, roster_of
from voiceover.evaluation.marked_talks import load_narrations
from voiceover.evaluation.train_adapter import BEGINNING, samples
from voiceover.lexicon.io import load_lexicon
from voiceover.lexicon.model import Lexicon
from voiceover.mentions.encoder import load_encoder
from voiceover.mentions.encoder_weights import LARGE
from voiceover.mentions.lines import NOTHING
from voiceover.mentions.meaning import train_head
from voiceover.mentions.model import ROLES, STATUSES
from voiceover.mentions.parse import Span
from voiceover.mentions.people import PeopleResolver
from voiceover.mentions.reader import HEAD, Unit, digest_of_file, meaning_of, named_in, units_of, words_to_read
from voiceover.mentions.reading import PLACES

BEFORE_READING = replace(LARGE, adapter=BEGINNING)
# Guesses, not measured, as all settings of the training below.
EPOCHS = 4
LEARNING_RATE, HEAD_RATE = 4e-4, 2e-3
# Layers below keep their weights: they know words, and cost time.
FIRST_LAYER = 4
# Windows that are learnt at once, and word pieces in one: drawn between these, so that no sentence has always the same neighbours.
BATCH, SHORTEST_WINDOW, LONGEST_WINDOW = 13, 24, 110
# Of the lexicon's lines so many are learnt beside in each epoch, so that what the narrations do not tell is not forgotten.
WORDINGS, WORDINGS_AT_ONCE = 2000, 64
# Shares of the windows that are learnt without punctuation and with words missing, and the share of words that then miss. Guesses, not measured.
WITHOUT_STOPS, LOSSY, MISSING_WORDS = 0.2, 0.3, 0.08
# Beside the principle. Guesses, not measured.
WEIGHT_OF_STATUS, WEIGHT_OF_ROLE, WEIGHT_OF_PLACE, WEIGHT_OF_POINTING, WEIGHT_OF_KIND = 0.6, 0.3, 0.4, 0.3, 0.2
# Width of the vectors by which a telling points to whoever does it.
POINTER = 64
STATUS_OF_KIND = {"say": "executed", "lacking": "missed", "failing": "attempted"}
# Any talk will do to measure how long the vectors of word pieces are.
SOME_TALK = (
    "he looks over his shoulder before the puck gets there",
    "okay, so here is the second one",
    "she keeps her stick in the lane and he has to go wide",
)
SEED = 20261126
GO_ON = "--go-on"
NEVER_TAUGHT = ("public", "own", "unopened")


@dataclass(frozen=True, slots=True)
class Taught:
    """A narration as it teaches: its units, and what is true of each word and sentence, as indices or NOT_ASKED."""

    units: list[Unit]
    principles: NDArray[np.int64]
    statuses: NDArray[np.int64]
    roles: NDArray[np.int64]
    places: NDArray[np.int64]
    named: dict[int, str]
    """For each word that names somebody the player's name."""
    done: list[tuple[Span, str, int]]
    """What is told: its words, who does it, and his role as an index."""


def lessons_in(folder: Path, lexicon: Lexicon, labels: Sequence[str]) -> list[Taught]:
    """What the marked narrations of a folder teach.

    Raises:
        SystemExit: the weights are not installed.
    """
    encoder = load_encoder(LARGE)
    if encoder is None:
        raise SystemExit(f"the weights are not installed; run: {LARGE.install}")
    out = []
    for doc, talk, _ in load_narrations(folder):
        roster = roster_of(doc)
        people = PeopleResolver(talk, roster, lexicon)
        words = len(talk.transcript.words)
        principles = np.zeros(words, np.int64)
        done = []
        statuses, roles = (np.full(words, NOT_ASKED) for _ in range(2))
        role_of = marked_roles(roster)
        for m in doc["mentions"]:
            span = quoted_span(talk, m["sentence"], m["quote"])
            if span is None or m["principle"] not in labels:
                continue
            at = slice(span.first, span.last + 1)
            role = ROLES.index(role_of[m["player"]])
            principles[at], roles[at] = labels.index(m["principle"]), role
            done.append((span, m["player"], role))
            # A preview has the status that the play then shows: its own words do not tell it.
            statuses[at] = NOT_ASKED if m["kind"] == "preview" else STATUSES.index(m["status"])
        units = units_of(talk, words_to_read(talk, people), encoder)
        out.append(Taught(units, principles, statuses, roles, _places(doc, len(talk.sentences)), named_in(talk, people), done))
    return out


def _places(doc: dict[str, Any], sentences: int) -> NDArray[np.int64]:
    starts = {p["first"] for p in doc["possessions"]} or {0}
    inside = {i for p in doc["possessions"] for i in range(p["first"], p["last"] + 1)}
    names = [
        "opening" if i < min(starts) else "begins" if i in starts else "goes_on" if i in inside else "outside" for i in range(sentences)
    ]
    return np.array([PLACES.index(n) for n in names])


def windows(taught: Taught, draw: random.Random) -> list[list[Unit]]:
    """A narration cut into windows of drawn lengths."""
    out: list[list[Unit]] = [[]]
    most = draw.randint(SHORTEST_WINDOW, LONGEST_WINDOW)
    for unit in taught.units:
        if out[-1] and sum(len(u.pieces) for u in (*out[-1], unit)) > most:
            out.append([])
            most = draw.randint(SHORTEST_WINDOW, LONGEST_WINDOW)
        out[-1].append(unit)
    return out


def as_heard(units: Sequence[Unit], stops: frozenset[int], draw: random.Random) -> list[Unit]:
    """Units as a recogniser might give them: some without commas and full stops, some with words missing.

    Args:
        units: of one window.
        stops: ids of the pieces that are punctuation.
        draw: what is drawn.
    """
    gone = stops if draw.random() < WITHOUT_STOPS else frozenset()
    lossy = draw.random() < LOSSY
    out = []
    for unit in units:
        missing = {w for w in sorted(set(unit.word_of_piece)) if lossy and draw.random() < MISSING_WORDS}
        kept = [(p, w) for p, w in zip(unit.pieces, unit.word_of_piece, strict=True) if p not in gone and w not in missing]
        out.append(replace(unit, pieces=tuple(p for p, _ in kept), word_of_piece=tuple(w for _, w in kept)))
    return out


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
            for parameter, name in (
                (self.head.weight, "weights"),
                (self.head.bias, "bias"),
                (self.asks.weight, "asks"),
                (self.answers.weight, "answers"),
                (self.unnamed, "unnamed"),
            ):
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

    def heads(self) -> list[Any]:
        """What is learnt beside the adapter."""
        return [*self.head.parameters(), *self.asks.parameters(), *self.answers.parameters(), self.unnamed]

    def judge(self, pieces: Sequence[Sequence[int]]) -> tuple[list[Any], Any, Any]:
        """For each of `sizes` its logits, shape (texts, longest, size); what the encoder made of the pieces; and which of them are there."""
        import torch

        opening, closing = self.learner.tokenizer.encode("").ids
        states, mask = self.learner.states([[opening, *p, closing] for p in pieces])
        states = torch.nn.functional.dropout(states, DROPOUT)
        return list(torch.split(self.head(states), self.sizes, dim=-1)), states, mask

    def of_talk(self, batch: Sequence[tuple[Taught, list[Unit]]]) -> Any:
        """The loss over some windows."""
        import torch
        from torch.nn.functional import cross_entropy

        (principles, statuses, roles, places), states, mask = self.judge([[i for u in units for i in u.pieces] for _, units in batch])
        total = torch.zeros(())
        for logits, true, weight in (
            (principles, [t.principles for t, _ in batch], 1.0),
            (statuses, [t.statuses for t, _ in batch], WEIGHT_OF_STATUS),
            (roles, [t.roles for t, _ in batch], WEIGHT_OF_ROLE),
        ):
            wanted = torch.full(mask.shape, NOT_ASKED)
            for row, (of_word, (_, units)) in enumerate(zip(true, batch, strict=True)):
                each = of_word[[w for u in units for w in u.word_of_piece]]
                wanted[row, 1 : 1 + len(each)] = torch.from_numpy(each)
            if (wanted != NOT_ASKED).any():
                total = total + weight * cross_entropy(logits.flatten(0, 1), wanted.flatten(), ignore_index=NOT_ASKED)
        means, stand = [], []
        for row, (taught, units) in enumerate(batch):
            start = 1
            for unit in units:
                if unit.begins and unit.pieces:
                    means.append(places[row, start : start + len(unit.pieces)].mean(0))
                    stand.append(int(taught.places[unit.sentence]))
                start += len(unit.pieces)
        if means:
            total = total + WEIGHT_OF_PLACE * cross_entropy(torch.stack(means), torch.tensor(stand))
        pointed = [loss for row, (taught, units) in enumerate(batch) for loss in self._of_pointing(taught, units, states[row, 1:])]
        return total + WEIGHT_OF_POINTING * torch.stack(pointed).mean() if pointed else total

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
            weights=self.head.weight.detach().numpy().astype(np.float16),
            bias=self.head.bias.detach().numpy(),
            asks=self.asks.weight.detach().numpy().astype(np.float16),
            answers=self.answers.weight.detach().numpy().astype(np.float16),
            unnamed=self.unnamed.detach().numpy(),
            adapter=np.array(digest_of_file(LARGE.adapter)),
            ids=np.array([p.id for p in principles]),
            taught=np.array([meaning_of(p) for p in principles]),
        )


def train(folder: Path, lexicon: Lexicon, *, go_on: bool = False) -> None:
    """Train the reader and write it after each epoch.

    Args:
        folder: with marked narrations.
        lexicon: whose principles are learnt.
        go_on: from the shipped reader, with half the rates and epochs.
    """
    import torch

    torch.manual_seed(SEED)
    draw = random.Random(SEED)
    labels = [NOTHING, *(p.id for p in lexicon.active())]
    talks = lessons_in(folder, lexicon, labels)
    lesson = Lesson(lexicon, labels, go_on=go_on)
    share = 0.5 if go_on else 1.0
    rates, count = (share * LEARNING_RATE, share * HEAD_RATE), round(share * EPOCHS)
    stops = frozenset(i for mark in ".,;:!?" for i in lesson.learner.tokenizer.encode(mark, add_special_tokens=False).ids)
    parameters = lesson.learner.parameters()
    optimiser = torch.optim.AdamW([{"params": parameters, "weight_decay": 0.01}, {"params": lesson.heads(), "lr": rates[1]}], lr=rates[0])
    epochs = [_batches(talks, lexicon, stops, draw) for _ in range(count)]
    steps = sum(map(len, epochs)) + 1
    schedule = torch.optim.lr_scheduler.OneCycleLR(optimiser, list(rates), total_steps=steps, pct_start=0.1)
    started = time.time()
    print(f"{len(talks)} narrations, {steps} steps", flush=True)
    for epoch, batches in enumerate(epochs, start=1):
        sums = {"talk": [0.0], "wordings": [0.0]}
        for done, (kind, batch) in enumerate(batches, start=1):
            loss = lesson.of_talk(batch) if kind == "talk" else lesson.of_wordings(batch)
            optimiser.zero_grad()
            loss.backward()
            torch.nn.utils.clip_grad_norm_(parameters, 1.0)
            optimiser.step()
            schedule.step()
            sums[kind].append(float(loss.detach()))
            if done % 50 == 0 or done == len(batches):
                losses = ", ".join(f"{kind} {sum(values) / max(1, len(values) - 1):.3f}" for kind, values in sums.items())
                print(f"epoch {epoch} of {count}, {done} of {len(batches)}: loss of {losses}; {time.time() - started:.0f} s", flush=True)
        lesson.save(lexicon)


def _batches(talks: Sequence[Taught], lexicon: Lexicon, stops: frozenset[int], draw: random.Random) -> list[tuple[str, Any]]:
    """One epoch: all windows and some of the lexicon's lines."""
    cut = [(t, as_heard(units, stops, draw)) for t in talks for units in windows(t, draw)]
    cut.sort(key=lambda item: sum(len(u.pieces) for u in item[1]) + 20 * draw.random())
    lines = samples(lexicon, draw)[:WORDINGS]
    lines.sort(key=lambda line: len(line[0]) + 8 * draw.random())
    out: list[tuple[str, Any]] = [("talk", cut[i : i + BATCH]) for i in range(0, len(cut), BATCH)]
    out += [("wordings", lines[i : i + WORDINGS_AT_ONCE]) for i in range(0, len(lines), WORDINGS_AT_ONCE)]
    draw.shuffle(out)
    return out


def main() -> None:
    """Train on a folder of marked narrations."""
    given = [a for a in sys.argv[1:] if a != GO_ON]
    if len(given) > 1 or any(a.startswith("-") for a in given):
        raise SystemExit(__doc__)
    folder = Path(given[0]) if given else ROOT / "teaching"
    if folder.name in NEVER_TAUGHT:
        raise SystemExit(f"{folder}: its narrations are measured with and must not teach; give another folder")
    if not narrations_in(folder):
        raise SystemExit(f"{folder}: holds no marked narrations; give a folder that does")
    train(folder, load_lexicon(), go_on=GO_ON in sys.argv)


if __name__ == "__main__":
    main()
