"""The recorder page in a real browser, with a microphone that plays a file: sound, playhead, drawings, crashes."""

from __future__ import annotations

import json
import time
import wave
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pytest
from playwright.sync_api import Browser, Page, expect

from tests.browser.conftest import SAMPLE, Served, start_server
from voiceover.media.audio import read_audio
from voiceover.playhead.track import PlayheadTrack
from voiceover.review_app.recordings import Recordings, RecordingStart
from voiceover.store.library import Library

FRAME_S = 1 / 30
RATE = 48_000


@pytest.fixture(scope="module")
def spoken(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The first half minute of the demo's talk as the microphone hears it: 48 kHz, 16 bits."""
    path = tmp_path_factory.mktemp("microphone") / "talk.wav"
    voice = np.repeat(read_audio(SAMPLE / "narration.ogg", to_s=34.0), RATE // 16_000)
    with wave.open(str(path), "wb") as out:
        out.setnchannels(1)
        out.setsampwidth(2)
        out.setframerate(RATE)
        out.writeframes((voice * 32767).astype("<i2").tobytes())
    return path


@pytest.fixture
def speaking(launch: Callable[..., Browser], spoken: Path) -> Iterator[Browser]:
    """A browser into whose microphone the talk is spoken."""
    browser = launch(f"--use-file-for-fake-audio-capture={spoken}")
    yield browser
    browser.close()


@pytest.fixture
def booth(served: Served, speaking: Browser) -> Page:
    """The recorder page with the demo's clip, microphone open."""
    served.library.add_media(SAMPLE / "clip.mp4")
    page = speaking.new_context(viewport={"width": 1280, "height": 900}).new_page()
    page.goto(served.start)
    open_booth(page, served)
    return page


def open_booth(page: Page, served: Served) -> None:
    page.goto(f"{served.address}/record")
    page.wait_for_timeout(300)
    page.fill("#roster", "Ruben Tarrant, 17, white\nJonas Weir, 9, white\nEllis Corbin, 5, white\nOskar Penn, 22, red")
    page.fill("#team", "White")
    page.select_option("#occasion", "practice")
    page.select_option("#clip-known", index=1)
    page.click("#open")
    page.wait_for_selector("#booth:not([hidden])")
    page.wait_for_timeout(1500)  # so that the clock has been looked at


def truth(page: Page) -> tuple[float, float]:
    """What the driver sees now: seconds of the recording, and the clip's second on screen."""
    sample, rate, clip = page.evaluate("[voiceover.sampleNow(), voiceover.sampleRate(), document.getElementById('clip').currentTime]")
    return sample / rate, clip


def test_record_over_a_clip_and_find_the_log(booth: Page, served: Served) -> None:
    page = booth
    page.keyboard.press("r")
    expect(page.locator("#mark")).to_have_text("recording")
    seen: list[tuple[float, float]] = []

    def wait(seconds: float) -> None:
        end = time.monotonic() + seconds
        while time.monotonic() < end:
            page.wait_for_timeout(230)
            seen.append(truth(page))

    wait(2)
    page.keyboard.press(" ")  # plays
    wait(6)
    page.keyboard.press(" ")  # pauses
    wait(2)
    box = page.locator("#drawn").bounding_box()
    assert box is not None
    page.keyboard.press("3")
    page.mouse.move(box["x"] + 0.5 * box["width"], box["y"] + 0.5 * box["height"])
    page.mouse.down()
    page.mouse.move(box["x"] + 0.6 * box["width"], box["y"] + 0.7 * box["height"])
    page.mouse.up()
    wait(2)
    page.keyboard.press("ArrowRight")
    wait(1)
    page.keyboard.press("b")  # three seconds back, still paused
    wait(1.5)
    page.keyboard.press("l")  # half speed
    page.keyboard.press(" ")
    wait(5)
    page.keyboard.press("r")
    page.wait_for_url("**/review/*", timeout=20_000)
    breakdown_id = page.url.rsplit("/", 1)[1]
    page.wait_for_selector("tr.row", timeout=240_000)

    b = served.library.reviewed(breakdown_id).breakdown
    track = PlayheadTrack(tuple(b.playhead))
    assert {r.source for r in b.playhead} == {"recorded"}
    off = []
    for at_s, clip_s in seen:
        found = track.narration_to_clip(at_s)
        assert found is not None
        # currentTime runs on between pictures: the driver's own truth is good to one.
        off.append(abs(found.clip_s - clip_s))
    print(f"recorded playhead: median {1000 * np.median(off):.0f} ms, worst {1000 * max(off):.0f} ms over {len(off)} instants")
    assert np.median(off) <= FRAME_S and max(off) <= 0.1
    rates = {round(r.rate, 2) for r in b.playhead}
    assert {0.0, 1.0, 0.5} <= rates and any(jump < -2 for _, jump in track.jumps())
    assert len(b.drawings) == 1 and b.drawings[0].shape == "ring"
    assert b.drawings[0].points == [(pytest.approx(0.5, abs=0.01),) * 2, (pytest.approx(0.6, abs=0.01), pytest.approx(0.7, abs=0.01))]
    assert b.ice_time.occasion == "practice" and b.ice_time.team == "White"
    assert b.narration_duration_s == pytest.approx(seen[-1][0], abs=1.5)
    text = " ".join(w.text for w in b.words).lower()
    assert "ruben" in text and ("touch" in text or "wall" in text)
    assert b.log and all(r.clip_s is not None for r in b.log if r.possession)

    # Corrected like any other, and there after a reload.
    page.keyboard.press("ArrowDown")
    page.keyboard.press("c")
    expect(page.locator("#told")).to_have_text("Kept: confirm.")
    page.keyboard.press("ArrowDown")
    page.keyboard.type("sm")
    expect(page.locator("#told")).to_have_text("Kept: status.")
    page.reload()
    page.wait_for_selector("tr.row")
    expect(page.locator("tr.row", has_text="looked at")).to_have_count(2)
    assert served.library.setting("remembered")["team"] == "White"


def test_a_killed_server_loses_at_most_two_seconds_and_the_page_goes_on(booth: Page, served: Served) -> None:
    page = booth
    page.keyboard.press("r")
    page.wait_for_timeout(5000)
    spoken_s, _ = truth(page)
    folder = served.library.folder
    state = Recordings(Library(folder)).unfinished()[0]  # what is on the disk at this very moment, as after a crash
    assert spoken_s - state.duration_s < 2.0
    # The page is closed without a word; another one offers to go on.
    page.goto("about:blank")
    page.goto(served.address)
    expect(page.locator("#unfinished")).to_be_visible()
    page.click("text=Go on")
    page.wait_for_timeout(300)
    page.click("#open")
    page.wait_for_selector("#booth:not([hidden])")
    before = Recordings(served.library).unfinished()[0].duration_s
    page.wait_for_timeout(800)
    page.keyboard.press("r")
    page.wait_for_timeout(3000)
    after = Recordings(served.library).unfinished()[0]
    assert before + 1.0 < after.duration_s
    lines = (folder / "recordings" / after.id / "events.jsonl").read_text().splitlines()
    samples = [json.loads(line)["at_sample"] for line in lines]
    assert samples == sorted(samples) and max(samples) <= after.samples + after.start.sample_rate


def test_the_end_that_was_not_kept_is_sent_when_stop_is_pressed_again(booth: Page, served: Served) -> None:
    page = booth
    page.keyboard.press("r")
    expect(page.locator("#mark")).to_have_text("recording")
    page.wait_for_timeout(1500)
    page.route("**/sound?*", lambda route: route.abort())
    page.wait_for_timeout(500)
    state = Recordings(served.library).unfinished()[0]
    page.wait_for_timeout(1000)
    page.keyboard.press("r")
    expect(page.locator("#told")).to_contain_text("press Stop again", timeout=30_000)
    expect(page.locator("#saved")).to_contain_text("not kept yet")
    page.unroute("**/sound?*")
    page.click("#record")
    page.wait_for_url("**/review/*", timeout=20_000)
    narration = served.library.media_row(served.library.breakdown_row(page.url.rsplit("/", 1)[1]).narration_id or "")
    assert narration.duration_s is not None and narration.duration_s > state.duration_s + 0.9


def test_minutes_that_waited_are_sent_piece_by_piece(page: Page, served: Served) -> None:
    """Five minutes at 48 kHz are more than the server takes at once."""
    recording = Recordings(served.library).begin(RecordingStart(sample_rate=RATE))
    page.evaluate(
        """async ([id, rate]) => {
          const { Sender } = await import('/static/sender.js');
          const sender = new Sender(id, { sampleRate: rate, onState: () => {} });
          for (let at = 0; at < 300 * rate; at += rate / 10) sender.sound(at, new Int16Array(rate / 10).fill(1));
          for (let i = 0; i < 250; i += 1) sender.event({ kind: 'row', at_sample: i * rate, clip_s: i, rate: 1 });
          await sender.finish();
        }""",
        [recording.id, RATE],
    )
    kept = Recordings(served.library).state(recording.id)
    assert (kept.samples, kept.events) == (300 * RATE, 250)


def test_space_presses_the_button_in_focus_and_plays_everywhere_else(booth: Page) -> None:
    page = booth
    page.focus("#slow")
    page.keyboard.press(" ")
    expect(page.locator("#slow")).to_contain_text("Speed 0.5")
    page.focus("#single-keys")
    page.keyboard.press(" ")
    expect(page.locator("#single-keys")).not_to_be_checked()
    page.keyboard.press(" ")
    assert page.evaluate("document.getElementById('clip').paused")
    page.keyboard.press("r")
    expect(page.locator("#mark")).to_have_text("recording")
    page.click("#back")
    page.keyboard.press(" ")
    page.wait_for_timeout(300)
    assert not page.evaluate("document.getElementById('clip').paused")
    expect(page.locator("#mark")).to_have_text("recording")


def test_the_page_waits_for_a_server_that_is_away(speaking: Browser, tmp_path: Path) -> None:
    from voiceover.review_app.security import Gate
    from voiceover.review_app.serve import LOOPBACK_NAMES

    library, gate = Library(tmp_path / "library"), Gate(LOOPBACK_NAMES)
    library.add_media(SAMPLE / "clip.mp4")
    server, thread, port = start_server(library, gate)
    page = speaking.new_page()
    served = Served(library, gate, port)
    page.goto(served.start)
    open_booth(page, served)
    page.keyboard.press("r")
    page.wait_for_timeout(2500)
    server.should_exit = server.force_exit = True
    thread.join(10)
    page.wait_for_timeout(2500)
    expect(page.locator("#saved")).to_contain_text("not kept yet")
    server, thread, _ = start_server(library, gate, port)
    page.wait_for_timeout(3000)
    expect(page.locator("#saved")).to_have_text("kept as you speak")
    spoken_s, _ = truth(page)
    state = Recordings(library).unfinished()[0]
    assert spoken_s - state.duration_s < 2.0 and state.duration_s > 7.0
    server.should_exit = True
    thread.join(10)
