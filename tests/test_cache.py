"""What is kept in the cache: made again where it is damaged, one line where it cannot be kept."""

from __future__ import annotations

import errno
from pathlib import Path

import numpy as np
import pytest

from voiceover.cache import kept_arrays
from voiceover.errors import OutputError, WeightsError
from voiceover.mentions import encoder_weights
from voiceover.mentions.encoder_weights import SMALL, prepare
from voiceover.speech.saved_words import SavedWords

MADE = {"numbers": np.arange(5), "names": np.array(["a", "b"])}


def full(*_: object, **__: object) -> None:
    raise OSError(errno.ENOSPC, "No space left on device")


def assert_says_what_to_do(error: pytest.ExceptionInfo[WeightsError]) -> None:
    assert "VOICEOVER_CACHE" in str(error.value) and "\n" not in str(error.value)


def test_what_is_kept_is_not_made_again(tmp_path: Path) -> None:
    kept_arrays(tmp_path / "cache" / "a.npz", lambda: MADE)
    again = kept_arrays(tmp_path / "cache" / "a.npz", lambda: pytest.fail("made twice"))
    assert again.keys() == MADE.keys() and all(np.array_equal(again[k], MADE[k]) for k in MADE)


@pytest.mark.parametrize("share", [0.0, 0.5, 0.99])
def test_a_damaged_file_is_made_again(tmp_path: Path, share: float) -> None:
    path = tmp_path / "a.npz"
    kept_arrays(path, lambda: MADE)
    whole = path.read_bytes()
    path.write_bytes(whole[: int(share * len(whole))])
    assert np.array_equal(kept_arrays(path, lambda: MADE)["numbers"], MADE["numbers"])
    kept_arrays(path, lambda: pytest.fail("not kept"))


def test_a_cache_that_cannot_be_written_is_one_line(tmp_path: Path) -> None:
    (tmp_path / "taken").write_text("x")
    with pytest.raises(WeightsError, match="a.npz: cannot be kept there") as error:
        kept_arrays(tmp_path / "taken" / "a.npz", lambda: MADE)
    assert_says_what_to_do(error)
    with pytest.raises(OutputError, match="cannot keep the words"):
        SavedWords.open(tmp_path / "taken" / "words.jsonl", "key").add([(0, 0.0, 1.0, [])])


def test_a_full_disk_is_one_line_and_leaves_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def half(path: Path, **_: object) -> None:
        path.write_bytes(b"half")
        full()

    monkeypatch.setattr(np, "savez", half)
    with pytest.raises(WeightsError, match="No space left") as error:
        kept_arrays(tmp_path / "a.npz", lambda: MADE)
    assert_says_what_to_do(error)
    assert list(tmp_path.iterdir()) == []


def test_an_encoder_that_cannot_be_kept_is_one_line(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("VOICEOVER_CACHE", str(tmp_path / "cache"))
    monkeypatch.setattr(encoder_weights, "packaged", lambda weights: (tmp_path,))
    monkeypatch.setattr(encoder_weights, "read_packaged", lambda weights, found: ({}, "{}"))
    monkeypatch.setattr(encoder_weights, "_convert", full)
    with pytest.raises(WeightsError, match="No space left") as error:
        prepare(SMALL, adapted=False)
    assert_says_what_to_do(error)
    assert list((tmp_path / "cache").iterdir()) == []
