"""Whatever is handed in wrongly: one clear line, exit code 2, nothing half written."""

from __future__ import annotations

import errno
import os
import subprocess
import sys
from pathlib import Path

import pytest

from voiceover import LogOptions, OutputError, log, outputs, write_breakdown
from voiceover.speech.models import find_weights
from voiceover.whole_files import write_whole

SAMPLE = Path(__file__).resolve().parents[1] / "sample_audio"
BROKEN = Path(__file__).resolve().parents[2] / "shared" / "audio" / "bad"


def run(*arguments: str | Path) -> subprocess.CompletedProcess[str]:
    return subprocess.run([sys.executable, "-m", "voiceover.cli", "log", *map(str, arguments)], capture_output=True, text=True)


def assert_one_line(done: subprocess.CompletedProcess[str], name: str) -> None:
    lines = [line for line in done.stderr.splitlines() if line.strip()]
    assert done.returncode == 2, done.stderr
    assert len(lines) == 1 and name in lines[0], done.stderr
    assert "Traceback" not in done.stderr


@pytest.mark.parametrize(
    ("name", "content"), [("text.mp4", b"no video at all\n" * 50), ("empty.wav", b""), ("gone.wav", None), ("noise.m4a", b"\0\1\2" * 99)]
)
def test_a_narration_that_is_none(tmp_path: Path, name: str, content: bytes | None) -> None:
    if content is not None:
        (tmp_path / name).write_bytes(content)
    assert_one_line(run(tmp_path / name, "--out", tmp_path / "out"), name)
    assert not (tmp_path / "out").exists()


@pytest.mark.skipif(not BROKEN.is_dir(), reason="the broken recordings lie outside the project")
@pytest.mark.parametrize("name", ["awful.wav", "bad.wav", "null.wav", "evil.wav"])
def test_broken_recordings(tmp_path: Path, name: str) -> None:
    done = run(BROKEN / name, "--out", tmp_path / "out")
    if done.returncode == 0:
        pytest.skip("decodable after all")
    assert_one_line(done, name)


def test_a_video_without_sound(tmp_path: Path) -> None:
    import av
    import numpy as np

    path = tmp_path / "silent.mp4"
    with av.open(str(path), "w") as container:
        stream = container.add_stream("mpeg4", rate=25)
        stream.width, stream.height = 64, 48
        for _ in range(25):
            for packet in stream.encode(av.VideoFrame.from_ndarray(np.zeros((48, 64, 3), np.uint8))):
                container.mux(packet)
        for packet in stream.encode():
            container.mux(packet)
    assert_one_line(run(path, "--out", tmp_path / "out"), "silent.mp4")


def test_an_empty_roster_and_a_clip_that_is_none(tmp_path: Path) -> None:
    (tmp_path / "roster.csv").write_text("name,number\n")
    talk = ["--transcript", SAMPLE / "narration.vtt", "--out", tmp_path / "out"]
    assert_one_line(run("talk.wav", *talk, "--roster", tmp_path / "roster.csv"), "roster.csv")
    (tmp_path / "clip.mp4").write_text("x")
    assert_one_line(run("talk.wav", *talk, "--clip", tmp_path / "clip.mp4"), "clip.mp4")
    assert_one_line(run("talk.wav", *talk, "--from", "9", "--to", "3"), "--from")
    stretch = ["--from", "0", "--to", "60", "--playhead", "straight"]
    assert_one_line(run("talk.wav", *talk, "--clip", tmp_path / "gone.mp4", *stretch), "gone.mp4")
    assert_one_line(run("talk.wav", *talk, "--playhead", "nowhere.csv"), "nowhere.csv")
    assert_one_line(run("talk.wav", *talk, "--lexicon", "nothing.yaml"), "nothing.yaml")
    assert_one_line(run("talk.wav", *talk, "--occasion", "party"), "--occasion")
    assert_one_line(run("talk.wav", *talk, "--date", "yesterday"), "--date")


@pytest.mark.skipif(os.geteuid() == 0, reason="root may write anywhere")
def test_a_read_only_folder(tmp_path: Path) -> None:
    (tmp_path / "shut").mkdir(mode=0o500)
    assert_one_line(run("talk.wav", "--transcript", SAMPLE / "narration.vtt", "--out", tmp_path / "shut" / "out"), "shut")


def test_a_full_disk_leaves_what_was_there(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    breakdown = log(SAMPLE / "none.ogg", LogOptions(transcript=SAMPLE / "narration.vtt"))
    write_breakdown(breakdown, tmp_path)
    before = {p.name: p.read_bytes() for p in tmp_path.iterdir()}
    whole = Path.write_text

    def full(self: Path, data: str, *args: object, **more: object) -> int:
        if self.name == "totals.csv":
            raise OSError(errno.ENOSPC, "No space left on device")
        return whole(self, data, *args, **more)  # type: ignore[arg-type]

    monkeypatch.setattr(outputs.Path, "write_text", full)
    with pytest.raises(OutputError, match="No space left"):
        write_breakdown(breakdown.model_copy(update={"mentions": []}), tmp_path)
    monkeypatch.undo()
    assert {p.name: p.read_bytes() for p in tmp_path.iterdir()} == before


def test_a_result_below_a_file_is_one_line(tmp_path: Path) -> None:
    (tmp_path / "taken").write_text("x")
    with pytest.raises(OutputError, match="report.html: cannot be written") as caught:
        write_whole(tmp_path / "taken" / "report.html", b"x")
    assert "\n" not in str(caught.value)


def test_weights_that_are_not_here() -> None:
    from voiceover import VoiceoverError

    with pytest.raises(VoiceoverError, match="no-such-weights") as caught:
        find_weights("no-such-weights")
    assert "\n" not in str(caught.value)


def test_the_plain_install_says_what_looking_at_pictures_needs(tmp_path: Path) -> None:
    command = "import sys; sys.modules['cv2'] = None; sys.argv = sys.argv[1:]; from voiceover.cli import main; main()"
    arguments = ["find-playhead", SAMPLE / "clip.mp4", "--clip", SAMPLE / "clip.mp4", "--out", tmp_path / "playhead.csv"]
    done = subprocess.run([sys.executable, "-c", command, "voiceover", *map(str, arguments)], capture_output=True, text=True)
    assert_one_line(done, "pip install 'voiceover-log[screen]'")
    assert not (tmp_path / "playhead.csv").exists()


def test_a_report_needs_nothing_but_the_plain_install() -> None:
    extras = ["cv2", "matplotlib", "weasyprint", "openpyxl", "pyarrow", "opentimelineio", "frictionless"]
    command = f"import sys; sys.modules.update(dict.fromkeys({extras!r})); import voiceover.reports_cli, voiceover.library_cli, voiceover.reports.film"
    assert subprocess.run([sys.executable, "-c", command], capture_output=True, text=True).returncode == 0
    named = (Path(__file__).resolve().parents[1] / "pyproject.toml").read_text(encoding="utf-8").split("[project.optional")[0]
    assert '"pillow>=' in named  # what the letters on films are drawn with
