"""The reviewed log where the lexicon or what the machine finds is another one than when it was reviewed."""

from __future__ import annotations

import dataclasses

import pytest

from voiceover import Breakdown, load_lexicon
from voiceover.corrections import Anchor, Change, Correction
from voiceover.lexicon.model import Lexicon, Principle
from voiceover.mentions.model import Mention
from voiceover.possession_log import build_log
from voiceover.possessions import Possession
from voiceover.replay import replay
from voiceover.reports.labels import Labels
from voiceover.reports.privacy import share_safe
from voiceover.reports.story import tell
from voiceover.roster import Player
from voiceover.speech.transcript import Word

OWN = Lexicon("curling", "1", (Principle("sweep", "Sweeps early", "ice", "Sweeps before he is told."),))
TEXTS = "First he sweeps it early. Then he looks behind him twice.".split()
ROSTER = [Player("Ada Quill", focus=True), Player("Bo Rye")]


def read_with(*mentions: Mention) -> Breakdown:
    b = Breakdown(
        narration="talk.wav", sport="curling", roster=ROSTER, player_ids={"a": "Ada Quill", "b": "Bo Rye"},
        words=[Word(t, i * 0.5, i * 0.5 + 0.4) for i, t in enumerate(TEXTS)], mentions=list(mentions),
        possessions=[Possession(1, 0, 1, 0.0, 6.0, "Ada Quill", quote="First he sweeps it early.")], possession_clip_times=[(None, None)],
    )  # fmt: skip
    return b.model_copy(update={"log": build_log(mentions, OWN, None)})


def mention(principle_id: str, first: int, last: int, **other: object) -> Mention:
    quote = " ".join(TEXTS[first : last + 1]).strip(".")
    m = Mention(
        principle_id, first, last, int(first > 4), quote, first * 0.5, last * 0.5 + 0.4, "phrase", 0.9, player="Ada Quill", possession=1
    )
    return dataclasses.replace(m, **other)  # type: ignore[arg-type]


def test_a_principle_that_the_lexicon_does_not_have_keeps_the_name_it_was_read_with() -> None:
    b = read_with(mention("sweep", 2, 4))
    lexicon = load_lexicon()
    reviewed, _ = replay(b, [], lexicon)
    assert [(r.principle_id, r.principle, r.family) for r in reviewed.log] == [("sweep", "Sweeps early", "ice")]
    shared = share_safe(reviewed, lexicon)
    assert [r.principle for r in shared.breakdown.log] == ["Sweeps early"]
    assert [(a.principle, a.cue) for a in tell(shared, lexicon, Labels("player")).keep] == [("Sweeps early", "")]
    gone = Correction(kind="confirm", anchor=Anchor(start_narration_s=5.0, end_narration_s=5.4, principle_id="sweep"))
    assert "'Sweeps early' is not found there" in replay(b, [gone], lexicon)[1][0].why
    nameless, _ = replay(b.model_copy(update={"log": []}), [], lexicon)
    assert [(r.principle, r.family) for r in nameless.log] == [("sweep", "")]


def test_a_principle_that_another_one_replaces_is_reviewed_as_that() -> None:
    newer = dataclasses.replace(OWN, principles=(
        dataclasses.replace(OWN.principles[0], retired=True), Principle("sweeping", "Sweeping", "ice", "Sweeps.", replaces=("sweep",)),
    ))  # fmt: skip
    anchor = Anchor(start_narration_s=1.0, end_narration_s=2.4, principle_id="sweep")
    reviewed, unapplied = replay(read_with(mention("sweep", 2, 4)), [Correction(kind="confirm", anchor=anchor)], newer)
    assert unapplied == []
    assert [(r.principle_id, r.principle, r.reviewed) for r in reviewed.log] == [("sweeping", "Sweeping", True)]
    assert [m.principle_id for m in reviewed.mentions] == ["sweeping"]


def added(**change: str) -> Correction:
    anchor = Anchor(start_narration_s=3.5, end_narration_s=4.9, quote="looks behind him")
    return Correction(kind="add", anchor=anchor, change=Change(principle_id="scan", **change))


@pytest.mark.parametrize("player", ["b", ""])
def test_what_a_reviewer_added_and_the_machine_finds_later_is_as_he_said(player: str) -> None:
    found = read_with(mention("scan", 7, 9), mention("scan", 1, 2))
    reviewed, unapplied = replay(found, [added(status="missed", player_id=player, role="teammate")], load_lexicon())
    name = "Bo Rye" if player else ""
    assert unapplied == [] and {(r.player, r.role, r.status, r.mentions, r.reviewed) for r in reviewed.log} == {
        (name, "teammate", "missed", 1, True), ("Ada Quill", "focus", "executed", 1, False),
    }  # fmt: skip


def test_what_is_added_beside_a_row_of_somebody_else_that_was_reviewed_is_a_row_of_its_own() -> None:
    mine, mates = added(status="executed", role="focus"), added(status="missed", player_id="b", role="teammate")
    reviewed, _ = replay(read_with(), [mine, mates], load_lexicon())
    assert sorted((r.player, r.status) for r in reviewed.log) == [("Ada Quill", "executed"), ("Bo Rye", "missed")]


@pytest.mark.parametrize("possession_is_about", ["", "Bo Rye"])
def test_a_row_set_to_the_player_in_focus_is_his(possession_is_about: str) -> None:
    found = read_with(mention("scan", 7, 9, player="", role="teammate"))
    found.possessions[0] = dataclasses.replace(found.possessions[0], player=possession_is_about)
    anchor = Anchor(start_narration_s=3.5, end_narration_s=4.9, principle_id="scan")
    reviewed, unapplied = replay(found, [Correction(kind="player", anchor=anchor, change=Change(role="focus"))], load_lexicon())
    assert unapplied == [] and [(r.player, r.role) for r in reviewed.log] == [(possession_is_about or "Ada Quill", "focus")]
    everybody = found.model_copy(update={"roster": [dataclasses.replace(p, focus=True) for p in ROSTER]})
    reviewed, _ = replay(everybody, [Correction(kind="player", anchor=anchor, change=Change(role="focus"))], load_lexicon())
    assert [r.player for r in reviewed.log] == [possession_is_about]  # which of several, nobody said
