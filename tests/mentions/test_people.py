"""Who does it."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from tests.mentions.conftest import span_of
from voiceover.lexicon.io import load_lexicon
from voiceover.mentions.parse import ParsedTalk
from voiceover.mentions.people import PeopleResolver
from voiceover.roster import Roster


@pytest.mark.parametrize(
    ("sentences", "words", "player", "role"),
    [
        (["He looks behind him."], "looks behind him", "Ada Quillfeather", "focus"),
        (["Hollenback drops in underneath her."], "drops in underneath", "Bo Hollenback", "teammate"),
        (["Number twenty-two lifts her stick."], "lifts her stick", "Cy Drummond", "opponent"),
        (["But Drummond, he's way off."], "way off", "Cy Drummond", "opponent"),
        (["Good stick by Drummond."], "Good stick", "Cy Drummond", "opponent"),
        (["The checker's on his outside so he goes the other way."], "goes the other way", "Ada Quillfeather", "focus"),
        (["Hollen has it low and she sends it up."], "sends it up", "Bo Hollenback", "teammate"),
        (["Her partner calls for it."], "calls for it", "Bo Hollenback", "teammate"),
        (["Then number twenty-two for red, he lifts it."], "lifts it", "Cy Drummond", "opponent"),
        (
            ["I want one more second there, let Hollenback get up."],
            "one more second there, let Hollenback get up",
            "Ada Quillfeather",
            "focus",
        ),
        (["Hold it a beat so Hollenback can arrive."], "Hold it a beat so Hollenback can arrive", "Ada Quillfeather", "focus"),
        (["Twenty-two slides in front of it."], "slides in front of it", "Cy Drummond", "opponent"),
        (["And who is parked out there, Hollenback again."], "parked out there", "Bo Hollenback", "teammate"),
        (["And she sticks her back out so he can't get it."], "sticks her back out so he can't get it", "Ada Quillfeather", "focus"),
        (["She wants the long one to Hollenback who runs in behind."], "runs in behind", "Bo Hollenback", "teammate"),
        (["Drummond's got his blade in the lane."], "his blade in the lane", "Cy Drummond", "opponent"),
        (["So they trade checks there."], "trade checks", "Ada Quillfeather", "focus"),
        (["And look at her feet, they never stop."], "they never stop", "Ada Quillfeather", "focus"),
        (["Fourteen different things in there."], "different things", "Ada Quillfeather", "focus"),
    ],
)
def test_doer(talk: Callable[..., ParsedTalk], roster: Roster, sentences: list[str], words: str, player: str, role: str) -> None:
    parsed = talk(*sentences)
    doer = PeopleResolver(parsed, roster, load_lexicon()).doer_and_subject(0, span_of(parsed, words), roster.focus[0])[0]
    assert (doer.player.name if doer.player else "", doer.role) == (player, role)
