"""A lexicon: the principles that a coach speaks about, and the wordings that tell them."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from dataclasses import dataclass, field

# What a wording says of the principle it belongs to. `say` leaves the status to the sentence around it.
WORDING_KINDS = ("say", "lacking", "failing")


@dataclass(frozen=True, slots=True)
class Principle:
    """One thing a player does well or not."""

    id: str
    """Stable key: lower-case letters, digits and hyphens."""
    name: str
    """What a report calls it."""
    family: str
    """Id of its family."""
    definition: str
    """One sentence that a player understands."""
    say: tuple[str, ...] = ()
    """Wordings that name or describe it."""
    lacking: tuple[str, ...] = ()
    """Wordings that describe that it is not there ("never saw him coming")."""
    failing: tuple[str, ...] = ()
    """Wordings that describe that it is tried and does not come off."""
    look_alikes: tuple[tuple[str, str], ...] = ()
    """Wordings that look alike and mean something else (`not` in the file), each with the id of the principle that it
    tells instead (`wording -> other-id` in the file), or "" for none at all."""
    coach_cue: str = ""
    """One line for the player's report."""
    retired: bool = False
    """Kept so that old logs can be read, no longer looked for."""
    replaces: tuple[str, ...] = ()
    """Ids under which older logs know it."""

    def wordings(self) -> list[tuple[str, str]]:
        """(kind, wording) for each wording, kind one of WORDING_KINDS."""
        return [(kind, wording) for kind in WORDING_KINDS for wording in getattr(self, kind)]


@dataclass(frozen=True, slots=True)
class Lexicon:
    """All principles of a sport, with what is shared between them."""

    sport: str
    version: str
    principles: tuple[Principle, ...]
    families: Mapping[str, str] = field(default_factory=dict)
    """Family id to its name."""
    word_classes: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    """Words that may stand for each other: `ball` for `<ball>` in a wording."""
    people: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    """How people without a name are called: `teammate` ("his partner") and `opponent` ("the defender")."""
    nothing: tuple[str, ...] = ()
    """Talk that is about none of the principles: the counter-examples of the finder by meaning."""

    def __getitem__(self, principle_id: str) -> Principle:
        """The principle with an id, or the one that replaces it.

        Raises:
            KeyError: no such principle.
        """
        principle = self.find(principle_id)
        if principle is None:
            raise KeyError(principle_id)
        return principle

    def find(self, principle_id: str) -> Principle | None:
        """The principle with an id, where that is retired or gone the one that replaces it; None where there is neither."""
        known = [p for p in self.principles if p.id == principle_id or principle_id in p.replaces]
        return min(known, key=lambda p: (p.retired, p.id != principle_id), default=None)

    def active(self) -> list[Principle]:
        """The principles that are looked for."""
        return [p for p in self.principles if not p.retired]

    def digest(self) -> str:
        """SHA-256 over everything that decides what is found, as hexadecimal digits.

        Two lexicons with the same digest read a narration alike; comments and the order of keys do not count.
        """
        content = {
            "classes": {k: list(v) for k, v in sorted(self.word_classes.items())},
            "people": {k: list(v) for k, v in sorted(self.people.items())},
            "nothing": list(self.nothing),
            "principles": [[p.id, p.name, p.definition, p.say, p.lacking, p.failing, p.look_alikes] for p in self.active()],
        }
        return hashlib.sha256(json.dumps(content, sort_keys=True, ensure_ascii=False).encode()).hexdigest()
