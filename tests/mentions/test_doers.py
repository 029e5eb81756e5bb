"""Who does it, where grammar alone would be wrong."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from tests.mentions.conftest import span_of
from voiceover.evaluation.fit_doers import usual_roles
from voiceover.lexicon.io import load_lexicon
from voiceover.mentions.doers import DoerFinder
from voiceover.mentions.encoder_weights import LARGE, packaged
from voiceover.mentions.parse import ParsedTalk, Span
from voiceover.mentions.people import PeopleResolver
from voiceover.mentions.reading import Reading
from voiceover.pipeline import read_talk
from voiceover.roster import Roster


@pytest.mark.model
@pytest.mark.skipif(packaged(LARGE) is None, reason="the weights of the reader are not installed")
@pytest.mark.parametrize(
    ("sentences", "told", "player"),
    [
        # The rules take the one who is named, though he only shows what was done to him.
        (["She spins away behind the net, and Drummond skates past."], [("spins away behind the net, and Drummond skates past", "escape-turn")], "Ada Quillfeather"),
        (["A tight turn behind the net and Drummond is left standing."], [("A tight turn behind the net and Drummond is left standing", "escape-turn")], "Ada Quillfeather"),
        (["Drummond has her on the wall.", "She turns back up the ice and she's free."], [("turns back up the ice", "cutback")], "Ada Quillfeather"),
        (["Hollenback drops in underneath her."], [("drops in underneath", "low-support")], "Bo Hollenback"),
    ],
)  # fmt: skip
def test_who_does_the_last_of_what_is_told(
    talk: Callable[..., ParsedTalk], roster: Roster, sentences: list[str], told: list[tuple[str, str]], player: str
) -> None:
    parsed = talk(*sentences)
    people = PeopleResolver(parsed, roster, load_lexicon())
    finder = DoerFinder(parsed, people, read_talk(parsed, people, load_lexicon()))
    for words, principle_id in told:
        span = span_of(parsed, words)
        doer = finder.doer(parsed.sentence_of_word[span.first], span, principle_id, roster.focus[0])
    assert doer.player is not None and doer.player.name == player


def test_nobody_is_found_without_a_focus_player(talk: Callable[..., ParsedTalk]) -> None:
    parsed = talk("He looks behind him.")
    doer = DoerFinder(parsed, PeopleResolver(parsed, Roster(()), load_lexicon()), Reading.silent(parsed)).doer(0, Span(1, 3), "scan", None)
    assert (doer.player, doer.role) == (None, "focus")


def test_what_is_usual_is_drawn_to_the_middle_where_little_is_known() -> None:
    done = [("block", "opponent")] * 9 + [("block", "focus")] + [("look", "focus")] * 9 + [("rare", "opponent")]
    usual = usual_roles(done)
    assert usual["block"][2] > usual["rare"][2] > 0 > usual["look"][2]
