"""A stretch of a longer video is cut and drawn where it stands in the video."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import pytest

from tests.reports.conftest import SAMPLE
from voiceover import Breakdown
from voiceover.lexicon.model import Lexicon
from voiceover.reports.exchange import share
from voiceover.reports.moments import MomentFilter, moments
from voiceover.reports.privacy import Shared, share_safe
from voiceover.reports.report import Source, report_html

FROM_S, TO_S = 600.0, 641.0


@pytest.fixture
def stretch(demo: Breakdown, lexicon: Lexicon) -> Shared:
    """The demo as if its clip were the stretch from 600 s on of a longer one."""
    return share_safe(of_longer(demo), lexicon)


def of_longer(demo: Breakdown) -> Breakdown:
    rows = [r if r.clip_s is None else dataclasses.replace(r, clip_s=r.clip_s + FROM_S) for r in demo.playhead]
    return demo.model_copy(update={"playhead": rows, "from_clip_s": FROM_S, "to_clip_s": TO_S, "clip_duration_s": TO_S - FROM_S})


def test_a_moment_is_cut_where_it_is(stretch: Shared) -> None:
    shots = moments(stretch, SAMPLE / "clip.mp4", MomentFilter(), lead_s=60.0, tail_s=60.0, sound="none")
    assert shots and all(FROM_S <= s.start_clip_s < s.end_clip_s <= TO_S for s in shots)
    first = min(r.clip_s for r in stretch.breakdown.log if r.clip_s is not None and r.possession)
    short = moments(stretch, SAMPLE / "clip.mp4", MomentFilter(), lead_s=0.5, tail_s=0.5, sound="none")[0]
    assert short.start_clip_s == pytest.approx(max(FROM_S, first - 0.5)) and short.end_clip_s >= first + 0.5


def test_a_timeline_is_as_long_as_the_video_to_the_end_of_the_stretch(stretch: Shared, tmp_path: Path) -> None:
    otio = pytest.importorskip("opentimelineio")
    share(stretch, ["otio"], tmp_path, rate=30.0)
    (whole, _) = otio.adapters.read_from_file(str(tmp_path / "possession_log.otio")).tracks
    assert whole[0].source_range.duration.to_seconds() == pytest.approx(TO_S)
    assert all(m.marked_range.start_time < whole[0].source_range.end_time_exclusive() for m in whole[0].markers)


def test_the_picture_of_the_shift_begins_with_the_stretch(demo: Breakdown, lexicon: Lexicon) -> None:
    assert "600 to 641" in report_html([Source(of_longer(demo))], lexicon)
