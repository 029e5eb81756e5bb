"""The recordings of a library: their files, and what is known of each."""

from __future__ import annotations

import threading
from pathlib import Path

from sqlalchemy import select, update

from voiceover.errors import StoreError
from voiceover.media.playable import copy_playable, copy_sound, plays_everywhere
from voiceover.media.probe import probe
from voiceover.store.database import open_database
from voiceover.store.media_store import MediaStore
from voiceover.store.tables import MediaRow


class LibraryMedia:
    """Opens a library's folder and keeps its recordings."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.sessions = open_database(folder)
        self.media = MediaStore(folder / "media")
        self._copying = threading.Lock()

    def add_media(self, path: Path, *, name: str = "") -> str:
        """Keep a recording; its id, the same for the same content.

        Raises:
            MediaError: it is no recording.
            StoreError: it cannot be kept.
        """
        info = probe(path)
        stored = self.media.add(path)
        with self.sessions.begin() as session:
            row = session.scalar(select(MediaRow).where(MediaRow.sha256 == stored.sha256))
            if row is None:
                row = MediaRow(
                    sha256=stored.sha256, name=name or path.name, size=stored.size, duration_s=info.duration_s, has_picture=info.has_picture
                )
                session.add(row)
                session.flush()
            return row.id

    def media_row(self, media_id: str) -> MediaRow:
        """What is known of a recording.

        Raises:
            StoreError: no such recording.
        """
        with self.sessions() as session:
            row = session.get(MediaRow, media_id)
        if row is None:
            raise StoreError(f"{media_id}: no such recording in the library")
        return row

    def recording(self, media_id: str | None) -> Path | None:
        """The file of a recording as it was put in; None for none.

        Raises:
            StoreError: no such recording.
        """
        return self.media.path(self.media_row(media_id).sha256) if media_id else None

    def clips(self) -> list[MediaRow]:
        """All recordings with a picture, by name."""
        with self.sessions() as session:
            return list(session.scalars(select(MediaRow).where(MediaRow.has_picture).order_by(MediaRow.name)))

    def playable(self, media: MediaRow) -> Path | None:
        """The file of a recording that a browser plays: itself, or a copy that is made when it is first asked for; None where it is gone."""
        path, copy = self.media.path(media.sha256), self.media.playable_path(media.sha256)
        if copy.exists():
            return copy
        if not path.exists():
            return None
        if not media.playable:
            kind = "itself" if plays_everywhere(path) else "copy"
            with self.sessions.begin() as session:
                session.execute(update(MediaRow).where(MediaRow.id == media.id).values(playable=kind))
            media.playable = kind
        if media.playable == "itself":
            return path
        with self._copying:
            if copy.exists():
                return copy
            return copy_playable(path, copy) if media.has_picture else copy_sound(path, copy)
