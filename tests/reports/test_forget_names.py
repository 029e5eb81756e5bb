"""A forgotten player who stands where only a reviewer put him, in names of files, and beside others."""

from __future__ import annotations

import shutil
from pathlib import Path

import numpy as np
import pytest

pytest.importorskip("sqlalchemy")

from tests.reports.conftest import SAMPLE
from voiceover import Breakdown
from voiceover.corrections import Anchor, Change, Correction
from voiceover.edited_words import edit_words
from voiceover.media.audio import SAMPLE_RATE, read_audio
from voiceover.reports.forget import forget_player
from voiceover.reports.wav import write_wav
from voiceover.roster import Player
from voiceover.speech.transcript import Word
from voiceover.store.library import Library, words_key
from voiceover.store.people import all_players

TEXTS = "Then will flumper turns wide. Ada looks behind her.".split()
GONE = Player("Piet Vandermeer", "4")


@pytest.fixture
def library(tmp_path: Path) -> Library:
    """With a breakdown that has the player on its roster."""
    library = Library(tmp_path / "library")
    library.add_breakdown(Breakdown(narration="other.wav", roster=[Player("Ada Quill", focus=True), GONE]))
    return library


def talk() -> Breakdown:
    """One whose roster and words do not have him."""
    words = [Word(t, float(i), i + 0.6) for i, t in enumerate(TEXTS)]
    return Breakdown(narration="talk.wav", roster=[Player("Ada Quill", focus=True)], words=words)


def read_anew(library: Library, breakdown_id: str) -> None:
    """As the worker would, but that reading is not what is looked at here."""
    corrections = library.corrections(breakdown_id)
    edited = edit_words(talk().transcript(), corrections)
    machine = library.machine_result(breakdown_id)
    reread = machine.model_copy(update={"words": list(edited.words), "breaks": list(edited.breaks)})
    library.store_reread(breakdown_id, reread, words_key(corrections))


def forget(library: Library) -> list[str]:
    done = forget_player(library, next(p.id for p in all_players(library) if p.name == GONE.name))
    return [*done.out_of_reach, *done.notes]


def nowhere(library: Library) -> None:
    for file in library.folder.rglob("*"):
        assert b"vandermeer" not in file.name.lower().encode(), file
        if file.is_file():
            content = file.read_bytes().lower()
            assert b"vandermeer" not in content and b"piet" not in content, file


@pytest.mark.parametrize(("heard", "spoken"), [("will", (1.0, 1.6)), ("flumper", (2.0, 2.6))])
def test_a_name_that_only_a_correction_put_there_goes_out_of_words_and_voice(
    library: Library, tmp_path: Path, heard: str, spoken: tuple[float, float]
) -> None:
    voice = write_wav(tmp_path / "talk.wav", [np.full(SAMPLE_RATE * 10, 0.2, np.float32)], SAMPLE_RATE)
    breakdown_id = library.add_breakdown(talk(), narration=voice)
    library.add_corrections(breakdown_id, [Correction(kind="rename", change=Change(heard=heard, text="Vandermeer"))])
    read_anew(library, breakdown_id)
    assert not library.reviewed(breakdown_id).is_rereading
    forget(library)
    nowhere(library)
    sound = read_audio(library.recording(library.breakdown_row(breakdown_id).narration_id) or Path())
    first, last = (round(s * SAMPLE_RATE) for s in spoken)
    assert float(np.abs(sound[first:last]).max()) < 1e-3
    assert float(np.abs(sound[5 * SAMPLE_RATE : 6 * SAMPLE_RATE]).max()) > 0.1


def test_the_other_words_that_were_put_right_hold(library: Library) -> None:
    breakdown_id = library.add_breakdown(talk())
    sentence = Anchor(start_narration_s=5.0, end_narration_s=8.6, quote=" ".join(TEXTS[5:]))
    library.add_corrections(breakdown_id, [
        Correction(kind="rename", change=Change(heard="flumper", text="Piet Vandermeer")),
        Correction(kind="edit-words", anchor=sentence, change=Change(text="Ada finds Vandermeer, behind her back.")),
    ])  # fmt: skip
    read_anew(library, breakdown_id)
    forget(library)
    nowhere(library)
    reviewed = library.reviewed(breakdown_id)
    assert not reviewed.is_rereading and reviewed.unapplied == ()
    assert " ".join(w.text for w in reviewed.breakdown.words) == "Then will a player turns wide. Ada finds player, behind her back."
    # And the same again where the talk is read anew.
    edited = edit_words(library.machine_result(breakdown_id).transcript(), library.corrections(breakdown_id))
    assert " ".join(w.text for w in edited.words).endswith("turns wide. Ada finds player, behind her back.")


def test_sentences_end_where_they_did(library: Library) -> None:
    words = [Word(t, float(i), i + 0.6) for i, t in enumerate("Look at Piet Vandermeer turn. It is Piet Vandermeer. Good.".split())]
    breakdown_id = library.add_breakdown(talk().model_copy(update={"words": words}))
    before = [(s.first, s.last) for s in library.reviewed(breakdown_id).breakdown.transcript().sentences()]
    forget(library)
    after = library.reviewed(breakdown_id).breakdown.transcript().sentences()
    assert [(s.first, s.last) for s in after] == before
    assert [s.text for s in after] == ["Look at a player turn.", "It is a player.", "Good."]


@pytest.mark.parametrize("name", ["piet_vandermeer_shift.mp4", "shift-vandermeer.mp4", "PietVandermeer.mp4"])
def test_names_of_recordings_are_without_him(library: Library, tmp_path: Path, name: str) -> None:
    shutil.copy(SAMPLE / "clip.mp4", tmp_path / name)
    breakdown_id = library.add_breakdown(talk().model_copy(update={"clip": name}), clip=tmp_path / name)
    forget(library)
    nowhere(library)
    media = library.media_row(library.breakdown_row(breakdown_id).clip_id or "")
    assert "player" in media.name and media.name.endswith(".mp4")
    assert media.name == library.machine_result(breakdown_id).clip


def test_what_was_sent_about_others_too_is_listed_for_them_as_well(library: Library, tmp_path: Path) -> None:
    shared = library.list_breakdowns()[0].id
    library.note_outgoing(shared, tmp_path / "sent" / "vandermeer-report.html", "report")
    assert any(line.endswith("vandermeer-report.html") for line in forget(library))
    nowhere(library)
    done = forget_player(library, next(p.id for p in all_players(library) if p.name == "Ada Quill"))
    assert [Path(p).name for p in done.out_of_reach] == ["player-report.html"]


def test_a_recording_that_was_never_begun_stops_nothing(library: Library) -> None:
    (library.folder / "recordings" / "empty").mkdir(parents=True)
    forget(library)
    nowhere(library)
