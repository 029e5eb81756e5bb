"""Players of a library: stable ids, and who agreed to what."""

from __future__ import annotations

from typing import TYPE_CHECKING

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from voiceover.breakdown import Breakdown
from voiceover.errors import StoreError
from voiceover.roster import Player
from voiceover.store.tables import PlayerRow

if TYPE_CHECKING:
    from voiceover.store.library import Library


def all_players(library: Library) -> list[PlayerRow]:
    """All players, by name."""
    with library.sessions() as session:
        return list(session.scalars(select(PlayerRow).order_by(PlayerRow.name)))


def without_consent(library: Library, breakdown_id: str) -> list[str]:
    """Names of the players in focus of a breakdown for whom no consent is noted.

    Raises:
        StoreError: no such breakdown.
    """
    focus = library.breakdown_row(breakdown_id).focus.split()
    return [p.name for p in all_players(library) if p.id in focus and not p.consent]


def set_consent(library: Library, player_id: str, consent: str, date: str) -> None:
    """Note who agreed to recordings and reports of a player, and when (ISO date).

    Raises:
        StoreError: no such player.
    """
    with library.sessions.begin() as session:
        row = session.get(PlayerRow, player_id)
        if row is None:
            raise StoreError(f"{player_id}: no such player in the library")
        row.consent, row.consent_date = consent, date


def with_player_ids(session: Session, breakdown: Breakdown) -> Breakdown:
    """Give every player of the roster a stable id: the one he has, that of the same name, or a new one."""
    ids = dict(breakdown.player_ids)
    named = set(ids.values())
    for player_id, name in ids.items():
        if session.get(PlayerRow, player_id) is None:
            who = next((p for p in breakdown.roster if p.name == name), Player(name))
            session.add(PlayerRow(id=player_id, name=name, number=who.number, team=who.team))
    for player in breakdown.roster:
        if player.name in named:
            continue
        same = session.scalars(select(PlayerRow).where(func.lower(PlayerRow.name) == player.name.lower())).all()
        row = next((r for r in same if not r.team or not player.team or r.team.lower() == player.team.lower()), None)
        if row is None:
            row = PlayerRow(name=player.name, number=player.number, team=player.team)
            session.add(row)
            session.flush()
        ids[row.id] = player.name
    return breakdown.model_copy(update={"player_ids": ids})
