"""The public functions, the command line, and what a wheel holds."""

from __future__ import annotations

import re
import subprocess
import sys
import tomllib
import zipfile
from pathlib import Path

import pytest

import voiceover

ROOT = Path(__file__).resolve().parents[1]


def test_public_names_are_sorted_importable_and_documented() -> None:
    assert voiceover.__all__ == sorted(voiceover.__all__)
    for name in voiceover.__all__:
        assert getattr(voiceover, name).__doc__, name


@pytest.mark.parametrize("command", ["log", "check-lexicon", "doctor"])
def test_every_command_has_help(command: str) -> None:
    done = subprocess.run([sys.executable, "-m", "voiceover.cli", command, "--help"], capture_output=True, text=True)
    assert done.returncode == 0 and len(done.stdout) > 100


def test_the_lexicons_ship_inside_the_wheel(tmp_path: Path) -> None:
    done = subprocess.run(
        [sys.executable, "-m", "pip", "wheel", "--no-deps", "--no-build-isolation", "-q", "-w", str(tmp_path), str(ROOT)],
        capture_output=True,
        text=True,
    )
    if done.returncode:
        pytest.skip("no hatchling beside pip here")
    (wheel,) = tmp_path.glob("voiceover_log-*.whl")
    names = set(zipfile.ZipFile(wheel).namelist())
    learnt = {f"voiceover/mentions/{name}.npz" for name in ("encoder_adapter", "meaning_head", "reader", "reader_adapter")}
    assert {"voiceover/lexicons/ice_hockey.yaml", "voiceover/fitted.json", *learnt} <= names
    assert "voiceover/evaluation/large_encoder_adapter.npz" not in names  # only training needs it


def test_the_changelog_begins_with_what_is_not_released_or_with_this_version() -> None:
    version = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]["version"]
    sections = re.findall(r"^## (\S+)", (ROOT / "CHANGELOG.md").read_text(encoding="utf-8"), re.MULTILINE)
    assert sections[0] in ("Unreleased", version) and len(set(sections)) == len(sections)


def test_shifts_are_of_a_plausible_length() -> None:
    """Brocherie et al. 2018 (Biol. Sport 35(3)): 44 s of effective play in a shift, 86 s with stoppages: the demo's clip fits."""
    from voiceover.media.probe import probe

    assert 20 <= probe(ROOT / "sample_audio" / "clip.mp4").duration_s <= 90.6
