"""What the finders propose and what becomes of it."""

from __future__ import annotations

from dataclasses import dataclass

STATUSES = ("executed", "attempted", "missed", "announced")
KINDS = ("preview", "call", "recap")
ROLES = ("focus", "teammate", "opponent")


@dataclass(frozen=True, slots=True)
class Proposal:
    """A finder's opinion that some words tell a principle."""

    principle_id: str
    first: int
    """Index of the first word in the transcript."""
    last: int
    """Index of the last word, inclusive."""
    score: float
    """0..1, how sure the finder is; comparable only within one finder."""
    found_by: str
    """phrase, rule, fuzzy, sound, meaning, n-grams or reader."""
    kinds: tuple[float, float, float] = (1.0, 0.0, 0.0)
    """How likely it is told as say, lacking or failing."""
    wording: str = ""
    """The wording of the lexicon that fits, for the reviewer to see."""


@dataclass(frozen=True, slots=True)
class Mention:
    """A place in the narration where a principle is named or described."""

    principle_id: str
    first: int
    """Index of the first quoted word in the transcript."""
    last: int
    """Index of the last quoted word, inclusive."""
    sentence: int
    """Index of the sentence it stands in."""
    quote: str
    start_narration_s: float
    end_narration_s: float
    found_by: str
    """The finders that agree, best first, joined by '+'."""
    confidence: float
    """0..1, calibrated: of the mentions at 0.8, eight in ten are right."""
    status: str = "executed"
    """executed, attempted, missed or announced."""
    kind: str = "call"
    """preview, call or recap."""
    player: str = ""
    """Name on the roster; empty where he can't be named."""
    role: str = "focus"
    """focus, teammate or opponent."""
    possession: int | None = None
    """Number of its possession; None for an opening or closing remark."""
    reviewed: bool = False
    """A reviewer looked at it and said so, or changed it."""
    withheld: bool = False
    """Kept back from everything outgoing."""
    set_clip_s: float | None = None
    """Where a reviewer put it on the clip, seconds; None: where the playhead says."""


@dataclass(frozen=True, slots=True)
class Rejected:
    """A proposal that became no mention, and why."""

    proposal: Proposal
    reason: str
