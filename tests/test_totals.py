"""Spoken counts: what is a claim, what is not, and how a difference is explained."""

from __future__ import annotations

import pytest

from tests.mentions.conftest import transcript_of
from voiceover.mentions.parse import parse_talk
from voiceover.possession_log import LogRow
from voiceover.possessions import Possession
from voiceover.totals import find_totals


def row(principle: str, status: str, possession: int = 1) -> LogRow:
    return LogRow(possession, principle.lower(), principle, "f", "Ada", "focus", status, 1, 0, 0, None, 1.0, "q", 1, 0.9, 0.0)


def possession(number: int, first: int, last: int) -> Possession:
    return Possession(number, first, last, float(first), float(last), "Ada")


@pytest.mark.parametrize(
    ("sentence", "expected"),
    [
        ("So that's three touches.", [("possessions", 3.0)]),
        ("I count eleven different things in there.", [("principles", 11.0)]),
        ("A fifty-second clip and four possessions.", [("duration_s", 50.0), ("possessions", 4.0)]),
        ("She had the puck five times.", [("possessions", 5.0)]),
        ("So that's six, I said five.", [("possessions", 6.0)]),
        ("By my sheet eighteen different things got done or tried, both sides.", [("principles", 18.0)]),
        ("Number nine is my favourite.", []),
        ("See you in two weeks.", []),
        ("She scored two goals and three of them sang.", []),
    ],
)
def test_claims_of_the_closing(sentence: str, expected: list[tuple[str, float]]) -> None:
    talk = parse_talk(transcript_of("First touch.", "He keeps it.", sentence))
    found = find_totals(talk, [possession(1, 0, 1)], [], clip_duration_s=None)
    assert sorted((t.what, t.said) for t in found) == sorted(expected)


@pytest.mark.parametrize(
    ("sentence", "expected"),
    [
        ("I cut four bits of her, a minute and a half all together.", [("duration_s", 90.0), ("possessions", 4.0)]),
        ("This one is a hundred and ten seconds long.", [("duration_s", 110.0)]),
        ("You're on the puck seven times here.", [("possessions", 7.0)]),
        ("She's number eleven in white, two assists so far.", []),
    ],
)
def test_claims_of_the_opening(sentence: str, expected: list[tuple[str, float]]) -> None:
    talk = parse_talk(transcript_of(sentence, "First touch.", "He keeps it."))
    found = find_totals(talk, [possession(1, 1, 2)], [], clip_duration_s=None)
    assert sorted((t.what, t.said) for t in found) == sorted(expected)


def test_a_difference_names_what_is_only_missed() -> None:
    talk = parse_talk(transcript_of("First touch.", "So I count two principles."))
    (total,) = find_totals(talk, [possession(1, 0, 0)], [row("Delay", "missed"), row("Width", "executed")], clip_duration_s=None)
    assert (total.said, total.found, total.agrees) == (2.0, 1.0, False)
    assert total.why == "You said 2; the log has 1, and *Delay*, only missed, is not counted."


def test_a_length_within_a_second_agrees() -> None:
    talk = parse_talk(transcript_of("First touch.", "So that's forty seconds."))
    for length, agrees in ((40.9, True), (41.2, False), (None, None)):
        (total,) = find_totals(talk, [possession(1, 0, 0)], [], clip_duration_s=length)
        assert total.agrees is agrees
