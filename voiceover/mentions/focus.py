"""Several players in focus on one clip: each possession belongs to one of them."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence

from voiceover.mentions.people import PeopleResolver
from voiceover.possessions import Possession
from voiceover.roster import Player, Roster

# The sentence that opens a possession says whose it is more often than those that follow. Guess, not measured.
OPENING_COUNTS = 3


def name_players(possessions: Sequence[Possession], people: PeopleResolver, roster: Roster) -> list[Possession]:
    """The possessions with the focus player that each is about: the one who is named most in it, else the one before."""
    if len(roster.focus) < 2:
        return list(possessions)
    out = []
    now = roster.focus[0].name
    for p in possessions:
        named = {player.name: 0 for player in roster.focus}
        for sentence in range(p.first_sentence, p.last_sentence + 1):
            for r in people.references(sentence):
                if r.player is not None and r.player.name in named and r.kind != "pronoun":
                    named[r.player.name] += OPENING_COUNTS if sentence == p.first_sentence else 1
        best = max(named, key=lambda name: (named[name], name == now))
        now = best if named[best] else now
        out.append(dataclasses.replace(p, player=now))
    return out


def focus_of(possession: Possession | None, roster: Roster) -> Player | None:
    """The player in focus of a possession; the first one outside of all."""
    named = possession.player if possession else ""
    return next((p for p in roster.focus if p.name == named), roster.focus[0] if roster.focus else None)
