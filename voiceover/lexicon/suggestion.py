"""What a lexicon lacks: a wording of a principle, or a principle, that a coach says often and that is not matched."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import yaml

from voiceover.errors import LexiconError

# Said in so many places before it is worth a coach's attention.
MIN_TIMES = 3


@dataclass(frozen=True, slots=True)
class Evidence:
    """One place where it was said."""

    narration: str
    """File name of the narration."""
    start_narration_s: float
    quote: str


@dataclass(frozen=True, slots=True)
class Suggestion:
    """One wording to add; nothing is added without being asked."""

    principle_id: str
    """The principle that it seems to tell; empty where it fits none: perhaps a new principle."""
    wording: str
    evidence: tuple[Evidence, ...]


def write_overlay(path: Path, extends: str, accepted: Sequence[Suggestion]) -> None:
    """Write accepted suggestions as a lexicon of the coach's own.

    Raises:
        LexiconError: the file is there already, or cannot be written.
    """
    if path.exists():
        raise LexiconError(f"{path}: is there already; name a new file, and move its lines over by hand")
    changed: dict[str, list[str]] = {}
    for s in accepted:
        if s.principle_id:
            changed.setdefault(s.principle_id, []).append(s.wording)
    added = [
        {"id": f"mine-{i}", "name": s.wording.capitalize(), "family": "mine", "definition": f"As in: {s.wording}.", "say": [s.wording]}
        for i, s in enumerate((s for s in accepted if not s.principle_id), start=1)
    ]
    overlay: dict[str, object] = {"extends": extends}
    if changed:
        overlay["change"] = [{"id": i, "say": wordings} for i, wordings in changed.items()]
    if added:
        overlay["families"] = {"mine": "My own"}
        overlay["principles"] = added
    try:
        with path.open("x", encoding="utf-8", newline="\n") as file:
            yaml.safe_dump(overlay, file, sort_keys=False, allow_unicode=True, width=120)
    except OSError as error:
        raise LexiconError(f"{path}: cannot be written ({error.strerror}); choose another place") from error
