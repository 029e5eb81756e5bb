"""A report with video: one zip that a phone can send, with a cut of each possession beside the page."""

from __future__ import annotations

import tempfile
import zipfile
from collections.abc import Callable
from pathlib import Path

from voiceover.errors import OutputError
from voiceover.lexicon.model import Lexicon
from voiceover.media.audio import Samples
from voiceover.reports.film import write_film
from voiceover.reports.moments import shots_of
from voiceover.reports.privacy import share_safe
from voiceover.reports.report import ReportOptions, Source, report_html
from voiceover.whole_files import whole_file

DEFAULT_LIMIT_MB = 25.0
"""What common mail services still take as an attachment: 25 MB is the limit of several of them."""
# Width and quality of the cuts, the best first; the first that fits the limit is taken.
STEPS = ((960, 24), (640, 26), (480, 29), (360, 33))

Progress = Callable[[float, float], None]


def write_bundle(
    source: Source, lexicon: Lexicon, out: Path, options: ReportOptions | None = None, *, voice: Samples | None = None,
    limit_mb: float = DEFAULT_LIMIT_MB, progress: Progress | None = None,
) -> list[str]:  # fmt: skip
    """Write a zip with the page and its cuts, smaller than a limit; where that takes it, cuts are left out.

    Args:
        voice: the narration without names; None for silent cuts with captions.
    Returns:
        What had to be left out for the size, a line each.
    Raises:
        OutputError: it cannot be written, or even the page alone is larger.
    """
    options = options or ReportOptions()
    shared = share_safe(source.breakdown, lexicon, options.sharing)
    numbers = [p.number for p in shared.breakdown.possessions]
    shots = shots_of(shared, source.clip, numbers, voice) if source.clip else {}
    limit = int(limit_mb * 1_000_000)
    notes: list[str] = []
    with tempfile.TemporaryDirectory() as scratch:
        room = limit - len(report_html([source], lexicon, options).encode()) - 20_000
        if room < 0:
            raise OutputError(f"{out}: the page alone is larger than {limit_mb:g} MB; raise --limit-mb")
        cuts: dict[int, Path] = {}
        for width, quality in STEPS:
            cuts = {}
            for i, (number, shot) in enumerate(shots.items()):
                cuts[number] = Path(scratch) / f"possession-{number}.mp4"
                write_film([shot], cuts[number], max_width=width, titles=False, quality=quality)
                if progress:
                    progress(i + 1, len(shots))
            if sum(c.stat().st_size for c in cuts.values()) <= room:
                break
        while cuts and sum(c.stat().st_size for c in cuts.values()) > room:
            largest = max(cuts, key=lambda n: cuts[n].stat().st_size)
            notes.append(f"the cut of possession {largest} was left out, or the file would be larger than {limit_mb:g} MB")
            del cuts[largest]
        named = Source(source.breakdown, source.clip, {n: f"video/{c.name}" for n, c in cuts.items()})
        with whole_file(out) as unfinished, zipfile.ZipFile(unfinished, "w", zipfile.ZIP_DEFLATED) as archive:
            _add(archive, "report.html", report_html([named], lexicon, options).encode(), zipfile.ZIP_DEFLATED)
            for cut in cuts.values():
                _add(archive, f"video/{cut.name}", cut.read_bytes(), zipfile.ZIP_STORED)
    return notes


def _add(archive: zipfile.ZipFile, name: str, content: bytes, how: int) -> None:
    """Add a file under the date that zip begins with: when it was written is nobody's business."""
    entry = zipfile.ZipInfo(name, (1980, 1, 1, 0, 0, 0))
    entry.compress_type = how
    entry.external_attr = 0o644 << 16
    archive.writestr(entry, content)
