"""What a reviewer changes in a breakdown: append-only, each anchored to what it is about, none ever overwritten.

A correction says where in the talk its object stands and which words say it, never which row of a table it was: rows come and go with
other weights and other lexicons, the words stay.
"""

from __future__ import annotations

import datetime
import uuid
from collections.abc import Sequence
from typing import Literal

from pydantic import BaseModel, ConfigDict, Field, model_validator

from voiceover.mentions.model import ROLES, STATUSES

Kind = Literal[
    "confirm", "reject", "principle", "player", "status", "possession", "add", "retime", "split", "merge", "rename", "edit-words",
    "withhold", "release", "message", "next-step", "undo",
]  # fmt: skip
WORD_KINDS = frozenset({"rename", "edit-words"})
"""Those that change the words: the talk is read again after them."""
# Longest text that a reviewer may type at once: a message to a player, a sentence.
MAX_TEXT = 4_000


class Anchor(BaseModel):
    """What a correction is about."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    start_narration_s: float = Field(ge=0, le=1e6, allow_inf_nan=False)
    end_narration_s: float = Field(ge=0, le=1e6, allow_inf_nan=False)
    quote: str = Field("", max_length=MAX_TEXT)
    principle_id: str = Field("", max_length=100)
    """Empty where it is about a sentence or a possession."""

    @model_validator(mode="after")
    def _in_order(self) -> Anchor:
        if self.end_narration_s < self.start_narration_s:
            raise ValueError("end_narration_s is before start_narration_s")
        return self


class Change(BaseModel):
    """The new value; which fields count depends on the kind."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    principle_id: str = Field("", max_length=100)
    """principle, add."""
    player_id: str = Field("", max_length=100)
    """player, add: an id of the breakdown's player_ids; empty for one who cannot be named. rename: who it is."""
    role: str = Field("", max_length=20)
    """player, add: focus, teammate or opponent."""
    status: str = Field("", max_length=20)
    """status, add."""
    possession_start_s: float | None = Field(None, ge=0, le=1e6, allow_inf_nan=False)
    """possession: where the possession begins in the talk, narration seconds; None for none. split: where the new one begins."""
    clip_s: float | None = Field(None, ge=0, le=1e6, allow_inf_nan=False)
    """retime: clip seconds."""
    heard: str = Field("", max_length=200)
    """rename: the words as they stand in the transcript."""
    text: str = Field("", max_length=MAX_TEXT)
    """rename: the name as it should stand; edit-words: the sentence; message and next-step: the text."""

    @model_validator(mode="after")
    def _known(self) -> Change:
        if self.role and self.role not in ROLES:
            raise ValueError(f"role '{self.role}': write one of {', '.join(ROLES)}")
        if self.status and self.status not in STATUSES:
            raise ValueError(f"status '{self.status}': write one of {', '.join(STATUSES)}")
        return self


class Correction(BaseModel):
    """One change that a reviewer made."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    id: str = Field(default_factory=lambda: uuid.uuid4().hex, pattern=r"^[0-9a-f]{32}$")
    at: str = Field(default_factory=lambda: datetime.datetime.now(datetime.UTC).isoformat(timespec="seconds"), max_length=40)
    """When, ISO 8601 in UTC."""
    by: str = Field("coach", max_length=100)
    kind: Kind
    anchor: Anchor | None = None
    """None for message, next-step, rename and undo."""
    change: Change = Change()
    undoes: str = Field("", max_length=32)
    """undo: id of the correction that is taken back; it may be an undo itself."""

    @model_validator(mode="after")
    def _whole(self) -> Correction:
        needs_anchor = self.kind not in ("message", "next-step", "rename", "undo")
        if needs_anchor and self.anchor is None:
            raise ValueError(f"a correction of kind {self.kind} needs an anchor")
        needed = {"principle": "principle_id", "status": "status", "add": "principle_id", "rename": "heard"}.get(self.kind)
        if needed and not getattr(self.change, needed):
            raise ValueError(f"a correction of kind {self.kind} needs change.{needed}")
        if self.kind == "rename" and not self.change.text.strip():
            raise ValueError("a correction of kind rename needs change.text")
        if self.kind == "undo" and not self.undoes:
            raise ValueError("a correction of kind undo needs undoes")
        return self


def in_force(corrections: Sequence[Correction]) -> list[Correction]:
    """The corrections that hold, in order, undone ones and the undoing left out.

    >>> a = Correction(id="a" * 32, kind="message")
    >>> undo = Correction(id="b" * 32, kind="undo", undoes=a.id)
    >>> redo = Correction(id="c" * 32, kind="undo", undoes=undo.id)
    >>> [len(in_force(c)) for c in ([a], [a, undo], [a, undo, redo])]
    [1, 0, 1]
    """
    undone: set[str] = set()
    out = []
    for c in reversed(corrections):
        if c.id in undone:
            continue
        if c.kind == "undo":
            undone.add(c.undoes)
        else:
            out.append(c)
    return out[::-1]


def changes_of_words(corrections: Sequence[Correction]) -> list[Correction]:
    """Those that hold and change words of the talk, in order: for them it has to be read again."""
    return [c for c in in_force(corrections) if c.kind in WORD_KINDS]


def undo_target(corrections: Sequence[Correction], by: str) -> str:
    """Id of the last correction of a reviewer that holds; empty where there is none to undo."""
    return next((c.id for c in reversed(in_force(corrections)) if c.by == by), "")


def redo_target(corrections: Sequence[Correction], by: str) -> str:
    """Id of the reviewer's last undo that holds, unless he has corrected something since; empty where there is none."""
    undone: set[str] = set()
    for c in reversed(corrections):
        if c.by != by or c.id in undone:
            continue
        if c.kind != "undo":
            return ""
        target = next((o for o in corrections if o.id == c.undoes), None)
        if target is not None and target.kind != "undo":
            return c.id
        undone.add(c.undoes)
    return ""
