"""What a lexicon lacks: a wording of a principle, or a principle, that a coach says often and that is not matched."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import yaml

from voiceover.errors import LexiconError, OutputError
from voiceover.lexicon.model import Lexicon
from voiceover.whole_files import write_whole

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


def check_new(path: Path) -> None:
    """Whether a new lexicon file can be made there: asked before the coach is.

    Raises:
        LexiconError: the file is there already, or its folder is not.
    """
    if path.exists():
        raise LexiconError(f"{path}: is there already; name a new file, and move its lines over by hand")
    if not path.parent.is_dir():
        raise LexiconError(f"{path}: its folder is not there; make it, or choose another place")


def write_overlay(path: Path, extends: str, accepted: Sequence[Suggestion]) -> None:
    """Write accepted suggestions as a lexicon of the coach's own.

    Raises:
        LexiconError: the file is there already, or cannot be written.
    """
    check_new(path)
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


def add_wording(path: Path, extends: str, lexicon: Lexicon, principle_id: str, wording: str) -> None:
    """Add one wording to a lexicon of the coach's own, which is made where there is none; comments in the file are lost.

    Raises:
        LexiconError: the lexicon has no such principle, or the file is no lexicon or cannot be written.
    """
    try:
        principle = lexicon[principle_id]
    except KeyError:
        raise LexiconError(f"{principle_id[:60]}: no such principle in the lexicon; choose one of its list") from None
    try:
        overlay: dict[str, Any] = yaml.safe_load(path.read_text(encoding="utf-8")) if path.exists() else {"extends": extends}
        changes = overlay.setdefault("change", [])
        entry = next((c for c in changes if c.get("id") == principle.id), None)
        if entry is None:
            entry = {"id": principle.id, "say": []}
            changes.append(entry)
        if wording not in entry.setdefault("say", []):
            entry["say"].append(wording)
        write_whole(path, yaml.safe_dump(overlay, sort_keys=False, allow_unicode=True, width=120).encode())
    except (OSError, OutputError, yaml.YAMLError, AttributeError, TypeError) as error:
        raise LexiconError(f"{path}: cannot be added to ({error}); check it with `voiceover check-lexicon`") from error
