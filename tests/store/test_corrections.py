"""Corrections: each kind, undo, and what happens to them when the machine reads anew."""

from __future__ import annotations

import dataclasses

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.test_replay import mention, read_with
from tests.test_withheld import OVERLAPPING, on_sentence
from voiceover import Breakdown
from voiceover.corrections import Anchor, Change, Correction, in_force, redo_target, undo_target
from voiceover.edited_words import edit_words
from voiceover.lexicon.io import load_lexicon
from voiceover.possession_log import LogRow
from voiceover.replay import replay
from voiceover.review_app.view import log_view, whole_view
from voiceover.speech.transcript import Transcript, Word
from voiceover.store.library import Library


def on(b: Breakdown, row: LogRow, kind: str, **change: object) -> Correction:
    m = next(m for m in b.mentions if m.principle_id == row.principle_id and m.start_narration_s == row.narration_s)
    anchor = Anchor(start_narration_s=m.start_narration_s, end_narration_s=m.end_narration_s, quote=m.quote, principle_id=m.principle_id)
    return Correction(kind=kind, anchor=anchor, change=Change(**change))  # type: ignore[arg-type]


def row_of(b: Breakdown, like: LogRow) -> LogRow:
    return next(r for r in b.log if r.narration_s == like.narration_s and r.principle_id == like.principle_id)


@pytest.fixture
def with_ids(demo: Breakdown) -> Breakdown:
    return demo.model_copy(update={"player_ids": {f"{i:032d}": p.name for i, p in enumerate(demo.roster)}})


def test_every_kind_changes_what_it_says(with_ids: Breakdown) -> None:
    lexicon, b = load_lexicon(), with_ids
    row = next(r for r in b.log if r.possession == 2)
    other = next(p.id for p in lexicon.active() if p.id not in {r.principle_id for r in b.log})
    mate, mate_name = next((i, n) for i, n in b.player_ids.items() if n not in {p.name for p in b.roster if p.focus})

    def after(c: Correction) -> Breakdown:
        reviewed, unapplied = replay(b, [c], lexicon)
        assert unapplied == []
        return reviewed

    assert row_of(after(on(b, row, "confirm")), row).reviewed
    assert len(after(on(b, row, "reject")).log) == len(b.log) - 1
    changed = after(on(b, row, "principle", principle_id=other))
    assert [r.principle for r in changed.log if r.principle_id == other] == [lexicon[other].name]
    assert row_of(after(on(b, row, "status", status="missed")), row).status == "missed"
    changed = after(on(b, row, "player", player_id=mate, role="teammate"))
    assert (row_of(changed, row).player, row_of(changed, row).role) == (mate_name, "teammate")
    first = b.possessions[0].start_narration_s
    assert row_of(after(on(b, row, "possession", possession_start_s=first)), row).possession == 1
    moved = row_of(after(on(b, row, "retime", clip_s=12.345)), row)
    assert (moved.clip_s, moved.tolerance_s) == (12.345, 0.0)
    assert row_of(after(on(b, row, "withhold")), row).withheld
    assert after(Correction(kind="message", change=Change(text="Well done."))).message == "Well done."
    assert after(Correction(kind="next-step", change=Change(text="Ten a day."))).next_step == "Ten a day."


def test_words_are_added_and_sentences_withheld(with_ids: Breakdown) -> None:
    lexicon, b = load_lexicon(), with_ids
    sentence = Transcript(tuple(b.words), "x", None, breaks=tuple(b.breaks)).sentences()[3]
    other = next(p.id for p in lexicon.active() if p.id not in {m.principle_id for m in b.mentions})
    anchor = Anchor(start_narration_s=sentence.start_narration_s, end_narration_s=sentence.end_narration_s, quote=sentence.text)
    reviewed, _ = replay(b, [Correction(kind="add", anchor=anchor, change=Change(principle_id=other, status="attempted"))], lexicon)
    added = next(m for m in reviewed.mentions if m.principle_id == other)
    assert (added.status, added.confidence, added.found_by, added.reviewed) == ("attempted", 1.0, "reviewer", True)
    assert added.quote in sentence.text
    hidden = Correction(kind="withhold", anchor=anchor)
    reviewed, _ = replay(b, [hidden], lexicon)
    assert len(reviewed.withheld) == 1
    assert all(m.withheld == (m.sentence == 3) for m in reviewed.mentions)
    reviewed, _ = replay(b, [hidden, Correction(kind="release", anchor=anchor)], lexicon)
    assert reviewed.withheld == [] and not any(m.withheld for m in reviewed.mentions)


def test_possessions_are_split_and_joined(with_ids: Breakdown) -> None:
    lexicon, b = load_lexicon(), with_ids
    sentences = Transcript(tuple(b.words), "x", None, breaks=tuple(b.breaks)).sentences()
    second = next(p for p in b.possessions if p.last_sentence - p.first_sentence >= 2)
    cut = sentences[second.first_sentence + 1]
    anchor = Anchor(start_narration_s=second.start_narration_s, end_narration_s=second.end_narration_s)
    split = Correction(kind="split", anchor=anchor, change=Change(possession_start_s=cut.start_narration_s))
    after, unapplied = replay(b, [split], lexicon)
    assert unapplied == [] and [p.number for p in after.possessions] == list(range(1, len(b.possessions) + 2))
    for m in after.mentions:
        if m.possession is not None:
            p = after.possessions[m.possession - 1]
            assert p.first_sentence <= m.sentence <= p.last_sentence
    said = {t.what: t for t in after.totals}["possessions"]
    assert said.found == len(b.possessions) + 1
    again = Anchor(start_narration_s=cut.start_narration_s, end_narration_s=cut.end_narration_s)
    back, _ = replay(b, [split, Correction(kind="merge", anchor=again)], lexicon)
    assert [(r.possession, r.principle_id) for r in back.log] == [(r.possession, r.principle_id) for r in b.log]
    assert len(back.possession_clip_times) == len(back.possessions) == len(b.possessions)


def test_a_renamed_word_is_renamed_everywhere_with_its_possessive() -> None:
    words = [Word(t, i, i + 0.5) for i, t in enumerate("Then Rubin's stick. Rubin looks, rubin. A rubinesque one.".split())]
    text = " ".join(
        w.text
        for w in edit_words(Transcript(tuple(words), "x"), [Correction(kind="rename", change=Change(heard="Rubin", text="Ruben"))]).words
    )
    assert text == "Then Ruben's stick. Ruben looks, Ruben. A rubinesque one."


def test_a_rewritten_sentence_keeps_its_time(with_ids: Breakdown) -> None:
    transcript = Transcript(tuple(with_ids.words), "x", None, breaks=tuple(with_ids.breaks))
    s = transcript.sentences()[2]
    anchor = Anchor(start_narration_s=s.start_narration_s, end_narration_s=s.end_narration_s, quote=s.text)
    edited = edit_words(
        transcript, [Correction(kind="edit-words", anchor=anchor, change=Change(text="He looks over his shoulder before it comes."))]
    )
    new = edited.sentences()[2]
    assert new.text == "He looks over his shoulder before it comes."
    assert (new.start_narration_s, new.end_narration_s) == pytest.approx((s.start_narration_s, s.end_narration_s))
    assert len(edited.sentences()) == len(transcript.sentences())


def test_corrections_outlive_another_reading_and_the_others_are_named(with_ids: Breakdown) -> None:
    lexicon, b = load_lexicon(), with_ids
    stays, gone = b.log[0], b.log[3]
    corrections = [on(b, stays, "status", status="missed"), on(b, gone, "confirm")]
    # Other weights: every word a tenth later, and one mention not found.
    later = [dataclasses.replace(m, start_narration_s=m.start_narration_s + 0.1, end_narration_s=m.end_narration_s + 0.1) for m in b.mentions
             if not (m.principle_id == gone.principle_id and m.possession == gone.possession)]  # fmt: skip
    reviewed, unapplied = replay(b.model_copy(update={"mentions": later}), corrections, lexicon)
    assert next(r for r in reviewed.log if r.principle_id == stays.principle_id and r.possession == stays.possession).status == "missed"
    assert [u.correction.id for u in unapplied] == [corrections[1].id] and gone.principle in unapplied[0].why


def test_undo_and_redo_have_no_limit(library: Library, kept: str) -> None:
    start = library.reviewed(kept).breakdown
    for row in start.log[:5]:
        library.add_corrections(kept, [on(start, row, "confirm")])
    assert sum(r.reviewed for r in library.reviewed(kept).breakdown.log) == 5
    for left in (4, 3, 2, 1, 0):
        assert library.undo(kept, "coach") is not None
        assert sum(r.reviewed for r in library.reviewed(kept).breakdown.log) == left
    assert library.undo(kept, "coach") is None
    for back in (1, 2, 3, 4, 5):
        assert library.undo(kept, "coach", redo=True) is not None
        assert sum(r.reviewed for r in library.reviewed(kept).breakdown.log) == back
    assert library.undo(kept, "coach", redo=True) is None


@given(st.lists(st.sampled_from(["do", "undo", "redo"]), max_size=40))
def test_undo_and_redo_are_a_stack(steps: list[str]) -> None:
    corrections: list[Correction] = []
    held: list[str] = []
    taken: list[str] = []
    for step in steps:
        if step == "do":
            c = Correction(kind="message")
            corrections.append(c)
            held.append(c.id)
            taken.clear()
            continue
        target = undo_target(corrections, "coach") if step == "undo" else redo_target(corrections, "coach")
        source, to = (held, taken) if step == "undo" else (taken, held)
        assert bool(target) == bool(source)
        if target:
            corrections.append(Correction(kind="undo", undoes=target))
            to.append(source.pop())
    assert [c.id for c in in_force(corrections)] == held


def test_the_page_is_told_which_sentences_are_kept_back_whole(library: Library) -> None:
    kept = library.add_breakdown(OVERLAPPING)

    def told(*corrections: Correction) -> object:
        library.add_corrections(kept, corrections)
        return log_view(library, library.reviewed(kept), "coach")["withheld"]

    assert told() == []
    assert told(on_sentence(OVERLAPPING, 0, "withhold")) == [0]  # the next one begins in its time, and goes out
    assert told(on_sentence(OVERLAPPING, 1, "withhold")) == [0, 1]
    assert told(on_sentence(OVERLAPPING, 0, "release")) == [1]


def test_what_was_read_with_another_lexicon_is_kept_and_opened(library: Library) -> None:
    kept = library.add_breakdown(read_with(mention("sweep", 2, 4)))
    assert [r["principle"] for r in whole_view(library, library.reviewed(kept), "coach")["rows"]] == ["Sweeps early"]
    assert library.list_breakdowns()[0].rows == 1
    assert [library.lexicon(sport).sport for sport in ("", "basketball", "curling")] == ["ice hockey", "basketball", "ice hockey"]
