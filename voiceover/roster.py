"""Who is on the clip: the roster, and which of them the talk is about."""

from __future__ import annotations

import csv
import dataclasses
import io
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from voiceover.errors import RosterError

COLUMNS = ("name", "number", "team", "role", "position", "nicknames", "say_as")


@dataclass(frozen=True, slots=True)
class Player:
    """One player of the roster."""

    name: str
    number: str = ""
    """Shirt number as written; text, because 0 and 00 are different shirts."""
    team: str = ""
    """Usually the colour of the shirt, as the coach says it."""
    focus: bool = False
    """The talk is about this player."""
    position: str = ""
    nicknames: tuple[str, ...] = ()
    say_as: tuple[str, ...] = ()
    """How the name sounds, where spelling misleads the recogniser."""


@dataclass(frozen=True, slots=True)
class Roster:
    """All players on the clip; empty where none is known."""

    players: tuple[Player, ...] = ()

    @property
    def focus(self) -> tuple[Player, ...]:
        """The players that the talk is about; none, one or several."""
        return tuple(p for p in self.players if p.focus)

    def team_of_focus(self) -> str:
        """The team of the first focus player in lower case; empty where unknown."""
        return self.focus[0].team.lower() if self.focus else ""

    def role_of(self, player: Player) -> str:
        """focus, teammate or opponent; a player without a team counts as a teammate."""
        if player.focus:
            return "focus"
        mine, his = self.team_of_focus(), player.team.lower()
        return "opponent" if mine and his and mine != his else "teammate"

    def with_focus(self, who: str) -> Roster:
        """The roster with another focus player.

        Args:
            who: a name, part of a name, a nickname or a shirt number.
        Raises:
            RosterError: nobody or more than one fits.
        """
        wanted = who.strip().lower().lstrip("#")
        exact = [p for p in self.players if wanted in {p.name.lower(), p.number.lower(), *map(str.lower, p.nicknames)}]
        fits = exact or [p for p in self.players if wanted in p.name.lower().split()]
        if len(fits) != 1:
            names = ", ".join(f"{p.name} ({p.number})" if p.number else p.name for p in self.players) or "nobody"
            raise RosterError(f"focus player '{who}': {'is not' if not fits else 'fits more than one'} on the roster; on it are: {names}")
        return Roster(tuple(dataclasses.replace(p, focus=p is fits[0]) for p in self.players))


def lone_focus(who: str) -> Roster:
    """A roster of just the focus player, where no roster file was given."""
    who = who.strip()
    if who.lstrip("#").isdecimal():
        return Roster((Player(f"Number {who.lstrip('#')}", number=who.lstrip("#"), focus=True),))
    return Roster((Player(who, focus=True),))


def read_roster(path: Path) -> Roster:
    """Read a roster.csv.

    Raises:
        RosterError: unreadable, no column `name`, no player, or the same player twice.
    """
    try:
        text = path.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        raise RosterError(f"{path}: cannot be read as a roster ({error}); give a CSV file with a column 'name'") from error
    reader = csv.DictReader(io.StringIO(text))
    columns = [c.strip().lower() for c in reader.fieldnames or ()]
    if "name" not in columns:
        raise RosterError(f"{path}: no column 'name'; the first line must be {','.join(COLUMNS)} (only name is needed)")
    reader.fieldnames = columns
    players: list[Player] = []
    for line, record in enumerate(reader, start=2):
        row = {k: (v or "").strip() for k, v in record.items() if isinstance(k, str) and not isinstance(v, list)}
        if not any(row.values()):
            continue
        if not row["name"]:
            raise RosterError(f"{path}: line {line}: no name; write one, or delete the line")
        if any(p.name == row["name"] and p.number == row.get("number", "") for p in players):
            raise RosterError(f"{path}: line {line}: '{row['name']}' is there already; delete one of the lines")
        players.append(
            Player(
                row["name"],
                row.get("number", "").lstrip("#"),
                row.get("team", ""),
                row.get("role", "").lower() == "focus",
                row.get("position", ""),
                _parts(row.get("nicknames", "")),
                _parts(row.get("say_as", "")),
            )
        )
    if not players:
        raise RosterError(f"{path}: has no players; write one line for each, or leave --roster away")
    return Roster(tuple(players))


def _parts(text: str) -> tuple[str, ...]:
    return tuple(p.strip() for p in text.replace("/", ";").replace("|", ";").split(";") if p.strip())


def spoken_names(players: Sequence[Player]) -> list[str]:
    """Every form in which the roster's names may be spoken: whole names, their parts, nicknames and say-as forms."""
    out: list[str] = []
    for p in players:
        for form in (p.name, *p.name.split(), *p.nicknames, *p.say_as):
            if form and form not in out:
                out.append(form)
    return out
