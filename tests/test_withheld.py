"""What is kept back from the player stays back, and nothing else does, however the words of neighbours overlap."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from voiceover import Breakdown
from voiceover.corrections import Anchor, Change, Correction
from voiceover.edited_words import edit_words
from voiceover.lexicon.io import load_lexicon
from voiceover.mentions.model import Mention
from voiceover.replay import replay
from voiceover.reports.privacy import share_safe
from voiceover.speech.transcript import Word


def talk_of(*cues: tuple[float, float, str]) -> Breakdown:
    """A talk from captions (start, end, text): the words of each spread evenly over its time."""
    words = []
    for start, end, text in cues:
        texts = text.split()
        length = (end - start) / len(texts)
        words += [Word(t, start + i * length, start + (i + 1) * length) for i, t in enumerate(texts)]
    return Breakdown(narration="talk.wav", words=words)


def on_sentence(b: Breakdown, index: int, kind: str, **change: str) -> Correction:
    """A correction of a sentence, anchored as the review page does it: to the millisecond."""
    s = b.transcript().sentences()[index]
    anchor = Anchor(start_narration_s=round(s.start_narration_s, 3), end_narration_s=round(s.end_narration_s, 3), quote=s.text)
    return Correction(kind=kind, anchor=anchor, change=Change(**change))  # type: ignore[arg-type]


def goes_out(b: Breakdown, *corrections: Correction) -> str:
    reviewed, unapplied = replay(b, corrections, load_lexicon())
    assert unapplied == []
    return " ".join(w.text for w in share_safe(reviewed, load_lexicon()).breakdown.words)


# The last word of the first sentence is still spoken when the second begins.
OVERLAPPING = talk_of((0.0, 2.0, "He waits too long."), (1.9, 3.0, "He looks away."), (3.0, 4.0, "Good shift."))


def test_one_sentence_more_leaves_its_neighbour_kept_back() -> None:
    first, second = (on_sentence(OVERLAPPING, i, "withhold") for i in (0, 1))
    assert goes_out(OVERLAPPING, first) == "He looks away. Good shift."
    assert goes_out(OVERLAPPING, first, second) == goes_out(OVERLAPPING, second, first) == "Good shift."


def test_letting_one_sentence_go_leaves_its_neighbour_kept_back() -> None:
    both = [on_sentence(OVERLAPPING, i, "withhold") for i in (0, 1)]
    assert goes_out(OVERLAPPING, *both, on_sentence(OVERLAPPING, 0, "release")) == "He waits too long. Good shift."
    assert goes_out(OVERLAPPING, *both, on_sentence(OVERLAPPING, 1, "release")) == "He looks away. Good shift."


def test_of_a_sentence_that_was_edited_into_two_one_can_be_let_go() -> None:
    hidden, edit = on_sentence(OVERLAPPING, 0, "withhold"), on_sentence(OVERLAPPING, 0, "edit-words", text="He waits. He waits too long.")
    edited = edit_words(OVERLAPPING.transcript(), [hidden, edit])
    b = OVERLAPPING.model_copy(update={"words": list(edited.words), "breaks": list(edited.breaks)})
    assert goes_out(b, hidden, edit) == "He looks away. Good shift."
    assert goes_out(b, hidden, edit, on_sentence(b, 1, "release")) == "He waits too long. He looks away. Good shift."
    assert goes_out(b, hidden, edit, on_sentence(b, 0, "release")) == "He waits. He looks away. Good shift."


def test_of_the_same_words_said_twice_the_right_ones_are_kept_back() -> None:
    b = talk_of((5.0, 5.3, "Good."), (5.4, 5.7, "Good."))
    hidden, _ = replay(b, [on_sentence(b, 1, "withhold")], load_lexicon())
    assert hidden.withheld == [(5.4, pytest.approx(5.7))]


def test_words_heard_otherwise_stay_kept_back() -> None:
    """Other weights begin the sentence a tenth of a second earlier and write another word."""
    again = talk_of((0.0, 1.0, "One more."), (1.9, 3.0, "She looks away."), (3.0, 4.0, "Good shift."))
    assert (
        goes_out(again, on_sentence(talk_of((0.0, 1.0, "One more."), (2.0, 3.0, "He looks away.")), 1, "withhold"))
        == "One more. Good shift."
    )


def test_a_row_of_a_sentence_that_is_kept_back_goes_out_with_the_sentence() -> None:
    row = Mention("scan", 2, 3, 0, "too long", 1.0, 2.0, "phrase", 0.9, possession=1)
    b = OVERLAPPING.model_copy(update={"mentions": [row]})
    anchor = Anchor(start_narration_s=1.0, end_narration_s=2.0, quote="too long", principle_id="scan")
    let_go = Correction(kind="release", anchor=anchor)
    hidden = on_sentence(b, 0, "withhold")
    assert [r.withheld for r in replay(b, [hidden, let_go], load_lexicon())[0].log] == [True]
    assert [r.withheld for r in replay(b, [hidden, on_sentence(b, 0, "release")], load_lexicon())[0].log] == [False]
    # Its neighbour's words overlap it in time, and are others.
    assert [r.withheld for r in replay(b, [on_sentence(b, 1, "withhold")], load_lexicon())[0].log] == [False]


@st.composite
def talks(draw: st.DrawFn) -> Breakdown:
    """Short sentences of words that may overlap, have no length or begin together."""
    words, at_ms = [], 0
    for i in range(draw(st.integers(2, 12))):
        at_ms += draw(st.sampled_from([0, 20, 300]))
        stop = "." if draw(st.booleans()) else ""
        words.append(Word(f"w{i}{stop}", at_ms / 1000, (at_ms + draw(st.sampled_from([0, 20, 300, 900]))) / 1000))
    return Breakdown(narration="talk.wav", words=words)


@given(talks(), st.lists(st.tuples(st.sampled_from(["withhold", "release"]), st.integers(0, 11)), max_size=8))
def test_only_what_was_last_let_go_goes_out(b: Breakdown, steps: list[tuple[str, int]]) -> None:
    sentences = b.transcript().sentences()
    corrections = [on_sentence(b, i % len(sentences), kind) for kind, i in steps]
    last = {i % len(sentences): kind for kind, i in steps}
    shown = set(goes_out(b, *corrections).split())
    allowed = [w for i, s in enumerate(sentences) if last.get(i) != "withhold" for w in b.words[s.first : s.last + 1]]
    assert shown <= {w.text for w in allowed}
    hidden_starts = {w.start_narration_s for w in b.words} - {w.start_narration_s for w in allowed} | {
        w.start_narration_s for i, s in enumerate(sentences) if last.get(i) == "withhold" for w in b.words[s.first : s.last + 1]
    }
    # Only what begins at the very time of a word that is kept back may be missing beside it.
    assert {w.text for w in allowed if w.start_narration_s not in hidden_starts} <= shown
