"""The playhead by the clip's sound under a voice, over sounds that are made here."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from tests.media.conftest import write_media
from voiceover.errors import PlayheadError
from voiceover.playhead import choose
from voiceover.playhead.choose import PlayheadWish, choose_playhead
from voiceover.playhead.sound import RATE_HZ, find_heard, find_sound_playhead
from voiceover.playhead.track import PlayheadRow, PlayheadTrack

DATA = Path(__file__).parent.parent / "data"
VOICE = 0.08


def rink(seconds: float, *, seed: int = 3, rate: int = RATE_HZ) -> np.ndarray:
    """Noise that swells, as blades and boards do: float32 of shape (n,)."""
    rng = np.random.default_rng(seed)
    n = round(seconds * rate)
    swell = 1 + 0.8 * np.sin(np.arange(n) / rate * 1.3)
    noise = np.convolve(rng.standard_normal(n), np.ones(3) / 3, "same")
    return (0.05 * swell * noise).astype(np.float32)


def voice(seconds: float, *, rate: int = RATE_HZ) -> np.ndarray:
    """Harmonics that rise and fall and stop, louder than the rink."""
    t = np.arange(round(seconds * rate)) / rate
    pitch = np.cumsum(120 + 30 * np.sin(t * 2.1)) / rate
    tone = sum(np.sin(2 * np.pi * k * pitch) / k for k in range(1, 12))
    return (VOICE * tone * (np.sin(t * 4) > -0.6)).astype(np.float32)


def mixed(script: list[tuple[float, float, float]], *, seconds: float, level: float, rate: int = RATE_HZ) -> np.ndarray:
    """A voice with stretches of the clip under it: (narration_s, clip_s, length_s) each."""
    talk, clip = voice(seconds, rate=rate), rink(20.0, rate=rate)
    for narration_s, clip_s, length_s in script:
        a, b, n = (round(x * rate) for x in (narration_s, clip_s, length_s))
        talk[a : a + n] += level * clip[b : b + n]
    return talk


@pytest.mark.parametrize("level", [1.0, 0.2])
def test_what_is_heard_is_found_with_its_pause_and_its_rewind(level: float) -> None:
    # From 3 s on, paused at 8 s of the talk, on again at 15 s from there, and back to clip second 2 at 24 s.
    script = [(3.0, 0.0, 5.0), (15.0, 5.0, 6.0), (24.0, 2.0, 9.0)]
    heard = find_heard(mixed(script, seconds=40.0, level=level), rink(20.0))
    assert len(heard) == 3
    for stretch, (narration_s, clip_s, length_s) in zip(heard, script, strict=True):
        assert stretch.offset_s == pytest.approx(clip_s - narration_s, abs=0.002)
        assert stretch.start_narration_s == pytest.approx(narration_s, abs=0.1)
        assert stretch.end_narration_s == pytest.approx(narration_s + length_s, abs=0.1)


def test_another_sound_is_not_found() -> None:
    assert find_heard(mixed([(3.0, 0.0, 10.0)], seconds=30.0, level=1.0), rink(20.0, seed=9)) == []


def test_a_sound_that_repeats_is_left_open() -> None:
    loop = np.tile(rink(0.5), 40)
    talk = voice(30.0)
    talk[8000 : 8000 + 12 * RATE_HZ] += loop[: 12 * RATE_HZ]
    assert find_heard(talk, loop) == []


def test_audio_alone_is_placed_on_the_clip(tmp_path: Path) -> None:
    rate = 16_000
    clip = write_media(tmp_path / "clip.mkv", audio=[rink(20.0, rate=rate)], video_s=20.0, rate=rate)
    talk = mixed([(3.0, 0.0, 5.0), (15.0, 5.0, 6.0)], seconds=30.0, level=1.0, rate=rate)
    narration = write_media(tmp_path / "talk.wav", audio=[talk], rate=rate)
    track, warnings = choose_playhead(narration, PlayheadWish(clip=clip))
    assert track is not None and warnings == []
    assert {row.source for row in track.rows} == {"sound"}
    for narration_s, clip_s in ((5.0, 2.0), (11.0, 5.0), (18.0, 8.0)):
        at = track.narration_to_clip(narration_s)
        assert at is not None and at.clip_s == pytest.approx(clip_s, abs=0.1)
    assert track.narration_to_clip(1.0) is None and track.narration_to_clip(25.0) is None


def test_it_says_that_it_cannot(tmp_path: Path) -> None:
    rate = 16_000
    clip = write_media(tmp_path / "clip.mkv", audio=[rink(20.0, rate=rate)], video_s=20.0, rate=rate)
    mute = write_media(tmp_path / "mute.mkv", audio=[np.zeros(20 * rate, np.float32)], video_s=20.0, rate=rate)
    narration = write_media(tmp_path / "talk.wav", audio=[voice(20.0, rate=rate)], rate=rate)
    with pytest.raises(PlayheadError, match="is not heard in it"):
        find_sound_playhead(narration, clip)
    with pytest.raises(PlayheadError, match="silent"):
        find_sound_playhead(narration, mute)
    track, warnings = choose_playhead(narration, PlayheadWish(clip=clip))
    assert track is None and "is not heard" in warnings[0]
    with pytest.raises(PlayheadError, match="is not heard"):
        choose_playhead(narration, PlayheadWish(clip=clip, playhead="auto"))


def test_a_whole_game_is_not_searched_by_its_sound_alone(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    rate = 16_000
    clip = write_media(tmp_path / "game.mkv", audio=[rink(20.0, rate=rate)], video_s=20.0, rate=rate)
    talk = mixed([(3.0, 4.0, 5.0), (15.0, 9.0, 6.0)], seconds=30.0, level=1.0, rate=rate)
    narration = write_media(tmp_path / "talk.wav", audio=[talk], rate=rate)
    monkeypatch.setattr(choose, "LONG_S", 15.0)
    track, warnings = choose_playhead(narration, PlayheadWish(clip=clip))
    assert track is None and "game.mkv: too long" in warnings[0] and "--from and --to" in warnings[0]
    with pytest.raises(PlayheadError, match="--from and --to"):
        choose_playhead(narration, PlayheadWish(clip=clip, playhead="auto", from_clip_s=2.0))
    track, warnings = choose_playhead(narration, PlayheadWish(clip=clip, from_clip_s=2.0, to_clip_s=16.0))
    at = track.narration_to_clip(5.0) if track else None
    assert warnings == [] and at is not None and at.clip_s == pytest.approx(6.0, abs=0.1)


def test_of_a_whole_game_only_what_the_picture_shows_is_listened_to(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    screen = pytest.importorskip("voiceover.playhead.screen")
    sound = np.zeros(16_000, np.float32)
    game = write_media(tmp_path / "game.mkv", audio=[sound], video_s=60.0, rate=16_000)
    recording = write_media(tmp_path / "recording.mkv", audio=[sound], video_s=8.0, rate=16_000)
    rows = (PlayheadRow(0.0, 30.0, 1.0, source="screen", confidence=0.9), PlayheadRow(5.0, 33.0, 0.0, source="screen", confidence=0.9))
    asked: list[tuple[float | None, float | None]] = []

    def listen(*_: object, from_clip_s: float | None, to_clip_s: float | None, **__: object) -> PlayheadTrack:
        asked.append((from_clip_s, to_clip_s))
        raise PlayheadError("muted")

    monkeypatch.setattr(screen, "find_screen_playhead", lambda *_, **__: PlayheadTrack(rows))
    monkeypatch.setattr(choose, "find_sound_playhead", listen)
    choose_playhead(recording, PlayheadWish(clip=game))
    monkeypatch.setattr(choose, "LONG_S", 50.0)
    choose_playhead(recording, PlayheadWish(clip=game))
    assert asked == [(None, None), (30.0 - choose.AROUND_S, 35.0 + choose.AROUND_S)]
