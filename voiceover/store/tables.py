"""The tables of a library. Nothing here that PostgreSQL could not take: plain columns, no SQLite functions."""

from __future__ import annotations

import datetime
import uuid
from typing import Any

from sqlalchemy import JSON, ForeignKey, Index, String, Text
from sqlalchemy.orm import DeclarativeBase, Mapped, mapped_column


def new_id() -> str:
    """A stable id that says nothing: 32 hexadecimal digits."""
    return uuid.uuid4().hex


def now() -> str:
    """This moment, ISO 8601 in UTC."""
    return datetime.datetime.now(datetime.UTC).isoformat(timespec="milliseconds")


class Base(DeclarativeBase):
    """Root of all tables."""


class PlayerRow(Base):
    """A player. Names are attributes: everything else points to the id."""

    __tablename__ = "player"

    id: Mapped[str] = mapped_column(String(32), primary_key=True, default=new_id)
    name: Mapped[str] = mapped_column(Text)
    number: Mapped[str] = mapped_column(String(20), default="")
    team: Mapped[str] = mapped_column(Text, default="")
    consent: Mapped[str] = mapped_column(Text, default="")
    """Who agreed to recordings and reports, and to what; empty where nobody has."""
    consent_date: Mapped[str] = mapped_column(String(10), default="")


class MediaRow(Base):
    """A recording, kept once however often it is used."""

    __tablename__ = "media"

    id: Mapped[str] = mapped_column(String(32), primary_key=True, default=new_id)
    sha256: Mapped[str] = mapped_column(String(64), unique=True)
    name: Mapped[str] = mapped_column(Text)
    """File name that it came with."""
    size: Mapped[int] = mapped_column()
    duration_s: Mapped[float | None] = mapped_column()
    has_picture: Mapped[bool] = mapped_column(default=False)
    playable: Mapped[str] = mapped_column(String(20), default="")
    """"" not looked at yet, "itself", or "copy"."""


class BreakdownRow(Base):
    """One narration with its clip, what the machine read, and where its media are."""

    __tablename__ = "breakdown"
    __table_args__ = (Index("breakdown_by_date", "date"),)

    id: Mapped[str] = mapped_column(String(32), primary_key=True, default=new_id)
    created: Mapped[str] = mapped_column(String(32), default=now)
    title: Mapped[str] = mapped_column(Text, default="")
    date: Mapped[str] = mapped_column(String(10), default="")
    team: Mapped[str] = mapped_column(Text, default="")
    occasion: Mapped[str] = mapped_column(String(20), default="")
    focus: Mapped[str] = mapped_column(Text, default="")
    """Ids of the players in focus, joined by blanks."""
    narration_id: Mapped[str | None] = mapped_column(ForeignKey("media.id"))
    clip_id: Mapped[str | None] = mapped_column(ForeignKey("media.id"))
    machine: Mapped[str] = mapped_column(Text, default="")
    """What the machine read, as a breakdown.json without corrections; empty until it has."""
    reread: Mapped[str] = mapped_column(Text, default="")
    """The same from the words as a reviewer put them right; empty where they were not changed."""
    words_key: Mapped[str] = mapped_column(String(64), default="")
    """Which corrections of words `reread` holds."""
    state: Mapped[str] = mapped_column(String(20), default="waiting")
    """waiting, ready or failed."""
    version: Mapped[int] = mapped_column(default=0)
    """Counts what was read for it, so that nobody keeps an older reading in memory."""
    rows: Mapped[int] = mapped_column(default=0)
    to_look_at: Mapped[int] = mapped_column(default=0)
    options: Mapped[dict[str, Any]] = mapped_column(JSON, default=dict)
    """How it is to be read: lexicon, model, playhead."""


class CorrectionRow(Base):
    """One correction; never changed, never deleted but with a player who is forgotten."""

    __tablename__ = "correction"
    __table_args__ = (Index("correction_by_breakdown", "breakdown_id", "seq"),)

    seq: Mapped[int] = mapped_column(primary_key=True, autoincrement=True)
    id: Mapped[str] = mapped_column(String(32), unique=True)
    breakdown_id: Mapped[str] = mapped_column(ForeignKey("breakdown.id"))
    content: Mapped[dict[str, Any]] = mapped_column(JSON)


class JobRow(Base):
    """Work for the worker process."""

    __tablename__ = "job"

    id: Mapped[str] = mapped_column(String(32), primary_key=True, default=new_id)
    created: Mapped[str] = mapped_column(String(32), default=now)
    breakdown_id: Mapped[str] = mapped_column(ForeignKey("breakdown.id"))
    kind: Mapped[str] = mapped_column(String(20))
    """log (hear and read), reread (read changed words)."""
    state: Mapped[str] = mapped_column(String(20), default="queued")
    """queued, running, done or failed."""
    step: Mapped[str] = mapped_column(Text, default="")
    done: Mapped[float] = mapped_column(default=0.0)
    total: Mapped[float] = mapped_column(default=0.0)
    attempts: Mapped[int] = mapped_column(default=0)
    worker: Mapped[str] = mapped_column(String(64), default="")
    beat: Mapped[str] = mapped_column(String(32), default="")
    """When its worker last said that it lives."""
    error: Mapped[str] = mapped_column(Text, default="")


class OutgoingRow(Base):
    """A file that was handed out, so that a player who is forgotten can be told where he still stands."""

    __tablename__ = "outgoing"

    id: Mapped[str] = mapped_column(String(32), primary_key=True, default=new_id)
    at: Mapped[str] = mapped_column(String(32), default=now)
    breakdown_ids: Mapped[str] = mapped_column(Text, default="")
    player_ids: Mapped[str] = mapped_column(Text, default="")
    path: Mapped[str] = mapped_column(Text)
    kind: Mapped[str] = mapped_column(String(20))


class SettingRow(Base):
    """What is asked once and remembered."""

    __tablename__ = "setting"

    key: Mapped[str] = mapped_column(String(60), primary_key=True)
    value: Mapped[Any] = mapped_column(JSON)
