"""Words that are kept while recognition still runs, so that a second run goes on where the first one was stopped.

One JSON line for each finished piece, after a first line that says what it belongs to. A line is complete or it is ignored.
"""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from voiceover.errors import OutputError
from voiceover.speech.transcript import Word

# Counted up whenever pieces or word times come out differently: older saved words are then not used.
FORMAT = 1
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
        """Read what is there. A file that belongs to something else is replaced when the first piece is finished.

        Args:
            path: the file; it need not exist.
            key: identity of narration, weights, hint and settings.
        """
        saved = cls(path, key)
        try:
            lines = path.read_text(encoding="utf-8").splitlines(keepends=True)
        except (OSError, UnicodeDecodeError):
            return saved
        complete = [line for line in lines if line.endswith("\n")]
        try:
            head = json.loads(complete[0])
            if head.get("key") != key or head.get("format") != FORMAT:
                return saved
        except (ValueError, IndexError, AttributeError):
            return saved
        for line in complete[1:]:
            try:
                row = json.loads(line)
                words = [_read_word(w) for w in row["words"]]
                saved.pieces[int(row["piece"]), float(row["start"]), float(row["end"])] = words
            except (ValueError, KeyError, TypeError):
                break  # damaged: what follows is recognised again
        return saved

    def find(self, piece: int, start_narration_s: float, end_narration_s: float) -> list[Word] | None:
        """The words of a piece, if it was finished before; None else."""
        return self.pieces.get((piece, round(start_narration_s, 3), round(end_narration_s, 3)))

    def add(self, rows: Sequence[tuple[int, float, float, Sequence[Word]]]) -> None:
        """Keep finished pieces: index, start and end in seconds of narration time, words.

        Raises:
            OutputError: the disk is full or the folder cannot be written.
        """
        fresh = not self.pieces
        lines = []
        for piece, start_s, end_s, words in rows:
            start_s, end_s = round(start_s, 3), round(end_s, 3)
            self.pieces[piece, start_s, end_s] = list(words)
            row = {"piece": piece, "start": start_s, "end": end_s, "words": [_write_word(w) for w in words]}
            lines.append(json.dumps(row, ensure_ascii=False) + "\n")
        try:
            self.path.parent.mkdir(parents=True, exist_ok=True)
            if fresh:
                head = json.dumps({"format": FORMAT, "key": self.key}) + "\n"
                temporary = self.path.with_name(f".{self.path.name}.{os.getpid()}")
                _write(temporary, "w", [head, *lines])
                os.replace(temporary, self.path)
            else:
                _write(self.path, "a", lines)
        except OSError as error:
            reason = error.strerror or str(error)
            raise OutputError(
                f"{self.path}: cannot keep the words found so far ({reason}); free some space or choose another folder"
            ) from error


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
