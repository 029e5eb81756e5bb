"""What is in a recording, and one clear line where it is none."""

from __future__ import annotations

import shutil
import struct
from collections.abc import Callable
from pathlib import Path

import av
import pytest

from tests.media.conftest import tone
from voiceover.errors import MediaError
from voiceover.media.probe import open_media, probe

BAD = Path(__file__).resolve().parents[3] / "shared" / "audio" / "bad"


def wav_header(rate: int, data_bytes: int, *, channels: int = 1) -> bytes:
    fmt = struct.pack("<HHIIHH", 1, channels, rate, rate * 2 * channels, 2 * channels, 16)
    body = b"fmt " + struct.pack("<I", len(fmt)) + fmt + b"data" + struct.pack("<I", data_bytes)
    return b"RIFF" + struct.pack("<I", 4 + len(body) + data_bytes) + b"WAVE" + body


def test_sound_only(make: Callable[..., Path]) -> None:
    info = probe(make("a.wav", audio=[tone(2.0)]), need_sound=True)
    assert info.duration_s == pytest.approx(2.0, abs=0.001)
    assert [(t.channels, t.sample_rate, t.start_s) for t in info.audio] == [(1, 48_000, 0.0)]
    assert not info.has_picture


def test_video_with_late_sound(make: Callable[..., Path]) -> None:
    info = probe(make("late.mkv", audio=[tone(1.0)], audio_start_s=2.0, video_s=4.0))
    assert info.audio[0].start_s == pytest.approx(2.0, abs=0.002)
    assert info.picture is not None
    assert (info.picture.width, info.picture.height, info.picture.start_s) == (64, 48, 0.0)
    assert info.duration_s == pytest.approx(4.0, abs=0.05)


@pytest.mark.skipif(shutil.which("ffmpeg") is None, reason="needs the ffmpeg program")
@pytest.mark.parametrize("name", ["a.ts", "a.mkv"])
def test_zero_is_the_first_thing_presented(make: Callable[..., Path], name: str) -> None:
    """A stretch cut out of a longer recording can keep its old timestamps; a player shows 0 where it begins."""
    times_s = [5.0 + i / 25 for i in range(50)]
    info = probe(make(name, audio=[tone(2.0)], audio_start_s=5.5, codec="mp2", video_times_s=times_s))
    assert info.zero_s == pytest.approx(5.0, abs=0.05)
    assert info.picture is not None and info.picture.start_s == 0.0
    assert info.audio[0].start_s == pytest.approx(0.5, abs=0.05)


def test_two_tracks(make: Callable[..., Path]) -> None:
    assert [t.index for t in probe(make("two.mkv", audio=[tone(1.0), tone(1.0)])).audio] == [0, 1]


@pytest.mark.parametrize(
    ("name", "content", "says"),
    [
        ("text.mp4", b"this is no video at all\n" * 40, "no recording that can be read"),
        ("empty.wav", b"", "empty file"),
        ("null.wav", wav_header(16_000, 0), "cut off after its header"),
        ("rate.wav", wav_header(1_092_676, 882) + b"\1\0" * 441, "header is damaged"),
        ("short.wav", wav_header(16_000, 100) + b"\1\0" * 50, "only 0.003 s"),
        ("cut.wav", wav_header(16_000, 9000)[:30], "no recording"),
        ("list.m3u8", b"#EXTM3U\n#EXT-X-TARGETDURATION:9\n#EXTINF:9,\nhttp://127.0.0.1:9/a.ts\n", "recording"),
    ],
)
def test_bad_files(tmp_path: Path, name: str, content: bytes, says: str) -> None:
    path = tmp_path / name
    path.write_bytes(content)
    with pytest.raises(MediaError, match=says) as caught:
        probe(path, need_sound=True)
    assert str(path) in str(caught.value)
    assert "\n" not in str(caught.value)
    assert ";" in str(caught.value), "what to do stands behind a semicolon"


def test_folder_and_missing(tmp_path: Path) -> None:
    with pytest.raises(MediaError, match="a folder"):
        probe(tmp_path)
    with pytest.raises(MediaError, match="no such file"):
        probe(tmp_path / "nothing.mp4")


def test_lacking_sound_or_picture(make: Callable[..., Path]) -> None:
    silent = make("mute.mkv", video_s=1.0)
    assert probe(silent).audio == ()
    with pytest.raises(MediaError, match="without sound"):
        probe(silent, need_sound=True)
    with pytest.raises(MediaError, match="without a moving picture"):
        probe(make("a.wav", audio=[tone(1.0)]), need_picture=True)


@pytest.mark.parametrize(("named", "error"), [("a.wav", MediaError), ("avcodec_send_packet()", MediaError), ("copy.mp4", av.FFmpegError)])
def test_only_what_fails_in_the_recording_itself_is_its_fault(make: Callable[..., Path], named: str, error: type[Exception]) -> None:
    path = make("a.wav", audio=[tone(1.0)])
    with pytest.raises(error), open_media(path):
        raise av.FFmpegError(5, "Input/output error", str(path) if named == "a.wav" else named)


def test_a_picture_without_a_decoder(make: Callable[..., Path]) -> None:
    path = make("new.mkv", video_s=1.0)
    content = path.read_bytes()
    assert content.count(b"V_MPEG4/ISO/ASP") == 1
    path.write_bytes(content.replace(b"V_MPEG4/ISO/ASP", b"V_TOMORROW/5678"))
    with pytest.raises(MediaError, match="its picture is in a form that FFmpeg doesn't know; export it again") as caught:
        probe(path)
    assert str(path) in str(caught.value)


@pytest.mark.parametrize("name", ["awful.wav", "evil.wav", "bad.wav", "null.wav"])
def test_broken_headers_of_others(name: str) -> None:
    """Broken WAV files from the test data of cmusphinx/pocketsphinx."""
    if not (BAD / name).exists():
        pytest.skip("the collection of broken files is not here")
    with pytest.raises(MediaError) as caught:
        probe(BAD / name, need_sound=True)
    assert name in str(caught.value)
    assert "\n" not in str(caught.value)
