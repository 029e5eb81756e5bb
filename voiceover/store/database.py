"""Opening the database of a library: WAL, migrations, sessions."""

from __future__ import annotations

import shutil
import sqlite3
from contextlib import closing
from importlib import resources
from pathlib import Path
from typing import Any

from alembic import command
from alembic.config import Config
from alembic.runtime.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy import Engine, create_engine, event, text
from sqlalchemy.exc import DatabaseError
from sqlalchemy.orm import Session, sessionmaker

from voiceover.errors import StoreError

DATABASE = "library.db"
# How long a writer waits for another one, seconds: corrections are written in milliseconds, a finished job's log in tens.
BUSY_S = 30.0


def open_database(folder: Path) -> sessionmaker[Session]:
    """Open (and, where needed, make or bring up to date) the database of a library.

    Raises:
        StoreError: it cannot be opened, is damaged, or was written by a newer version.
    """
    path = folder / DATABASE
    try:
        folder.mkdir(parents=True, exist_ok=True)
        folder.chmod(0o700)  # about minors: nobody else on the machine reads it
        engine = _engine(path)
        _migrate(engine, path)
    except DatabaseError as error:
        raise StoreError(f"{path}: cannot be opened ({error.orig}); restore a backup with `voiceover restore`") from error
    except OSError as error:
        raise StoreError(f"{folder}: cannot be made or written ({error.strerror}); choose another folder with --library") from error
    return sessionmaker(engine, expire_on_commit=False)


def copy_database(path: Path, to: Path) -> None:
    """A consistent copy of a database that may be in use."""
    with closing(sqlite3.connect(path)) as source, closing(sqlite3.connect(to)) as target:
        source.backup(target)


def _engine(path: Path) -> Engine:
    engine = create_engine(f"sqlite:///{path}", connect_args={"timeout": BUSY_S, "check_same_thread": False})

    @event.listens_for(engine, "connect")
    def _prepare(connection: Any, _: Any) -> None:
        cursor = connection.cursor()
        cursor.execute("PRAGMA journal_mode=WAL")
        # FULL: what was acknowledged is on the disk, whatever happens to the process or the power.
        cursor.execute("PRAGMA synchronous=FULL")
        cursor.execute("PRAGMA foreign_keys=ON")
        # Deleted text is overwritten at once: a player who is forgotten leaves nothing behind in free pages.
        cursor.execute("PRAGMA secure_delete=ON")
        cursor.close()

    return engine


def _config() -> Config:
    config = Config()
    config.set_main_option("script_location", str(resources.files("voiceover.store") / "migrations"))
    return config


def _migrate(engine: Engine, path: Path) -> None:
    config = _config()
    newest = ScriptDirectory.from_config(config).get_current_head()
    with engine.begin() as connection:
        present = MigrationContext.configure(connection).get_current_revision()
        if present == newest:
            return
        known = {s.revision for s in ScriptDirectory.from_config(config).walk_revisions()}
        if present is not None and present not in known:
            raise StoreError(f"{path}: was written by a newer version of the tool; install that version")
        if present is not None:
            connection.execute(text("PRAGMA wal_checkpoint(TRUNCATE)"))
            shutil.copy2(path, path.with_name(f"before-{newest}.db"))
        config.attributes["connection"] = connection
        command.upgrade(config, "head")
