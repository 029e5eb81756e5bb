"""The data in forms that other programs read. Share-safe like the report: what comes in here is a `Shared`."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

from voiceover.breakdown import Breakdown
from voiceover.errors import OptionError, OutputError
from voiceover.outputs import LOG_COLUMNS, MENTION_COLUMNS, log_rows, mention_rows
from voiceover.reports.privacy import Shared
from voiceover.speech.captions import vtt_time, write_vtt
from voiceover.speech.transcript import Sentence
from voiceover.whole_files import write_whole

TABLE_SCHEMA = "https://datapackage.org/profiles/2.0/tableschema.json"
PACKAGE_SCHEMA = "https://datapackage.org/profiles/2.0/datapackage.json"
# Cells that begin so would be taken for formulas (CWE-1236); a spreadsheet shows them as text with an apostrophe in front.
FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r")

_NUMBERS = frozenset({"clip_s", "narration_s", "confidence", "tolerance_s", "start_narration_s", "end_narration_s"})
_COUNTS = frozenset({"possession", "executed", "attempted", "missed", "mentions"})
_ABOUT = {
    "possession": "Number of the possession; empty for what was announced at the opening and never shown.",
    "clip_s": "Where the clip stood when it was pointed out, seconds of clip time.",
    "narration_s": "When it was said, seconds of narration time.",
    "confidence": "0 to 1, calibrated: of the rows at 0.8, eight in ten are right.",
    "tolerance_s": "How far clip_s may be off to either side, seconds.",
    "quote": "The words that say so. A cell that begins with = + - or @ has an apostrophe in front, so that no spreadsheet runs it.",
}


def share_csv(shared: Shared, folder: Path) -> list[Path]:
    """possession_log.csv, mentions.csv and a datapackage.json that describes them (Frictionless Table Schema 2)."""
    tables = {"possession_log": (LOG_COLUMNS, log_rows(shared.breakdown)), "mentions": (MENTION_COLUMNS, mention_rows(shared.breakdown))}
    files = []
    resources = []
    for name, (columns, rows) in tables.items():
        text = io.StringIO()
        writer = csv.writer(text, lineterminator="\n")
        writer.writerow(columns)
        writer.writerows([_cell(v) for v in row] for row in rows)
        files.append(write_whole(folder / f"{name}.csv", text.getvalue().encode()))
        resources.append({
            "name": name, "path": f"{name}.csv", "type": "table", "format": "csv", "mediatype": "text/csv", "encoding": "utf-8",
            "schema": {
                "$schema": TABLE_SCHEMA, "fieldsMatch": "exact", "missingValues": [""],
                "fields": [_field(c) for c in columns],
            },
        })  # fmt: skip
    package = {
        "$schema": PACKAGE_SCHEMA,
        "name": "possession-log",
        "title": "Possession log",
        "resources": resources,
        "left_out": shared.left_out,
    }
    files.append(write_whole(folder / "datapackage.json", (json.dumps(package, indent=1, ensure_ascii=False) + "\n").encode()))
    return files


def share_xlsx(shared: Shared, folder: Path) -> list[Path]:
    """possession_log.xlsx: the log and the mentions, numbers as numbers, the header frozen."""
    try:
        from openpyxl import Workbook
        from openpyxl.styles import Font
    except ImportError as error:
        raise _missing("openpyxl") from error
    book = Workbook()
    for i, (name, columns, rows) in enumerate((
        ("Possession log", LOG_COLUMNS, log_rows(shared.breakdown)), ("Mentions", MENTION_COLUMNS, mention_rows(shared.breakdown))
    )):  # fmt: skip
        sheet = book.active if i == 0 else book.create_sheet()
        sheet.title = name
        sheet.append(list(columns))
        for cell in sheet[1]:
            cell.font = Font(bold=True)
        for row in rows:
            sheet.append([_harmless(v) for v in row])
        # A text is a text even if it looks like a formula.
        for line in sheet.iter_rows(min_row=2):
            for cell in line:
                if isinstance(cell.value, str):
                    cell.data_type = "s"
        sheet.freeze_panes = "A2"
        sheet.auto_filter.ref = sheet.dimensions
    notes = book.create_sheet("Left out")
    for line_text in shared.left_out:
        notes.append([line_text])
    book.properties.creator = book.properties.lastModifiedBy = ""
    out = io.BytesIO()
    book.save(out)
    return [write_whole(folder / "possession_log.xlsx", out.getvalue())]


def share_json(shared: Shared, folder: Path) -> list[Path]:
    """possession_log.json and its JSON Schema."""
    records = {
        "left_out": shared.left_out,
        "possession_log": [dict(zip(LOG_COLUMNS, row, strict=True)) for row in log_rows(shared.breakdown)],
        "mentions": [dict(zip(MENTION_COLUMNS, row, strict=True)) for row in mention_rows(shared.breakdown)],
    }
    schema = {
        "$schema": "https://json-schema.org/draft/2020-12/schema", "title": "Possession log", "type": "object",
        "required": ["possession_log", "mentions"], "additionalProperties": False,
        "properties": {
            "left_out": {"type": "array", "items": {"type": "string"}},
            "possession_log": {"type": "array", "items": _record_schema(LOG_COLUMNS)},
            "mentions": {"type": "array", "items": _record_schema(MENTION_COLUMNS)},
        },
    }  # fmt: skip
    texts = {"possession_log.json": records, "possession_log.schema.json": schema}
    return [write_whole(folder / name, (json.dumps(t, indent=1, ensure_ascii=False) + "\n").encode()) for name, t in texts.items()]


def share_parquet(shared: Shared, folder: Path) -> list[Path]:
    """possession_log.parquet and mentions.parquet."""
    try:
        import pyarrow as pa
        import pyarrow.parquet as pq
    except ImportError as error:
        raise _missing("pyarrow") from error
    files = []
    for name, columns, rows in (
        ("possession_log", LOG_COLUMNS, log_rows(shared.breakdown)), ("mentions", MENTION_COLUMNS, mention_rows(shared.breakdown))
    ):  # fmt: skip
        kinds = {
            c: pa.float64() if c in _NUMBERS else pa.int64() if c in _COUNTS else pa.bool_() if c == "reviewed" else pa.string()
            for c in columns
        }
        table = pa.table({c: pa.array([row[i] for row in rows], kinds[c]) for i, c in enumerate(columns)})
        out = io.BytesIO()
        pq.write_table(table, out)
        files.append(write_whole(folder / f"{name}.parquet", out.getvalue()))
    return files


def share_vtt(shared: Shared, folder: Path) -> list[Path]:
    """captions.vtt: the coach's words on the narration's clock."""
    return [write_whole(folder / "captions.vtt", write_vtt(shared.breakdown.transcript()).encode())]


def share_srt(shared: Shared, folder: Path) -> list[Path]:
    """captions.srt: the same for players that know no WebVTT."""
    blocks = []
    for i, s in enumerate(shared.breakdown.transcript().sentences(), start=1):
        end = max(s.end_narration_s, s.start_narration_s + 0.001)
        blocks.append(f"{i}\n{_srt_time(s.start_narration_s)} --> {_srt_time(end)}\n{_one_line(s)}\n")
    return [write_whole(folder / "captions.srt", "\n".join(blocks).encode())]


def chapters(b: Breakdown) -> list[tuple[float, float, str]]:
    """(start, end, title) of each possession on the clip's time, in order of the clip; without clip times none."""
    found = sorted(
        (start, end, f"Possession {p.number}{f': {p.ended}' if p.ended else ''}")
        for p, (start, end) in zip(b.possessions, b.possession_clip_times, strict=True)
        if start is not None and end is not None
    )
    out: list[tuple[float, float, str]] = []
    for i, (start, end, title) in enumerate(found):
        limit = found[i + 1][0] if i + 1 < len(found) else end
        stop = max(start + 0.001, min(end, limit) if limit > start else end)
        out.append((start, stop, title))
    return out


def share_chapters(shared: Shared, folder: Path) -> list[Path]:
    """chapters.vtt (WebVTT chapters on the clip's time) and chapters.ffmetadata, which FFmpeg writes into an MP4."""
    found = chapters(shared.breakdown)
    vtt = ["WEBVTT\n"] + [f"{vtt_time(a)} --> {vtt_time(b)}\n{title}\n" for a, b, title in found]
    meta = [";FFMETADATA1"]
    for start, end, title in found:
        meta += ["[CHAPTER]", "TIMEBASE=1/1000", f"START={round(start * 1000)}", f"END={round(end * 1000)}", f"title={_meta(title)}"]
    return [
        write_whole(folder / "chapters.vtt", "\n".join(vtt).encode()),
        write_whole(folder / "chapters.ffmetadata", ("\n".join(meta) + "\n").encode()),
    ]


def share_otio(shared: Shared, folder: Path, *, rate: float = 30.0) -> list[Path]:
    """possession_log.otio: a timeline with a clip for each possession and a marker for each row, on the clip's time.

    Args:
        rate: frames per second of the clip: markers lie on its frames.
    """
    try:
        import opentimelineio as otio
    except ImportError as error:
        raise _missing("opentimelineio") from error
    b = shared.breakdown
    known = (b.from_clip_s or 0.0) + b.clip_duration_s if b.clip_duration_s else 0.0
    length = known or max((r.clip_s or 0.0 for r in b.log), default=0.0) + 1.0

    def span(start: float, end: float) -> Any:
        first = round(start * rate)
        return otio.opentime.TimeRange(
            otio.opentime.RationalTime(first, rate), otio.opentime.RationalTime(max(1, round(end * rate) - first), rate)
        )

    timeline = otio.schema.Timeline(name="Possession log")
    whole = otio.schema.Track(name="Clip", kind=otio.schema.TrackKind.Video)
    media = otio.schema.ExternalReference(target_url="clip.mp4", available_range=span(0.0, length))
    clip = otio.schema.Clip(name="clip", media_reference=media, source_range=span(0.0, length))
    for r in b.log:
        if r.clip_s is not None and r.possession is not None:
            clip.markers.append(otio.schema.Marker(
                name=r.principle, marked_range=otio.opentime.TimeRange(
                    otio.opentime.RationalTime(round(r.clip_s * rate), rate), otio.opentime.RationalTime(1, rate)
                ),
                metadata={"voiceover": {
                    "possession": r.possession, "principle_id": r.principle_id, "status": r.status, "role": r.role, "player": r.player,
                    "quote": r.quote, "narration_s": r.narration_s, "confidence": r.confidence,
                }},
            ))  # fmt: skip
    whole.append(clip)
    cut = otio.schema.Track(name="Possessions", kind=otio.schema.TrackKind.Video)
    at = 0.0
    for start, end, title in chapters(b):
        if start > at:
            cut.append(otio.schema.Gap(source_range=span(0.0, start - at)))
        cut.append(otio.schema.Clip(name=title, media_reference=media.clone(), source_range=span(start, end)))
        at = end
    timeline.tracks.extend([whole, cut])
    # Programs in use today read markers of the second kind; the third came with a version that few have.
    text = otio.adapters.write_to_string(timeline, "otio_json", target_schema_versions={"Marker": 2, "Clip": 2})
    return [write_whole(folder / "possession_log.otio", text.encode())]


FORMATS: dict[str, Callable[[Shared, Path], list[Path]]] = {
    "csv": share_csv, "xlsx": share_xlsx, "json": share_json, "parquet": share_parquet, "vtt": share_vtt, "chapters": share_chapters,
    "srt": share_srt, "otio": share_otio,
}  # fmt: skip


def share(shared: Shared, formats: Sequence[str], folder: Path, *, rate: float = 30.0) -> list[Path]:
    """Write a share-safe breakdown in some formats.

    Raises:
        OptionError: a format is not known, or its library is not installed.
        OutputError: a file cannot be written.
    """
    unknown = [f for f in formats if f not in FORMATS]
    if unknown or not formats:
        raise OptionError(f"--as '{', '.join(unknown)}': is not known; write one or more of: {', '.join(FORMATS)}")
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise OutputError(f"{folder}: cannot be made ({error.strerror}); choose another folder with --out") from error
    out: list[Path] = []
    for name in formats:
        out += share_otio(shared, folder, rate=rate) if name == "otio" else FORMATS[name](shared, folder)
    return out


def _cell(value: Any) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return str(value).lower()
    return str(_harmless(value))


def _harmless(value: Any) -> Any:
    """A text that no spreadsheet takes for a formula."""
    if isinstance(value, str):
        value = "".join(c if c.isprintable() else " " for c in value)
        return f"'{value}" if value.startswith(FORMULA_STARTS) else value
    return value


def _field(column: str) -> dict[str, Any]:
    kind = "number" if column in _NUMBERS else "integer" if column in _COUNTS else "boolean" if column == "reviewed" else "string"
    field: dict[str, Any] = {"name": column, "type": kind}
    if column in _ABOUT:
        field["description"] = _ABOUT[column]
    return field


def _record_schema(columns: Sequence[str]) -> dict[str, Any]:
    def kind(column: str) -> dict[str, Any]:
        base = "number" if column in _NUMBERS else "integer" if column in _COUNTS else "boolean" if column == "reviewed" else "string"
        return {"type": [base, "null"] if column in ("possession", "clip_s") else base}

    return {"type": "object", "required": list(columns), "additionalProperties": False, "properties": {c: kind(c) for c in columns}}


def _one_line(s: Sentence) -> str:
    return " ".join("".join(c if c.isprintable() else " " for c in s.text).replace("-->", "->").split())


def _srt_time(seconds: float) -> str:
    return vtt_time(seconds).replace(".", ",")


def _meta(text: str) -> str:
    for special in "\\=;#\n":
        text = text.replace(special, f"\\{special}")
    return text


def _missing(library: str) -> OptionError:
    return OptionError(f"this format needs {library}; run: pip install 'voiceover-log[exchange]'")
