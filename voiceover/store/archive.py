"""Private files of a library: one breakdown to another library, and the whole library as a backup. Never what is handed out."""

from __future__ import annotations

import os
import shutil
import sqlite3
import tempfile
import zipfile
from pathlib import Path

from voiceover.breakdown import Breakdown, read_breakdown
from voiceover.errors import StoreError
from voiceover.store.database import DATABASE, copy_database
from voiceover.store.library import OWN_LEXICON, Library
from voiceover.whole_files import whole_file

BREAKDOWN_FILE = "breakdown.json"
PARTS = ("narration", "clip")


def export_breakdown(library: Library, breakdown_id: str, out: Path) -> Path:
    """Write a breakdown with its corrections: as .json alone, or as .zip with its recordings.

    Raises:
        StoreError: there is no such breakdown, or the file cannot be written.
    """
    row = library.breakdown_row(breakdown_id)
    breakdown = library.machine_result(breakdown_id).model_copy(update={"corrections": library.corrections(breakdown_id)})
    library.note_outgoing(breakdown_id, out.resolve(), "export")
    with whole_file(out, error=StoreError) as unfinished:
        if out.suffix == ".json":
            unfinished.write_text(breakdown.to_json(), encoding="utf-8", newline="\n")
            return out
        with zipfile.ZipFile(unfinished, "w", zipfile.ZIP_STORED) as archive:
            archive.writestr(BREAKDOWN_FILE, breakdown.to_json())
            for part, media_id in zip(PARTS, (row.narration_id, row.clip_id), strict=True):
                if media_id:
                    media = library.media_row(media_id)
                    archive.write(library.media.path(media.sha256), f"{part}/{Path(media.name).name}")
    return out


def import_breakdown(library: Library, source: Path) -> str:
    """Take in what `export_breakdown` or `log` wrote; the id it has here.

    Raises:
        StoreError: it is no such file.
        BreakdownError: its breakdown is not one of this version.
    """
    if source.is_dir() or source.suffix == ".json":
        return library.add_breakdown(read_breakdown(source))
    with tempfile.TemporaryDirectory() as scratch:
        try:
            with zipfile.ZipFile(source) as archive:
                names = archive.namelist()
                if BREAKDOWN_FILE not in names:
                    raise StoreError(f"{source}: has no {BREAKDOWN_FILE} in it; name a file that `voiceover export-breakdown` wrote")
                library.media.check_room(sum(i.file_size for i in archive.infolist()))
                text = archive.read(BREAKDOWN_FILE).decode()
                media = {part: _taken_out(archive, names, part, Path(scratch)) for part in PARTS}
        except (OSError, zipfile.BadZipFile, UnicodeDecodeError) as error:
            raise StoreError(f"{source}: cannot be read ({error}); name a file that `voiceover export-breakdown` wrote") from error
        (Path(scratch) / BREAKDOWN_FILE).write_text(text, encoding="utf-8")
        breakdown: Breakdown = read_breakdown(Path(scratch) / BREAKDOWN_FILE)
        return library.add_breakdown(breakdown, narration=media["narration"], clip=media["clip"])


def back_up(library: Library, out: Path) -> Path:
    """Write the whole library into one file, while it is in use.

    Raises:
        StoreError: the file is there already, or cannot be written.
    """
    if out.exists():
        raise StoreError(f"{out}: is there already; name a new file")
    library.remember("backups", [*library.setting("backups", []), str(out.resolve())])
    with whole_file(out, error=StoreError) as unfinished, tempfile.TemporaryDirectory() as scratch:
        copy = Path(scratch) / DATABASE
        try:
            copy_database(library.folder / DATABASE, copy)
        except sqlite3.Error as error:
            raise StoreError(
                f"{library.folder / DATABASE}: cannot be copied to {scratch} ({error}); make room there, or name another folder in TMPDIR"
            ) from error
        with zipfile.ZipFile(unfinished, "w", zipfile.ZIP_STORED) as archive:
            archive.write(copy, DATABASE)
            if (library.folder / OWN_LEXICON).exists():
                archive.write(library.folder / OWN_LEXICON, OWN_LEXICON)
            for file in sorted(library.media.folder.glob("??/*")):
                archive.write(file, file.relative_to(library.folder).as_posix())
    return out


def restore(backup: Path, folder: Path) -> Path:
    """Make a library of a backup, in a folder that holds none.

    Raises:
        StoreError: the folder holds a library, or the file is no backup.
    """
    if (folder / DATABASE).exists():
        raise StoreError(f"{folder}: holds a library already; name an empty folder with --library, and look at both before you choose")
    unfinished = folder.with_name(folder.name + ".unfinished")
    shutil.rmtree(unfinished, ignore_errors=True)
    try:
        with zipfile.ZipFile(backup) as archive:
            names = archive.namelist()
            if DATABASE not in names:
                raise StoreError(f"{backup}: is no backup of a library; name a file that `voiceover back-up` wrote")
            for name in names:
                target = (unfinished / name).resolve()
                if not target.is_relative_to(unfinished.resolve()):
                    raise StoreError(f"{backup}: wants to write outside of its folder ({name}); it is no backup of this tool")
            archive.extractall(unfinished)
        folder.mkdir(parents=True, exist_ok=True)
        for part in unfinished.iterdir():
            os.replace(part, folder / part.name)
    except (OSError, zipfile.BadZipFile) as error:
        raise StoreError(f"{backup}: cannot be restored ({error}); check the file and the room on the disk") from error
    finally:
        shutil.rmtree(unfinished, ignore_errors=True)
    Library(folder)  # brings it up to date, and says so where it cannot
    return folder


def _taken_out(archive: zipfile.ZipFile, names: list[str], part: str, scratch: Path) -> Path | None:
    name = next((n for n in names if n.startswith(f"{part}/") and not n.endswith("/")), None)
    if name is None:
        return None
    target = scratch / part / Path(name).name  # never where the archive says
    target.parent.mkdir()
    with archive.open(name) as source, target.open("wb") as file:
        shutil.copyfileobj(source, file)
    return target
