"""The demo, read once for all tests that need a breakdown."""

from __future__ import annotations

from pathlib import Path

import pytest

from voiceover import Breakdown, LogOptions, log

SAMPLE = Path(__file__).resolve().parent.parent / "sample_audio"


@pytest.fixture(scope="session")
def demo() -> Breakdown:
    options = LogOptions(
        clip=SAMPLE / "clip.mp4", playhead=str(SAMPLE / "playhead.csv"), roster=SAMPLE / "roster.csv", transcript=SAMPLE / "narration.vtt"
    )
    return log(SAMPLE / "narration.ogg", options)
