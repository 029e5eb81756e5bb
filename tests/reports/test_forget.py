"""A forgotten player is nowhere in the library's folder, not in a single byte."""

from __future__ import annotations

from pathlib import Path

import pytest

pytest.importorskip("sqlalchemy")

from tests.reports.conftest import SAMPLE
from voiceover import Breakdown
from voiceover.corrections import Anchor, Change, Correction
from voiceover.reports.forget import forget_player
from voiceover.speech.saved_words import words_file
from voiceover.store.archive import back_up
from voiceover.store.library import Library
from voiceover.store.people import all_players
from voiceover.store.teaching import teach


def bytes_of(folder: Path) -> dict[Path, bytes]:
    return {f: f.read_bytes().lower() for f in folder.rglob("*") if f.is_file()}


def kept(library: Library, demo: Breakdown) -> str:
    breakdown_id = library.add_breakdown(demo, narration=SAMPLE / "narration.ogg", clip=SAMPLE / "clip.mp4", title="Ruben Tarrant Thursday")
    m = demo.mentions[2]
    anchor = Anchor(start_narration_s=m.start_narration_s, end_narration_s=m.end_narration_s, quote=m.quote, principle_id=m.principle_id)
    library.add_corrections(breakdown_id, [
        Correction(kind="confirm", anchor=anchor), Correction(kind="message", change=Change(text="For Ruben, from me. Jonas, too.")),
        Correction(kind="rename", change=Change(heard="Tarant", text="Tarrant")),
    ])  # fmt: skip
    return breakdown_id


def id_of(library: Library, name: str) -> str:
    return next(p.id for p in all_players(library) if p.name == name)


def test_the_player_in_focus_leaves_counts_alone(demo: Breakdown, tmp_path: Path) -> None:
    library = Library(tmp_path / "library")
    breakdown_id = kept(library, demo)
    library.note_outgoing(breakdown_id, tmp_path / "sent" / "report.html", "report")
    backup = back_up(library, tmp_path / "backup.zip")
    library.remember("remembered", {"roster": [{"name": "Ruben Tarrant"}, {"name": "Jonas Weir"}]})
    before = sorted((r.principle_id, r.status, r.role) for r in library.reviewed(breakdown_id).breakdown.log)
    assert any(b"tarrant" in content for content in bytes_of(library.folder).values())
    done = forget_player(library, id_of(library, "Ruben Tarrant"))
    assert done.counts_only == 1
    assert set(done.out_of_reach) == {str(tmp_path / "sent" / "report.html"), str(backup)}
    for file, content in bytes_of(library.folder).items():
        assert b"tarrant" not in content and b"ruben" not in content, file
    again = Library(library.folder)
    b = again.reviewed(breakdown_id).breakdown
    assert sorted((r.principle_id, r.status, r.role) for r in b.log) == before
    assert b.words == [] and all(r.quote == "" for r in b.log) and again.corrections(breakdown_id) == []
    assert not list((library.folder / "media").glob("??/*"))
    assert "Ruben Tarrant" not in [p.name for p in all_players(again)]
    assert again.list_breakdowns()[0].players == ()


def test_a_teammate_is_taken_out_of_words_voice_and_rows(demo: Breakdown, tmp_path: Path) -> None:
    library = Library(tmp_path / "library")
    breakdown_id = kept(library, demo)
    rows = len(library.reviewed(breakdown_id).breakdown.log)
    before = library.media_row(library.breakdown_row(breakdown_id).narration_id or "").sha256
    done = forget_player(library, id_of(library, "Jonas Weir"))
    assert (done.counts_only, done.cleaned) == (0, 1)
    for file, content in bytes_of(library.folder).items():
        assert b"jonas" not in content and b"weir" not in content.replace(b"weird", b""), file
    b = library.reviewed(breakdown_id).breakdown
    assert len(b.log) == rows and "Ruben" in b.to_json()
    assert b.message == "For Ruben, from me. a player too."
    after = library.media_row(library.breakdown_row(breakdown_id).narration_id or "").sha256
    assert after != before and not library.media.path(before).exists()
    assert any("its clip stays" in note for note in done.notes)


def test_a_taught_wording_with_the_name_goes(demo: Breakdown, tmp_path: Path) -> None:
    library = Library(tmp_path / "library")
    kept(library, demo)
    teach(library, "scan", "has a look like jonas weir does")
    teach(library, "scan", "has a proper look round")
    forget_player(library, id_of(library, "Jonas Weir"))
    text = (library.folder / "lexicon.yaml").read_text()
    assert "jonas" not in text and "has a proper look round" in text


def test_words_of_stopped_runs_go_whoever_they_are_of(demo: Breakdown, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("VOICEOVER_CACHE", str(tmp_path / "cache"))
    words = words_file("ab" * 32)  # of a narration that is in no library
    words.parent.mkdir(parents=True)
    words.write_text("jonas weir has it")
    library = Library(tmp_path / "library")
    kept(library, demo)
    forget_player(library, id_of(library, "Jonas Weir"))
    assert list(words.parent.iterdir()) == []
