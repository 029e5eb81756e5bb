"""Who does it."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from tests.mentions.conftest import span_of
from voiceover.lexicon.io import load_lexicon
from voiceover.mentions.parse import ParsedTalk
from voiceover.mentions.people import PeopleResolver
from voiceover.roster import Player, Roster


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


GOLD_NINE, BLACK_NINE = Player("Bea Lund", "9", "gold"), Player("Cy Moor", "9", "black")
FOCUS = Player("Ada Quill", "7", "gold", True)


@pytest.mark.parametrize("wearers", [(GOLD_NINE, BLACK_NINE), (BLACK_NINE, GOLD_NINE)])
@pytest.mark.parametrize(
    ("sentence", "player", "role"),
    [
        ("Black nine lifts her stick.", "Cy Moor", "opponent"),
        ("Gold nine lifts her stick.", "Bea Lund", "teammate"),
        ("Black number nine lifts her stick.", "Cy Moor", "opponent"),
        ("Number nine in black lifts her stick.", "Cy Moor", "opponent"),
        ("Nine in the gold lifts her stick.", "Bea Lund", "teammate"),
        ("Our number nine lifts her stick.", "Bea Lund", "teammate"),
        ("Their number nine lifts her stick.", "Cy Moor", "opponent"),
        ("Number nine lifts her stick.", "", "opponent"),
    ],
)
def test_a_number_that_both_teams_wear(
    talk: Callable[..., ParsedTalk], wearers: tuple[Player, ...], sentence: str, player: str, role: str
) -> None:
    parsed = talk(sentence)
    people = PeopleResolver(parsed, Roster((FOCUS, *wearers)), load_lexicon())
    doer = people.doer_and_subject(0, span_of(parsed, "lifts her stick"), FOCUS)[0]
    assert (doer.player.name if doer.player else "", doer.role) == (player, role)


def test_the_focus_player_is_meant_by_a_number_that_another_wears_too(talk: Callable[..., ParsedTalk]) -> None:
    focus = Player("Ada Quill", "9", "gold", True)
    references = PeopleResolver(talk("Number nine lifts it."), Roster((focus, BLACK_NINE)), load_lexicon()).references(0)
    assert references[0].player == focus


def test_0_and_00_are_different_shirts(talk: Callable[..., ParsedTalk]) -> None:
    zero, double_zero = Player("Bea Lund", "0", "gold"), Player("Dee Orr", "00", "gold")
    people = PeopleResolver(talk("Number 0 lifts it.", "Number 00 lifts it."), Roster((FOCUS, zero, double_zero)), load_lexicon())
    assert [people.references(i)[0].player for i in (0, 1)] == [zero, double_zero]
