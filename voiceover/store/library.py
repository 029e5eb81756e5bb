"""A library: all breakdowns of a coach or a club, with their media, players, corrections and jobs, in one folder."""

from __future__ import annotations

import hashlib
from collections import OrderedDict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import platformdirs
from pydantic import ValidationError
from sqlalchemy import func, select
from sqlalchemy.exc import IntegrityError
from sqlalchemy.orm import Session

from voiceover.breakdown import Breakdown
from voiceover.corrections import Correction, changes_of_words, redo_target, undo_target
from voiceover.errors import StoreError
from voiceover.lexicon.io import DEFAULT_LEXICON, load_lexicon, shipped_for
from voiceover.lexicon.model import Lexicon
from voiceover.replay import Unapplied, replay
from voiceover.store.library_media import LibraryMedia
from voiceover.store.people import with_player_ids
from voiceover.store.tables import BreakdownRow, CorrectionRow, JobRow, OutgoingRow, PlayerRow, SettingRow, new_id

OWN_LEXICON = "lexicon.yaml"
# A row less sure than this is worth a look: about three in four of those at it are right, nineteen in twenty of those above.
LOOK_BELOW = 0.8
# Reviewed breakdowns that are kept in memory: one page each.
KEPT = 8


def default_library() -> Path:
    """The folder of the library where none is named."""
    return Path(platformdirs.user_data_dir("voiceover")) / "library"


@dataclass(frozen=True, slots=True)
class ListedBreakdown:
    """One line of the list of breakdowns."""

    id: str
    title: str
    date: str
    team: str
    occasion: str
    players: tuple[str, ...]
    """Names of the players in focus."""
    state: str
    rows: int
    to_look_at: int


@dataclass(frozen=True, slots=True)
class ReviewedBreakdown:
    """A breakdown as it stands after all corrections."""

    id: str
    breakdown: Breakdown
    unapplied: tuple[Unapplied, ...]
    revision: int
    """Sequence number of the last correction; 0 for none."""
    is_rereading: bool
    """Words were changed and the talk is not read again yet."""
    reading: str
    """Which reading of the talk it was made of: another one has words and sentences of its own."""


class Library(LibraryMedia):
    """The one way to what is kept. Safe to be used by several threads and processes."""

    def __init__(self, folder: Path) -> None:
        super().__init__(folder)
        self._kept: OrderedDict[tuple[str, int, int], ReviewedBreakdown] = OrderedDict()
        self._read: OrderedDict[tuple[str, int, str], Breakdown] = OrderedDict()

    # --- lexicon ---------------------------------------------------------------------------------------------------------

    def lexicon(self, sport: str = "") -> Lexicon:
        """The coach's own lexicon where the library has one, else the shipped one; for a breakdown of another sport what is shipped for that."""
        own = self.folder / OWN_LEXICON
        lexicon = load_lexicon(own if own.exists() else DEFAULT_LEXICON)
        return lexicon if sport in ("", lexicon.sport) else shipped_for(sport) or lexicon

    # --- breakdowns ------------------------------------------------------------------------------------------------------

    def add_breakdown(self, breakdown: Breakdown, *, narration: Path | None = None, clip: Path | None = None, title: str = "") -> str:
        """Put a finished breakdown in; its corrections come along.

        Raises:
            MediaError, StoreError: a recording cannot be kept.
        """
        narration_id = self.add_media(narration) if narration is not None and narration.exists() else None
        clip_id = self.add_media(clip) if clip is not None and clip.exists() else None
        with self.sessions.begin() as session:
            breakdown = with_player_ids(session, breakdown)
            machine = breakdown.model_copy(update={"corrections": [], "reviewed": False})
            row = BreakdownRow(narration_id=narration_id, clip_id=clip_id, machine=machine.to_json(), state="ready")
            self._describe(row, breakdown, title)
            session.add(row)
            session.flush()
            session.add_all(_correction_row(row.id, c) for c in _as_new(session, breakdown.corrections))
            breakdown_id = row.id
            if words_key(breakdown.corrections):
                queue_job(session, row.id, "reread")
        self._count(breakdown_id)
        return breakdown_id

    def new_breakdown(
        self, unread: Breakdown, *, narration_id: str, clip_id: str | None = None, options: dict[str, Any] | None = None, title: str = ""
    ) -> str:
        """Put a recording in that is still to be read; a job for the worker is queued."""
        with self.sessions.begin() as session:
            unread = with_player_ids(session, unread)
            row = BreakdownRow(narration_id=narration_id, clip_id=clip_id, machine=unread.to_json(), options=options or {}, state="waiting")
            self._describe(row, unread, title)
            session.add(row)
            session.flush()
            session.add(JobRow(breakdown_id=row.id, kind="log"))
            return row.id

    def store_result(self, breakdown_id: str, machine: Breakdown) -> None:
        """What the machine read, in place of what it read before; corrections stay."""
        with self.sessions.begin() as session:
            row = self._row(session, breakdown_id)
            machine = with_player_ids(session, machine)
            row.machine = machine.model_copy(update={"corrections": [], "reviewed": False}).to_json()
            row.reread, row.words_key, row.state = "", "", "ready"
            row.version += 1
            self._describe(row, machine, row.title)
            if words_key(self._corrections(session, breakdown_id)):
                queue_job(session, breakdown_id, "reread")
        self._count(breakdown_id)

    def store_reread(self, breakdown_id: str, reread: Breakdown, words_key: str) -> None:
        """What the machine read from the words as a reviewer put them right."""
        with self.sessions.begin() as session:
            row = self._row(session, breakdown_id)
            row.reread, row.words_key = reread.to_json(), words_key
            row.version += 1
        self._count(breakdown_id)

    def mark_failed(self, breakdown_id: str) -> None:
        """The machine could not read it."""
        with self.sessions.begin() as session:
            row = self._row(session, breakdown_id)
            if row.state == "waiting":
                row.state = "failed"

    def list_breakdowns(self, *, player: str = "", limit: int = 5_000) -> list[ListedBreakdown]:
        """The breakdowns, newest ice time first.

        Args:
            player: only those with this player (id, or name or part of it) in focus.
        """
        columns = (
            BreakdownRow.id, BreakdownRow.title, BreakdownRow.date, BreakdownRow.team, BreakdownRow.occasion, BreakdownRow.focus,
            BreakdownRow.state, BreakdownRow.rows, BreakdownRow.to_look_at,
        )  # fmt: skip
        with self.sessions() as session:
            names = {row.id: row.name for row in session.execute(select(PlayerRow.id, PlayerRow.name))}
            found = session.execute(select(*columns).order_by(BreakdownRow.date.desc(), BreakdownRow.created.desc()).limit(limit)).all()
        out = []
        for r in found:
            ids = r.focus.split()
            players = tuple(names.get(i, "") for i in ids)
            if player and player not in ids and not any(player.lower() in n.lower() for n in players):
                continue
            out.append(ListedBreakdown(r.id, r.title, r.date, r.team, r.occasion, players, r.state, r.rows, r.to_look_at))
        return out

    def breakdown_row(self, breakdown_id: str) -> BreakdownRow:
        """The stored line of a breakdown.

        Raises:
            StoreError: no such breakdown.
        """
        with self.sessions() as session:
            return self._row(session, breakdown_id)

    def machine_result(self, breakdown_id: str) -> Breakdown:
        """What the machine read, without corrections."""
        return _parsed(self.breakdown_row(breakdown_id).machine)

    def reviewed(self, breakdown_id: str) -> ReviewedBreakdown:
        """A breakdown with its corrections applied.

        Those of words only where the talk was read again from the changed words: where `is_rereading`, the words are still those from
        before, and nothing of it may be handed out.

        Raises:
            StoreError: no such breakdown.
        """
        with self.sessions() as session:
            row = session.execute(
                select(BreakdownRow.id, BreakdownRow.words_key, BreakdownRow.version).where(BreakdownRow.id == breakdown_id)
            ).one_or_none()  # fmt: skip
            if row is None:
                raise StoreError(f"{breakdown_id}: no such breakdown in the library; see `voiceover list-breakdowns`")
            revision = _revision(session, breakdown_id)
            key = (breakdown_id, revision, row.version)
            if key in self._kept:
                return self._kept[key]
            corrections = self._corrections(session, breakdown_id)
            wanted = words_key(corrections)
            held = wanted and row.words_key == wanted
            source = (breakdown_id, row.version, row.words_key if held else "")
            read = self._read.get(source)
            if read is None:
                column = BreakdownRow.reread if held else BreakdownRow.machine
                read = _parsed(session.scalar(select(column).where(BreakdownRow.id == breakdown_id)) or "")
                _keep(self._read, source, read)
        breakdown, unapplied = replay(read, corrections, self.lexicon(read.sport))
        reading = f"{row.version}-{'reread' if held else 'machine'}"
        result = ReviewedBreakdown(breakdown_id, breakdown, tuple(unapplied), revision, bool(wanted) and not held, reading)
        _keep(self._kept, key, result)
        return result

    # --- corrections -----------------------------------------------------------------------------------------------------

    def add_corrections(self, breakdown_id: str, corrections: Iterable[Correction]) -> int:
        """Append corrections; on the disk when this returns. The revision after them.

        Raises:
            StoreError: no such breakdown, or an undo of something that is not there.
        """
        with self.sessions.begin() as session:
            self._row(session, breakdown_id)
            before = self._corrections(session, breakdown_id)
            known = {c.id for c in before}
            for c in corrections:
                if c.id in known:
                    continue  # sent twice: the answer to the first was lost
                if c.kind == "undo" and c.undoes not in known:
                    raise StoreError(f"{c.undoes}: no such correction to undo")
                session.add(_correction_row(breakdown_id, c))
                known.add(c.id)
                before.append(c)
            try:
                session.flush()
            except IntegrityError as error:
                raise StoreError("a correction with this id is in another breakdown") from error
            row = self._row(session, breakdown_id)
            wanted = words_key(before)
            if wanted and row.words_key != wanted and row.state == "ready":
                queue_job(session, breakdown_id, "reread")
            revision = _revision(session, breakdown_id)
        self._count(breakdown_id)
        return revision

    def corrections_revision(self, breakdown_id: str) -> int:
        """Sequence number of the last correction; 0 for none."""
        with self.sessions() as session:
            return _revision(session, breakdown_id)

    def corrections(self, breakdown_id: str) -> list[Correction]:
        """All corrections of a breakdown, in order, undone ones included."""
        with self.sessions() as session:
            return self._corrections(session, breakdown_id)

    def undo(self, breakdown_id: str, by: str, *, redo: bool = False) -> int | None:
        """Take back the reviewer's last correction, or with `redo` his last undo; None where there is nothing."""
        corrections = self.corrections(breakdown_id)
        target = redo_target(corrections, by) if redo else undo_target(corrections, by)
        if not target:
            return None
        return self.add_corrections(breakdown_id, [Correction(kind="undo", undoes=target, by=by)])

    # --- what was handed out ---------------------------------------------------------------------------------------------------------

    def note_outgoing(self, breakdown_id: str, where: Path | str, kind: str) -> None:
        """Remember that something about a breakdown was handed out, and where it lies; the same file again is noted once."""
        with self.sessions.begin() as session:
            row = self._row(session, breakdown_id)
            ids = " ".join(_parsed(row.machine).player_ids)
            noted = select(OutgoingRow.id).where(OutgoingRow.path == str(where), OutgoingRow.player_ids == ids)
            if session.scalar(noted.where(OutgoingRow.breakdown_ids == breakdown_id).limit(1)) is None:
                session.add(OutgoingRow(breakdown_ids=breakdown_id, player_ids=ids, path=str(where), kind=kind))

    # --- settings --------------------------------------------------------------------------------------------------------

    def setting(self, key: str, default: Any = None) -> Any:
        """What was asked once."""
        with self.sessions() as session:
            row = session.get(SettingRow, key)
            return default if row is None else row.value

    def remember(self, key: str, value: Any) -> None:
        """Keep what was asked."""
        with self.sessions.begin() as session:
            session.merge(SettingRow(key=key, value=value))

    # --- inner -----------------------------------------------------------------------------------------------------------

    def _row(self, session: Session, breakdown_id: str) -> BreakdownRow:
        row = session.get(BreakdownRow, breakdown_id)
        if row is None:
            raise StoreError(f"{breakdown_id}: no such breakdown in the library; see `voiceover list-breakdowns`")
        return row

    @staticmethod
    def _corrections(session: Session, breakdown_id: str) -> list[Correction]:
        found = session.scalars(select(CorrectionRow.content).where(CorrectionRow.breakdown_id == breakdown_id).order_by(CorrectionRow.seq))
        return [Correction.model_validate(content) for content in found]

    @staticmethod
    def _describe(row: BreakdownRow, breakdown: Breakdown, title: str) -> None:
        focus = {p.name for p in breakdown.roster if p.focus}
        row.title = title or Path(breakdown.clip or breakdown.narration).stem
        row.date, row.team, row.occasion = breakdown.ice_time.date, breakdown.ice_time.team, breakdown.ice_time.occasion
        row.focus = " ".join(i for i, name in breakdown.player_ids.items() if name in focus)

    def _count(self, breakdown_id: str) -> None:
        """Bring the numbers of the list up to date."""
        if self.breakdown_row(breakdown_id).state != "ready":
            return
        log = self.reviewed(breakdown_id).breakdown.log
        with self.sessions.begin() as session:
            row = self._row(session, breakdown_id)
            row.rows = len(log)
            row.to_look_at = sum(needs_look(r.confidence, r.reviewed) for r in log)


def needs_look(confidence: float, reviewed: bool) -> bool:
    """Whether a row belongs in the queue of those to look at."""
    return not reviewed and confidence < LOOK_BELOW


def _keep(kept: OrderedDict[Any, Any], key: Any, value: Any) -> None:
    kept[key] = value
    while len(kept) > KEPT:
        kept.popitem(last=False)


def _parsed(text: str) -> Breakdown:
    try:
        return Breakdown.from_json(text)
    except ValidationError as error:
        raise StoreError(
            "a breakdown in the library is of another version; restore a backup, or run `voiceover log` on it again"
        ) from error


def _revision(session: Session, breakdown_id: str) -> int:
    return session.scalar(select(func.max(CorrectionRow.seq)).where(CorrectionRow.breakdown_id == breakdown_id)) or 0


def queue_job(session: Session, breakdown_id: str, kind: str) -> None:
    """Queue work for the worker; a job of the kind that waits already will see the newest state."""
    waiting = select(JobRow.id).where(JobRow.breakdown_id == breakdown_id, JobRow.kind == kind, JobRow.state == "queued")
    if session.scalar(waiting.limit(1)) is None:
        session.add(JobRow(breakdown_id=breakdown_id, kind=kind))


def _as_new(session: Session, corrections: Sequence[Correction]) -> list[Correction]:
    """Corrections that come along with a breakdown: under ids of their own where the library has theirs, as the same breakdown put in twice."""
    own = {c.id: c for c in corrections}
    if session.scalar(select(CorrectionRow.id).where(CorrectionRow.id.in_(own)).limit(1)) is None:
        return list(own.values())
    ids = {known: new_id() for known in own}
    return [c.model_copy(update={"id": ids[c.id], "undoes": ids.get(c.undoes, c.undoes)}) for c in own.values()]


def _correction_row(breakdown_id: str, c: Correction) -> CorrectionRow:
    return CorrectionRow(id=c.id, breakdown_id=breakdown_id, content=c.model_dump(mode="json"))


def words_key(corrections: Sequence[Correction]) -> str:
    """A digest of the corrections of words that hold; empty for none."""
    changed = [c.model_dump_json(include={"kind", "anchor", "change"}) for c in changes_of_words(corrections)]
    return hashlib.sha256("\n".join(changed).encode()).hexdigest() if changed else ""
