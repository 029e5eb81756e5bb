"""What it costs to understand: python benchmarks/understanding.py [--words 9000]

The captions of the public marked narrations, repeated to an hour of talk (about 9,000 words), go from words to the log on one thread.
Printed are processor seconds and peak memory of a process of its own, for a quarter, a half and the whole of it, and for
1,000 principles instead of the shipped ones. Learning a lexicon for the first time is measured apart: it is done once.
"""

from __future__ import annotations

import argparse
import itertools
import json
import os
import random
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import yaml

from voiceover.lexicon.io import load_lexicon
from voiceover.lexicon.wording import plain_text

FOLDER = Path(__file__).resolve().parents[1] / "marked_narrations" / "public"
SECONDS_A_WORD = 0.4
PRINCIPLES = 1000
SEED = 7
RUN = """
import resource, sys, time
from voiceover import LogOptions, log
started = time.process_time()
log("talk.wav", LogOptions(transcript=sys.argv[1], lexicon=sys.argv[2]))
print(time.process_time() - started, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024)
"""


def write_talk(path: Path, words: int) -> None:
    """Captions of at least so many words."""
    docs = [json.loads(p.read_text(encoding="utf-8")) for p in sorted(FOLDER.glob("[0-9]*.json")) if ".times." not in p.name]
    lines, at_s, count = ["WEBVTT", ""], 0.0, 0
    for sentence in itertools.chain.from_iterable(d["sentences"] for d in itertools.cycle(docs)):
        n = len(sentence["text"].split())
        lines += [f"{_stamp(at_s)} --> {_stamp(at_s + 0.9 * n * SECONDS_A_WORD)}", sentence["text"], ""]
        at_s, count = at_s + n * SECONDS_A_WORD, count + n
        if count >= words:
            break
    path.write_text("\n".join(lines), encoding="utf-8")


def _stamp(s: float) -> str:
    return f"{int(s // 3600):02d}:{int(s % 3600 // 60):02d}:{s % 60:06.3f}"


def write_lexicon(path: Path, count: int) -> None:
    """A lexicon of many principles: wordings of the shipped one, a word of each changed, dealt out."""
    draw = random.Random(SEED)
    shipped = load_lexicon()
    texts = [plain_text(w, shipped.word_classes) for p in shipped.active() for _, w in p.wordings()]
    vocabulary = sorted({w for t in texts for w in t.split()})
    principles = []
    for i in range(count):
        say = []
        for text in draw.sample(texts, 8):
            words = text.split()
            words[draw.randrange(len(words))] = draw.choice(vocabulary)
            say.append(" ".join(words))
        principles.append({"id": f"p-{i}", "name": f"P {i}", "family": "f", "definition": f"Thing {i}.", "say": say})
    path.write_text(yaml.safe_dump({"sport": "any", "families": {"f": "F"}, "principles": principles}), encoding="utf-8")


def cost(talk: Path, lexicon: str) -> tuple[float, float]:
    """(processor seconds, peak MB) from words to log."""
    env = {**os.environ, "OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}
    done = subprocess.run([sys.executable, "-c", RUN, str(talk), lexicon], check=True, capture_output=True, text=True, env=env)
    seconds, peak = done.stdout.split()
    return float(seconds), float(peak)


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--words", type=int, default=9000)
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as scratch:
        many = Path(scratch) / "many.yaml"
        write_lexicon(many, PRINCIPLES)
        short = Path(scratch) / "short.vtt"
        write_talk(short, 50)
        for name, lexicon in (("shipped lexicon", "ice_hockey"), (f"{PRINCIPLES} principles", str(many))):
            started = time.monotonic()
            cost(short, lexicon)
            print(f"{name}: ready after {time.monotonic() - started:.0f} s (the first time longer: it is learnt)", flush=True)
            for share in (4, 2, 1):
                talk = Path(scratch) / f"talk{share}.vtt"
                write_talk(talk, options.words // share)
                seconds, peak = cost(talk, lexicon)
                print(f"{name}: {options.words // share} words: {seconds:.1f} s, {peak:.0f} MB", flush=True)


if __name__ == "__main__":
    main()
