"""Films the coach's screen: the clip in a drawn window, worked as playhead.csv says, with the narration as sound.

The recording shows what finding a playhead by its pictures has to cope with: the clip scaled and framed, pauses, a
rewind, slow motion, rings and arrows drawn on the standing picture, a moving mouse pointer.
"""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import av
import drawing
import make_demo
import numpy as np
import story
from PIL import Image, ImageDraw

SIZE, FPS = (1280, 720), 15
VIEW_PX = (140, 64, 140 + 1000, 64 + 562)  # where the clip is shown: left, top, right, bottom
BAR_PX = (220, 664, 1060, 672)
SOUND_HZ = 24000
INK = (255, 214, 10)


@dataclass(frozen=True, slots=True)
class Drawing:
    """A ring and an arrow on the standing picture, between two moments of the narration (seconds)."""

    start_narration_s: float
    end_narration_s: float
    step: story.Draw


def read_clip(path: Path) -> list[bytes]:
    """All pictures of the clip, kept as JPEG: 42 s would fill 1.5 GB otherwise."""
    pictures = []
    with av.open(str(path)) as container:
        for picture in container.decode(video=0):
            out = io.BytesIO()
            picture.to_image().save(out, "JPEG", quality=93)
            pictures.append(out.getvalue())
    return pictures


def read_playhead(path: Path) -> list[tuple[float, float, float]]:
    """The rows of a playhead.csv: narration seconds, clip seconds, rate."""
    with path.open(encoding="utf-8", newline="") as file:
        return [(float(r["narration_s"]), float(r["clip_s"]), float(r["rate"])) for r in csv.DictReader(file)]


def read_sound(path: Path) -> np.ndarray:
    """The narration as float samples at `SOUND_HZ`."""
    resampler = av.AudioResampler(format="flt", layout="mono", rate=SOUND_HZ)
    pieces = []
    with av.open(str(path)) as container:
        for sound in container.decode(audio=0):
            pieces += [ready.to_ndarray()[0] for ready in resampler.resample(sound)]
    pieces += [ready.to_ndarray()[0] for ready in resampler.resample(None)]
    return np.concatenate(pieces)


def plan_drawings(sentences: list[dict[str, float]], playhead: list[tuple[float, float, float]]) -> list[Drawing]:
    """When each drawing of the story is on the screen: from a moment into its sentence until the clip runs again."""
    out, spoken = [], 0
    for step in story.NARRATION:
        if isinstance(step, story.Say):
            spoken += 1
        elif isinstance(step, story.Draw):
            start_narration_s = sentences[spoken]["start_narration_s"] + 0.7
            runs_again = [at for at, _, rate in playhead if rate and at > start_narration_s]
            out.append(Drawing(start_narration_s, min(runs_again, default=1e9), step))
    return out


def _on_screen(x_m: float, y_m: float) -> tuple[float, float]:
    left, top, right, bottom = VIEW_PX
    x, y = drawing.to_px(x_m, y_m)
    return left + x * (right - left) / drawing.WIDTH, top + y * (bottom - top) / drawing.HEIGHT


def _desk() -> Image.Image:
    picture = Image.new("RGB", SIZE, (58, 84, 96))
    draw = ImageDraw.Draw(picture)
    left, top, right, _ = VIEW_PX
    draw.rounded_rectangle([left - 12, top - 40, right + 12, 700], radius=8, fill=(34, 34, 38))
    draw.text((left, top - 20), "ruben thursday.mp4", font=drawing.font(15), fill=(200, 200, 204), anchor="lm")
    draw.rounded_rectangle(BAR_PX, radius=4, fill=(84, 84, 90))
    return picture


def _sketch(draw: ImageDraw.ImageDraw, shown: Drawing, now_narration_s: float, at_clip_s: float) -> None:
    """The ring closes and the arrow grows within the first second, as drawn by hand."""
    done = min(1.0, (now_narration_s - shown.start_narration_s) / 1.0)
    here = drawing.place(shown.step.number, at_clip_s)
    x, y = _on_screen(float(here[0]), float(here[1]))
    draw.arc([x - 36, y - 36, x + 36, y + 36], -90, -90 + 360 * done, fill=INK, width=4)
    if shown.step.to_m is None or done < 1.0:
        return
    grown = min(1.0, (now_narration_s - shown.start_narration_s - 1.0) / 0.6)
    end_x, end_y = _on_screen(*shown.step.to_m)
    way = np.array([end_x - x, end_y - y])
    unit = way / np.linalg.norm(way)
    start, tip = np.array([x, y]) + 38 * unit, np.array([x, y]) + max(grown, 0.05) * way
    if np.dot(tip - start, unit) > 8:
        side = np.array([-unit[1], unit[0]])
        draw.line([*start, *tip], fill=INK, width=4)
        draw.polygon([tuple(tip + 12 * unit), tuple(tip - 6 * unit + 9 * side), tuple(tip - 6 * unit - 9 * side)], fill=INK)


def _pointer(draw: ImageDraw.ImageDraw, x: float, y: float) -> None:
    shape = [(0, 0), (0, 19), (5, 15), (9, 23), (12, 21), (9, 14), (15, 14)]
    draw.polygon([(x + a, y + b) for a, b in shape], fill=(255, 255, 255), outline=(0, 0, 0))


def pictures(folder: Path, length_s: float) -> Iterator[Image.Image]:
    """The pictures of the recording, `FPS` for each second of narration."""
    clip = read_clip(folder / "clip.mp4")
    rows = read_playhead(folder / "playhead.csv")
    sentences = json.loads((folder / "truth.json").read_text(encoding="utf-8"))["sentences"]
    drawings = plan_drawings(sentences, rows)
    desk, box = _desk(), (VIEW_PX[2] - VIEW_PX[0], VIEW_PX[3] - VIEW_PX[1])
    cached, view = -1, Image.new("RGB", box)
    mouse = np.array([700.0, 500.0])
    for i in range(round(length_s * FPS)):
        now_narration_s = i / FPS
        row = [r for r in rows if r[0] <= now_narration_s][-1]
        at_clip_s = row[1] + row[2] * (now_narration_s - row[0])
        number = min(int(at_clip_s * drawing.FPS), len(clip) - 1)
        if number != cached:
            cached, view = number, Image.open(io.BytesIO(clip[number])).resize(box, Image.Resampling.BICUBIC)
        picture = desk.copy()
        picture.paste(view, VIEW_PX[:2])
        draw = ImageDraw.Draw(picture)
        handle = BAR_PX[0] + (BAR_PX[2] - BAR_PX[0]) * at_clip_s / story.CLIP_DURATION_S
        draw.rounded_rectangle([BAR_PX[0], BAR_PX[1], handle, BAR_PX[3]], radius=4, fill=(120, 170, 190))
        draw.ellipse([handle - 8, 660, handle + 8, 676], fill=(240, 240, 240))
        if row[2]:
            draw.rectangle([172, 656, 178, 680], fill=(230, 230, 230))
            draw.rectangle([184, 656, 190, 680], fill=(230, 230, 230))
        else:
            draw.polygon([(172, 656), (192, 668), (172, 680)], fill=(230, 230, 230))
        if row[2] == 0.5:
            draw.text((1080, 668), "half speed", font=drawing.font(13), fill=(230, 230, 230), anchor="lm")
        for shown in drawings:
            if shown.start_narration_s <= now_narration_s < shown.end_narration_s:
                _sketch(draw, shown, now_narration_s, at_clip_s)
        # the pointer is on its way to the button or to the bar where the clip is about to start, else wanders
        soon = next((r for r in rows if r[0] > now_narration_s and r[2]), None)
        if soon and soon[0] - now_narration_s < 1.2:
            goal = np.array([182.0, 670.0])
            if abs(soon[1] - at_clip_s) > 0.3:
                goal = np.array([BAR_PX[0] + (BAR_PX[2] - BAR_PX[0]) * soon[1] / story.CLIP_DURATION_S, 668.0])
        else:
            goal = np.array([640 + 300 * np.sin(now_narration_s / 3.1), 400 + 160 * np.cos(now_narration_s / 4.7)])
        mouse += (goal - mouse) * 0.18
        _pointer(draw, float(mouse[0]), float(mouse[1]))
        yield picture


def write_screen_recording(path: Path, folder: Path) -> None:
    """Write the screen recording (mp4) of the demo in `folder`."""
    sound = read_sound(folder / "narration.ogg")
    shown = pictures(folder, len(sound) / SOUND_HZ)
    make_demo.write_video(path, shown, SIZE, FPS, 26, sound, SOUND_HZ)
