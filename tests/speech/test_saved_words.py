"""The words that are kept for a second run: whole lines, for nobody else's eyes, and not for good."""

from __future__ import annotations

import os
import stat
import time
from pathlib import Path

import pytest

from voiceover import Breakdown, write_breakdown
from voiceover.speech.saved_words import KEPT_DAYS, SavedWords, forget_all_words, forget_old_words, forget_words, words_file
from voiceover.speech.transcript import Word

KEY = "narration, weights and hint"
FIRST, SECOND, THIRD = ((i, 10.0 * i, 10.0 * i + 9.0, [Word(text, 10.0 * i, 10.0 * i + 1.0, 0.9)]) for i, text in enumerate("abc"))


@pytest.fixture
def cache(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("VOICEOVER_CACHE", str(tmp_path / "cache"))
    return tmp_path / "cache"


def keep(path: Path, *rows: tuple[int, float, float, list[Word]]) -> None:
    for row in rows:
        SavedWords.open(path, KEY).add([row])


@pytest.mark.parametrize("damage", [b'{"piece": 1, "start": 10.0, "en', b"\xff\xfe\n", b"{}\n"])
def test_what_is_kept_after_a_damaged_line_is_found_again(tmp_path: Path, damage: bytes) -> None:
    path = tmp_path / "words.jsonl"
    keep(path, FIRST)
    with path.open("ab") as file:
        file.write(damage)
    keep(path, SECOND, THIRD)
    found = SavedWords.open(path, KEY)
    assert [found.find(*row[:3]) for row in (FIRST, SECOND, THIRD)] == [FIRST[3], SECOND[3], THIRD[3]]


def test_a_line_separator_in_a_word_ends_no_line(tmp_path: Path) -> None:
    row = (0, 0.0, 9.0, [Word("one\u2028two", 0.0, 1.0, 0.9)])
    keep(tmp_path / "words.jsonl", row, SECOND)
    found = SavedWords.open(tmp_path / "words.jsonl", KEY)
    assert found.find(*row[:3]) == row[3] and found.find(*SECOND[:3]) == SECOND[3]


@pytest.mark.skipif(os.name != "posix", reason="other systems keep rights otherwise")
def test_only_the_owner_can_read_them(cache: Path) -> None:
    path = words_file("ab" * 32)
    keep(path, FIRST, SECOND)
    assert [stat.S_IMODE(p.stat().st_mode) for p in (path.parent, path)] == [0o700, 0o600]


def test_they_go_when_the_breakdown_is_written(cache: Path, tmp_path: Path) -> None:
    keep(words_file("ab" * 32), FIRST)
    keep(words_file("cd" * 32), FIRST)
    write_breakdown(Breakdown(narration="talk.ogg", narration_sha256="ab" * 32), tmp_path / "out")
    assert not words_file("ab" * 32).exists() and words_file("cd" * 32).exists()


def test_a_run_that_was_stopped_long_ago_is_forgotten(cache: Path) -> None:
    for identity, days in (("ab" * 32, KEPT_DAYS - 1), ("cd" * 32, KEPT_DAYS + 1)):
        keep(words_file(identity), FIRST)
        at = time.time() - 86_400 * days
        os.utime(words_file(identity), (at, at))
    forget_old_words()
    assert words_file("ab" * 32).exists() and not words_file("cd" * 32).exists()


def test_all_are_forgotten_also_while_one_is_written(cache: Path) -> None:
    saved = SavedWords.open(words_file("ab" * 32), KEY)
    saved.add([FIRST])
    assert forget_all_words() == [] and list((cache / "words").iterdir()) == []
    saved.add([SECOND])
    found = SavedWords.open(words_file("ab" * 32), KEY)
    assert found.find(*FIRST[:3]) is None and found.find(*SECOND[:3]) == SECOND[3]
    forget_words("ab" * 32)
    forget_words("ab" * 32)
    assert list((cache / "words").iterdir()) == []
