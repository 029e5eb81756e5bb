"""Words that are kept while recognition still runs, so that a second run goes on where the first one was stopped.

One JSON line for each finished piece, after a first line that says what it belongs to. A line is complete or it is cut off.
They hold what was said of minors: nobody else on the machine reads them, and they go when the breakdown is written.
"""

from __future__ import annotations

import hashlib
import json
import os
import time
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from voiceover.cache import cache_folder
from voiceover.errors import OutputError
from voiceover.speech.transcript import Word

# Counted up whenever pieces or word times come out differently: older saved words are then not used.
FORMAT = 1
# A run that was stopped so many days ago is not gone on with: its words are deleted.
KEPT_DAYS = 7
# Files up to this size are hashed whole; of larger ones so many parts of 1 MiB each, spread over the file, and the size.
WHOLE_FILE_BYTES = 64 << 20
HASHED_PARTS = 32


@dataclass(slots=True)
class SavedWords:
    """Finished pieces of one narration, on disk."""

    path: Path
    key: str
    pieces: dict[tuple[int, float, float], list[Word]] = field(default_factory=dict)

    @classmethod
    def open(cls, path: Path, key: str) -> SavedWords:
        """Read what is there, and cut off what is damaged, so that later pieces follow the last whole one.

        A file that belongs to something else is replaced when the first piece is finished.

        Args:
            path: the file; it need not exist.
            key: identity of narration, weights, hint and settings.
        """
        saved = cls(path, key)
        try:
            content = path.read_bytes()
        except OSError:
            return saved
        complete = [line for line in content.splitlines(keepends=True) if line.endswith(b"\n")]
        try:
            head = json.loads(complete[0])
            if head.get("key") != key or head.get("format") != FORMAT:
                return saved
        except (ValueError, IndexError, AttributeError):
            return saved
        whole = len(complete[0])
        for line in complete[1:]:
            try:
                row = json.loads(line)
                words = [_read_word(w) for w in row["words"]]
                saved.pieces[int(row["piece"]), float(row["start"]), float(row["end"])] = words
            except (ValueError, KeyError, TypeError):
                break  # damaged: what follows is recognised again
            whole += len(line)
        if whole < len(content):
            try:
                os.truncate(path, whole)
            except OSError:
                return cls(path, key)  # nothing can be added to it: it is begun anew
        return saved

    def find(self, piece: int, start_narration_s: float, end_narration_s: float) -> list[Word] | None:
        """The words of a piece, if it was finished before; None else."""
        return self.pieces.get((piece, round(start_narration_s, 3), round(end_narration_s, 3)))

    def add(self, rows: Sequence[tuple[int, float, float, Sequence[Word]]]) -> None:
        """Keep finished pieces: index, start and end in seconds of narration time, words.

        Raises:
            OutputError: the disk is full or the folder cannot be written.
        """
        fresh = not self.pieces or not self.path.exists()
        lines = []
        for piece, start_s, end_s, words in rows:
            start_s, end_s = round(start_s, 3), round(end_s, 3)
            self.pieces[piece, start_s, end_s] = list(words)
            row = {"piece": piece, "start": start_s, "end": end_s, "words": [_write_word(w) for w in words]}
            lines.append(json.dumps(row, ensure_ascii=False) + "\n")
        try:
            self.path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
            if fresh:
                head = json.dumps({"format": FORMAT, "key": self.key}) + "\n"
                temporary = self.path.with_name(f".{self.path.name}.{os.getpid()}")
                temporary.touch(mode=0o600)
                _write(temporary, "w", [head, *lines])
                os.replace(temporary, self.path)
            else:
                _write(self.path, "a", lines)
        except OSError as error:
            reason = error.strerror or str(error)
            raise OutputError(
                f"{self.path}: cannot keep the words found so far ({reason}); free some space or choose another folder"
            ) from error


def words_file(identity: str) -> Path:
    """Where the words of a recording are kept while it is recognised.

    Args:
        identity: of the recording, as `file_identity` gives it.
    """
    return _folder() / f"{identity[:24]}.jsonl"


def forget_words(identity: str) -> None:
    """Delete the words of a recording whose breakdown is written; none may be there.

    Args:
        identity: of the recording, as `file_identity` gives it.
    """
    _delete(words_file(identity))


def forget_all_words() -> list[Path]:
    """Delete the words of all recordings, for nothing says who is named in them; what could not be deleted is given back."""
    for file in _files():
        _delete(file)
    return _files()


def forget_old_words() -> None:
    """Delete the words of runs that were stopped KEPT_DAYS ago or earlier."""
    for file in _files():
        with suppress(OSError):
            if time.time() - file.stat().st_mtime > KEPT_DAYS * 86_400:
                _delete(file)


def _folder() -> Path:
    return cache_folder() / "words"


def _files() -> list[Path]:
    return list(_folder().glob("*"))


def _delete(file: Path) -> None:
    with suppress(OSError):  # a cache that cannot be written is told where words are kept
        file.unlink(missing_ok=True)


def _write(path: Path, mode: str, lines: Sequence[str]) -> None:
    with path.open(mode, encoding="utf-8", newline="\n") as file:
        file.writelines(lines)
        file.flush()
        os.fsync(file.fileno())


def file_identity(path: Path) -> str:
    """SHA-256 of a file's content and size; of parts of it where it is large."""
    size = path.stat().st_size
    digest = hashlib.sha256(str(size).encode())
    with path.open("rb") as file:
        if size <= WHOLE_FILE_BYTES:
            while block := file.read(1 << 20):
                digest.update(block)
        else:
            for i in range(HASHED_PARTS):
                file.seek((size - (1 << 20)) * i // (HASHED_PARTS - 1))
                digest.update(file.read(1 << 20))
    return digest.hexdigest()


def _write_word(word: Word) -> list[Any]:
    return [word.text, word.start_narration_s, word.end_narration_s, word.probability, word.timed]


def _read_word(row: Any) -> Word:
    text, start_s, end_s, probability, timed = row
    return Word(str(text), float(start_s), float(end_s), None if probability is None else float(probability), timed=str(timed))
