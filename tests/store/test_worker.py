"""The worker process is killed in the middle; another one takes over and finishes."""

from __future__ import annotations

import os
import signal
import time
from pathlib import Path

import pytest

from voiceover import Breakdown
from voiceover.review_app.serve import Worker
from voiceover.roster import Player
from voiceover.store import jobs
from voiceover.store.library import Library

SPEECH = Path(__file__).parent.parent / "data" / "librivox-0880.wav"


@pytest.mark.model
def test_a_killed_worker_costs_nothing_but_time(library: Library) -> None:
    unread = Breakdown(narration="talk.wav", roster=[Player("Al Focus", focus=True)])
    breakdown_id = library.new_breakdown(unread, narration_id=library.add_media(SPEECH))

    def state() -> str:
        return jobs.jobs_of(library, breakdown_id)[0].state

    def wait(wanted: str, seconds: float) -> None:
        end = time.monotonic() + seconds
        while state() != wanted:
            assert time.monotonic() < end, state()
            time.sleep(0.05)

    with Worker(library) as worker:
        wait("running", 60)
        killed = worker.pid
        assert killed is not None
        os.kill(killed, signal.SIGKILL)
        wait("done", 180)
        assert worker.pid != killed
    assert library.breakdown_row(breakdown_id).state == "ready"
    assert len(library.reviewed(breakdown_id).breakdown.words) >= 6
