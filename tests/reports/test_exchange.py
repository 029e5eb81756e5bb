"""Each form read back by a library that is not ours, row by row."""

from __future__ import annotations

import csv
import dataclasses
import io
import json
from pathlib import Path

import av
import jsonschema
import pytest
import webvtt

from tests.reports.conftest import SAMPLE
from voiceover.errors import OptionError
from voiceover.outputs import LOG_COLUMNS
from voiceover.reports.chapters import OPENING, write_chapters
from voiceover.reports.exchange import FORMULA_STARTS, chapters, share
from voiceover.reports.privacy import Shared
from voiceover.speech.captions import vtt_time


def log_of(shared: Shared) -> list[tuple[object, ...]]:
    return [
        (r.possession, r.principle_id, r.player, r.status, r.clip_s and round(r.clip_s, 3), round(r.narration_s, 3), r.quote)
        for r in shared.breakdown.log
    ]


def wild(shared: Shared) -> Shared:
    """The same with quotes that a spreadsheet would run, and commas, quotation marks and letters from everywhere."""
    quotes = ['=HYPERLINK("http://evil")', "+1", "-2+3", "@SUM(A1)", 'he said "now", twice', "naïve Šťastný 日本", "-->", "a;b\tc"]
    log = [dataclasses.replace(r, quote=quotes[i % len(quotes)]) for i, r in enumerate(shared.breakdown.log)]
    return dataclasses.replace(shared, breakdown=shared.breakdown.model_copy(update={"log": log}))


def test_csv_is_valid_by_frictionless_and_equal(shared: Shared, tmp_path: Path) -> None:
    frictionless = pytest.importorskip("frictionless")
    share(wild(shared), ["csv"], tmp_path)
    with frictionless.system.use_context(trusted=True):
        package = frictionless.Package(str(tmp_path / "datapackage.json"))
        report = package.validate()
        assert report.valid, report.flatten(["title", "message"])
        rows = package.get_resource("possession_log").read_rows()
    assert len(rows) == len(shared.breakdown.log)
    for row, r in zip(rows, wild(shared).breakdown.log, strict=True):
        assert (row["possession"], row["principle_id"], row["executed"], row["reviewed"]) == (
            r.possession,
            r.principle_id,
            r.executed,
            r.reviewed,
        )
        assert float(row["narration_s"]) == pytest.approx(r.narration_s, abs=0.0005)
        assert row["quote"].removeprefix("'").replace("\t", " ") == r.quote.replace("\t", " ")
    described = json.loads((tmp_path / "datapackage.json").read_text())["resources"][0]["schema"]
    assert described["$schema"].startswith("https://datapackage.org/profiles/2.0") and described["fieldsMatch"] == "exact"
    assert "apostrophe" in next(f["description"] for f in described["fields"] if f["name"] == "quote")


def test_no_cell_is_taken_for_a_formula(shared: Shared, tmp_path: Path) -> None:
    openpyxl = pytest.importorskip("openpyxl")
    share(wild(shared), ["csv", "xlsx"], tmp_path)
    for line in csv.reader(io.StringIO((tmp_path / "possession_log.csv").read_text())):
        assert not any(c.startswith(FORMULA_STARTS) for c in line)
    for sheet in openpyxl.load_workbook(tmp_path / "possession_log.xlsx"):
        for line in sheet.iter_rows():
            assert not any(c.data_type == "f" or (isinstance(c.value, str) and c.value.startswith(FORMULA_STARTS)) for c in line)


def test_xlsx_has_numbers_and_a_frozen_header(shared: Shared, tmp_path: Path) -> None:
    openpyxl = pytest.importorskip("openpyxl")
    share(shared, ["xlsx"], tmp_path)
    sheet = openpyxl.load_workbook(tmp_path / "possession_log.xlsx")["Possession log"]
    assert sheet.freeze_panes == "A2" and [c.value for c in sheet[1]] == list(LOG_COLUMNS)
    back = [dict(zip(LOG_COLUMNS, [c.value for c in line], strict=True)) for line in sheet.iter_rows(min_row=2)]
    assert [
        (r["possession"], r["principle_id"], r["player"] or "", r["status"], r["clip_s"], r["narration_s"], r["quote"]) for r in back
    ] == log_of(shared)
    assert all(isinstance(r["narration_s"], int | float) for r in back)


def test_json_fits_its_schema(shared: Shared, tmp_path: Path) -> None:
    share(wild(shared), ["json"], tmp_path)
    data = json.loads((tmp_path / "possession_log.json").read_text())
    schema = json.loads((tmp_path / "possession_log.schema.json").read_text())
    jsonschema.Draft202012Validator.check_schema(schema)
    jsonschema.validate(data, schema)
    assert [r["quote"] for r in data["possession_log"]] == [r.quote for r in wild(shared).breakdown.log]


def test_parquet_is_equal(shared: Shared, tmp_path: Path) -> None:
    pq = pytest.importorskip("pyarrow.parquet")
    share(shared, ["parquet"], tmp_path)
    table = pq.read_table(tmp_path / "possession_log.parquet").to_pylist()
    assert [
        (r["possession"], r["principle_id"], r["player"], r["status"], r["clip_s"], r["narration_s"], r["quote"]) for r in table
    ] == log_of(shared)
    assert str(pq.read_schema(tmp_path / "possession_log.parquet").field("clip_s").type) == "double"


def test_captions_are_read_by_another_parser(shared: Shared, tmp_path: Path) -> None:
    share(shared, ["vtt", "srt", "chapters"], tmp_path)
    vtt, srt = webvtt.read(str(tmp_path / "captions.vtt")), webvtt.from_srt(str(tmp_path / "captions.srt"))
    assert [c.text for c in vtt] == [c.text for c in srt] and len(vtt) > 20
    said = " ".join(w.text for w in shared.breakdown.words)
    assert " ".join(c.text for c in vtt) == said
    marks = webvtt.read(str(tmp_path / "chapters.vtt"))
    assert [c.text for c in marks] == [title for _, _, title in chapters(shared.breakdown)]
    # W3C WebVTT: the end after the start, starts in order.
    for c in [*vtt, *marks]:
        assert c.end_in_seconds >= c.start_in_seconds
    starts = [c.start_in_seconds for c in vtt]
    assert starts == sorted(starts)


@pytest.mark.parametrize(
    ("seconds", "text"),
    [(59.999, "00:00:59.999"), (3600.0, "01:00:00.000"), (360_000.0, "100:00:00.000"), (0.0004, "00:00:00.000"), (59.9996, "00:01:00.000")],
)
def test_times_are_those_of_the_standard(seconds: float, text: str) -> None:
    """https://www.w3.org/TR/webvtt1/: two digits or more of hours, minutes and seconds to 59, three digits of fraction."""
    assert vtt_time(seconds) == text


def test_otio_is_opened_by_its_own_library(shared: Shared, tmp_path: Path) -> None:
    otio = pytest.importorskip("opentimelineio")
    share(shared, ["otio"], tmp_path, rate=30.0)
    text = (tmp_path / "possession_log.otio").read_text()
    assert '"Marker.2"' in text and '"Clip.2"' in text and '"Marker.3"' not in text
    timeline = otio.adapters.read_from_file(str(tmp_path / "possession_log.otio"))
    whole, cut = timeline.tracks
    placed = [r for r in shared.breakdown.log if r.clip_s is not None and r.possession is not None]
    assert [m.name for m in whole[0].markers] == [r.principle for r in placed]
    for m, r in zip(whole[0].markers, placed, strict=True):
        assert m.marked_range.start_time.to_seconds() == pytest.approx(r.clip_s, abs=0.5 / 30)
        assert m.metadata["voiceover"]["quote"] == r.quote
    clips = [c for c in cut if isinstance(c, otio.schema.Clip)]
    assert [c.name for c in clips] == [title for _, _, title in chapters(shared.breakdown)]
    for c, (start, _, _) in zip(clips, chapters(shared.breakdown), strict=True):
        at = c.transformed_time(c.source_range.start_time, timeline.tracks).to_seconds()
        assert at == pytest.approx(start, abs=0.05)


def test_ffmpeg_shows_the_chapters(shared: Shared, tmp_path: Path) -> None:
    out = write_chapters(shared, SAMPLE / "clip.mp4", tmp_path / "chapters.mp4")
    with av.open(str(out)) as container:
        found = [(float(c["start"] * c["time_base"]), c["metadata"]["title"]) for c in container.chapters()]
        pictures = sum(1 for _ in container.demux(video=0)) - 1
    assert found.pop(0) == (0.0, OPENING)
    assert [t for _, t in found] == [t for _, _, t in chapters(shared.breakdown)]
    assert [s for s, _ in found] == pytest.approx([s for s, _, _ in chapters(shared.breakdown)], abs=0.001)
    with av.open(str(SAMPLE / "clip.mp4")) as container:
        assert pictures == sum(1 for _ in container.demux(video=0)) - 1
    share(shared, ["chapters"], tmp_path)
    assert (tmp_path / "chapters.ffmetadata").read_text().startswith(";FFMETADATA1\n[CHAPTER]\nTIMEBASE=1/1000\n")


def test_a_clip_that_no_mp4_holds_is_one_line(shared: Shared, tmp_path: Path) -> None:
    """As an editing program writes it."""
    clip = tmp_path / "clip.mov"
    with av.open(str(clip), "w") as container:
        stream = container.add_stream("prores_ks", rate=25)
        stream.width, stream.height, stream.pix_fmt = 64, 48, "yuv422p10le"
        for _ in range(10):
            container.mux(stream.encode(av.VideoFrame(64, 48, "yuv422p10le")))
        container.mux(stream.encode(None))
    with pytest.raises(OptionError, match=r"clip\.mov: is coded in prores.*MP4"):
        write_chapters(shared, clip, tmp_path / "chapters.mp4")
    assert [f.name for f in tmp_path.iterdir()] == ["clip.mov"]


def test_a_format_that_is_not_known_is_one_line(shared: Shared, tmp_path: Path) -> None:
    with pytest.raises(OptionError, match="write one or more of"):
        share(shared, ["docx"], tmp_path)
