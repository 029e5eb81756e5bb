"""Which stretch of a long file a recording shows: a whole game is too much to be kept frame by frame.

Only the frames that the file stores whole are looked at, one every few seconds, and some screens of the recording are held against
them. A screen that shows about such a frame says where in the game the talk is; the stretch about most of them is then searched frame by frame.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np

from voiceover.media.frames import iter_luma
from voiceover.media.probe import MediaInfo, probe
from voiceover.playhead.screen_bank import build_bank, shrink
from voiceover.playhead.screen_locate import CANVAS_WIDTH, Locator, verify
from voiceover.playhead.screen_match import same_picture
from voiceover.playhead.stretch import LONG_S

# A screen is looked at so often, seconds, and searched for a clip at an unknown place so many times less often.
STEP_S = 0.4
PATIENCE = 5
# So many recognised screens are enough.
ENOUGH = 60
GLANCE_WIDTH = 160
# Places in the game further apart than this, seconds, are different scenes.
SCENE_S = 120.0
# So much is searched on either side of what was seen, seconds: stored frames are up to ten seconds apart.
MARGIN_S = 45.0
# One screen that looks like one frame of a whole game may be chance.
LEAST_SCREENS = 2


def find_stretch(
    recording: Path, clip: Path, *, info: MediaInfo | None = None, progress: Callable[[float], None] | None = None
) -> tuple[float, float] | None:
    """The stretch of a long clip that a recording shows.

    Args:
        recording: a narrated screen recording.
        clip: a long video, most of which is not shown.
        info: what is in the recording, where it is at hand.
        progress: told the seconds of clip time that have been looked through.
    Returns:
        Its begin and end, seconds of clip time, at most LONG_S apart; None where too little of it is recognised.
    Raises:
        MediaError: a file cannot be read or has no moving picture.
    """
    info = info or probe(recording, need_picture=True)
    bank = build_bank(clip, keyframes_only=True, progress=progress)
    locator = Locator([bank])
    seen_s: list[float] = []
    region, before, next_s, tries = None, None, 0.0, 0
    for frame in iter_luma(recording, info=info):
        if frame.time_s < next_s:
            continue
        next_s = frame.time_s + STEP_S
        screen = shrink(frame.luma, CANVAS_WIDTH)
        glance = shrink(screen, GLANCE_WIDTH)
        if before is not None and same_picture(glance, before):
            continue  # a pause is one look at one moment
        before = glance
        tries += 1
        target = None if region is None else verify(screen, bank, region)
        if target is None and tries % PATIENCE == 1:
            target = locator.locate(screen)
        if target is not None:
            region = target.region
            seen_s.append(float(bank.times_s[target.frame]))
            if len(seen_s) >= ENOUGH:
                break
    return densest(seen_s, probe(clip, need_picture=True).duration_s)


def densest(seen_s: list[float], duration_s: float) -> tuple[float, float] | None:
    """The scene in which most places lie, with a margin.

    Args:
        seen_s: places in a clip, seconds of clip time, in any order.
        duration_s: of the clip.
    Returns:
        Begin and end, seconds of clip time; None where no scene has LEAST_SCREENS places.

    >>> densest([10.0, 2000.0, 2031.0, 2005.0], 5400.0)
    (1955.0, 2076.0)
    """
    if not seen_s:
        return None
    places = np.sort(np.array(seen_s))
    scenes = np.split(places, np.flatnonzero(np.diff(places) > SCENE_S) + 1)
    most = max(scenes, key=len)
    if len(most) < LEAST_SCREENS:
        return None
    start_s, end_s = max(0.0, float(most[0]) - MARGIN_S), min(duration_s, float(most[-1]) + MARGIN_S)
    if end_s - start_s > LONG_S:
        middle_s = float(np.median(most))
        start_s, end_s = max(start_s, middle_s - LONG_S / 2), min(end_s, middle_s + LONG_S / 2)
    return start_s, end_s
