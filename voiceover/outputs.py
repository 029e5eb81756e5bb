"""The files that a log writes, all at once or not at all."""

from __future__ import annotations

import csv
import io
import os
import tempfile
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any

import pandas as pd

from voiceover.breakdown import Breakdown
from voiceover.errors import OutputError
from voiceover.possession_log import instant
from voiceover.speech.captions import write_vtt
from voiceover.speech.saved_words import forget_words

LOG_COLUMNS = (
    "possession", "principle_id", "principle", "family", "player", "role", "status", "executed", "attempted", "missed",
    "clip_s", "narration_s", "quote", "mentions", "confidence", "tolerance_s", "reviewed",
)  # fmt: skip
MENTION_COLUMNS = (
    "start_narration_s", "end_narration_s", "clip_s", "quote", "principle_id", "possession", "player", "role", "status",
    "kind", "found_by", "confidence",
)  # fmt: skip
POSSESSION_COLUMNS = (
    "possession", "player", "start_narration_s", "end_narration_s", "start_clip_s", "end_clip_s", "ended", "quote",
)  # fmt: skip
TOTAL_COLUMNS = ("what", "said", "found", "agrees", "narration_s", "quote", "why")


def write_breakdown(breakdown: Breakdown, folder: Path) -> list[Path]:
    """Write every file of a breakdown into a folder.

    All are written under temporary names first, so that a full disk leaves the folder as it was. The words that a second run
    would have gone on from are deleted: they stand in the breakdown now.

    Returns:
        The files, in the order in which a reader would open them.
    Raises:
        OutputError: the folder cannot be made or written.
    """
    texts = {
        "possession_log.csv": log_csv(breakdown),
        "possessions.csv": possessions_csv(breakdown),
        "mentions.csv": mentions_csv(breakdown),
        "totals.csv": totals_csv(breakdown),
        "transcript.vtt": write_vtt(breakdown.transcript()),
        "breakdown.json": breakdown.to_json(),
    }
    try:
        folder.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryDirectory(dir=folder, prefix=".unfinished-") as scratch:
            for name, text in texts.items():
                (Path(scratch) / name).write_text(text, encoding="utf-8", newline="\n")
            for name in texts:
                os.replace(Path(scratch) / name, folder / name)
    except OSError as error:
        raise OutputError(f"{folder}: cannot be written ({error.strerror or error}); choose another folder with --out") from error
    if breakdown.narration_sha256:
        forget_words(breakdown.narration_sha256)
    return [folder / name for name in texts]


def log_rows(b: Breakdown) -> list[list[Any]]:
    """The values of possession_log.csv, a list for each row: seconds to the millisecond, None where there is no value."""
    return [
        [
            r.possession, r.principle_id, r.principle, r.family, r.player, r.role, r.status, r.executed, r.attempted, r.missed,
            _ms(r.clip_s), _ms(r.narration_s), r.quote, r.mentions, round(r.confidence, 2), _ms(r.tolerance_s), r.reviewed,
        ]
        for r in b.log
    ]  # fmt: skip


def mention_rows(b: Breakdown) -> list[list[Any]]:
    """The values of mentions.csv, a list for each row: seconds to the millisecond, None where there is no value."""
    track = b.track()
    out = []
    for m in b.mentions:
        at = instant(track, m.start_narration_s)
        out.append([
            _ms(m.start_narration_s), _ms(m.end_narration_s), _ms(at.clip_s if at else None), m.quote, m.principle_id, m.possession,
            m.player, m.role, m.status, m.kind, m.found_by, round(m.confidence, 2),
        ])  # fmt: skip
    return out


def log_csv(b: Breakdown) -> str:
    """The text of possession_log.csv."""
    return _table(LOG_COLUMNS, (_texts(LOG_COLUMNS, row) for row in log_rows(b)))


def mentions_csv(b: Breakdown) -> str:
    """The text of mentions.csv."""
    return _table(MENTION_COLUMNS, (_texts(MENTION_COLUMNS, row) for row in mention_rows(b)))


def possessions_csv(b: Breakdown) -> str:
    """The text of possessions.csv."""
    return _table(POSSESSION_COLUMNS, (
        [p.number, p.player, _s(p.start_narration_s), _s(p.end_narration_s), _s(start), _s(end), p.ended, p.quote]
        for p, (start, end) in zip(b.possessions, b.possession_clip_times, strict=True)
    ))  # fmt: skip


def totals_csv(b: Breakdown) -> str:
    """The text of totals.csv."""
    return _table(TOTAL_COLUMNS, (
        [
            t.what, f"{t.said:g}", "" if t.found is None else f"{t.found:g}",
            "" if t.agrees is None else str(t.agrees).lower(), _s(t.narration_s), t.quote, t.why,
        ]
        for t in b.totals
    ))  # fmt: skip


def _ms(seconds: float | None) -> float | None:
    return None if seconds is None else round(seconds, 3)


def _texts(columns: Sequence[str], row: Sequence[Any]) -> list[object]:
    """Values as the tables write them: seconds with three decimals, confidence with two, true and false in lower case."""
    return [
        _s(value)
        if column.endswith("_s")
        else f"{value:.2f}"
        if column == "confidence"
        else str(value).lower()
        if isinstance(value, bool)
        else value
        for column, value in zip(columns, row, strict=True)
    ]


def _s(seconds: float | None) -> str:
    return "" if seconds is None else f"{seconds:.3f}"


def _table(columns: Sequence[str], rows: Iterable[Sequence[object]]) -> str:
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(columns)
    for row in rows:
        writer.writerow(["" if v is None else v for v in row])
    return out.getvalue()


def log_frame(b: Breakdown) -> pd.DataFrame:
    """The possession log as a pandas frame with the columns of possession_log.csv, for those who go on in Python.

    Seconds are floats (NaN where unknown), counts are integers, `possession` is a nullable integer. No rows for an empty log.
    """
    frame = pd.read_csv(io.StringIO(log_csv(b)), keep_default_na=False, na_values={"clip_s": [""], "possession": [""]})
    return frame.astype({"possession": "Int64", "clip_s": "float64", "narration_s": "float64", "reviewed": "bool"})
