"""The report in the browser, and reading again."""

from __future__ import annotations

import pytest
from fastapi.testclient import TestClient
from sqlalchemy import select

from voiceover import Breakdown
from voiceover import reread as reread_module
from voiceover.corrections import Change, Correction
from voiceover.errors import OptionError
from voiceover.review_app.security import Gate
from voiceover.roster import Player
from voiceover.speech.transcript import Transcript, Word
from voiceover.store import jobs, worker
from voiceover.store.library import Library
from voiceover.store.people import all_players, set_consent
from voiceover.store.tables import OutgoingRow

TEXTS = "Then he scans behind him.".split()


def talk() -> Breakdown:
    words = [Word(t, float(i), i + 0.5) for i, t in enumerate(TEXTS)]
    return Breakdown(narration="talk.wav", roster=[Player("Ada Quill", focus=True)], words=words, recognised_by="captions")


def rename(library: Library, breakdown_id: str) -> None:
    library.add_corrections(breakdown_id, [Correction(kind="rename", change=Change(heard="behind", text="beside"))])


def read(unread: Breakdown, transcript: Transcript, *_: object, **__: object) -> Breakdown:
    return unread.model_copy(update={"words": list(transcript.words), "breaks": list(transcript.breaks)})


def test_no_report_is_made_from_words_that_were_changed_and_not_read(
    client: TestClient, library: Library, monkeypatch: pytest.MonkeyPatch
) -> None:
    breakdown_id = library.add_breakdown(talk())
    rename(library, breakdown_id)
    for address in (f"/report/{breakdown_id}", f"/report/{breakdown_id}?keep=true"):
        answer = client.get(address)
        assert answer.status_code == 409 and "not read yet" in answer.json()["detail"]
    with library.sessions() as session:
        assert session.scalars(select(OutgoingRow)).all() == []
    monkeypatch.setattr(reread_module, "understand", read)
    worker.work(library, stop_when_idle=True)
    assert client.get(f"/report/{breakdown_id}").status_code == 200


def test_a_report_in_the_browser_is_noted_once_and_its_missing_consent_is_told(client: TestClient, library: Library) -> None:
    breakdown_id = library.add_breakdown(talk())
    assert client.get(f"/api/breakdowns/{breakdown_id}").json()["without_consent"] == ["Ada Quill"]
    for address in (f"/report/{breakdown_id}", f"/report/{breakdown_id}?keep=true"):
        assert client.get(address).status_code == 200
    with library.sessions() as session:
        noted = [(row.player_ids, row.path) for row in session.scalars(select(OutgoingRow))]
    player = all_players(library)[0].id
    assert noted == [(player, f"the report of breakdown {breakdown_id[:8]}, wherever the browser saved or printed it")]
    set_consent(library, player, "her mother", "2026-02-01")
    assert client.get(f"/api/breakdowns/{breakdown_id}").json()["without_consent"] == []


def test_a_reading_that_failed_can_be_asked_for_again(client: TestClient, library: Library, monkeypatch: pytest.MonkeyPatch) -> None:
    def fails(*_: object, **__: object) -> None:
        raise OptionError("no weights; install them")

    breakdown_id = library.add_breakdown(talk())
    rename(library, breakdown_id)
    monkeypatch.setattr(reread_module, "understand", fails)
    worker.work(library, stop_when_idle=True)
    state = client.get(f"/api/breakdowns/{breakdown_id}/state").json()
    assert (state["state"], state["job"]["state"], state["job"]["error"]) == ("ready", "failed", "no weights; install them")
    monkeypatch.setattr(reread_module, "understand", read)
    for _ in range(2):  # pressed twice, read once
        assert client.post(f"/api/breakdowns/{breakdown_id}/read-again?words_only=true").json() == {"queued": True}
    assert [j.state for j in jobs.jobs_of(library, breakdown_id)] == ["failed", "queued"]
    worker.work(library, stop_when_idle=True)
    assert not library.reviewed(breakdown_id).is_rereading
    assert client.post(f"/api/breakdowns/{breakdown_id}/read-again").status_code == 409  # it has no narration to hear


def test_captions_that_were_handed_in_are_not_recognised_over(
    library: Library, gate: Gate, client: TestClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    from tests.review_app.conftest import SAMPLE

    breakdown_id = library.add_breakdown(talk(), narration=SAMPLE / "narration.ogg")
    rename(library, breakdown_id)
    monkeypatch.setattr(reread_module, "understand", read)
    monkeypatch.setattr(worker, "understand", read)
    monkeypatch.setattr(worker, "hear_narration", lambda *_, **__: pytest.fail("heard again"))
    assert client.post(f"/api/breakdowns/{breakdown_id}/read-again").json() == {"queued": True}
    worker.work(library, stop_when_idle=True)
    assert [j.state for j in jobs.jobs_of(library, breakdown_id)] == ["done"] * len(jobs.jobs_of(library, breakdown_id))
    assert [w.text for w in library.machine_result(breakdown_id).words] == TEXTS
    assert "beside" in [w.text for w in library.reviewed(breakdown_id).breakdown.words]
