"""Spoken clock times, found and held against the playhead."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from tests.mentions.conftest import talk  # noqa: F401 - a fixture
from voiceover.mentions.parse import ParsedTalk
from voiceover.playhead.spoken import contradictions, spoken_times
from voiceover.playhead.track import PlayheadRow, PlayheadTrack


@pytest.mark.parametrize(
    ("sentence", "kind", "value"),
    [
        ("Stop, right at the twelve second mark.", "clip", 12),
        ("About twenty-two seconds in she turns.", "clip", 22),
        ("We pick it up at thirty one seconds.", "go-to", 31),
        ("Third period, with six forty left.", "clock", 400),
        ("No puck here, five fifty-five on the clock.", "clock", 355),
        ("Now we're down to 48 seconds.", "clock", 48),
        ("Let me go back three seconds.", "back", 3),
        ("Same spot, four seconds later.", "later", 4),
    ],
)
def test_a_spoken_time_is_read(talk: Callable[..., ParsedTalk], sentence: str, kind: str, value: float) -> None:  # noqa: F811
    assert [(s.kind, s.value_s) for s in spoken_times(talk(sentence))] == [(kind, value)]


@pytest.mark.parametrize("sentence", ["He holds it for two seconds.", "The second one is better.", "Forty seconds of tape, five touches."])
def test_other_numbers_are_no_clock_times(talk: Callable[..., ParsedTalk], sentence: str) -> None:  # noqa: F811
    assert spoken_times(talk(sentence)) == []


def test_a_contradiction_is_reported_and_agreement_is_not(talk: Callable[..., ParsedTalk]) -> None:  # noqa: F811
    spoken = spoken_times(talk("Stop, right at the twelve second mark."))
    paused_at = lambda clip_s: PlayheadTrack((PlayheadRow(0.0, clip_s, 0.0),))  # noqa: E731
    assert contradictions(spoken, paused_at(12.4)) == []
    (found,) = contradictions(spoken, paused_at(20.0))
    assert (found.expected_clip_s, found.found_clip_s) == (12.0, 20.0)
    assert "twelve second mark" in str(found)


def test_the_game_clock_counts_down_from_its_first_mention(talk: Callable[..., ParsedTalk]) -> None:  # noqa: F811
    spoken = spoken_times(talk("With one twelve left. Now we're down to forty-eight seconds."))
    second_s = spoken[1].start_narration_s
    right = PlayheadTrack((PlayheadRow(0.0, 5.0, 0.0), PlayheadRow(second_s - 0.1, 29.0, 0.0)))
    wrong = PlayheadTrack((PlayheadRow(0.0, 5.0, 0.0), PlayheadRow(second_s - 0.1, 40.0, 0.0)))
    assert contradictions(spoken, right) == []
    assert [c.expected_clip_s for c in contradictions(spoken, wrong)] == [29.0]
