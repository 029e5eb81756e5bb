"""Score the tool against the marked narrations that the project carries: python -m voiceover.evaluation.marked [FOLDER ...]

Each narration is read from its captions with its playhead and roster, and scored by marked_narrations/score.py.
"""

from __future__ import annotations

import csv
import itertools
import json
import subprocess
import sys
import tempfile
from collections import Counter
from pathlib import Path
from typing import Any

from voiceover.breakdown import Breakdown
from voiceover.evaluation.baselines import by_exact_names, by_partial_ratio
from voiceover.lexicon.io import load_lexicon
from voiceover.mentions.parse import ParsedTalk, Span, parse_talk
from voiceover.mentions.references import OPPONENT, TEAMMATE
from voiceover.outputs import write_breakdown
from voiceover.pipeline import LogOptions, log
from voiceover.roster import Player, Roster
from voiceover.speech.captions import read_transcript

ROOT = Path(__file__).resolve().parents[2] / "marked_narrations"
NEVER_TAUGHT = ("public", "own", "unopened")
# Where a narration has no sound, its sentences are timed as somebody would speak them. Piper "joe" speaks 14.6 characters
# a second on the public corpus; pauses there are 0.8 s on average.
CHARACTERS_PER_S = 14.6
PAUSE_S = 0.8


def prepare(source: Path, folder: Path) -> None:
    """Write captions, playhead, roster and times beside a copy of a marked narration that has none of them."""
    doc: dict[str, Any] = json.loads(source.read_text(encoding="utf-8"))
    stem = folder / source.stem
    beside = source.with_suffix("")
    (folder / source.name).write_text(source.read_text(encoding="utf-8"), encoding="utf-8")
    if Path(f"{beside}.times.json").exists():
        for ending in (".times.json", ".vtt", ".playhead.csv", ".roster.csv"):
            Path(f"{stem}{ending}").write_text(Path(f"{beside}{ending}").read_text(encoding="utf-8"), encoding="utf-8")
        return
    times, now = [], PAUSE_S
    for sentence in doc["sentences"]:
        length_s = len(sentence["text"]) / CHARACTERS_PER_S
        times.append([round(now, 3), round(now + length_s, 3)])
        now += length_s + PAUSE_S
    Path(f"{stem}.times.json").write_text(json.dumps(times), encoding="utf-8")
    cues = [f"{_clock(a)} --> {_clock(b)}\n{s['text']}\n" for (a, b), s in zip(times, doc["sentences"], strict=True)]
    Path(f"{stem}.vtt").write_text("WEBVTT\n\n" + "\n".join(cues), encoding="utf-8")
    with Path(f"{stem}.playhead.csv").open("w", newline="", encoding="utf-8") as file:
        out = csv.writer(file)
        out.writerow(["narration_s", "clip_s", "rate"])
        out.writerows(_playhead(doc, [start for start, _ in times]))
    with Path(f"{stem}.roster.csv").open("w", newline="", encoding="utf-8") as file:
        out = csv.writer(file)
        out.writerow(["name", "number", "team", "role", "nicknames"])
        for p in doc["roster"]:
            row = [p["name"], p.get("number", ""), p.get("team", ""), "focus" if p.get("focus") else ""]
            out.writerow([*row, ";".join(p.get("nicknames", []))])


def _playhead(doc: dict[str, Any], starts_s: list[float]) -> list[tuple[float, float, float]]:
    """Rows of a playhead that begins each sentence where it is marked.

    Whoever writes a narration does not work out how far the clip runs while a sentence is said. Where it would run past the place at
    which the next one begins it runs slower, so that it arrives there in time and is not torn back as if the coach rewound.
    """
    rows = []
    following = [s["clip_s"] for s in doc["sentences"][1:]]
    for s, at_s, until_s, then_s in zip(doc["sentences"], starts_s, following, starts_s[1:], strict=False):
        fitting = (until_s - s["clip_s"]) / (then_s - at_s)
        rows.append((at_s, s["clip_s"], min(s["rate"], round(fitting, 3)) if fitting >= 0 else s["rate"]))
    last = doc["sentences"][-1]
    return [*rows, (starts_s[-1], last["clip_s"], last["rate"])]


def by_sentences_of(talk: ParsedTalk, doc: dict[str, Any]) -> dict[str, Any]:
    """A marked narration with its marks and possessions on the sentences of the parsed talk, which may cut it otherwise.

    "You hear that? Me neither!" is one sentence of a narration and two of a talk.

    Args:
        talk: parsed from the same words.
        doc: as read; its "sentences" stay as they are.
    Raises:
        ValueError: the talk has other words.
    """
    texts = [s["text"] for s in doc["sentences"]]
    starts = list(itertools.accumulate((len(t.split()) for t in texts), initial=0))
    if starts[-1] != len(talk.sentence_of_word):
        raise ValueError(f"{doc['id']}: {len(talk.sentence_of_word)} words were read where {starts[-1]} are marked")

    def of_mark(m: dict[str, Any]) -> dict[str, Any]:
        return m | {"sentence": talk.sentence_of_word[starts[m["sentence"]] + _words_before(texts[m["sentence"]], m["quote"])]}

    def of_possession(p: dict[str, Any]) -> dict[str, Any]:
        return p | {"first": talk.sentence_of_word[starts[p["first"]]], "last": talk.sentence_of_word[starts[p["last"] + 1] - 1]}

    return doc | {"mentions": [of_mark(m) for m in doc["mentions"]], "possessions": [of_possession(p) for p in doc["possessions"]]}


def _words_before(text: str, quote: str) -> int:
    """How many words of a text stand before a quote from it."""
    return text[: text.index(quote)].count(" ")


def quoted_span(talk: ParsedTalk, sentence: int, quote: str) -> Span | None:
    """The words of a sentence that a mark quotes; None where the talk is cut into other sentences than the marks."""
    if sentence >= len(talk.sentences) or quote not in talk.sentences[sentence].sentence.text:
        return None
    parsed = talk.sentences[sentence].sentence
    first = parsed.first + _words_before(parsed.text, quote)
    return Span(first, first + quote.count(" "))


def roster_of(doc: dict[str, Any]) -> Roster:
    """The roster of a marked narration."""
    return Roster(
        tuple(
            Player(p["name"], str(p.get("number", "")), p.get("team", ""), bool(p.get("focus")), nicknames=tuple(p.get("nicknames", ())))
            for p in doc["roster"]
        )
    )


def marked_roles(roster: Roster) -> dict[str, str]:
    """For each player that a mark may name, and for the two unnamed ones, whether he is focus, teammate or opponent."""
    return {p.name: roster.role_of(p) for p in roster.players} | {TEAMMATE: TEAMMATE, OPPONENT: OPPONENT}


def narrations_in(folder: Path) -> list[Path]:
    """The marked narrations of a folder, in order."""
    return sorted(p for p in folder.glob("[0-9]*.json") if not p.name.endswith(".times.json"))


def teaching_narrations(folder: Path) -> list[Path]:
    """The marked narrations of a folder that may teach, in order.

    Raises:
        SystemExit: they are measured with, or there are none.
    """
    if folder.resolve().name in NEVER_TAUGHT:
        raise SystemExit(f"{folder}: its narrations are measured with and must not teach; give another folder")
    sources = narrations_in(folder)
    if not sources:
        raise SystemExit(f"{folder}: holds no marked narrations; give a folder that does")
    return sources


def read_folder(folder: Path, corpus: Path, *, each: int = 1) -> list[tuple[str, Breakdown]]:
    """Run the tool over the captions of the marked narrations of a folder, the first of `each` so many; their files are prepared in `corpus`."""
    out = []
    for source in narrations_in(folder)[::each]:
        prepare(source, corpus)
        doc = json.loads(source.read_text(encoding="utf-8"))
        stem = corpus / source.stem
        options = LogOptions(
            transcript=Path(f"{stem}.vtt"),
            playhead=f"{stem}.playhead.csv",
            roster=Path(f"{stem}.roster.csv"),
            from_clip_s=0.0,
            to_clip_s=doc["clip_duration_s"],
        )
        out.append((source.stem, log(Path(f"{stem}.ogg"), options)))
    return out


def score(folder: Path) -> str:
    """Run the tool and both baselines over a folder of marked narrations and return the scorer's lines."""
    lexicon = load_lexicon()
    with tempfile.TemporaryDirectory() as scratch:
        corpus = Path(scratch) / "corpus"
        corpus.mkdir()
        read = read_folder(folder, corpus)
        lines = [_scored(corpus, Path(scratch) / "tool", read)]
        for name, find in (("exact names", by_exact_names), ("rapidfuzz", by_partial_ratio)):
            found = [(stem, b.model_copy(update={"mentions": find(b, lexicon), "log": []})) for stem, b in read]
            last = _scored(corpus, Path(scratch) / name, found).splitlines()[-1]
            lines.append(f"baseline, {name}: {last.split(' | ')[0].split(': ')[1]}")
        lines.append(_confusions(corpus, read))
    return "\n".join(lines)


def _scored(corpus: Path, results: Path, read: list[tuple[str, Breakdown]]) -> str:
    for stem, breakdown in read:
        write_breakdown(breakdown, results / stem)
    command = [sys.executable, str(ROOT / "score.py"), str(corpus), str(results), "--each"]
    return subprocess.run(command, check=True, capture_output=True, text=True).stdout.rstrip()


def _confusions(corpus: Path, read: list[tuple[str, Breakdown]], most: int = 12) -> str:
    """The worst confusions: a marked principle that another took the place of in its sentence, and how often."""
    counts: Counter[tuple[str, str]] = Counter()
    for stem, breakdown in read:
        talk = parse_talk(read_transcript(corpus / f"{stem}.vtt"))
        doc = by_sentences_of(talk, json.loads((corpus / f"{stem}.json").read_text(encoding="utf-8")))
        marked = {(m["sentence"], m["principle"]) for m in doc["mentions"]}
        found = {(m.sentence, m.principle_id) for m in breakdown.mentions}
        for sentence, principle in marked - found:
            wrong = sorted(p for s, p in found - marked if s == sentence) or ["(nothing)"]
            counts[principle, wrong[0]] += 1
        for sentence, principle in found - marked:
            if not any(s == sentence for s, _ in marked):
                counts["(nothing)", principle] += 1
    rows = [f"  {n} x {marked} read as {found}" for (marked, found), n in counts.most_common(most)]
    return "\n".join(["worst confusions", *rows])


def _clock(seconds: float) -> str:
    minutes, rest = divmod(seconds, 60)
    return f"{int(minutes // 60):02d}:{int(minutes % 60):02d}:{rest:06.3f}"


def main() -> None:
    """Score the folders named, or the public and our own narrations."""
    folders = [Path(a) for a in sys.argv[1:]] or [ROOT / "public", ROOT / "own"]
    for folder in folders:
        print(folder.name)
        print(score(folder))


if __name__ == "__main__":
    main()
