"""Each attack on a server that listens on loopback, refused."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from fastapi.testclient import TestClient

from tests.review_app.conftest import COOKIE, HOST, SAMPLE
from voiceover import Breakdown
from voiceover.errors import OptionError, StoreError
from voiceover.review_app import server as server_module
from voiceover.review_app.security import Gate
from voiceover.review_app.serve import gate_for
from voiceover.review_app.server import make_app
from voiceover.store import media_store
from voiceover.store.library import Library

ORIGIN = {"origin": f"http://{HOST}"}


def test_without_the_token_nothing_is_shown(stranger: TestClient) -> None:
    for path in ("/", "/record", "/api/library", "/api/openapi.json", "/static/page.css", "/media/" + "0" * 32):
        assert stranger.get(path).status_code == 401, path
    assert stranger.get("/?token=wrong").status_code == 401
    stranger.cookies.set(COOKIE, "guess")
    assert stranger.get("/api/library").status_code == 401


def test_the_token_opens_once_and_leaves_the_address(stranger: TestClient, gate: Gate) -> None:
    answer = stranger.get(f"/?token={gate.token}")
    assert answer.status_code == 303 and answer.headers["location"] == "/"
    cookie = answer.headers["set-cookie"].lower()
    assert "httponly" in cookie and "samesite=strict" in cookie
    assert gate.token not in answer.headers["set-cookie"] and stranger.get("/").status_code == 200


def test_a_name_that_was_pointed_at_us_is_not_answered(client: TestClient) -> None:
    for host in (
        "evil.example", "evil.example:8123", "127.0.0.1.evil.example", "", "[::1", "localhost.evil.example:8123", "localhost:99999",
        "192.168.1.5:8123",
    ):  # fmt: skip
        assert client.get("/api/library", headers={"host": host}).status_code == 421, host
    assert client.get("/api/library", headers={"host": "localhost:8123"}).status_code == 200


@pytest.mark.parametrize("origin", ["http://evil.example", "null", "", "http://127.0.0.1:9999", "http://127.0.0.1:8123.evil.example"])
def test_a_post_from_another_page_changes_nothing(client: TestClient, library: Library, demo: Breakdown, origin: str) -> None:
    breakdown_id = library.add_breakdown(demo)
    body = {"corrections": [{"kind": "message", "change": {"text": "owned"}}]}
    for method, path in (
        ("POST", f"/api/breakdowns/{breakdown_id}/corrections"),
        ("PUT", "/api/remembered"),
        ("DELETE", "/api/recordings/x"),
    ):
        answer = client.request(method, path, json=body, headers={"origin": origin})
        assert answer.status_code == 403, (method, path)
    cross = client.post(f"/api/breakdowns/{breakdown_id}/corrections", json=body, headers={"sec-fetch-site": "cross-site"})
    assert cross.status_code == 403
    assert library.corrections(breakdown_id) == []


def test_no_path_of_a_request_reaches_the_disk(client: TestClient, library: Library) -> None:
    secret = library.folder / "library.db"
    assert secret.exists()
    for path in (
        "/static/../library.db", "/static/..%2f..%2fserver.py", "/static/%2e%2e/security.py", "/media/../../library.db",
        "/media/..%2f..%2flibrary.db", "/review/../../etc/passwd", "/static//etc/passwd", "/static/..\\..\\server.py",
    ):  # fmt: skip
        answer = client.get(path)
        assert answer.status_code in (404, 422), path
        assert b"SQLite format" not in answer.content and b"import" not in answer.content
    sound = (SAMPLE / "narration.ogg").read_bytes()
    answer = client.post("/api/uploads?name=../../../../tmp/evil.ogg", content=sound)
    assert answer.status_code == 201 and answer.json()["name"] == "evil.ogg"
    assert not list(library.folder.parent.glob("**/evil.ogg"))
    assert client.get("/api/recordings/..%2f..%2fmedia").status_code in (404, 422)
    assert client.put("/api/recordings/" + "0" * 32 + "/sound?at=0", content=b"00").status_code == 404


def test_what_is_no_recording_or_too_large_is_not_kept(client: TestClient, library: Library, monkeypatch: pytest.MonkeyPatch) -> None:
    for name, content in (
        ("page.html", b"<script>alert(1)</script>" * 50),
        ("empty.mp4", b""),
        ("list.m3u8", b"#EXTM3U\nhttp://evil.example/x"),
    ):
        answer = client.post(f"/api/uploads?name={name}", content=content)
        assert answer.status_code == 422 and str(library.folder) not in answer.text, name
    monkeypatch.setattr(server_module, "MAX_UPLOAD_BYTES", 1000)
    assert client.post("/api/uploads?name=long.wav", content=b"x" * 2000).status_code == 413
    assert not list((library.folder / "media").glob("??/*")) and not list(library.folder.glob("tmp*"))
    answer = client.post(
        "/api/breakdowns", content=b'{"title": "' + b"x" * (5 * 1024 * 1024) + b'"}', headers={"content-type": "application/json"}
    )
    assert answer.status_code == 413


def test_a_full_disk_is_said_before_it_is_full(client: TestClient, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(media_store, "SPARE_BYTES", 1 << 60)
    answer = client.post("/api/recordings", json={"sample_rate": 48000})
    assert answer.status_code == 507 and "make room" in answer.json()["detail"]


def test_every_answer_carries_the_protecting_headers(client: TestClient, stranger: TestClient) -> None:
    for answer in (client.get("/"), client.get("/static/review.js"), client.get("/api/library"), client.get("/nowhere"), stranger.get("/")):
        policy = answer.headers["content-security-policy"]
        assert "script-src 'self'" in policy and "unsafe" not in policy and "default-src 'none'" in policy
        assert answer.headers["x-content-type-options"] == "nosniff" and answer.headers["referrer-policy"] == "same-origin"
        assert "access-control-allow-origin" not in answer.headers


def test_pages_have_no_inline_script_and_ask_nobody_else() -> None:
    static = Path(str(server_module.STATIC))
    for page in static.glob("*.html"):
        text = page.read_text()
        assert "<script>" not in text and "onclick=" not in text and "style=" not in text
        assert "http://" not in text and "https://" not in text
    for script in static.glob("*.js"):
        text = script.read_text()
        assert "innerHTML" not in text and "eval(" not in text and "https://" not in text, script.name


def test_markup_in_names_and_words_stays_text(client: TestClient, library: Library, demo: Breakdown) -> None:
    evil = "<script>alert(1)</script>"
    breakdown_id = library.add_breakdown(demo, title=evil)
    answer = client.get(f"/api/breakdowns/{breakdown_id}")
    assert answer.headers["content-type"] == "application/json" and answer.json()["title"] == evil
    assert evil not in client.get(f"/review/{breakdown_id}").text


def test_beyond_this_machine_a_password_is_needed(library: Library) -> None:
    for host in ("0.0.0.0", "192.168.1.5", "::"):
        with pytest.raises(OptionError, match="--password"):
            gate_for(host, "")
        with pytest.raises(OptionError, match="--password"):
            gate_for(host, "short")
    assert gate_for("127.0.0.1", "").password == "" and gate_for("localhost", "ignored").password == ""
    gate = gate_for("192.168.1.5", "long enough")
    client = TestClient(make_app(library, gate), base_url="http://192.168.1.5:8123", follow_redirects=False)
    origin = {"origin": "http://192.168.1.5:8123"}
    assert client.get(f"/?token={gate.token}").headers["location"] == "/enter"
    assert client.get("/api/library").status_code == 401
    for _ in range(5):
        assert client.post("/enter", data={"password": "guess"}, headers=origin).status_code == 401
    assert client.post("/enter", data={"password": "long enough"}, headers=origin).status_code == 401  # he must wait now
    gate._wait_until = 0.0
    for elsewhere in ("http://evil.example", "null"):
        assert client.post("/enter", data={"password": "long enough"}, headers={"origin": elsewhere}).status_code == 403
    assert client.post("/enter", data={"password": "long enough"}, headers=origin).status_code == 303
    assert client.get("/api/library").status_code == 200


def test_every_address_of_the_machine_is_answered_and_no_other_name(library: Library) -> None:
    """However the machine is called: Debian maps its own name to 127.0.1.1."""
    gate = gate_for("0.0.0.0", "long enough")
    client = TestClient(make_app(library, gate), base_url="http://192.168.1.5:8123", follow_redirects=False)
    assert client.get("/").headers["location"] == "/enter"
    for name in ("evil.example:8123", "192.168.1.6:8123"):
        assert client.get("/", headers={"host": name}).status_code == 421, name
    assert gate.is_known_host("[fd00::5]:8123", "fd00::5") and not gate.is_known_host("[fd00::6]:8123", "fd00::5")


def test_a_second_server_does_not_shut_the_first_one_out(library: Library, tmp_path: Path) -> None:
    """Browsers send the cookies of a host to each of its ports."""
    cookies: dict[str, str] = {}
    clients = []
    for port, folder in ((8123, library.folder), (8124, tmp_path / "second")):
        gate = Gate(frozenset({"127.0.0.1"}))
        client = TestClient(make_app(Library(folder), gate), base_url=f"http://127.0.0.1:{port}", follow_redirects=False)
        cookies.update(client.get(f"/?token={gate.token}").cookies)
        clients.append(client)
    for client in clients:
        client.cookies.clear()
        client.cookies.update(cookies)
        assert client.get("/api/library").status_code == 200


def test_a_correction_of_another_kind_is_refused(client: TestClient, library: Library, demo: Breakdown) -> None:
    breakdown_id = library.add_breakdown(demo)
    anchor = {"start_narration_s": 1.0, "end_narration_s": 2.0, "principle_id": "scan"}
    for bad in (
        {"kind": "drop-tables"}, {"kind": "status", "anchor": anchor, "change": {"status": "great"}}, {"kind": "confirm"},
        {"kind": "confirm", "anchor": {**anchor, "end_narration_s": 0.5}}, {"kind": "confirm", "anchor": {**anchor, "start_narration_s": "NaN"}},
        {"kind": "message", "change": {"text": "x" * 5000}}, {"kind": "message", "surprise": 1}, {"kind": "undo"},
    ):  # fmt: skip
        assert client.post(f"/api/breakdowns/{breakdown_id}/corrections", json={"corrections": [bad]}).status_code == 422, bad
    answer = client.post(f"/api/breakdowns/{breakdown_id}/corrections", json={"corrections": [{"kind": "undo", "undoes": "0" * 32}]})
    assert answer.status_code == 404
    assert library.corrections(breakdown_id) == []
    with pytest.raises(StoreError):
        library.corrections("x") or library.reviewed("x")


def test_sound_that_comes_twice_or_out_of_order_is_put_right(client: TestClient, library: Library) -> None:
    recording = client.post("/api/recordings", json={"sample_rate": 8000}).json()["id"]

    def put(at: int, samples: list[int]) -> int:
        content = b"".join(s.to_bytes(2, "little", signed=True) for s in samples)
        return int(client.put(f"/api/recordings/{recording}/sound?at={at}", content=content).json()["samples"])

    assert put(0, [1, 2, 3, 4]) == 4
    assert put(0, [1, 2, 3, 4]) == 4  # sent again: the answer was lost
    assert put(2, [3, 4, 5, 6]) == 6  # overlapping
    assert put(9, [9]) == 6  # after a hole: not taken, and said from where
    assert put(6, [7]) == 7
    pcm = (library.folder / "recordings" / recording / "sound.pcm").read_bytes()
    assert [int.from_bytes(pcm[i : i + 2], "little") for i in range(0, len(pcm), 2)] == [1, 2, 3, 4, 5, 6, 7]
    event = {"kind": "row", "at_sample": 3, "clip_s": 1.0, "rate": 1.0}
    for _ in range(2):
        assert client.post(f"/api/recordings/{recording}/events", json={"first": 0, "events": [event]}).json() == {"events": 1}
    assert client.post(f"/api/recordings/{recording}/events", json={"first": 5, "events": [event]}).json() == {"events": 1}
    assert json.loads(json.dumps(client.get("/api/recordings").json()))["recordings"][0]["samples"] == 7
    assert client.post(f"/api/recordings/{recording}/finish").status_code == 404  # far too short
