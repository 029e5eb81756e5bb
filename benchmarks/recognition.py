"""How well, and how dearly, marked narrations are recognised: against the plain call that a user would make instead.

    python benchmarks/recognition.py FOLDER [--weights tiny.en base] [--only 01 05] [--hint right|wrong|none] ...

FOLDER holds NN-slug.json (with "sentences"), NN-slug.ogg, NN-slug.roster.csv and NN-slug.times.json. For each set of weights
two lines: plain `WhisperModel.transcribe(beam_size=5, word_timestamps=True)`, and ours. Columns:

wer            word error rate in percent (jiwer), after small letters, no punctuation, numbers in words, no fillers
names          percent of the roster's names in the truth that were written right
terms          percent of the lexicon's terms in the truth that were written right
false/1000     names and terms written where none was said, per 1,000 words said
ends/100       full stops, question and exclamation marks per 100 words; behind it the truth
start med/p95  how far the first word of a sentence is from the start of its sound, seconds, and the mean (late is positive)
cpu            processor seconds, and ours against plain; both measured in this run, after loading
"""

from __future__ import annotations

import argparse
import csv
import json
import re
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path

import jiwer
import numpy as np

from voiceover.lexicon.io import load_lexicon
from voiceover.lexicon.model import Lexicon
from voiceover.media.audio import SAMPLE_RATE, read_audio
from voiceover.pipeline import hear
from voiceover.roster import Player, Roster
from voiceover.speech.hint import MAX_HINT_TOKENS
from voiceover.speech.models import Weights, find_weights
from voiceover.speech.numbers import normalise_numbers
from voiceover.speech.transcribe import DEFAULT_BEAM_SIZE, load_model

FILLERS = {"uh", "um", "er", "ah", "mm", "hmm", "oh"}
SPELLINGS = {
    "favourite": "favorite", "defence": "defense", "centre": "center", "colour": "color", "okay": "ok", "alright": "all right",
    "grey": "gray", "honour": "honor", "neighbour": "neighbor", "practise": "practice", "gonna": "going to", "wanna": "want to",
    "backcheck": "back check", "forecheck": "fore check", "forehand": "fore hand", "backhand": "back hand", "cutback": "cut back",
    "backdoor": "back door", "offside": "off side", "timestamp": "time stamp", "stickhandle": "stick handle",
    "tyres": "tires", "turnover": "turn over", "goalside": "goal side", "onto": "on to", "into": "in to", "nobody": "no body",
    "offence": "offense", "stickhandling": "stick handling", "faceoff": "face off", "realise": "realize", "oclock": "o clock",
}  # fmt: skip
# Names that a roster of another team would hold; the wrong lexicon is basketball's.
WRONG_NAMES = (
    "Akosua Mensah", "Bartholomew Quill", "Giancarlo Vitiello", "Siobhan Rafferty", "Takumi Hoshino", "Ximena Arroyo",
)  # fmt: skip


def normalise(text: str) -> list[str]:
    """Words for comparison."""
    text = normalise_numbers(text).casefold().replace("’", "'")
    text = re.sub(r"[-–—/]", " ", text)
    # "'s" is written both ways, and "six forty" of a clock as 640.
    text = re.sub(r"\b(he|she|it|that|there|what|who|here|where) is\b", r"\1s", text)
    text = re.sub(r"\b(you|they|we) are\b", r"\1re", text).replace(" hundred", "")
    words = re.sub(r"[^\w' ]", " ", text).replace("'", "").split()
    return [part for w in words if w not in FILLERS for part in SPELLINGS.get(w, w).split()]


@dataclass
class Narration:
    """One marked narration."""

    stem: str
    audio: Path
    sentences: list[str]
    names: list[str]
    onsets_s: list[float]

    @property
    def text(self) -> str:
        return " ".join(self.sentences)


@dataclass
class Score:
    """Sums over narrations."""

    errors: int = 0
    words: int = 0
    named: int = 0
    names: int = 0
    termed: int = 0
    terms: int = 0
    false: int = 0
    ends: int = 0
    written: int = 0
    true_ends: int = 0
    cpu_s: float = 0.0
    wall_s: float = 0.0
    offsets_s: list[float] = field(default_factory=list)
    false_ones: list[str] = field(default_factory=list)

    def line(self, label: str, plain: Score | None) -> str:
        offsets = np.array(self.offsets_s) if self.offsets_s else np.zeros(1)
        ratio = f"{self.cpu_s / plain.cpu_s:5.2f}" if plain and plain.cpu_s else "     "
        return (
            f"{label:34} wer {100 * self.errors / self.words:5.2f}  names {100 * self.named / max(1, self.names):5.1f}"
            f"  terms {100 * self.termed / max(1, self.terms):5.1f}  false/1000 {1000 * self.false / self.words:4.1f}"
            f"  ends/100 {100 * self.ends / max(1, self.written):5.2f} (true {100 * self.true_ends / self.words:5.2f})"
            f"  start med {np.median(np.abs(offsets)):.3f} p95 {np.percentile(np.abs(offsets), 95):.3f}"
            f" mean {offsets.mean():+.3f}  cpu {self.cpu_s:6.1f} s {ratio}"
        )


def load(folder: Path, only: Sequence[str]) -> list[Narration]:
    found = []
    for marks in sorted(folder.glob("[0-9]*.json")):
        if marks.name.endswith(".times.json") or (only and marks.name[:2] not in only):
            continue
        stem = marks.with_suffix("")
        with Path(f"{stem}.roster.csv").open(encoding="utf-8", newline="") as f:
            names = [row["name"] for row in csv.DictReader(f)]
        audio = Path(f"{stem}.ogg")
        sentences = [s["text"] for s in json.loads(marks.read_text(encoding="utf-8"))["sentences"]]
        times = json.loads(Path(f"{stem}.times.json").read_text(encoding="utf-8"))
        found.append(Narration(stem.name, audio, sentences, names, sound_starts(read_audio(audio), times)))
    return found


def sound_starts(samples: np.ndarray, times: Sequence[tuple[float, float]]) -> list[float]:
    """When each sentence is first heard: a synthetic voice begins up to 0.3 s after the file that it speaks into.

    The first 10 ms that are less than 35 dB below the sentence's loud parts. Independent of what is measured: it uses the
    true start and end of the sentence, neither the voice detector nor the recogniser.
    """
    starts = []
    for start_s, end_s in times:
        part = samples[round(start_s * SAMPLE_RATE) : round(end_s * SAMPLE_RATE)]
        count = len(part) // 160
        level = 10 * np.log10(np.mean(part[: count * 160].reshape(count, 160).astype(float) ** 2, axis=1) + 1e-12)
        loud = np.flatnonzero(level > np.percentile(level, 95) - 35)
        starts.append(start_s + (loud[0] * 0.01 if len(loud) else 0.0))
    return starts


def count_runs(words: Sequence[str], wanted: Sequence[Sequence[str]]) -> dict[tuple[str, ...], int]:
    """How often each run of words occurs."""
    return {tuple(run): sum(list(words[i : i + len(run)]) == list(run) for i in range(len(words) - len(run) + 1)) for run in wanted if run}


def add(score: Score, narration: Narration, words: list[tuple[str, float]], names: list[str], terms: list[str]) -> None:
    """Add one narration's result to the sums."""
    said, written = normalise(narration.text), normalise(" ".join(w for w, _ in words))
    measured = jiwer.process_words(" ".join(said), " ".join(written))
    score.errors += measured.substitutions + measured.deletions + measured.insertions
    score.words += len(said)
    score.written += len(written)
    score.ends += sum(w.rstrip("\"')”’").endswith((".", "?", "!", "…")) for w, _ in words)
    score.true_ends += len(narration.sentences)
    # Each part of a name by itself, since that is how names are said; of the terms each as a whole.
    parts = {(p,) for name in names for p in normalise(name)}
    for kind, runs in (("name", parts), ("term", {tuple(normalise(t)) for t in terms})):
        truth, ours = count_runs(said, list(runs)), count_runs(written, list(runs))
        right = sum(min(truth[r], ours[r]) for r in truth)
        extra = {r: ours[r] - truth[r] for r in truth if ours[r] > truth[r]}
        score.false += sum(extra.values())
        score.false_ones += [f"{narration.stem[:2]}:{' '.join(r)}" for r in extra]
        if kind == "name":
            score.named, score.names = score.named + right, score.names + sum(truth.values())
        else:
            score.termed, score.terms = score.termed + right, score.terms + sum(truth.values())
    starts = first_word_times(narration, words)
    score.offsets_s += starts


def first_word_times(narration: Narration, words: list[tuple[str, float]]) -> list[float]:
    """Found minus true start of each sentence whose first word was recognised right, seconds."""
    flat = [(part, at) for word, at in words for part in normalise(word)[:1]]
    said: list[str] = []
    first: dict[int, int] = {}
    for i, sentence in enumerate(narration.sentences):
        spoken = sentence.casefold().split()[0].strip(".,!?")
        tokens = [t for w in sentence.split() for t in normalise(w)[:1]]
        if spoken not in FILLERS and tokens:
            first[len(said)] = i
        said += tokens
    aligned = jiwer.process_words(" ".join(said), " ".join(w for w, _ in flat) or "-").alignments[0]
    offsets = []
    for chunk in aligned:
        if chunk.type != "equal":
            continue
        for k in range(chunk.ref_end_idx - chunk.ref_start_idx):
            if (sentence_index := first.get(chunk.ref_start_idx + k)) is not None:
                offsets.append(flat[chunk.hyp_start_idx + k][1] - narration.onsets_s[sentence_index])
    return offsets


def timed(score: Score, job: Callable[[], list[tuple[str, float]]]) -> list[tuple[str, float]]:
    cpu, wall = time.process_time(), time.perf_counter()
    found = job()
    score.cpu_s += time.process_time() - cpu
    score.wall_s += time.perf_counter() - wall
    return found


def plain(weights: Weights, threads: int, audio: Path) -> list[tuple[str, float]]:
    """What a user would call instead: faster-whisper's own sequential transcription with its defaults."""
    model = load_model(weights, threads).model
    segments, _ = model.transcribe(str(audio), language="en", beam_size=5, word_timestamps=True)
    words: list[tuple[str, float]] = []
    for segment in segments:
        for word in segment.words or ():
            if word.word[:1].isspace() or not words:
                words.append((word.word.strip(), word.start))
            else:
                words[-1] = (words[-1][0] + word.word, words[-1][1])
    return words


def read_terms(path: Path) -> list[str]:
    """Terms from a text file (one a line), a CSV with a column `name`, or a lexicon."""
    if path.suffix == ".csv":
        with path.open(encoding="utf-8", newline="") as f:
            return [row["name"] for row in csv.DictReader(f)]
    if path.suffix in (".yaml", ".yml"):
        import yaml

        return [p["name"] for p in yaml.safe_load(path.read_text(encoding="utf-8"))["principles"]]
    return [line.strip() for line in path.read_text(encoding="utf-8").splitlines() if line.strip()]


def ours(audio: Path, weights: Weights, roster: Roster, lexicon: Lexicon, beam: int) -> list[tuple[str, float]]:
    """Words and their starts by the project's own way."""
    found = hear(audio, weights, roster, lexicon, beam_size=beam)
    return [(w.text, w.start_narration_s) for w in found.words]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--weights", nargs="+", default=["tiny.en", "base"])
    parser.add_argument("--only", nargs="*", default=[], help="first two characters of the narrations to take")
    parser.add_argument("--terms", type=Path, help="one term a line, a CSV with a column name, or a lexicon")
    parser.add_argument("--hint", nargs="+", choices=("right", "wrong", "none"), default=["right"])
    parser.add_argument("--beam", nargs="+", type=int, default=[DEFAULT_BEAM_SIZE])
    parser.add_argument("--threads", type=int, default=2)
    parser.add_argument("--no-plain", action="store_true", help="leave out the plain call")
    parser.add_argument("--show", action="store_true", help="print false names and terms")
    args = parser.parse_args()
    lexicon = load_lexicon()
    terms = read_terms(args.terms or Path(__file__).parent.parent / "lexicon" / "ice_hockey.yaml")
    wrong_terms = [p.name for p in load_lexicon("basketball").active()]
    narrations = load(args.folder, args.only)
    for name in args.weights:
        weights = find_weights(name)
        load_model(weights, args.threads)
        base: Score | None = None
        if not args.no_plain:
            base = Score()
            for n in narrations:
                add(base, n, timed(base, lambda n=n, weights=weights: plain(weights, args.threads, n.audio)), n.names, terms)
            print(base.line(f"{name} plain, beam 5", None), flush=True)
        for kind in args.hint:
            for beam in args.beam:
                for limit in (MAX_HINT_TOKENS,):
                    score = Score()
                    for n in narrations:
                        right = Roster(tuple(Player(name) for name in n.names))
                        roster, known = {
                            "right": (right, lexicon),
                            "wrong": (Roster(tuple(Player(name) for name in WRONG_NAMES)), load_lexicon("basketball")),
                            "none": (Roster(), Lexicon("", "", ())),
                        }[kind]

                        words = timed(score, partial(ours, n.audio, weights, roster, known, beam))
                        names = [*n.names, *WRONG_NAMES] if kind == "wrong" else n.names
                        # Every term of the wrong hint that appears would be false, too.
                        add(score, n, words, names, [*terms, *wrong_terms] if kind == "wrong" else terms)
                    print(score.line(f"{name} ours, {kind} hint {limit}, beam {beam}", base), flush=True)
                    if args.show:
                        print("   false:", ", ".join(score.false_ones))


if __name__ == "__main__":
    main()
