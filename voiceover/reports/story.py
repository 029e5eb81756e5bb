"""What a report says, as plain values: every statement points to the words that it comes from."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

from voiceover.breakdown import Breakdown
from voiceover.lexicon.model import Lexicon
from voiceover.possession_log import LogRow
from voiceover.reports.labels import Labels
from voiceover.reports.privacy import Shared

# A cue is given for so many principles of each kind: nobody works on ten things at once. Guess, not measured.
MOST_KEEP, MOST_WORK_ON = 4, 3


@dataclass(frozen=True, slots=True)
class Entry:
    """One row of the log in a report."""

    anchor: str
    """Id of its place on the page."""
    row: LogRow
    who: str
    """Empty for the player that it is about."""
    status: str
    """The audience's word for it."""


@dataclass(frozen=True, slots=True)
class Part:
    """A piece of a sentence; with an anchor it leads to its quote."""

    text: str
    anchor: str = ""


@dataclass(frozen=True, slots=True)
class Advice:
    """A principle to keep or to work on."""

    principle: str
    cue: str
    times: int
    anchors: list[str]


@dataclass(frozen=True, slots=True)
class PossessionPart:
    """One possession of a report."""

    number: int | None
    ended: str
    entries: list[Entry]
    start_clip_s: float | None
    end_clip_s: float | None


@dataclass(frozen=True, slots=True)
class Story:
    """The whole content of a report about one breakdown."""

    player: str
    breakdown: Breakdown
    possessions: list[PossessionPart]
    sentences: list[list[Part]]
    keep: list[Advice]
    work_on: list[Advice]
    counts: dict[str, int]
    """possessions, executed, attempted, missed."""
    left_out: list[str] = field(default_factory=list)


def tell(shared: Shared, lexicon: Lexicon, labels: Labels, *, prefix: str = "") -> Story:
    """Make the story of a share-safe breakdown; `prefix` keeps anchors apart where a page holds several."""
    b = shared.breakdown
    entries = [
        Entry(
            f"{prefix}q{i}", r, "" if r.role == "focus" else r.player or labels(r.role), labels(r.status),
        )
        for i, r in enumerate(b.log, start=1)
    ]  # fmt: skip
    before = [e for e in entries if e.row.possession is None]
    possessions = [PossessionPart(None, "", before, None, None)] if before else []
    for p, (start, end) in zip(b.possessions, b.possession_clip_times, strict=True):
        possessions.append(PossessionPart(p.number, p.ended, [e for e in entries if e.row.possession == p.number], start, end))
    own = [e for e in entries if e.row.role == "focus" and e.row.possession is not None]
    counts = {status: sum(e.row.status == status for e in own) for status in ("executed", "attempted", "missed")}
    return Story(
        shared.player, b, possessions, _sentences(possessions, shared.player or labels("focus"), len(b.possessions), labels),
        _advice(own, ("executed",), lexicon, MOST_KEEP), _advice(own, ("missed", "attempted"), lexicon, MOST_WORK_ON),
        {"possessions": len(b.possessions), **counts}, shared.left_out,
    )  # fmt: skip


def _sentences(possessions: Sequence[PossessionPart], player: str, count: int, labels: Labels) -> list[list[Part]]:
    out = [[Part(labels("story_possessions_one") if count == 1 else labels("story_possessions", count=count))]]
    for p in possessions:
        if p.number is None:
            continue
        own = [e for e in p.entries if e.row.role == "focus"]
        groups = [
            ("story_showed", [e for e in own if e.row.status == "executed"]), ("story_tried", [e for e in own if e.row.status == "attempted"]),
            ("story_missing", [e for e in own if e.row.status == "missed"]),
        ]  # fmt: skip
        clauses: list[list[Part]] = []
        for key, group in groups:
            if group:
                before, after = labels(key, nth=labels.nth(p.number), player=player, what="\0").split("\0")
                if not clauses and key != "story_showed":
                    opening = labels("story_showed", nth=labels.nth(p.number), player="\1", what="").split("\1")[0]
                    before = opening + (player + " " if key == "story_tried" else "") + before
                clauses.append([Part(before), *_linked(group, labels), Part(after)])
        if p.ended and clauses:
            clauses.append([Part(labels("story_ended", ended=_with_article(p.ended)))])
        if clauses:
            sentence = [part for i, clause in enumerate(clauses) for part in ([Part("; ")] if i else []) + clause]
            out.append([*sentence, Part(".")])
    return out


def _linked(group: Sequence[Entry], labels: Labels) -> list[Part]:
    parts: list[Part] = []
    for i, e in enumerate(group):
        if i:
            parts.append(Part(f" {labels('and')} " if i == len(group) - 1 else ", "))
        parts.append(
            Part(e.row.principle[0].lower() + e.row.principle[1:] if e.row.principle[1:2].islower() else e.row.principle, e.anchor)
        )
    return parts


def _with_article(ended: str) -> str:
    return f"{'an' if ended[0] in 'aeio' else 'a'} {ended}"


def _advice(own: Sequence[Entry], statuses: Sequence[str], lexicon: Lexicon, most: int) -> list[Advice]:
    groups: dict[str, list[Entry]] = {}
    for status in statuses:
        for e in own:
            if e.row.status == status:
                groups.setdefault(e.row.principle_id, []).append(e)
    best = sorted(groups.items(), key=lambda g: -len(g[1]))[:most]
    cues = {i: p.coach_cue for i, _ in best if (p := lexicon.find(i)) is not None}
    return [Advice(es[0].row.principle, cues.get(i, ""), len(es), [e.anchor for e in es]) for i, es in best]


@dataclass(frozen=True, slots=True)
class Changes:
    """What is different from one breakdown to the next: names of principles that the player executed."""

    new: list[str]
    more: list[str]
    less: list[str]


def compare(before: Story, after: Story) -> Changes:
    """What changed since last time, per possession, so that a longer shift is no progress by itself."""

    def shares(story: Story) -> dict[str, float]:
        count = max(1, story.counts["possessions"])
        names = [e.row.principle for p in story.possessions for e in p.entries if e.row.role == "focus" and e.row.status == "executed"]
        return {name: names.count(name) / count for name in dict.fromkeys(names)}

    a, b = shares(before), shares(after)
    return Changes(
        [n for n in b if n not in a],
        [n for n in b if n in a and b[n] > a[n] * 1.25],
        [n for n in a if n not in b or b[n] < a[n] * 0.8],
    )
