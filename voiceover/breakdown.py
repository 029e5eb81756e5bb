"""A breakdown: one narration with its clip and all that was derived from it, as one value and one private JSON file."""

from __future__ import annotations

from pathlib import Path
from typing import Literal

from pydantic import BaseModel, ConfigDict, ValidationError

from voiceover.corrections import Correction
from voiceover.errors import BreakdownError
from voiceover.mentions.model import Mention
from voiceover.playhead.track import PlayheadRow, PlayheadTrack
from voiceover.possession_log import LogRow
from voiceover.possessions import Possession
from voiceover.roster import Player
from voiceover.speech.transcript import Transcript, Word
from voiceover.totals import Total

SCHEMA_VERSION = 1
OCCASIONS = ("game", "practice", "drill", "camp", "tryout")
SITUATIONS = ("even strength", "power play", "short-handed", "small area")


class Drawing(BaseModel):
    """A line or a shape that the coach drew on the picture."""

    model_config = ConfigDict(extra="forbid")

    start_narration_s: float
    """When it was drawn."""
    end_narration_s: float
    """When it was wiped away, or the clip went on."""
    clip_s: float
    """On which moment of the clip."""
    shape: Literal["freehand", "straight", "ring", "area"]
    points: list[tuple[float, float]]
    """Shares of the picture's width and height, 0..1: the way of a freehand line, the two ends of a straight one, two opposite
    corners of the box around a ring, the corners of an area."""


class IceTime(BaseModel):
    """When the ice time was and what it was."""

    model_config = ConfigDict(extra="forbid")

    date: str = ""
    """ISO date; empty where unknown."""
    occasion: str = ""
    """One of OCCASIONS, or empty."""
    situation: str = ""
    """One of SITUATIONS, or empty."""
    team: str = ""
    age_group: str = ""
    note: str = ""


class Breakdown(BaseModel):
    """Everything about one narration. Private: it is what backup and import use, never what is handed out."""

    model_config = ConfigDict(extra="forbid")

    schema_version: int = SCHEMA_VERSION
    narration: str
    """File name of the narration, without its folder."""
    narration_sha256: str = ""
    narration_duration_s: float | None = None
    clip: str = ""
    """File name of the clip, without its folder; empty for none."""
    clip_duration_s: float | None = None
    """Length of the clip, or of the stretch that it is of a longer video."""
    from_clip_s: float | None = None
    to_clip_s: float | None = None
    ice_time: IceTime = IceTime()
    recognised_by: str = ""
    """The weights that recognised the words, or captions or transcript."""
    finders: list[str] = []
    sport: str = ""
    lexicon_sha256: str = ""
    """Digest of the lexicon that read it."""
    roster: list[Player] = []
    playhead: list[PlayheadRow] = []
    """Empty: times are on the narration only."""
    words: list[Word] = []
    breaks: list[int] = []
    possessions: list[Possession] = []
    possession_clip_times: list[tuple[float | None, float | None]] = []
    mentions: list[Mention] = []
    log: list[LogRow] = []
    totals: list[Total] = []
    withheld: list[tuple[float, float]] = []
    """Stretches of the talk, narration seconds, that a reviewer kept back from everything outgoing."""
    message: str = ""
    """The coach's own message to the player."""
    next_step: str = ""
    player_ids: dict[str, str] = {}
    """Stable id of a player to his name on the roster."""
    drawings: list[Drawing] = []
    corrections: list[Correction] = []
    """Already applied to the log where `reviewed` is true, else waiting to be applied."""
    reviewed: bool = False
    warnings: list[str] = []

    def transcript(self) -> Transcript:
        """Its words as a transcript."""
        return Transcript(tuple(self.words), self.recognised_by, self.narration_duration_s, breaks=tuple(self.breaks))

    def track(self) -> PlayheadTrack | None:
        """Its playhead; None where times are on the narration only."""
        return PlayheadTrack(tuple(self.playhead)) if self.playhead else None

    def to_json(self) -> str:
        """The text of a breakdown.json."""
        return self.model_dump_json(indent=1) + "\n"

    @classmethod
    def from_json(cls, text: str) -> Breakdown:
        """The breakdown of a breakdown.json.

        Raises:
            pydantic.ValidationError: not a breakdown of this version.
        """
        return cls.model_validate_json(text)


def read_breakdown(path: Path) -> Breakdown:
    """Read a breakdown.json, or the one in a folder.

    Raises:
        BreakdownError: there is none, or it is not one of this version.
    """
    file = path / "breakdown.json" if path.is_dir() else path
    try:
        return Breakdown.from_json(file.read_text(encoding="utf-8"))
    except OSError as error:
        raise BreakdownError(f"{file}: cannot be read ({error.strerror}); name a breakdown.json that `voiceover log` wrote") from error
    except ValueError as error:
        what = error.errors()[0]["msg"] if isinstance(error, ValidationError) else str(error)
        raise BreakdownError(f"{file}: is no breakdown of this version ({what}); run `voiceover log` again") from error
