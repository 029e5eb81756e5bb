"""Copies that browsers play: the same pictures at the same times, from the files that phones and cameras write."""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path

import numpy as np
import pytest

pytest.importorskip("cv2")

from voiceover.errors import MediaError
from voiceover.media.frames import iter_luma
from voiceover.media.playable import copy_playable, plays_everywhere
from voiceover.media.probe import probe

FFMPEG = shutil.which("ffmpeg")
pytestmark = pytest.mark.skipif(FFMPEG is None, reason="the ffmpeg program makes the test's files")
# A counter in the picture and a tone; every frame differs.
SOURCE = ["-f", "lavfi", "-i", "testsrc2=size=320x180:rate=30:duration=3", "-f", "lavfi", "-i", "sine=frequency=440:duration=3"]
FILES = {
    "phone_hevc.mov": ["-c:v", "libx265", "-x265-params", "log-level=error", "-tag:v", "hvc1", "-c:a", "aac"],
    "ten_bit.mkv": ["-c:v", "libx265", "-x265-params", "log-level=error", "-pix_fmt", "yuv420p10le", "-c:a", "libopus"],
    "camera_interlaced.mpg": ["-vf", "interlace", "-r", "25", "-c:v", "mpeg2video", "-flags", "+ildct+ilme", "-b:v", "4M", "-c:a", "mp2"],
    "variable_rate.mkv": ["-vf", "select='not(mod(n,3))+gt(n,45)'", "-fps_mode", "vfr", "-c:v", "libx264", "-c:a", "aac"],
    "late_picture.mkv": ["-c:v", "libx264", "-c:a", "aac"],
    "screen.webm": ["-c:v", "libvpx", "-b:v", "2M", "-c:a", "libopus"],
}


def make(folder: Path, name: str) -> Path:
    path = folder / name
    source = SOURCE if name != "late_picture.mkv" else ["-itsoffset", "0.4", *SOURCE]
    subprocess.run([str(FFMPEG), "-v", "error", *source, *FILES[name], "-y", str(path)], check=True)
    return path


@pytest.mark.parametrize("name", FILES)
def test_a_copy_shows_the_same_pictures_at_the_same_times(tmp_path: Path, name: str) -> None:
    path = make(tmp_path, name)
    assert not plays_everywhere(path)
    copy = copy_playable(path, tmp_path / "copy.mp4")
    assert plays_everywhere(copy)
    before = [(f.time_s, f.luma.astype(float).copy()) for f in iter_luma(path)]
    after = [(f.time_s, f.luma.astype(float).copy()) for f in iter_luma(copy)]
    assert len(after) == len(before)
    late_s = before[0][0]
    assert (late_s == pytest.approx(0.4, abs=0.03)) == (name == "late_picture.mkv")
    assert after[0][0] == 0.0
    assert [t for t, _ in after[1:]] == pytest.approx([t for t, _ in before[1:]], abs=0.0011)
    inner = slice(8, -8)
    for (_, a), (_, b) in zip(before, after, strict=True):
        assert np.abs(a[inner, inner] - b[inner, inner]).mean() < (12 if "interlaced" in name else 4)
    # Each picture is nearer to its own than to its neighbours: nothing is shifted by a frame.
    middle = len(before) // 2
    distances = [np.abs(before[middle][1] - after[i][1]).mean() for i in range(middle - 2, middle + 3)]
    assert int(np.argmin(distances)) == 2
    assert probe(copy).audio and probe(copy).duration_s == pytest.approx(probe(path).duration_s, abs=0.1)


def test_a_turned_phone_video_stands_upright(tmp_path: Path) -> None:
    flat = tmp_path / "flat.mp4"
    subprocess.run([str(FFMPEG), "-v", "error", *SOURCE, "-c:v", "libx264", "-c:a", "aac", str(flat)], check=True)
    turned = tmp_path / "turned.mp4"
    subprocess.run([str(FFMPEG), "-v", "error", "-i", str(flat), "-c", "copy", "-metadata:s:v:0", "rotate=270", str(turned)], check=True)
    copy = copy_playable(turned, tmp_path / "copy.mp4")
    picture = probe(copy).picture
    assert picture is not None and picture.rotation == 0 and picture.shown_size == (180, 320)
    a = next(iter_luma(turned)).luma.astype(float)
    b = next(iter_luma(copy)).luma.astype(float)
    assert a.shape == b.shape and np.abs(a - b).mean() < 4


def test_a_plain_mp4_is_left_as_it_is(tmp_path: Path) -> None:
    path = tmp_path / "plain.mp4"
    subprocess.run([str(FFMPEG), "-v", "error", *SOURCE, "-c:v", "libx264", "-pix_fmt", "yuv420p", "-c:a", "aac", str(path)], check=True)
    assert plays_everywhere(path)


def test_a_copy_forgets_place_and_device(tmp_path: Path) -> None:
    path = tmp_path / "phone.mov"
    tags = [
        "-metadata",
        "com.apple.quicktime.location.ISO6709=+46.5+006.6/",
        "-metadata",
        "location=+46.5+006.6/",
        "-metadata",
        "make=Phonemaker",
    ]
    tags += ["-movflags", "use_metadata_tags"]
    subprocess.run(
        [str(FFMPEG), "-v", "error", *SOURCE, *tags, "-c:v", "libx265", "-x265-params", "log-level=error", str(path)], check=True
    )
    copy = copy_playable(path, tmp_path / "copy.mp4")
    assert b"Phonemaker" in path.read_bytes()
    assert not any(word in copy.read_bytes() for word in (b"Phonemaker", b"+46.5", b"phone.mov"))


def test_a_video_that_breaks_off_is_not_blamed_on_the_disk(tmp_path: Path) -> None:
    path = tmp_path / "cut.y4m"  # most other kinds go on behind a hole
    subprocess.run([str(FFMPEG), "-v", "error", *SOURCE, "-an", str(path)], check=True)
    content, middle = path.read_bytes(), path.stat().st_size // 2
    path.write_bytes(content[:middle] + content[middle + 300 :])
    with pytest.raises(MediaError, match="cut.y4m: cannot be read to its end") as caught:
        copy_playable(path, tmp_path / "copy.mp4")
    assert "\n" not in str(caught.value)
    assert [p.name for p in tmp_path.iterdir()] == ["cut.y4m"]
