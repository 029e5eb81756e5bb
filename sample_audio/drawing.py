"""Draws the demo's clip: a practice sheet from above, numbered skaters, the puck and a running clock."""

from __future__ import annotations

import math
from functools import lru_cache
from itertools import combinations

import numpy as np
import story
from PIL import Image, ImageDraw, ImageFont

WIDTH, HEIGHT = 854, 480
FPS = 30
SOUND_HZ = 24000
ORIGIN_PX, SCALE = (37.0, 32.0), 26.0  # upper left corner of the ice and pixels for a metre
BODY_M = 1.35  # nobody stands closer to another than this
OVER = 2  # drawn twice as large, then reduced: smooth edges

ICE, BOARDS, FLOOR = (236, 243, 247), (52, 62, 74), (28, 33, 40)
TEAM = {"white": ((252, 252, 252), (20, 40, 90)), "red": ((190, 32, 40), (255, 255, 255))}  # shirt, number
SHIRT = {row[1]: row[2] for row in story.ROSTER} | story.GOALIES


def to_px(x_m: float, y_m: float, over: int = 1) -> tuple[float, float]:
    """A place on the sheet as picture coordinates, in pixels of a picture `over` times the clip's size."""
    return (ORIGIN_PX[0] + x_m * SCALE) * over, (ORIGIN_PX[1] + y_m * SCALE) * over


def _on_path(shirt: int, clip_s: float) -> np.ndarray:
    """The place on a skater's path (metres): a cubic through its points, plus the sway of his stride."""
    t, x, y = np.array(story.PATHS[shirt]).T
    slope_x, slope_y = np.gradient(x, t), np.gradient(y, t)
    i = int(np.clip(np.searchsorted(t, clip_s, side="right") - 1, 0, len(t) - 2))
    span = t[i + 1] - t[i]
    u = min(max((clip_s - t[i]) / span, 0.0), 1.0)
    h = (2 * u**3 - 3 * u**2 + 1, u**3 - 2 * u**2 + u, -2 * u**3 + 3 * u**2, u**3 - u**2)
    at = [h[0] * v[i] + h[1] * span * m[i] + h[2] * v[i + 1] + h[3] * span * m[i + 1] for v, m in ((x, slope_x), (y, slope_y))]
    phase = 2 * math.pi * (1.25 * clip_s + 0.37 * shirt)
    return np.array(at) + 0.07 * np.array([math.sin(phase), math.cos(0.8 * phase)])


@lru_cache(maxsize=4096)
def _places(clip_s: float) -> dict[int, np.ndarray]:
    """Everybody's place (metres), kept apart: two bodies closer than `BODY_M` push each other away."""
    at = {shirt: _on_path(shirt, clip_s) for shirt in story.PATHS}
    for _ in range(4):
        for a, b in combinations(at, 2):
            way = at[b] - at[a]
            near = math.hypot(*way)
            if near < BODY_M:
                push = way / max(near, 0.01) * (BODY_M - near) / 2
                at[a], at[b] = at[a] - push, at[b] + push
    return at


def place(shirt: int, clip_s: float) -> np.ndarray:
    """Where a skater is, metres."""
    return _places(clip_s)[shirt]


def _towards(shirt: int, clip_s: float, targets: tuple[tuple[int, float, float, tuple[float, float]], ...]) -> float | None:
    here = place(shirt, clip_s)
    for who, start, end, (x, y) in targets:
        if who == shirt and start <= clip_s < end:
            return math.atan2(y - here[1], x - here[0])
    return None


def heading(shirt: int, clip_s: float) -> float:
    """Which way a skater skates (radians); a goalkeeper, and who hardly moves, faces the puck."""
    step = place(shirt, clip_s + 0.25) - place(shirt, clip_s - 0.25)
    if shirt in story.GOALIES or math.hypot(*step) < 0.15:
        step = puck(clip_s) - place(shirt, clip_s) if shirt in story.GOALIES else step
    return math.atan2(step[1], step[0])


def blade(shirt: int, clip_s: float) -> np.ndarray:
    """Where a skater's stick blade is (metres)."""
    aim = _towards(shirt, clip_s, story.STICKS)
    if aim is None:
        aim = heading(shirt, clip_s) + 0.35 + 0.22 * math.sin(2 * math.pi * 1.7 * clip_s + shirt)
    return place(shirt, clip_s) + 1.25 * np.array([math.cos(aim), math.sin(aim)])


def puck(clip_s: float) -> np.ndarray:
    """Where the puck is (metres)."""
    at = [entry[0] for entry in story.PUCK]
    i = min(max(int(np.searchsorted(at, clip_s, side="right")) - 1, 0), len(at) - 2)
    (start, a), (end, b) = story.PUCK[i], story.PUCK[i + 1]
    if isinstance(a, int) and a == b:
        return blade(a, clip_s)
    u = (clip_s - start) / (end - start)
    u = 1 - (1 - min(u, 1.0)) ** 2 if not isinstance(b, int) else u  # a loose puck slows down
    first = blade(a, start) if isinstance(a, int) else np.array(a)
    last = blade(b, end) if isinstance(b, int) else np.array(b)
    return first + (last - first) * u


@lru_cache
def font(size: int) -> ImageFont.FreeTypeFont | ImageFont.ImageFont:
    """Pillow's own font, so that the picture is the same on every machine."""
    return ImageFont.load_default(size=size)


@lru_cache(maxsize=1)
def empty_rink() -> Image.Image:
    """The sheet without players, `OVER` times the clip's size."""
    picture = Image.new("RGB", (WIDTH * OVER, HEIGHT * OVER), FLOOR)
    draw = ImageDraw.Draw(picture)
    k = SCALE * OVER

    def line(x0: float, y0: float, x1: float, y1: float, colour: tuple[int, int, int], width_m: float) -> None:
        draw.line([to_px(x0, y0, OVER), to_px(x1, y1, OVER)], fill=colour, width=round(width_m * k))

    def circle(x: float, y: float, r: float, colour: tuple[int, int, int], fill: bool = False) -> None:
        (a, b), (c, d) = to_px(x - r, y - r, OVER), to_px(x + r, y + r, OVER)
        draw.ellipse([a, b, c, d], outline=colour, fill=colour if fill else None, width=round(0.08 * k))

    width, height = story.RINK_M
    draw.rounded_rectangle([*to_px(0, 0, OVER), *to_px(width, height, OVER)], radius=4 * k, fill=ICE)
    red, blue = (205, 92, 98), (98, 136, 196)
    rng = np.random.default_rng(7)
    for _ in range(260):  # old skate marks
        x, y, a, r = (
            rng.uniform(1, width - 2),
            rng.uniform(1, height - 1),
            rng.uniform(0, 2 * math.pi),
            rng.uniform(0.4, 2),
        )
        to_x, to_y = np.clip((x + r * math.cos(a), y + r * math.sin(a)), 1, (width - 1, height - 1))
        line(x, y, float(to_x), float(to_y), (226, 235, 241), 0.04)
    line(width / 2, 0, width / 2, height, red, 0.18)
    circle(width / 2, height / 2, 2.4, blue)
    for x, y in ((7, 4), (7, 13), (23, 4), (23, 13)):
        circle(x, y, 1.9, (226, 150, 152))
        circle(x, y, 0.18, red, fill=True)
    for x in (9.8, 20.2):
        line(x, 0, x, height, blue, 0.2)
    for side, (x, y) in story.NETS_M.items():
        out = -1 if side == "red" else 1
        line(x, 0.4 if 4 < x < 26 else 0.9, x, height - 0.9, (222, 130, 134), 0.06)
        crease = [*to_px(x - 1.7, y - 1.7, OVER), *to_px(x + 1.7, y + 1.7, OVER)]
        draw.pieslice(crease, 90 if out < 0 else -90, 270 if out < 0 else 90, fill=(196, 222, 240), outline=red, width=3)
        back = x - out * 1.0
        draw.rectangle([*to_px(min(x, back), y - 0.95, OVER), *to_px(max(x, back), y + 0.95, OVER)], fill=(216, 222, 226))
        for j in np.linspace(y - 0.95, y + 0.95, 9):
            line(x, float(j), back, float(j), (176, 184, 190), 0.03)
        draw.rectangle([*to_px(min(x, back), y - 0.95, OVER), *to_px(max(x, back), y + 0.95, OVER)], outline=red, width=5)
    draw.rounded_rectangle([*to_px(0, 0, OVER), *to_px(width, height, OVER)], radius=4 * k, outline=BOARDS, width=round(0.22 * k))
    draw.text(
        (WIDTH * OVER / 2, 15 * OVER),
        "U14 PRACTICE  -  3 ON 3, SMALL ICE",
        font=font(26),
        fill=(150, 160, 172),
        anchor="mm",
    )
    return picture


def _skater(draw: ImageDraw.ImageDraw, shirt: int, clip_s: float) -> None:
    k = SCALE * OVER
    here, tip = place(shirt, clip_s), blade(shirt, clip_s)
    facing = heading(shirt, clip_s)
    look = _towards(shirt, clip_s, story.LOOKS)
    look = facing if look is None else look
    fill, ink = TEAM[SHIRT[shirt]]
    edge = (20, 40, 90) if SHIRT[shirt] == "white" else (96, 8, 16)
    cx, cy = to_px(*here, OVER)
    r = 0.66 * k
    draw.ellipse([cx - r + 5, cy - r + 8, cx + r + 5, cy + r + 8], fill=(204, 214, 222))
    # the stick: a shaft and a blade across it
    tx, ty = to_px(*tip, OVER)
    draw.line([cx, cy, tx, ty], fill=(70, 58, 44), width=6)
    bend = math.atan2(ty - cy, tx - cx) - 1.1
    draw.line([tx, ty, tx + 0.32 * k * math.cos(bend), ty + 0.32 * k * math.sin(bend)], fill=(24, 24, 24), width=9)
    # gloves and skates swing with the stride, so that nobody ever stands quite still
    swing = 0.3 * math.sin(2 * math.pi * 1.25 * clip_s + shirt)
    for side in (-1, 1):
        a = facing + math.pi + side * (0.6 + side * swing)
        fx, fy = cx + 0.8 * k * math.cos(a), cy + 0.8 * k * math.sin(a)
        draw.line([cx, cy, fx, fy], fill=(38, 42, 48), width=15)
    draw.ellipse([cx - r, cy - r, cx + r, cy + r], fill=fill, outline=edge, width=6)
    hx, hy = cx + 0.62 * k * math.cos(look), cy + 0.62 * k * math.sin(look)  # the helmet, on the side where he looks
    q = 0.24 * k
    draw.ellipse([hx - q, hy - q, hx + q, hy + q], fill=edge, outline=(255, 255, 255), width=3)
    vx, vy = hx + q * 0.7 * math.cos(look), hy + q * 0.7 * math.sin(look)
    draw.ellipse([vx - 5, vy - 5, vx + 5, vy + 5], fill=(250, 220, 120))
    draw.text((cx, cy), str(shirt), font=font(34), fill=ink, anchor="mm", stroke_width=1, stroke_fill=ink)


def frame(clip_s: float) -> Image.Image:
    """The picture of the clip at a moment, `WIDTH` by `HEIGHT` pixels."""
    picture = empty_rink().copy()
    draw = ImageDraw.Draw(picture)
    for shirt in story.PATHS:  # fresh marks in the ice behind everybody
        trail = [to_px(*place(shirt, max(clip_s - back, 0.0)), OVER) for back in np.linspace(1.1, 0.0, 9)]
        draw.line(trail, fill=(205, 219, 229), width=5, joint="curve")
    for shirt in sorted(story.PATHS, key=lambda s: float(place(s, clip_s)[1])):
        _skater(draw, shirt, clip_s)
    px, py = to_px(*puck(clip_s), OVER)
    draw.ellipse([px - 9, py - 9, px + 9, py + 9], fill=(10, 10, 10), outline=(120, 120, 120), width=2)
    draw.rounded_rectangle([40 * OVER, 3 * OVER, 150 * OVER, 28 * OVER], radius=10, fill=(8, 10, 12))
    clock = f"{int(clip_s // 60)}:{clip_s % 60:04.1f}"
    draw.text((95 * OVER, 15 * OVER), clock, font=font(40), fill=(255, 196, 60), anchor="mm")
    return picture.reduce(OVER)


def rink_sound(duration_s: float) -> np.ndarray:
    """The quiet sound of the clip: the hall's hum, skates, stick on puck, puck on boards; float32 at `SOUND_HZ`."""
    rng = np.random.default_rng(11)
    n = int(duration_s * SOUND_HZ)
    t = np.arange(n) / SOUND_HZ
    hum = np.convolve(rng.normal(0, 1, n), np.ones(240) / 240, "same") * 0.06 + 0.004 * np.sin(2 * np.pi * 60 * t)
    out = hum.copy()

    def add(at_s: float, samples: np.ndarray) -> None:
        i = int(at_s * SOUND_HZ)
        out[i : i + len(samples)] += samples[: max(0, n - i)]

    def burst(length_s: float, level: float, smooth: int, ring_hz: float = 0.0) -> np.ndarray:
        m = int(length_s * SOUND_HZ)
        noise = np.convolve(rng.normal(0, 1, m), np.ones(smooth) / smooth, "same")
        tone = np.sin(2 * np.pi * ring_hz * np.arange(m) / SOUND_HZ) if ring_hz else 0.0
        return level * (noise + tone) * np.exp(-np.arange(m) / (0.22 * m))

    for at_s in np.cumsum(rng.uniform(0.1, 0.35, int(duration_s / 0.22))):  # skates
        m = int(0.16 * SOUND_HZ)
        scrape = np.diff(rng.normal(0, 1, m + 1)) * np.hanning(m) * rng.uniform(0.003, 0.012)
        if at_s < duration_s - 0.2:
            add(float(at_s), scrape)
    for at_s in story.HITS_S:
        add(at_s, burst(0.09, 0.16, 3, 950))
    for at_s in story.THUDS_S:
        add(at_s, burst(0.35, 0.2, 30, 120))
    for at_s in story.CHEER_S:
        for late in (0.0, 0.03, 0.07):
            add(at_s + late, burst(0.08, 0.1, 2, 1400 + 3000 * late))
    return np.clip(out, -0.9, 0.9).astype(np.float32)
