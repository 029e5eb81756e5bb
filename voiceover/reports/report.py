"""The player report: one self-contained HTML page, or the same on paper."""

from __future__ import annotations

import base64
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import jinja2

from voiceover.breakdown import Breakdown
from voiceover.errors import OptionError
from voiceover.lexicon.model import Lexicon
from voiceover.media.stills import stills_at
from voiceover.reports.labels import Labels
from voiceover.reports.privacy import Sharing, about_player, share_safe
from voiceover.reports.story import Story, compare, tell
from voiceover.whole_files import write_whole

SIGNS = {"executed": "✓", "attempted": "~", "missed": "○", "announced": "…"}
COLUMNS = ("Possession", "Principle", "Who", "Status", "Clip s", "Talk s", "Words", "Confidence")
# Narrower stills keep a page of sixty rows under 3 MB.
STILL_WIDTH, SMALL_STILL_WIDTH, MANY_ROWS = 480, 320, 60
# Rows of the picture of the shift: names that would cover each other are put on the next line.
STRIP_LINES, STRIP_LINE = 8, 12
# Room that a letter takes at most in the font of the picture, units of its 700.
LETTER = 5.6


@dataclass(frozen=True, slots=True)
class Source:
    """One breakdown of a report, with its clip where that is at hand."""

    breakdown: Breakdown
    clip: Path | None = None
    cuts: Mapping[int, str] = field(default_factory=dict)
    """Possession number to the file of its cut, beside the report."""


@dataclass(frozen=True, slots=True)
class ReportOptions:
    """How a report is to be."""

    audience: str = "player"
    language: str = "en"
    sharing: Sharing = field(default_factory=Sharing)


def report_html(sources: Sequence[Source], lexicon: Lexicon, options: ReportOptions | None = None) -> str:
    """The text of a report about one breakdown or several of one player, the oldest first.

    Raises:
        OptionError: no breakdown, an audience that is not known, breakdowns about different players, or several players in focus of one.
        RosterError: the player is not on a roster.
        MediaError: a clip cannot be read.
    """
    options = options or ReportOptions()
    if not sources:
        raise OptionError("a report needs a breakdown; see `voiceover list-breakdowns`")
    labels = Labels(options.audience, options.language)
    _check_one_player(sources, options.sharing)
    ordered = sorted(sources, key=lambda s: s.breakdown.ice_time.date)
    shared = [share_safe(s.breakdown, lexicon, options.sharing) for s in ordered]
    stories = [tell(sh, lexicon, labels, prefix=f"b{i}-" if len(ordered) > 1 else "") for i, sh in enumerate(shared, start=1)]
    player = shared[-1].player or labels("focus")
    latest = shared[-1].breakdown
    environment = jinja2.Environment(
        loader=jinja2.PackageLoader("voiceover.reports"), autoescape=True, trim_blocks=True, lstrip_blocks=True
    )
    return environment.get_template("report.html").render(
        labels=labels,
        audience=options.audience,
        title=labels("title", player=player),
        about=_when(latest),
        message=latest.message,
        next_step=latest.next_step,
        changes=_changes(stories, labels) if len(stories) > 1 else [],
        stories=[
            {
                "story": story,
                "when": _when(sh.breakdown),
                "stills": _stills(story, source),
                "strip": _strip(story, labels),
                "cuts": source.cuts,
            }
            for story, sh, source in reversed(list(zip(stories, shared, ordered, strict=True)))
        ],
        left_out=list(dict.fromkeys(line for sh in shared for line in sh.left_out)),
        signs=SIGNS,
        columns=COLUMNS,
    )


def write_report(
    sources: Sequence[Source], lexicon: Lexicon, out: Path, options: ReportOptions | None = None, *, pdf: bool = False
) -> Path:
    """Write a report as HTML, or as PDF; the file appears when it is whole.

    Raises:
        OptionError: a PDF without the library that makes it, or as for `report_html`.
        RosterError, MediaError: as for `report_html`.
        OutputError: it cannot be written.
    """
    html = report_html(sources, lexicon, options)
    content = _pdf(html) if pdf else html.encode()
    return write_whole(out, content)


def _check_one_player(sources: Sequence[Source], sharing: Sharing) -> None:
    """Refuse to put several players into one report: one's words and pictures would go to the other."""
    found = [about_player(s.breakdown, sharing) for s in sources]
    names = dict.fromkeys(p.name if p else "a player without a name" for p in found)
    if len({n.lower() for n in names}) > 1:
        raise OptionError(
            f"a report is about one player, and these breakdowns are about {' and '.join(names)}; check the ids, or name him with --player"
        )


def _pdf(html: str) -> bytes:
    try:
        import weasyprint
    except (ImportError, OSError) as error:
        raise OptionError("--pdf: needs WeasyPrint; run: pip install 'voiceover-log[pdf]', or print the HTML from a browser") from error

    # Pictures are in the page; whatever else would be asked for is not fetched.
    fetcher = weasyprint.urls.URLFetcher(allowed_protocols=["data"])
    result: bytes = weasyprint.HTML(string=html, url_fetcher=fetcher).write_pdf()
    return result


def _stills(story: Story, source: Source) -> dict[str, str]:
    if source.clip is None:
        return {}
    entries = [e for p in story.possessions for e in p.entries if e.row.clip_s is not None and e.row.possession is not None]
    width = SMALL_STILL_WIDTH if len(entries) > MANY_ROWS else STILL_WIDTH
    pictures = stills_at(source.clip, [e.row.clip_s or 0.0 for e in entries], width=width)
    return {e.anchor: base64.b64encode(p).decode() for e, p in zip(entries, pictures, strict=True) if p is not None}


def _when(b: Breakdown) -> str:
    ice = b.ice_time
    return " · ".join(part for part in (ice.date, ice.occasion, ice.situation, ice.team, ice.age_group) if part)


def _changes(stories: Sequence[Story], labels: Labels) -> list[str]:
    found = compare(stories[-2], stories[-1])
    lines = [
        labels(key, what=labels.joined(names))
        for key, names in (("changed_new", found.new), ("changed_more", found.more), ("changed_less", found.less)) if names
    ]  # fmt: skip
    return lines or [labels("changed_same")]


def _strip(story: Story, labels: Labels) -> dict[str, Any] | None:
    """The picture of the shift: principles along the clip's time."""
    placed = sorted(
        (e for p in story.possessions for e in p.entries if e.row.clip_s is not None and e.row.possession), key=lambda e: e.row.clip_s or 0
    )
    if not placed:
        return None
    begin = story.breakdown.from_clip_s or 0.0
    start = min(begin, placed[0].row.clip_s or 0.0)
    end = max(begin + (story.breakdown.clip_duration_s or 0.5), placed[-1].row.clip_s or 0.0)
    free = [-1.0] * STRIP_LINES
    axis = STRIP_LINE * STRIP_LINES + 8
    marks = []
    for e in placed:
        x = 10 + 680 * ((e.row.clip_s or 0.0) - start) / (end - start)
        text = e.row.principle[:22]
        align = "end" if x > 480 else "start"
        left = x - LETTER * (len(text) + 3) if align == "end" else x
        line = next((i for i in range(STRIP_LINES) if free[i] < left), min(range(STRIP_LINES), key=free.__getitem__))
        free[line] = left + LETTER * (len(text) + 3)
        marks.append({
            "x": f"{x:.1f}", "y": STRIP_LINE * (STRIP_LINES - line), "tx": f"{x + (-3 if align == 'end' else 3):.1f}", "text": text,
            "sign": SIGNS[e.row.status], "align": align,
        })  # fmt: skip
    label = labels("picture_label", start=f"{start:.0f}", end=f"{end:.0f}")
    return {"marks": marks, "axis": axis, "height": axis + 16, "start": f"{start:.0f}", "end": f"{end:.1f}", "label": label}
