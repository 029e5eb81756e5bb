"""The stretch that is asked for is held against the clip."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.media.conftest import write_media
from voiceover.errors import OptionError
from voiceover.playhead.stretch import stretch_of


@pytest.fixture(scope="module")
def clip(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Six seconds."""
    return write_media(tmp_path_factory.mktemp("clip") / "clip.mkv", video_s=6.0)


@pytest.mark.parametrize(
    ("from_s", "to_s", "says"),
    [
        (100.0, None, "--from 100: .*only 6.0 s long"),
        (None, 60.0, "--to 60: .*only 6.0 s long"),
        (-1.0, 3.0, "--from -1: is no second"),
        (1.0, -3.0, "--to -3: is no second"),
        (float("nan"), None, "--from nan: is no second"),
        (4.0, 2.0, "the end is not after the start"),
        (6.0, None, "clip.mkv ends there"),
    ],
)
def test_a_stretch_outside_of_the_clip_is_one_line(clip: Path, from_s: float | None, to_s: float | None, says: str) -> None:
    with pytest.raises(OptionError, match=says) as caught:
        stretch_of(clip, from_s, to_s)
    assert "\n" not in str(caught.value) and ";" in str(caught.value)


def test_a_stretch_within_it(clip: Path) -> None:
    assert stretch_of(clip, None, None) == pytest.approx((0.0, 6.0), abs=0.05)
    assert stretch_of(clip, 1.5, 4.0) == (1.5, 4.0)
    # The page of a player shows the clip's end as a whole second.
    assert stretch_of(clip, 1.5, 6.9) == pytest.approx((1.5, 6.0), abs=0.05)


def test_without_a_clip_the_stretch_is_checked_in_itself() -> None:
    assert stretch_of(None, None, None) == (0.0, None)
    assert stretch_of(None, 10.0, 70.0) == (10.0, 70.0)
    with pytest.raises(OptionError, match="--from -1"):
        stretch_of(None, -1.0, 70.0)
