"""Which playhead a narration gets: handed in, seen in the picture, heard in the sound, or spoken."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

from voiceover.errors import PlayheadError
from voiceover.media.probe import probe
from voiceover.mentions.parse import ParsedTalk
from voiceover.playhead.merge import differences, merge_playheads, spoken_track
from voiceover.playhead.sound import find_sound_playhead
from voiceover.playhead.spoken import contradictions, spoken_times
from voiceover.playhead.stretch import LONG_S
from voiceover.playhead.track import PlayheadTrack, parse_straight, read_playhead, straight_track

Progress = Callable[[str, float, float], None]

# In a long clip the sound is looked for so far around what the picture shows, seconds: two of its windows and more. Guess, not measured.
AROUND_S = 10.0


@dataclass(frozen=True, slots=True)
class PlayheadWish:
    """What is asked for."""

    playhead: str | None = None
    """A file, straight, straight+SECONDS, auto or none; None is auto where there is a clip and a narration to look at, else none."""
    own_rows: Path | None = None
    """A playhead.csv whose rows win over whatever is found."""
    clip: Path | None = None
    from_clip_s: float | None = None
    to_clip_s: float | None = None


def choose_playhead(narration: Path, wish: PlayheadWish, progress: Progress | None = None) -> tuple[PlayheadTrack | None, list[str]]:
    """The playhead that is asked for, None for none; and what the user should know about it.

    Raises:
        PlayheadError: neither a file nor one of the words, or the clip is neither seen nor heard in the narration, or too long.
        MediaError: narration or clip cannot be read.
    """
    found, warnings = _found(narration, wish, progress)
    if wish.own_rows is None:
        return found, warnings
    own = PlayheadTrack(tuple(replace(row, source="user") for row in read_playhead(wish.own_rows).rows))
    return merge_playheads([found, own] if found else [own]), warnings


def with_spoken(playhead: PlayheadTrack | None, talk: ParsedTalk) -> tuple[PlayheadTrack | None, list[str]]:
    """Fill in the seconds that the coach names where nothing surer is known, and report those that contradict it.

    Spoken rows that the playhead has already are of an earlier reading of the talk, whose words may have been put right since; they go.
    """
    spoken = spoken_times(talk)
    known = [row for row in playhead.rows if row.source != "spoken"] if playhead else []
    if not known:
        named = spoken_track(spoken)
        return (named if named.rows else None), []
    playhead = PlayheadTrack(tuple(known))
    return merge_playheads([playhead, spoken_track(spoken)]), [str(c) for c in contradictions(spoken, playhead)]


def _found(narration: Path, wish: PlayheadWish, progress: Progress | None) -> tuple[PlayheadTrack | None, list[str]]:
    text = wish.playhead or "auto"
    if text == "none":
        return None, []
    if text == "auto":
        if wish.clip is None or not narration.exists():
            if wish.playhead is None:
                return None, []
            raise PlayheadError("--playhead auto: needs the clip to look for, and the narration; name the clip with --clip")
        return _seen(narration, wish, progress) if probe(narration).has_picture else _heard(narration, wish, progress)
    offset = parse_straight(text)
    if offset is not None:
        return straight_track(offset + (wish.from_clip_s or 0.0)), []
    if not Path(text).exists():
        raise PlayheadError(f"{text}: no such playhead file; give a playhead.csv, or write auto, none, straight or straight+SECONDS")
    return read_playhead(Path(text)), []


def needs_opencv(what: str, instead: str) -> PlayheadError:
    """That something looks at pictures, which the plain install cannot, and what to do."""
    return PlayheadError(f"{what}: needs OpenCV; run: pip install 'voiceover-log[screen]', or {instead}")


def _heard(narration: Path, wish: PlayheadWish, progress: Progress | None) -> tuple[PlayheadTrack | None, list[str]]:
    """By sound alone; where that was not asked for in so many words, that it cannot be told is no mistake."""
    try:
        return _by_sound(narration, wish, progress), []
    except PlayheadError as error:
        if wish.playhead is not None:
            raise
        return None, [f"No clip times: {error}"]


def _seen(narration: Path, wish: PlayheadWish, progress: Progress | None) -> tuple[PlayheadTrack, list[str]]:
    assert wish.clip is not None
    try:
        from voiceover.playhead.screen import find_screen_playhead
    except ImportError as error:
        raise needs_opencv("--playhead auto", "write --playhead none") from error
    report = (lambda done, total: progress("watching", done, total)) if progress else None
    seen = find_screen_playhead(narration, [wish.clip], from_clip_s=wish.from_clip_s, to_clip_s=wish.to_clip_s, progress=report)
    if _is_too_long(wish):
        shown = _shown(seen, probe(narration).duration_s)
        if shown is None:
            return seen, []
        wish = replace(wish, from_clip_s=max(0.0, shown[0] - AROUND_S), to_clip_s=shown[1] + AROUND_S)
    try:
        heard = _by_sound(narration, wish, progress)
    except PlayheadError:
        return seen, []  # the clip was muted, as usual
    return merge_playheads([seen, heard]), differences(seen, heard)


def _is_too_long(wish: PlayheadWish) -> bool:
    """Whether the clip, or what is left of it behind --from or before --to, is too long to be searched as a whole."""
    if wish.clip is None or (wish.from_clip_s is not None and wish.to_clip_s is not None):
        return False
    duration_s = probe(wish.clip).duration_s
    end_s = duration_s if wish.to_clip_s is None else min(wish.to_clip_s, duration_s)
    return end_s - (wish.from_clip_s or 0.0) > LONG_S


def _shown(seen: PlayheadTrack, duration_s: float) -> tuple[float, float] | None:
    """The first and the last second of the clip that a recording of so many seconds shows; None where it shows nothing."""
    places = [
        row.clip_s + row.rate * (at - row.narration_s)
        for start, end, row in seen.stretches(0.0, duration_s)
        for at in (start, end)
        if row.clip_s is not None
    ]
    return (min(places), max(places)) if places else None


def _by_sound(narration: Path, wish: PlayheadWish, progress: Progress | None) -> PlayheadTrack:
    assert wish.clip is not None
    if not probe(narration).audio or not probe(wish.clip).audio:
        raise PlayheadError(
            f"{wish.clip}: has no sound to look for in {narration.name}; give the playhead as a file, or write --playhead none"
        )
    if _is_too_long(wish):
        raise PlayheadError(
            f"{wish.clip}: too long to be searched at once ({probe(wish.clip).duration_s / 60:.0f} minutes); name the stretch that is"
            " talked about with --from and --to"
        )
    report = (lambda done, total: progress("listening for the clip", done, total)) if progress else None
    return find_sound_playhead(narration, wish.clip, from_clip_s=wish.from_clip_s, to_clip_s=wish.to_clip_s, progress=report)
