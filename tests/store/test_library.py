"""The library: what is kept, found again, handed over and survives."""

from __future__ import annotations

import errno
import os
import signal
import sqlite3
import stat
import subprocess
import sys
import threading
import time
import zipfile
from pathlib import Path

import pytest
from sqlalchemy import select

from tests.store.conftest import SAMPLE
from voiceover import Breakdown
from voiceover.breakdown import IceTime
from voiceover.corrections import Anchor, Change, Correction
from voiceover.errors import NoRoomError, StoreError, VoiceoverError
from voiceover.roster import Player
from voiceover.speech.saved_words import file_identity, words_file
from voiceover.speech.transcript import Transcript
from voiceover.store import archive, jobs, worker
from voiceover.store.archive import back_up, export_breakdown, import_breakdown, restore
from voiceover.store.library import Library
from voiceover.store.tables import JobRow, MediaRow


def test_what_is_put_in_comes_out(library: Library, kept: str, demo: Breakdown) -> None:
    reviewed = library.reviewed(kept)
    assert reviewed.breakdown.log == demo.log and reviewed.revision == 0
    listed = library.list_breakdowns()
    assert [b.id for b in listed] == [kept] and listed[0].rows == len(demo.log)
    assert library.list_breakdowns(player="nobody of this name") == []


def test_players_keep_their_id_over_breakdowns_and_media_are_kept_once(library: Library, demo: Breakdown) -> None:
    a = library.add_breakdown(demo, clip=SAMPLE / "clip.mp4")
    b = library.add_breakdown(demo, clip=SAMPLE / "clip.mp4")
    assert library.reviewed(a).breakdown.player_ids == library.reviewed(b).breakdown.player_ids
    with library.sessions() as session:
        assert len(session.scalars(select(MediaRow)).all()) == 1
    other = demo.model_copy(update={"roster": [Player(demo.roster[0].name, team="another town", focus=True)]})
    c = library.add_breakdown(other)
    assert set(library.reviewed(c).breakdown.player_ids).isdisjoint(library.reviewed(a).breakdown.player_ids)


def test_only_the_owner_can_look_into_the_folder(library: Library) -> None:
    assert stat.S_IMODE(library.folder.stat().st_mode) == 0o700


def test_two_reviewers_lose_nothing(library: Library, kept: str) -> None:
    other = Library(library.folder)
    failed: list[BaseException] = []

    def write(to: Library, by: str) -> None:
        try:
            for i in range(25):
                to.add_corrections(kept, [Correction(kind="message", by=by, change=Change(text=f"{by} {i}"))])
        except BaseException as error:  # noqa: B036
            failed.append(error)

    threads = [threading.Thread(target=write, args=a) for a in ((library, "ann"), (other, "bo"))]
    for t in threads:
        t.start()
    for t in threads:
        t.join()
    assert not failed
    texts = [c.change.text for c in library.corrections(kept)]
    assert len(texts) == 50 and [t for t in texts if t.startswith("ann")] == [f"ann {i}" for i in range(25)]
    assert library.reviewed(kept).revision == other.reviewed(kept).revision
    # One's undo leaves the other's work alone.
    library.undo(kept, "ann")
    assert [c.change.text for c in library.corrections(kept) if c.by == "bo"] == [f"bo {i}" for i in range(25)]


def test_a_correction_that_is_sent_twice_counts_once(library: Library, kept: str) -> None:
    c = Correction(kind="message", change=Change(text="Hello."))
    assert library.add_corrections(kept, [c]) == library.add_corrections(kept, [c])
    assert len(library.corrections(kept)) == 1


WRITER = """
import sys
from pathlib import Path
from voiceover.corrections import Change, Correction
from voiceover.store.library import Library
library = Library(Path(sys.argv[1]))
for i in range(int(sys.argv[3]), 10_000):
    library.add_corrections(sys.argv[2], [Correction(kind="message", change=Change(text=str(i)))])
    print(i, flush=True)  # acknowledged
"""


def test_kill_at_any_moment_loses_nothing_that_was_acknowledged(library: Library, kept: str) -> None:
    acknowledged = -1
    for round_ in range(6):
        command = [sys.executable, "-c", WRITER, str(library.folder), kept, str(acknowledged + 1)]
        process = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
        assert process.stdout is not None
        first = process.stdout.readline()
        time.sleep(0.02 + 0.03 * round_)
        os.kill(process.pid, signal.SIGKILL)
        lines = [first, *process.stdout.read().split("\n")]
        process.wait()
        acknowledged = max(int(line) for line in lines if line.strip())
        texts = [int(c.change.text) for c in library.corrections(kept)]
        assert texts == list(range(len(texts))) and len(texts) >= acknowledged + 1
        acknowledged = len(texts) - 1  # one may have been written and not acknowledged
    assert acknowledged > 10
    with sqlite3.connect(library.folder / "library.db") as db:
        assert db.execute("PRAGMA integrity_check").fetchone() == ("ok",)


@pytest.mark.parametrize("ending", ["zip", "json"])
def test_export_and_import_are_lossless(library: Library, kept: str, tmp_path: Path, ending: str) -> None:
    first = library.reviewed(kept).breakdown.mentions[2]
    anchor = Anchor(start_narration_s=first.start_narration_s, end_narration_s=first.end_narration_s, principle_id=first.principle_id)
    library.add_corrections(kept, [Correction(kind="status", anchor=anchor, change=Change(status="missed"))])
    file = export_breakdown(library, kept, tmp_path / f"one.{ending}")
    other = Library(tmp_path / "other")
    there = import_breakdown(other, file)
    assert other.reviewed(there).breakdown == library.reviewed(kept).breakdown
    assert other.corrections(there) == library.corrections(kept)
    row = other.breakdown_row(there)
    assert (row.narration_id is not None) == (ending == "zip")
    if row.clip_id:
        assert other.media.path(other.media_row(row.clip_id).sha256).read_bytes() == (SAMPLE / "clip.mp4").read_bytes()


@pytest.mark.parametrize("ending", ["zip", "json"])
def test_a_corrected_breakdown_may_be_taken_in_twice(library: Library, kept: str, tmp_path: Path, ending: str) -> None:
    one, two = (Correction(kind="message", change=Change(text=text)) for text in ("One.", "Two."))
    library.add_corrections(kept, [one, two])
    library.undo(kept, "coach")
    file = export_breakdown(library, kept, tmp_path / f"one.{ending}")
    again = import_breakdown(library, file)
    assert library.reviewed(again).breakdown.message == library.reviewed(kept).breakdown.message == "One."
    ids = [[c.id for c in library.corrections(i)] for i in (kept, again)]
    assert len(ids[1]) == 3 and not set(ids[0]) & set(ids[1])
    library.undo(again, "coach", redo=True)
    assert library.reviewed(again).breakdown.message == "Two." and library.reviewed(kept).breakdown.message == "One."


def test_a_copy_that_fails_leaves_nothing_behind(library: Library, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(*_: object) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(NoRoomError, match="make room"):
        library.add_media(SAMPLE / "narration.ogg")
    assert list(library.media.folder.iterdir()) == []


def test_a_backup_without_room_for_the_copy_is_one_line(library: Library, monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    def full(*_: object) -> None:
        raise sqlite3.OperationalError("database or disk is full")

    monkeypatch.setattr(archive, "copy_database", full)
    with pytest.raises(StoreError, match=r"library\.db: cannot be copied .*make room") as caught:
        back_up(library, tmp_path / "out" / "backup.zip")
    assert "\n" not in str(caught.value) and list((tmp_path / "out").iterdir()) == []


def test_a_backup_is_a_whole_library(library: Library, kept: str, tmp_path: Path) -> None:
    library.add_corrections(kept, [Correction(kind="message", change=Change(text="Kept."))])
    file = back_up(library, tmp_path / "backup.zip")
    restored = Library(restore(file, tmp_path / "again"))
    assert restored.reviewed(kept).breakdown == library.reviewed(kept).breakdown
    assert library.setting("backups") == [str(file)]
    with pytest.raises(StoreError, match="holds a library already"):
        restore(file, tmp_path / "again")
    with pytest.raises(StoreError, match="is there already"):
        back_up(library, file)


def test_files_that_are_no_backup_are_refused(tmp_path: Path) -> None:
    evil = tmp_path / "evil.zip"
    with zipfile.ZipFile(evil, "w") as archive:
        archive.writestr("library.db", "x")
        archive.writestr("../outside.txt", "x")
    (tmp_path / "text.zip").write_text("no archive")
    for file in (evil, tmp_path / "text.zip", tmp_path / "absent.zip"):
        with pytest.raises(StoreError) as caught:
            restore(file, tmp_path / "new")
        assert "\n" not in str(caught.value)
    assert not (tmp_path / "outside.txt").exists() and not (tmp_path / "new" / "library.db").exists()


def test_a_newer_or_damaged_library_is_one_line(library: Library, tmp_path: Path) -> None:
    with sqlite3.connect(library.folder / "library.db") as db:
        db.execute("UPDATE alembic_version SET version_num = '9999'")
    with pytest.raises(StoreError, match="newer version"):
        Library(library.folder)
    broken = tmp_path / "broken"
    broken.mkdir()
    (broken / "library.db").write_bytes(b"not a database at all" * 100)
    with pytest.raises(StoreError, match="restore a backup"):
        Library(broken)


def queue_demo(library: Library) -> str:
    unread = Breakdown(narration="talk.ogg", roster=[Player("Ruben Test", focus=True)], ice_time=IceTime(date="2026-01-31"))
    return library.new_breakdown(unread, narration_id=library.add_media(SAMPLE / "narration.ogg"))


def test_a_job_whose_worker_died_is_taken_over_and_given_up_after_three(library: Library, monkeypatch: pytest.MonkeyPatch) -> None:
    breakdown_id = queue_demo(library)
    for _ in range(jobs.MAX_ATTEMPTS):
        job = jobs.claim(library, "dies")
        assert job is not None and jobs.claim(library, "other") is None
        with library.sessions.begin() as session:
            session.query(JobRow).update({"beat": "2000-01-01T00:00:00.000+00:00"})
    assert jobs.claim(library, "last") is None
    assert [j.state for j in jobs.jobs_of(library, breakdown_id)] == ["failed"]
    assert library.breakdown_row(breakdown_id).state == "failed"


def test_what_goes_wrong_in_a_job_is_told_and_stops_nothing(library: Library, monkeypatch: pytest.MonkeyPatch) -> None:
    def no_weights(*_: object, **__: object) -> None:
        raise VoiceoverError("no weights; install them")

    monkeypatch.setattr(worker, "hear_narration", no_weights)
    breakdown_id = queue_demo(library)
    worker.work(library, stop_when_idle=True)
    job = jobs.jobs_of(library, breakdown_id)[0]
    assert (job.state, job.error) == ("failed", "no weights; install them")


def test_words_kept_for_a_second_run_go_with_the_result(library: Library, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("VOICEOVER_CACHE", str(tmp_path / "cache"))
    kept: list[Path] = []

    def hear(narration: Path, *_: object, **__: object) -> Transcript:
        kept.append(words_file(file_identity(narration)))
        kept[0].parent.mkdir(parents=True)
        kept[0].write_text("what was said")
        return Transcript((), "base", 1.0)

    monkeypatch.setattr(worker, "hear_narration", hear)
    monkeypatch.setattr(worker, "understand", lambda unread, *_, **__: unread)
    breakdown_id = queue_demo(library)
    worker.work(library, stop_when_idle=True)
    assert jobs.jobs_of(library, breakdown_id)[0].state == "done" and not kept[0].exists()


def test_changed_words_are_read_again_and_corrections_stay(library: Library, kept: str) -> None:
    b = library.reviewed(kept).breakdown
    sentence = next(s for s in b.possessions[1:2])
    row = next(r for r in b.log if r.possession == 3)
    m = next(m for m in b.mentions if m.principle_id == row.principle_id and m.start_narration_s == row.narration_s)
    anchor = Anchor(start_narration_s=m.start_narration_s, end_narration_s=m.end_narration_s, quote=m.quote, principle_id=m.principle_id)
    library.add_corrections(kept, [Correction(kind="status", anchor=anchor, change=Change(status="missed"))])
    place = Anchor(start_narration_s=sentence.start_narration_s, end_narration_s=sentence.end_narration_s)
    text = "Second touch, and he takes a shoulder check before the pass arrives."
    library.add_corrections(kept, [Correction(kind="edit-words", anchor=place, change=Change(text=text))])
    assert library.reviewed(kept).is_rereading
    worker.work(library, stop_when_idle=True)
    after = library.reviewed(kept)
    assert not after.is_rereading and text in " ".join(w.text for w in after.breakdown.words)
    assert any(r.principle_id == "scan" or "shoulder" in r.quote for r in after.breakdown.log)
    assert next(r for r in after.breakdown.log if r.possession == 3 and r.principle_id == row.principle_id).status == "missed"
    library.undo(kept, "coach")
    assert library.reviewed(kept).breakdown.words == b.words


def test_the_tables_are_plain_enough_for_postgresql() -> None:
    from sqlalchemy.dialects import postgresql
    from sqlalchemy.schema import CreateTable

    from voiceover.store.tables import Base

    for table in Base.metadata.sorted_tables:
        assert "CREATE TABLE" in str(CreateTable(table).compile(dialect=postgresql.dialect()))  # type: ignore[no-untyped-call]
