"""The demo as it may go out."""

from __future__ import annotations

from pathlib import Path

import pytest

pytest.importorskip("jinja2")

from voiceover import Breakdown
from voiceover.lexicon.io import load_lexicon
from voiceover.lexicon.model import Lexicon
from voiceover.reports.privacy import Shared, share_safe

SAMPLE = Path(__file__).resolve().parents[2] / "sample_audio"
MARKED = Path(__file__).resolve().parents[2] / "marked_narrations"


@pytest.fixture(scope="session")
def demo(demo: Breakdown) -> Breakdown:
    """With what the coach wrote to the player."""
    return demo.model_copy(
        update={"message": "Good work, Ruben. Jonas Weir says you called for it.", "next_step": "Ten passes a day with Ellis."}
    )


@pytest.fixture(scope="session")
def lexicon() -> Lexicon:
    return load_lexicon()


@pytest.fixture
def shared(demo: Breakdown, lexicon: Lexicon) -> Shared:
    return share_safe(demo, lexicon)
