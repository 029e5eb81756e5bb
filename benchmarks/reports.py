"""How quick films are, and how silent names are.

python benchmarks/reports.py            a three-minute film from a 720p clip, against its own length
python benchmarks/reports.py --names    speaks talk with names at known places (needs espeak-ng or flite), hears it, and measures what is left
"""

from __future__ import annotations

import argparse
import shutil
import subprocess
import sys
import tempfile
import time
import wave
from fractions import Fraction
from pathlib import Path

import av
import numpy as np

from voiceover.breakdown import Breakdown
from voiceover.lexicon.io import load_lexicon
from voiceover.media.audio import SAMPLE_RATE, Samples, read_audio
from voiceover.pipeline import hear, hear_narration
from voiceover.reports.film import Caption, Shot, write_film
from voiceover.reports.voice import silence_names
from voiceover.roster import Player, Roster
from voiceover.speech.models import find_weights

# Invented for this measurement. A name in the middle, at the beginning and at the end of what is said.
PLAYERS = [
    Player("Ruben Tarrant", "17", focus=True), Player("Chidi Okafor", "22"), Player("Marek Dusek", "9"), Player("Petter Lund", "4"),
    Player("Siobhan Keane", "8"), Player("Yannick Obel", "13"), Player("Leevi Kumpula", "21"), Player("Harper Quill", "5"),
]  # fmt: skip
CARRIERS = [
    ("then he finds", "in the middle of the ice and goes again"), ("now watch how", "comes down under the puck for support"),
    ("and that pass goes to", ""), ("", "keeps his feet moving all the way"), ("good stick there by", "before the shot comes"),
    ("he gives it to", "and looks over his shoulder"), ("the puck comes off the wall to", "who is late this time"), ("that is what I want from", "every shift"),
]  # fmt: skip


def film(folder: Path) -> None:
    clip = folder / "clip720.mp4"
    draw_clip(clip, 60.0)
    shots = [
        Shot(clip, s, s + 10.0, "Gap control: executed", (Caption(0.0, 10.0, "Feet first, then the stick, and he has nowhere to go."),))
        for s in range(0, 50, 3)
    ]
    before, cpu = time.perf_counter(), time.process_time()
    places = write_film(shots, folder / "film.mp4")
    took = time.perf_counter() - before
    print(
        f"a film of {places[-1].end_s:.0f} s at 720p with titles and captions: {took:.0f} s, {took / places[-1].end_s:.2f} of its length (bar 1), {time.process_time() - cpu:.0f} CPU-s"
    )


def draw_clip(path: Path, seconds: float) -> None:
    """A 720p clip with a moving pattern and noise, as heavy to encode as a rink."""
    rng = np.random.default_rng(1)
    back = rng.integers(180, 240, (720, 1480, 3), np.uint8)
    with av.open(str(path), "w") as out:
        stream = out.add_stream("libx264", rate=30, options={"preset": "ultrafast", "crf": "20"})
        stream.width, stream.height, stream.pix_fmt = 1280, 720, "yuv420p"
        for i in range(round(30 * seconds)):
            shift = i % 200
            frame = av.VideoFrame.from_ndarray(np.ascontiguousarray(back[:, shift : shift + 1280]), format="rgb24")
            frame.pts, frame.time_base = i, Fraction(1, 30)
            out.mux(stream.encode(frame))
        out.mux(stream.encode(None))


def names(folder: Path) -> int:
    speaker = shutil.which("espeak-ng") or shutil.which("flite")
    if speaker is None:
        print("needs espeak-ng or flite; install one", file=sys.stderr)
        return 2
    pieces: list[Samples] = []
    true: list[tuple[float, float, str]] = []
    at = 0
    for i, player in enumerate(PLAYERS):
        for part, name in enumerate([*player.name.split(), player.name]):
            before, after = CARRIERS[(3 * i + part) % len(CARRIERS)]
            for text, named in ((before, False), (name, True), (after, False)):
                if not text:
                    continue
                sound = spoken(speaker, text, folder)
                if named:
                    true.append((at / SAMPLE_RATE, (at + len(sound)) / SAMPLE_RATE, name))
                pieces.append(sound)
                at += len(sound)
            pieces.append(np.zeros(round(0.6 * SAMPLE_RATE), np.float32))
            at += len(pieces[-1])
    talk = np.concatenate(pieces)
    path = folder / "talk.wav"
    with wave.open(str(path), "wb") as out:
        out.setnchannels(1)
        out.setsampwidth(2)
        out.setframerate(SAMPLE_RATE)
        out.writeframes((np.clip(talk, -1, 1) * 32767).astype("<i2").tobytes())
    lexicon, roster = load_lexicon(), Roster(tuple(PLAYERS))
    transcript = hear_narration(path, lexicon, roster)
    b = Breakdown(narration="talk.wav", roster=PLAYERS, words=list(transcript.words), breaks=list(transcript.breaks))
    voice = silence_names(path, b, folder / "silent.wav")
    after = read_audio(folder / "silent.wav")
    all_energy = left = 0.0
    whole = 0
    for start, end, _ in true:
        span = slice(round(start * SAMPLE_RATE), round(end * SAMPLE_RATE))
        energy, rest = float(np.square(talk[span]).sum()), float(np.square(after[span]).sum())
        all_energy, left = all_energy + energy, left + rest
        whole += rest < 0.005 * energy
    again = hear(folder / "silent.wav", find_weights("auto"), roster, lexicon)
    heard = {w.text.strip(".,!?").lower() for w in again.words} & {part.lower() for p in PLAYERS for part in p.name.split()}
    outside = sum(len(p.lost.split()) for p in voice.places)
    print(
        f"{len(true)} spoken names by {Path(speaker).name}: {100 * (1 - left / all_energy):.2f} % of their energy is gone (bar 99.5), {whole} of them wholly"
    )
    print(f"with them went {outside} of {len(b.words)} other words; heard again with the roster as hint: {sorted(heard) or 'no name'}")
    return 0


def spoken(speaker: str, text: str, folder: Path) -> Samples:
    out = folder / "piece.wav"
    command = [speaker, "-w", str(out), text] if speaker.endswith("espeak-ng") else [speaker, "-t", text, "-o", str(out)]
    subprocess.run(command, check=True, capture_output=True)
    sound = read_audio(out)
    loud = np.flatnonzero(np.abs(sound) > 0.004)
    return sound[max(0, loud[0] - 160) : loud[-1] + 160] if len(loud) else sound


def main() -> int:
    """Run what the command line asks for."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--names", action="store_true")
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as temporary:
        if asked.names:
            return names(Path(temporary))
        film(Path(temporary))
    return 0


if __name__ == "__main__":
    sys.exit(main())
