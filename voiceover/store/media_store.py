"""Media by their content: a recording is kept once, whatever it is called and however often it is used."""

from __future__ import annotations

import errno
import hashlib
import os
import shutil
import tempfile
from dataclasses import dataclass
from pathlib import Path

from voiceover.errors import NoRoomError, StoreError

# Room that is left on the disk for the database and for others, bytes.
SPARE_BYTES = 200 * 1024 * 1024
# How a disk, or a share of it, says that it is full.
FULL = frozenset({errno.ENOSPC, errno.EDQUOT})


@dataclass(frozen=True, slots=True)
class StoredMedia:
    """One kept recording."""

    sha256: str
    path: Path
    size: int


class MediaStore:
    """The media folder of a library."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    def path(self, sha256: str) -> Path:
        """Where a recording lies, by its hash."""
        return self.folder / sha256[:2] / sha256

    def playable_path(self, sha256: str) -> Path:
        """Where its copy for browsers lies."""
        return self.folder / sha256[:2] / f"{sha256}.playable.mp4"

    def add(self, source: Path) -> StoredMedia:
        """Copy a file into the store.

        Raises:
            StoreError: it cannot be read or copied.
            NoRoomError: the disk is full.
        """
        try:
            size = source.stat().st_size
            self.check_room(size)
            return self._copy(source, size)
        except OSError as error:
            kind = NoRoomError if error.errno in FULL else StoreError
            raise kind(f"{source}: cannot be kept in the library ({error.strerror}); make room, or check the file") from error

    def check_room(self, size: int) -> None:
        """Refuse what would fill the disk.

        Raises:
            NoRoomError: less than `size` and a reserve are free.
        """
        self.folder.mkdir(parents=True, exist_ok=True)
        free = shutil.disk_usage(self.folder).free
        if free < size + SPARE_BYTES:
            raise NoRoomError(
                f"{self.folder}: only {free // 2**20} MB are free and {size // 2**20} MB are to be kept; make room on the disk"
            )

    def remove(self, sha256: str) -> None:
        """Remove a recording and its copy; no mistake where it is gone."""
        self.path(sha256).unlink(missing_ok=True)
        self.playable_path(sha256).unlink(missing_ok=True)

    def _copy(self, source: Path, size: int) -> StoredMedia:
        digest = hashlib.sha256()
        target = tempfile.NamedTemporaryFile(dir=self.folder, delete=False)
        try:
            with target, source.open("rb") as file:
                while block := file.read(1 << 20):
                    digest.update(block)
                    target.write(block)
                target.flush()
                os.fsync(target.fileno())
            path = self.path(digest.hexdigest())
            path.parent.mkdir(parents=True, exist_ok=True)
            os.replace(target.name, path)
        except BaseException:
            # Half a copy would stay for ever: nothing in the library points to it.
            Path(target.name).unlink(missing_ok=True)
            raise
        return StoredMedia(digest.hexdigest(), path, size)
