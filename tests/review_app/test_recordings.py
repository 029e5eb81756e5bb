"""A recording in the making: what a full disk or a power cut leaves behind can still be finished."""

from __future__ import annotations

import errno
import os
import tempfile
from pathlib import Path

import pytest
from fastapi.testclient import TestClient

from voiceover.breakdown import Breakdown
from voiceover.store import media_store
from voiceover.store.library import Library

RATE = 8000
SECOND = b"\1\0" * RATE


def row(at_sample: int) -> dict[str, object]:
    return {"kind": "row", "at_sample": at_sample, "clip_s": at_sample / RATE, "rate": 1.0}


def begin(client: TestClient) -> str:
    return str(client.post("/api/recordings", json={"sample_rate": RATE}).json()["id"])


def add(client: TestClient, recording: str, first: int, *at_samples: int) -> int:
    answer = client.post(f"/api/recordings/{recording}/events", json={"first": first, "events": [row(a) for a in at_samples]})
    return int(answer.json()["events"])


def finished(client: TestClient, library: Library, recording: str) -> Breakdown:
    answer = client.post(f"/api/recordings/{recording}/finish")
    assert answer.status_code == 200, answer.text
    return library.machine_result(answer.json()["id"])


@pytest.mark.parametrize("torn", [b'{"kind":"row","at_sam', b"\0\0\0\0"])
def test_half_an_event_is_not_counted_and_comes_again(client: TestClient, library: Library, torn: bytes) -> None:
    recording = begin(client)
    client.put(f"/api/recordings/{recording}/sound?at=0", content=SECOND)
    assert add(client, recording, 0, 0, 1000) == 2
    with (library.folder / "recordings" / recording / "events.jsonl").open("ab") as file:
        file.write(torn)
    assert client.get(f"/api/recordings/{recording}").json()["events"] == 2
    assert add(client, recording, 2, 2000, 3000) == 4
    rows = finished(client, library, recording).playhead
    assert [r.narration_s for r in rows] == [0.0, 0.125, 0.25, 0.375]


def test_an_event_that_cannot_be_read_costs_itself_alone(client: TestClient, library: Library) -> None:
    recording = begin(client)
    client.put(f"/api/recordings/{recording}/sound?at=0", content=SECOND)
    add(client, recording, 0, 0)
    with (library.folder / "recordings" / recording / "events.jsonl").open("ab") as file:
        file.write(b'{"kind":"row","at_s{"kind":"row","at_sample":500}\n')
    add(client, recording, 2, 1000)
    assert [r.narration_s for r in finished(client, library, recording).playhead] == [0.0, 0.125]


def test_a_recording_without_a_beginning_hides_no_other(client: TestClient, library: Library) -> None:
    damaged, whole = begin(client), begin(client)
    (library.folder / "recordings" / damaged / "start.json").write_bytes(b"")
    assert [r["id"] for r in client.get("/api/recordings").json()["recordings"]] == [whole]
    answer = client.get(f"/api/recordings/{damaged}")
    assert answer.status_code == 404 and "damaged" in answer.json()["detail"]
    assert client.post(f"/api/recordings/{damaged}/finish").status_code == 404


def test_a_full_disk_is_told_and_nothing_is_lost(client: TestClient, library: Library, monkeypatch: pytest.MonkeyPatch) -> None:
    recording = begin(client)

    def full(_: int) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    with monkeypatch.context() as patched:
        patched.setattr(os, "fsync", full)
        for answer in (
            client.put(f"/api/recordings/{recording}/sound?at=0", content=SECOND),
            client.post(f"/api/recordings/{recording}/events", json={"first": 0, "events": [row(0)]}),
        ):
            assert answer.status_code == 507 and "make room" in answer.json()["detail"]
    have = client.get(f"/api/recordings/{recording}").json()
    client.put(f"/api/recordings/{recording}/sound?at={have['samples']}", content=SECOND)
    with monkeypatch.context() as patched:
        patched.setattr(media_store.os, "fsync", full)
        answer = client.post(f"/api/recordings/{recording}/finish")
        assert answer.status_code == 507 and "make room" in answer.json()["detail"]
    add(client, recording, have["events"], 1000)
    assert finished(client, library, recording).playhead[-1].narration_s == 0.125


def test_a_full_disk_keeps_no_half_upload(client: TestClient, library: Library, monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    def full(*_: object, **__: object) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    recording = begin(client)
    client.put(f"/api/recordings/{recording}/sound?at=0", content=SECOND)
    wav = tmp_path / "talk.wav"
    finished(client, library, recording)
    wav.write_bytes(next((library.folder / "media").glob("??/*")).read_bytes() + b"\0\0")
    kept = sorted(p.name for p in (library.folder / "media").rglob("*"))
    monkeypatch.setattr(media_store.os, "fsync", full)
    answer = client.post("/api/uploads?name=talk.wav", content=wav.read_bytes())
    assert answer.status_code == 507 and str(library.folder) not in answer.text
    assert sorted(p.name for p in (library.folder / "media").rglob("*")) == kept
    assert not list(library.folder.glob("tmp*"))
    monkeypatch.setattr(tempfile, "TemporaryDirectory", full)
    answer = client.post("/api/uploads?name=talk.wav", content=wav.read_bytes())
    assert answer.status_code == 507 and "disk is full" in answer.json()["detail"]
