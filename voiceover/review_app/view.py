"""A reviewed breakdown as the review page needs it: plain values, keys that stay, nothing that the page must work out."""

from __future__ import annotations

import bisect
import hashlib
from typing import Any

from voiceover.corrections import redo_target, undo_target
from voiceover.mentions.model import Mention
from voiceover.possession_log import RowKey, instant, row_key
from voiceover.store.library import Library, ReviewedBreakdown, needs_look
from voiceover.store.people import without_consent
from voiceover.withheld import withheld_words


def whole_view(library: Library, reviewed: ReviewedBreakdown, by: str) -> dict[str, Any]:
    """Everything that the page shows."""
    b = reviewed.breakdown
    row = library.breakdown_row(reviewed.id)
    lexicon = library.lexicon(b.sport)
    focus = {p.name for p in b.roster if p.focus}
    return {
        "id": reviewed.id,
        "title": row.title,
        "state": row.state,
        "ice_time": b.ice_time.model_dump(),
        "narration": row.narration_id,
        "narration_duration_s": b.narration_duration_s,
        "clip": row.clip_id,
        "clip_duration_s": b.clip_duration_s,
        "players": [{"id": i, "name": name, "focus": name in focus} for i, name in b.player_ids.items()],
        "principles": [{"id": p.id, "name": p.name, "family": lexicon.families.get(p.family, p.family)} for p in lexicon.active()],
        "words": [[w.text, round(w.start_narration_s, 3), round(w.end_narration_s, 3)] for w in b.words],
        "sentences": [[s.first, s.last] for s in b.transcript().sentences()],
        "playhead": [[r.narration_s, r.clip_s, r.rate, r.source, r.confidence] for r in b.playhead],
        "drawings": [d.model_dump() for d in b.drawings],
        "warnings": b.warnings,
        "without_consent": without_consent(library, reviewed.id),
        **log_view(library, reviewed, by),
    }


def log_view(library: Library, reviewed: ReviewedBreakdown, by: str) -> dict[str, Any]:
    """What a correction can change: possessions, rows, totals, the sentences that are kept back whole, and what may be undone."""
    b = reviewed.breakdown
    track = b.track()
    ids = {name: i for i, name in b.player_ids.items()}
    groups: dict[RowKey, list[Mention]] = {}
    for m in b.mentions:
        groups.setdefault(row_key(m), []).append(m)
    rows = []
    for r in b.log:
        group = groups[row_key(r)]
        head = next((m for m in group if m.start_narration_s == r.narration_s), group[0])
        at = instant(track, r.narration_s)
        rows.append({
            "key": _key(head), "possession": r.possession, "principle_id": r.principle_id, "principle": r.principle,
            "player_id": ids.get(r.player, ""), "player": r.player, "role": r.role, "status": r.status,
            "clip_s": r.clip_s, "unsure_clip": bool(at and at.confidence is not None and at.confidence < 0.5) or r.tolerance_s > 0.1,
            "narration_s": r.narration_s, "end_narration_s": head.end_narration_s, "quote": r.quote,
            "counts": [r.executed, r.attempted, r.missed], "confidence": round(r.confidence, 3), "reviewed": r.reviewed,
            "withheld": r.withheld, "look": needs_look(r.confidence, r.reviewed),
            "spans": [[m.first, m.last, m.status] for m in group],
        })  # fmt: skip
    starts = [p.start_narration_s for p in b.possessions]
    withheld = withheld_words(b)
    return {
        "revision": reviewed.revision,
        "reading": reviewed.reading,
        "is_rereading": reviewed.is_rereading,
        "possessions": [
            {
                "number": p.number, "player": p.player, "ended": p.ended, "quote": p.quote, "first_sentence": p.first_sentence,
                "last_sentence": p.last_sentence, "start_narration_s": p.start_narration_s, "end_narration_s": p.end_narration_s,
                "start_clip_s": clip[0], "end_clip_s": clip[1],
            }
            for p, clip in zip(b.possessions, b.possession_clip_times, strict=True)
        ],
        "rows": rows,
        "totals": [
            {"what": t.what, "said": t.said, "found": t.found, "agrees": t.agrees, "quote": t.quote, "why": t.why,
             "possession": bisect.bisect_right(starts, t.narration_s)}
            for t in b.totals
        ],
        "withheld": [i for i, s in enumerate(b.transcript().sentences()) if all(withheld[s.first : s.last + 1])],
        "message": b.message,
        "next_step": b.next_step,
        "unapplied": [{"id": u.correction.id, "kind": u.correction.kind, "why": u.why} for u in reviewed.unapplied],
        "can_undo": bool(undo_target(b.corrections, by)),
        "can_redo": bool(redo_target(b.corrections, by)),
    }  # fmt: skip


def _key(m: Mention) -> str:
    """Names a row for the page, the same before and after a correction of its status or player."""
    return hashlib.sha256(f"{m.first}-{m.last}-{m.principle_id}".encode()).hexdigest()[:12]
