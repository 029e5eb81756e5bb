"""The finders by wording, and what they must leave alone."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from tests.mentions.conftest import transcript_of
from voiceover.lexicon.io import load_lexicon
from voiceover.lexicon.model import Lexicon
from voiceover.mentions.fuzzy import FuzzyFinder
from voiceover.mentions.parse import ParsedTalk, known_words
from voiceover.mentions.phrases import PhraseFinder
from voiceover.mentions.soundalike import MisheardFinder
from voiceover.mentions.sounds import sounds_alike, sounds_of
from voiceover.roster import Roster

LEXICON = """
sport: test
families: {f: F}
words: {ball: [puck, disc]}
principles:
- {id: look, name: Look, family: f, definition: d, say: ["looks over [his|her] shoulder", "keeps ... shoulder moving"], not: ["looks over the board"]}
- {id: lift, name: Stick lift, family: f, definition: d, say: ["lifts the <ball>"], lacking: ["never lifts it"]}
"""


@pytest.fixture
def lexicon(tmp_path: Path) -> Lexicon:
    (tmp_path / "test.yaml").write_text(LEXICON)
    return load_lexicon(tmp_path / "test.yaml")


@pytest.mark.parametrize(
    ("sentence", "expected"),
    [
        ("She looked over her shoulder.", [("look", "looked over her shoulder.")]),
        ("You keep that left shoulder moving.", [("look", "keep that left shoulder moving.")]),
        ("He lifted the disc.", [("lift", "lifted the disc.")]),
        ("He lifts weights.", []),
        ("Look at the shoulder.", []),
    ],
)
def test_phrases(talk: Callable[..., ParsedTalk], lexicon: Lexicon, sentence: str, expected: list[tuple[str, str]]) -> None:
    parsed = talk(sentence)
    found = PhraseFinder(lexicon).find(parsed)
    assert [(p.principle_id, " ".join(sentence.split()[p.first : p.last + 1])) for p in found] == expected


def test_a_wording_of_what_is_lacking_says_so(talk: Callable[..., ParsedTalk], lexicon: Lexicon) -> None:
    (found,) = PhraseFinder(lexicon).find(talk("He never lifts it."))
    assert found.kinds == (0.0, 1.0, 0.0)


def test_a_misspelt_wording_is_found_and_a_name_is_not_taken_for_one(talk: Callable[..., ParsedTalk], lexicon: Lexicon) -> None:
    finder = FuzzyFinder(lexicon, known_words())
    assert [p.principle_id for p in finder.find(talk("He looks over his sholder."), frozenset())] == ["look"]
    assert finder.find(talk("He looks over his sholder."), frozenset({"sholder"})) == []


def test_sounds() -> None:
    assert sounds_alike(sounds_of("phony"), sounds_of("foney")) > 0.9
    assert sounds_alike(sounds_of("tuck"), sounds_of("puck")) > sounds_alike(sounds_of("luck"), sounds_of("puck"))
    assert sounds_alike("", "") == 0.0


def test_a_misheard_name_is_put_right_only_where_it_was_heard_unsurely(roster: Roster) -> None:
    finder = MisheardFinder(roster, load_lexicon(), known_words())
    unsure = finder.correct(transcript_of("and the drum and takes it", probability=0.3))
    assert [(w.text, w.heard) for w in unsure.words if w.heard] == [("Drummond", "drum and")]
    sure = finder.correct(transcript_of("and the drum and takes it", probability=0.97))
    assert not [w for w in sure.words if w.heard]


def test_times_of_a_corrected_run_stay_in_order(roster: Roster) -> None:
    finder = MisheardFinder(roster, load_lexicon(), known_words())
    words = finder.correct(transcript_of("tuck protection by the drum and again", probability=0.3)).words
    starts = [w.start_narration_s for w in words]
    assert any(w.heard for w in words) and starts == sorted(starts)


def test_captions_are_never_changed(roster: Roster) -> None:
    given = transcript_of("and the drum and takes it")
    assert MisheardFinder(roster, load_lexicon(), known_words()).correct(given) == given
