"""A library with the demo's breakdown in it."""

from __future__ import annotations

from pathlib import Path

import pytest

pytest.importorskip("sqlalchemy")

from voiceover import Breakdown
from voiceover.store.library import Library

SAMPLE = Path(__file__).resolve().parents[2] / "sample_audio"


@pytest.fixture
def library(tmp_path: Path) -> Library:
    return Library(tmp_path / "library")


@pytest.fixture
def kept(library: Library, demo: Breakdown) -> str:
    """Id of the demo in the library, with its recordings."""
    return library.add_breakdown(demo, narration=SAMPLE / "narration.ogg", clip=SAMPLE / "clip.mp4")
