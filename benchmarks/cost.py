"""What a whole run costs: python benchmarks/cost.py [--minutes 5] [--weights tiny.en] [--narration FILE]

Takes a narration (the demo's, repeated, unless one is named), and measures in one run, in processor seconds:

plain     a plain sequential faster-whisper call (beam 5, word times) on the same sound and weights, start-up included
whole     `voiceover log` on it, start-up and everything after recognition included, and its share of plain
words     from words to log alone (`--transcript`), start-up included and, with the start-up taken off, as a share of whole
peak      memory of the whole run, MB
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import tempfile
import wave
from pathlib import Path

import numpy as np

from voiceover.media.audio import SAMPLE_RATE, read_audio

SAMPLE = Path(__file__).resolve().parents[1] / "sample_audio"
PLAIN = """
import sys
from faster_whisper import WhisperModel
from voiceover.speech.models import find_weights
model = WhisperModel(str(find_weights(sys.argv[2]).folder), device="cpu", compute_type="int8", cpu_threads=2)
segments, _ = model.transcribe(sys.argv[1], language="en", beam_size=5, word_timestamps=True)
print(sum(len(s.words or ()) for s in segments))
"""
WEIGHTS = "import sys; from voiceover.speech.models import find_weights; find_weights(sys.argv[1])"
START = "import sys; from voiceover.cli import app; from voiceover.mentions.parse import load_parser; load_parser()"


def repeated(source: Path, minutes: float, target: Path) -> None:
    """Write a narration repeated, with a breath between, to a length."""
    sound = np.concatenate([read_audio(source), np.zeros(SAMPLE_RATE, np.float32)])
    length = int(minutes * 60 * SAMPLE_RATE)
    with wave.open(str(target), "wb") as out:
        out.setnchannels(1)
        out.setsampwidth(2)
        out.setframerate(SAMPLE_RATE)
        done = 0
        while done < length:
            part = sound[: length - done]
            out.writeframes((np.clip(part, -1, 1) * 32767).astype("<i2").tobytes())
            done += len(part)


def cost(command: list[str], cache: str) -> tuple[float, float]:
    """(processor seconds, peak MB) of a process of its own."""
    # Each in a fresh process that reports on its own child, because the peak of children is a maximum over all so far.
    probe = (
        "import resource, subprocess, sys; r = subprocess.run(sys.argv[1:], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL);"
        "u = resource.getrusage(resource.RUSAGE_CHILDREN); print(u.ru_utime + u.ru_stime, u.ru_maxrss / 1024, r.returncode)"
    )
    env = {**os.environ, "VOICEOVER_CACHE": cache}
    done = subprocess.run([sys.executable, "-c", probe, *command], check=True, capture_output=True, text=True, env=env)
    seconds, peak, code = done.stdout.split()
    if code != "0":
        raise SystemExit(f"{command[:4]} ended with {code}")
    return float(seconds), float(peak)


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--minutes", type=float, default=5.0)
    parser.add_argument("--weights", default="auto")
    parser.add_argument("--narration", type=Path, default=SAMPLE / "narration.ogg")
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as scratch:
        talk = Path(scratch) / "talk.wav"
        repeated(options.narration, options.minutes, talk)
        cache = str(Path(scratch) / "cache")
        voiceover = [
            sys.executable,
            "-m",
            "voiceover.cli",
            "log",
            str(talk),
            "--roster",
            str(SAMPLE / "roster.csv"),
            "--playhead",
            "straight",
        ]
        # The weights are joined and the lexicon is learnt once for good; that is no part of a run, nor of the plain call.
        cost([sys.executable, "-c", WEIGHTS, options.weights], cache)
        cost([*voiceover, "--transcript", str(SAMPLE / "narration.vtt"), "--out", f"{scratch}/first"], cache)
        plain, plain_peak = cost([sys.executable, "-c", PLAIN, str(talk), options.weights], cache)
        whole, peak = cost([*voiceover, "--model", options.weights, "--out", f"{scratch}/out"], cache)
        words, _ = cost([*voiceover, "--transcript", f"{scratch}/out/transcript.vtt", "--out", f"{scratch}/again"], cache)
        start, _ = cost([sys.executable, "-c", START], cache)
        print(f"{options.minutes:g} minutes, weights {options.weights}")
        print(f"plain  {plain:7.1f} s processor, peak {plain_peak:5.0f} MB")
        print(f"whole  {whole:7.1f} s processor, peak {peak:5.0f} MB: {whole / plain:.2f} of plain")
        print(f"words  {words:7.1f} s processor, of it start-up {start:.1f} s: from words to log {(words - start) / whole:.3f} of whole")


if __name__ == "__main__":
    main()
