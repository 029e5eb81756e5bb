"""From what each frame of the recording shows to the rows of a playhead: straight lines, and how sure they are."""

from __future__ import annotations

from array import array
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from voiceover.playhead.screen_bank import ClipBank, Times
from voiceover.playhead.screen_match import EFFECTIVE_PIXELS, FLOOR
from voiceover.playhead.screen_path import Seen
from voiceover.playhead.track import PlayheadRow, PlayheadTrack

# A line may begin this share of a clip frame before the frame it stands for, and end with it: what a player's clock and a
# recorder's clock jitter against each other.
SLACK_FRAMES = 0.4
# Speeds that players offer; one of them is taken where the pictures leave a choice.
USUAL_RATES = (1.0, 0.0, 0.5, 0.25, 2.0, 0.75, 1.5, 0.1, 1.25, 1.75, 0.2, 0.3, 0.4, 0.6, 0.8, -1.0, -0.5, -2.0)
RATE_LIMIT = 12.0
# Frames that fit by less than this many nats worse cannot be told from the best by eye or by pixel.
ALIKE_NATS = 8.0
# However well it fits, this share of a picture's energy is what a codec adds to a still picture in the frames after it stopped.
ALIKE_SHARE = 0.0015
# An interval longer than this, seconds, is not a moment: the time is called approximate.
APPROXIMATE_S = 0.1
# A gap without a clip that is shorter than this and ends where it would have gone on is a blink of the matcher, seconds.
BLINK_S = 0.12
# The same while the clip's window was moved, seconds.
MOVED_S = 2.0
# A clip that is seen for less than this between pictures without one, seconds, is another picture that looks alike for a moment.
GLIMPSE_S = 0.3
# Nats by which a far away place must fit worse to be ruled out, for confidence 0.5 and for near certainty.
RIVAL_HALF_NATS = 3.0
EVIDENCE_PER_S = 10.0
CERTAIN = 0.98
LOW = 0.3


class SeenLog:
    """What every frame of the recording shows, in columns: some dozens of bytes a frame."""

    def __init__(self) -> None:
        self._d = {name: array("d") for name in ("time_s", "misfit", "agreement", "rival_nats")}
        self._i = {name: array("l") for name in ("clip", "frame", "rival_frame", "changed", "place", "searched")}

    def append(self, seen: Seen) -> None:
        """Add the next frame."""
        for name, reals in self._d.items():
            reals.append(getattr(seen, name))
        for name, numbers in self._i.items():
            numbers.append(int(getattr(seen, name)))

    def real(self, name: str) -> Times:
        """A column of reals."""
        return np.array(self._d[name], np.float64)

    def whole(self, name: str) -> npt.NDArray[np.int64]:
        """A column of whole numbers."""
        return np.array(self._i[name], np.int64)


@dataclass(slots=True)
class Line:
    """A straight piece of the map: frames start to stop (without stop) of the recording."""

    start: int
    stop: int
    at_s: float
    """Clip time at the first of them, seconds."""
    rate: float


def rows_of(log: SeenLog, banks: Sequence[ClipBank], end_s: float) -> PlayheadTrack:
    """The playhead that the frames add up to; empty where no clip was ever seen. `end_s`: the end of the recording, seconds."""
    times = log.real("time_s")
    clip, frame, place = log.whole("clip"), log.whole("frame"), log.whole("place")
    if not (clip >= 0).any():
        return PlayheadTrack(())
    _bridge(times, clip, frame, place, banks)
    _forget_glimpses(times, clip)
    if not (clip >= 0).any():
        return PlayheadTrack(())
    columns = (
        log.real("rival_nats"),
        log.whole("rival_frame"),
        log.whole("changed") * log.whole("searched"),
        log.real("agreement"),
    )
    misfit = log.real("misfit")
    rows: list[PlayheadRow] = []
    edges = np.flatnonzero(np.diff(clip)) + 1
    for start, stop in zip([0, *edges], [*edges, len(clip)], strict=True):
        which = int(clip[start])
        if which < 0:
            rows.append(PlayheadRow(round(float(times[start]), 4), None, 0.0, "", "screen", CERTAIN))
            continue
        part = slice(int(start), int(stop))
        name = banks[which].path.name if len(banks) > 1 else ""
        found = _run(times[part], frame[part], misfit[part], tuple(c[part] for c in columns), banks[which], name)
        rows.extend(found)
    return PlayheadTrack(tuple(rows))


def _bridge(
    times: Times,
    clip: npt.NDArray[np.int64],
    frame: npt.NDArray[np.int64],
    place: npt.NDArray[np.int64],
    banks: Sequence[ClipBank],
) -> None:
    """Fill short gaps without a clip after which the clip stands where it would have gone on; in place."""
    edges = np.flatnonzero(np.diff(clip)) + 1
    bounds = [0, *edges.tolist(), len(clip)]
    for a, b in zip(bounds[1:-2], bounds[2:-1], strict=True):
        if clip[a] >= 0 or clip[a - 1] != clip[b] or clip[b] < 0:
            continue
        bank = banks[int(clip[b])]
        gap_s = times[b] - times[a - 1]
        went_s = bank.times_s[frame[b]] - bank.times_s[frame[a - 1]]
        goes_on = -bank.frame_s <= went_s <= 1.1 * gap_s + 2 * bank.frame_s
        if goes_on and (gap_s <= BLINK_S + 0.04 or (gap_s <= MOVED_S and place[a - 1] != place[b] and went_s > 0.9 * gap_s)):
            at = bank.times_s[frame[a - 1]] + (times[a:b] - times[a - 1]) * went_s / gap_s
            frame[a:b] = np.maximum(0, np.searchsorted(bank.times_s, at + 1e-6, side="right") - 1)
            clip[a:b] = clip[b]


def _forget_glimpses(times: Times, clip: npt.NDArray[np.int64]) -> None:
    """Take away what is seen too shortly to be a clip; in place."""
    edges = np.flatnonzero(np.diff(clip)) + 1
    bounds = [0, *edges.tolist(), len(clip)]
    for before, start, stop in zip(bounds, bounds[1:], bounds[2:-1], strict=False):
        alone = clip[before] < 0 <= clip[start] and clip[stop] < 0
        if alone and times[stop] - times[start] < GLIMPSE_S:
            clip[start:stop] = -1


def _run(
    times: Times,
    frame: npt.NDArray[np.int64],
    misfit: Times,
    columns: tuple[npt.NDArray[np.generic], ...],
    bank: ClipBank,
    name: str,
) -> list[PlayheadRow]:
    """Rows of one uninterrupted stretch of one clip."""
    low, high = Likeness(bank).intervals(frame, misfit)
    floor_s = bank.times_s[low]
    ceiling_s = np.where(high + 1 < len(bank.times_s), np.append(bank.times_s, bank.end_s)[high + 1], bank.end_s)
    lines = fit_lines(times, floor_s, ceiling_s, SLACK_FRAMES * bank.frame_s)
    wide = ceiling_s - floor_s - bank.frame_s > APPROXIMATE_S
    open_ended = _unresolved(wide, lines, len(frame))
    sure = _confidence(times, frame, columns, bank)
    rows: list[PlayheadRow] = []
    for line in lines:
        inside = open_ended[line.start : line.stop]
        cuts = [0, *(np.flatnonzero(np.diff(inside)) + 1).tolist(), len(inside)]
        for a, b in zip(cuts, cuts[1:], strict=False):
            i, j = line.start + a, line.start + b
            at_s = line.at_s + line.rate * (times[i] - times[line.start])
            confidence, tolerance_s = float(sure[0][i:j].min()), max(bank.frame_s, float(sure[1][i:j].max()))
            if inside[a]:
                along = line.at_s + line.rate * (times[i:j] - times[line.start])
                off = np.maximum(along - floor_s[i:j], ceiling_s[i:j] - along)
                confidence, tolerance_s = min(confidence, LOW), max(tolerance_s, float(off.max()))
            rate = round(line.rate, 6)
            rows.append(
                PlayheadRow(
                    round(float(times[i]), 4), round(max(0.0, float(at_s)), 4), rate, name, "screen",
                    round(confidence, 3), round(tolerance_s, 3),
                )
            )  # fmt: skip
    return rows


class Likeness:
    """Which frames of a clip look alike."""

    def __init__(self, bank: ClipBank) -> None:
        self._bank = bank
        self._cache: dict[tuple[int, int], tuple[int, int]] = {}

    def intervals(self, frame: npt.NDArray[np.int64], misfit: Times) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.int64]]:
        """First and last frame that cannot be told from each of some frames, given how well the screen fitted."""
        low, high = frame.copy(), frame.copy()
        for i, (f, m) in enumerate(zip(frame.tolist(), misfit.tolist(), strict=True)):
            # Quarter steps of the logarithm are fine enough for a limit.
            key = (f, round(4 * float(np.log(m + FLOOR))))
            found = self._cache.get(key)
            if found is None:
                found = self._cache[key] = self._interval(f, float(np.exp(key[1] / 4)))
            low[i], high[i] = found
        return low, high

    def _interval(self, frame: int, noise: float) -> tuple[int, int]:
        limit = max(ALIKE_SHARE, noise * (float(np.exp(2 * ALIKE_NATS / EFFECTIVE_PIXELS)) - 1.0))
        return frame - self._reach(frame, -1, limit), frame + self._reach(frame, 1, limit)

    def _reach(self, frame: int, way: int, limit: float) -> int:
        """How many frames on in one direction still look like this one."""
        me = self._bank.window(frame, frame + 1)[0]
        energy = float(me @ me) + 1e-6
        reach, block = 0, 1
        while True:
            a = frame + way * (reach + 1)
            b = a + way * block
            start, stop = max(0, min(a, b + 1)), min(len(self._bank.times_s), max(a + 1, b))
            if start >= stop:
                return reach
            window = self._bank.window(start, stop)[::way]
            differ = np.square(window - me).sum(axis=1) / energy > limit
            if differ.any():
                return reach + int(differ.argmax())
            reach += len(window)
            block = min(64, block * 2)


def fit_lines(times: Times, floor_s: Times, ceiling_s: Times, slack_s: float = 0.0) -> list[Line]:
    """The fewest straight lines, from left to right, that stay between a floor and a ceiling at each time.

    Args:
        times: rising, seconds.
        floor_s: lowest value at each time.
        ceiling_s: highest value at each time.
        slack_s: by how much a line may go below the floor where that keeps it whole.

    >>> t = np.arange(6.0)
    >>> [(l.start, l.rate) for l in fit_lines(t, np.minimum(t, 3.0) - 0.1, np.minimum(t, 3.0) + 0.1)]
    [(0, 1.0), (4, 0.0)]
    """
    lines: list[Line] = []
    start, count = 0, len(times)
    # A wide interval says nothing about where in it the line should go, however many there are.
    width_s = ceiling_s - floor_s
    shortest_s = float(width_s.min()) if count else 0.0
    narrow = width_s < 1.5 * float(np.median(width_s[width_s <= max(APPROXIMATE_S, shortest_s)])) if count else width_s > 0
    centre = floor_s + 0.4 * (ceiling_s - floor_s)
    while start < count:
        polygon = _box(float(floor_s[start]) - slack_s, float(ceiling_s[start]))
        i = start + 1
        while i < count:
            dt = float(times[i] - times[start])
            smaller = _clip(polygon, -1.0, -dt, -float(floor_s[i]) + slack_s)
            smaller = _clip(smaller, 1.0, dt, float(ceiling_s[i]))
            if len(smaller) < 3:
                break
            polygon = smaller
            i += 1
        at_s, rate = _choose(polygon, lines[-1].rate if lines else None)
        inside = narrow[start:i]
        if inside.sum() >= 3:  # in the middle of what it stands for, whatever it touches at its ends
            at_s = float(np.median((centre[start:i] - rate * (times[start:i] - times[start]))[inside]))
        lines.append(Line(start, i, at_s, rate))
        start = i
    for before, after in zip(lines, lines[1:], strict=False):
        _meet(before, after, times, floor_s, ceiling_s)
    return lines


def _meet(before: Line, after: Line, times: Times, floor_s: Times, ceiling_s: Times) -> None:
    """Move the border between two lines to where both violate least; in place."""
    first = max(before.start + 1, after.start - 4)
    last = min(after.stop - 1, after.start + 2)
    part = slice(first, last)
    if last <= first:
        return

    def violation(line: Line) -> Times:
        at = line.at_s + line.rate * (times[part] - times[line.start])
        return np.asarray(np.maximum(0.0, floor_s[part] - at) + np.maximum(0.0, at - ceiling_s[part]), np.float64)

    own, other = violation(before), violation(after)
    costs = [float(own[:n].sum() + other[n:].sum()) for n in range(last - first + 1)]
    least = min(costs)
    border = max((first + n for n, c in enumerate(costs) if c <= least + 1e-9), key=lambda n: -abs(n - after.start))
    after.at_s += after.rate * float(times[border] - times[after.start])
    before.stop = after.start = border


def _box(low: float, high: float) -> list[tuple[float, float]]:
    return [(low, -RATE_LIMIT), (high, -RATE_LIMIT), (high, RATE_LIMIT), (low, RATE_LIMIT)]


def _clip(polygon: list[tuple[float, float]], p: float, q: float, limit: float) -> list[tuple[float, float]]:
    """The part of a convex polygon of (value, rate) where p value + q rate <= limit."""
    out: list[tuple[float, float]] = []
    if not polygon:
        return out
    x0, y0 = polygon[-1]
    d0 = p * x0 + q * y0 - limit
    for x1, y1 in polygon:
        d1 = p * x1 + q * y1 - limit
        if (d0 <= 0) != (d1 <= 0):
            share = d0 / (d0 - d1)
            out.append((x0 + share * (x1 - x0), y0 + share * (y1 - y0)))
        if d1 <= 0:
            out.append((x1, y1))
        x0, y0, d0 = x1, y1, d1
    return out


def _choose(polygon: list[tuple[float, float]], before: float | None) -> tuple[float, float]:
    """Value at the start and rate of one line out of all that are possible: a usual rate, in the middle."""
    low, high = min(y for _, y in polygon), max(y for _, y in polygon)
    usual = USUAL_RATES if before is None or before == 1.0 else (0.0, *USUAL_RATES)
    if before == 1.0:
        usual = (0.0, *USUAL_RATES)
    rate = next((r for r in usual if low <= r <= high), (low + high) / 2)
    values = [
        x0 + (rate - y0) / (y1 - y0) * (x1 - x0)
        for (x0, y0), (x1, y1) in zip(polygon, [*polygon[1:], polygon[0]], strict=True)
        if y0 != y1 and min(y0, y1) <= rate <= max(y0, y1)
    ] or [x for x, _ in polygon]
    return (min(values) + max(values)) / 2, rate


def _unresolved(wide: npt.NDArray[np.bool_], lines: list[Line], count: int) -> npt.NDArray[np.bool_]:
    """Where pictures cannot tell the moment: alike frames, except where one line runs through them from end to end."""
    out = wide.copy()
    if not wide.any():
        return out
    line_of = np.zeros(count, np.int64)
    for n, line in enumerate(lines):
        line_of[line.start : line.stop] = n
    edges = np.flatnonzero(np.diff(wide.astype(np.int8))) + 1
    for a, b in zip([0, *edges], [*edges, count], strict=True):
        if wide[a] and a > 0 and b < count and line_of[a - 1] == line_of[b] and lines[line_of[b]].rate != 0.0:
            out[a:b] = False
    return out


def _confidence(
    times: Times, frame: npt.NDArray[np.int64], columns: tuple[npt.NDArray[np.generic], ...], bank: ClipBank
) -> tuple[Times, Times]:
    """For each frame of the recording: confidence 0..1, and by how much the clip time is off if a rival is right, seconds."""
    rival_nats, rival_frame = columns[0].astype(np.float64), columns[1].astype(np.int64)
    changed, agrees = columns[2].astype(bool), columns[3].astype(np.float64)
    where_s = bank.times_s[frame]
    sure, tolerance_s = np.full(len(frame), CERTAIN), np.zeros(len(frame))
    steps_s, dt = np.diff(where_s), np.diff(times)
    jumps = np.flatnonzero((steps_s < -3 * dt - 2 * bank.frame_s) | (steps_s > 3 * dt + 2 * bank.frame_s)) + 1
    for a, b in zip([0, *jumps], [*jumps, len(frame)], strict=True):
        part = slice(int(a), int(b))
        quality = float(np.clip((np.median(agrees[part]) - 0.25) / 0.3, 0.0, 1.0))
        sure[part] = np.minimum(sure[part], CERTAIN * quality)
        pictures = np.flatnonzero(changed[part] | (np.arange(b - a) == 0)) + a
        near = pictures[(rival_frame[pictures] >= 0) & (rival_nats[pictures] < 2 * RIVAL_HALF_NATS)]
        if not len(near):
            continue
        offsets = bank.times_s[rival_frame[near]] - where_s[near]
        bins = np.round(offsets / 0.2).astype(np.int64)
        values, counts = np.unique(bins, return_counts=True)
        common = int(values[counts.argmax()])
        same = near[np.abs(bins - common) <= 1]
        # Pictures in which that rival was not even a candidate speak against it.
        weight = np.minimum(1.0, np.diff(times[part], append=times[b - 1] + 0.1)[pictures - a] * EVIDENCE_PER_S)
        against = np.full(len(pictures), 2 * RIVAL_HALF_NATS)
        against[np.isin(pictures, same)] = rival_nats[same]
        nats = float((against * np.maximum(weight, 0.3)).sum()) if len(pictures) > 1 else float(against[0])
        belief = CERTAIN / (1.0 + float(np.exp(-(nats - RIVAL_HALF_NATS))))
        sure[part] = np.minimum(sure[part], belief)
        if belief < 0.9:
            tolerance_s[part] = abs(common * 0.2)
    return sure, tolerance_s
