"""Where the clip stands at each moment of the narration: the one place that converts between the two clocks."""

from __future__ import annotations

import bisect
import csv
import io
import math
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from voiceover.errors import PlayheadError

SOURCES = ("recorded", "screen", "sound", "spoken", "user")
LOW_CONFIDENCE = 0.5
"""A row below this is approximate: reports and reviews say so."""
COLUMNS = ("narration_s", "clip_s", "rate", "clip", "source", "confidence", "tolerance_s")


@dataclass(frozen=True, slots=True)
class PlayheadRow:
    """From this moment of the narration on, the clip stands at `clip_s` and moves at `rate`."""

    narration_s: float
    """Seconds of narration time from which the row holds."""
    clip_s: float | None
    """Seconds of clip time at that moment; None while no clip is on screen."""
    rate: float
    """Clip seconds for each narration second: 0 paused, 0.5 slow, 1 normal, negative when scrubbed backwards."""
    clip: str = ""
    """Which clip, where there are several; empty for the only one."""
    source: str = "recorded"
    """recorded, screen, sound, spoken or user."""
    confidence: float | None = None
    """0..1, or None where the source knows for certain (recorded, user)."""
    tolerance_s: float = 0.0
    """The clip time may be off by this many seconds to either side."""


@dataclass(frozen=True, slots=True)
class ClipInstant:
    """Where the clip stands at one moment of the narration."""

    clip_s: float
    tolerance_s: float
    confidence: float | None
    clip: str
    source: str
    rate: float


@dataclass(frozen=True, slots=True)
class PlayheadTrack:
    """The whole map from narration time to clip time."""

    rows: tuple[PlayheadRow, ...]

    def __post_init__(self) -> None:
        starts = [row.narration_s for row in self.rows]
        if any(b < a for a, b in zip(starts, starts[1:], strict=False)):
            raise ValueError("playhead rows must be in order of narration time")

    def narration_to_clip(self, narration_s: float) -> ClipInstant | None:
        """Where the clip stands at a moment of the narration.

        Returns:
            The instant; None where no clip is on screen or before the first row.

        >>> track = PlayheadTrack((PlayheadRow(0.0, 4.0, 0.5),))
        >>> track.narration_to_clip(10.0).clip_s
        9.0
        """
        i = bisect.bisect_right(self.rows, narration_s, key=lambda row: row.narration_s) - 1
        if i < 0:
            return None
        row = self.rows[i]
        if row.clip_s is None:
            return None
        clip_s = max(0.0, row.clip_s + row.rate * (narration_s - row.narration_s))
        return ClipInstant(clip_s, row.tolerance_s, row.confidence, row.clip, row.source, row.rate)

    def stretches(self, from_narration_s: float, to_narration_s: float) -> list[tuple[float, float, PlayheadRow]]:
        """The parts of the track between two moments: (start, end, row), narration seconds; empty for an empty span."""
        out = []
        for i, row in enumerate(self.rows):
            end = self.rows[i + 1].narration_s if i + 1 < len(self.rows) else math.inf
            start, end = max(row.narration_s, from_narration_s), min(end, to_narration_s)
            if start < end:
                out.append((start, end, row))
        return out

    def jumps(self, *, min_jump_s: float = 0.3) -> list[tuple[float, float]]:
        """Moments at which the clip jumps: (narration_s, jump in clip seconds); negative is a rewind."""
        out = []
        for a, b in zip(self.rows, self.rows[1:], strict=False):
            if a.clip_s is None or b.clip_s is None or a.clip != b.clip:
                continue
            reached = a.clip_s + a.rate * (b.narration_s - a.narration_s)
            if abs(b.clip_s - reached) >= min_jump_s:
                out.append((b.narration_s, b.clip_s - reached))
        return out


def straight_track(start_clip_s: float = 0.0) -> PlayheadTrack:
    """The playhead of a narration spoken over a clip that simply runs: it starts at `start_clip_s` at narration zero."""
    return PlayheadTrack((PlayheadRow(0.0, start_clip_s, 1.0, source="user"),))


def parse_straight(text: str) -> float | None:
    """The offset of `straight` or `straight+SECONDS`; None for anything else.

    >>> parse_straight("straight+2.5")
    2.5
    """
    if text == "straight":
        return 0.0
    if text.startswith(("straight+", "straight-")):
        try:
            return float(text[len("straight") :])
        except ValueError:
            return None
    return None


def read_playhead(path: Path) -> PlayheadTrack:
    """Read a playhead.csv.

    Raises:
        PlayheadError: unreadable, columns missing, a number that is none, or narration times that run backwards.
    """
    try:
        text = path.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        raise PlayheadError(f"{path}: cannot be read as a playhead table ({error}); give a CSV file") from error
    reader = csv.DictReader(io.StringIO(text))
    missing = {"narration_s", "clip_s", "rate"} - set(reader.fieldnames or ())
    if missing:
        raise PlayheadError(f"{path}: no column {', '.join(sorted(missing))}; the first line must be narration_s,clip_s,rate")
    rows: list[PlayheadRow] = []
    for line, record in enumerate(reader, start=2):
        row = _row(path, line, record)
        if rows and row.narration_s < rows[-1].narration_s:
            raise PlayheadError(
                f"{path}: line {line}: narration_s {row.narration_s:.3f} comes after {rows[-1].narration_s:.3f};"
                " put the rows in order of narration time"
            )
        rows.append(row)
    if not rows:
        raise PlayheadError(f"{path}: has no rows; write at least one, or use --playhead straight")
    return PlayheadTrack(tuple(rows))


def _row(path: Path, line: int, record: dict[str, str | None]) -> PlayheadRow:
    def number(column: str) -> float | None:
        raw = (record.get(column) or "").strip()
        if not raw:
            return None
        try:
            value = float(raw)
        except ValueError:
            value = math.nan
        if not math.isfinite(value):
            raise PlayheadError(f"{path}: line {line}: {column} is '{raw}'; write seconds as a number such as 12.500")
        return value

    narration_s, rate = number("narration_s"), number("rate")
    if narration_s is None or narration_s < 0:
        raise PlayheadError(f"{path}: line {line}: narration_s is missing or negative; write seconds from the start")
    clip_s = number("clip_s")
    source = (record.get("source") or "recorded").strip()
    if source not in SOURCES:
        raise PlayheadError(f"{path}: line {line}: source '{source}'; use one of {', '.join(SOURCES)}")
    return PlayheadRow(
        narration_s,
        clip_s,
        rate or 0.0,
        (record.get("clip") or "").strip(),
        source,
        number("confidence"),
        number("tolerance_s") or 0.0,
    )


def playhead_csv(rows: Iterable[PlayheadRow]) -> str:
    """The rows as the text of a playhead.csv, seconds with three decimals."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(COLUMNS)
    for r in rows:
        writer.writerow([
            f"{r.narration_s:.3f}", "" if r.clip_s is None else f"{r.clip_s:.3f}", f"{r.rate:g}", r.clip, r.source,
            "" if r.confidence is None else f"{r.confidence:.3f}", f"{r.tolerance_s:.3f}",
        ])  # fmt: skip
    return out.getvalue()
