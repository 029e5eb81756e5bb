"""Forgetting a player: out of the store, the media and the taught wordings; what is left are counts that say nothing of him."""

from __future__ import annotations

import dataclasses
import tempfile
from dataclasses import dataclass, field
from pathlib import Path

import yaml
from sqlalchemy import delete, select, text
from sqlalchemy.orm import Session

from voiceover.breakdown import Breakdown, IceTime
from voiceover.cache import cache_folder
from voiceover.errors import StoreError, VoiceoverError
from voiceover.media.audio import SAMPLE_RATE, iter_audio
from voiceover.reports.names import NameSpotter, SpokenName, bare, replaced
from voiceover.reports.voice import SilencedPlace, places_of, silenced
from voiceover.reports.wav import write_wav
from voiceover.roster import Player
from voiceover.speech.saved_words import file_identity
from voiceover.store.library import OWN_LEXICON, Library
from voiceover.store.tables import BreakdownRow, CorrectionRow, MediaRow, OutgoingRow, PlayerRow, SettingRow

INSTEAD = "a player"
FORGOTTEN = "Forgotten player"


@dataclass
class Forgotten:
    """What was done, and what is out of reach."""

    counts_only: int = 0
    """Breakdowns about him, of which only counts are left."""
    cleaned: int = 0
    """Breakdowns about others, out of which he was taken."""
    out_of_reach: list[str] = field(default_factory=list)
    """Files that were handed out and backups, which nobody but the coach can delete."""
    notes: list[str] = field(default_factory=list)


def forget_player(library: Library, player_id: str) -> Forgotten:
    """Erase a player from a library.

    Raises:
        StoreError: no such player.
    """
    with library.sessions() as session:
        row = session.get(PlayerRow, player_id)
        if row is None:
            raise StoreError(f"{player_id}: no such player in the library; see the list of players in `voiceover serve`")
        breakdowns = list(session.scalars(select(BreakdownRow.id)))
    done = Forgotten()
    person = _person(library, row)
    spotter = NameSpotter([person])
    for breakdown_id in breakdowns:
        _from_breakdown(library, breakdown_id, player_id, person, spotter, done)
    _from_lexicon(library, person)
    with library.sessions.begin() as session:
        for sent in session.scalars(select(OutgoingRow)):
            if player_id in sent.player_ids.split():
                done.out_of_reach.append(sent.path)
                session.delete(sent)
        done.out_of_reach += library.setting("backups", [])
        remembered = session.get(SettingRow, "remembered")
        if remembered is not None:
            kept = [p for p in remembered.value.get("roster", []) if p.get("name", "").lower() != person.name.lower()]
            remembered.value = {**remembered.value, "roster": kept}
        session.execute(delete(PlayerRow).where(PlayerRow.id == player_id))
    for old in library.folder.glob("before-*.db"):
        old.unlink()  # copies of the database from before an update
    for unfinished in (library.folder / "recordings").glob("*"):
        if person.name.lower() in (unfinished / "start.json").read_text(encoding="utf-8").lower():
            done.notes.append("an unfinished recording has him on its roster: finish it or throw it away, then forget him again")
    _compact(library)
    return done


def _person(library: Library, row: PlayerRow) -> Player:
    """The player with every nickname and spelling that any roster has for him."""
    nicknames: list[str] = []
    say_as: list[str] = []
    for listed in library.list_breakdowns():
        for p in library.machine_result(listed.id).roster:
            if p.name == row.name:
                nicknames += p.nicknames
                say_as += p.say_as
    return Player(row.name, row.number, row.team, nicknames=tuple(dict.fromkeys(nicknames)), say_as=tuple(dict.fromkeys(say_as)))


def _from_breakdown(library: Library, breakdown_id: str, player_id: str, person: Player, spotter: NameSpotter, done: Forgotten) -> None:
    row = library.breakdown_row(breakdown_id)
    machine = library.machine_result(breakdown_id)
    heard = _text(machine) + " " + " ".join(c.model_dump_json() for c in library.corrections(breakdown_id)) + " " + row.title
    named = player_id in machine.player_ids or bool(_find(spotter, heard))
    if not named:
        return
    if player_id in row.focus.split():
        _counts_only(library, row, library.reviewed(breakdown_id).breakdown)
        done.counts_only += 1
        return
    done.cleaned += 1
    places = [
        p
        for p in places_of(machine.model_copy(update={"roster": [person], "withheld": []}))
        if any(n.player for n in _find(spotter, p.heard))
    ]
    narration = library.media_row(row.narration_id) if row.narration_id else None
    if narration is not None and library.media.path(narration.sha256).exists():
        _forget_words(library.media.path(narration.sha256))
        if places:
            _silence(library, narration, places, done)
    clean = _cleaned(machine, player_id, person, spotter)
    with library.sessions.begin() as session:
        stored = session.get_one(BreakdownRow, breakdown_id)
        stored.machine = clean.to_json()
        if stored.reread:
            stored.reread = _cleaned(Breakdown.from_json(stored.reread), player_id, person, spotter).to_json()
        stored.title = _scrubbed(spotter, stored.title)
        stored.version += 1
        for c in session.scalars(select(CorrectionRow).where(CorrectionRow.breakdown_id == breakdown_id)):
            c.content = _clean_correction(c.content, player_id, spotter)
    if library.breakdown_row(breakdown_id).clip_id:
        done.notes.append(f"breakdown {breakdown_id[:8]}: its clip stays, and he may be seen on it; delete it if he must not be")


def _counts_only(library: Library, row: BreakdownRow, b: Breakdown) -> None:
    """Keep which principles were executed, attempted and missed, and nothing else."""
    bare_log = [
        dataclasses.replace(r, player=FORGOTTEN if r.role == "focus" else "", quote="", narration_s=0.0, clip_s=None, tolerance_s=0.0)
        for r in b.log
    ]
    counts = Breakdown(
        narration="", ice_time=IceTime(date=b.ice_time.date[:4] and f"{b.ice_time.date[:4]}-01-01", occasion=b.ice_time.occasion),
        sport=b.sport, lexicon_sha256=b.lexicon_sha256, roster=[Player(FORGOTTEN, focus=True)],
        mentions=[
            dataclasses.replace(
                m, first=0, last=0, sentence=0, quote="", start_narration_s=0.0, end_narration_s=0.0, set_clip_s=None,
                player=FORGOTTEN if m.role == "focus" else "",
            )
            for m in b.mentions
        ],
        possessions=[dataclasses.replace(p, quote="", player="", start_narration_s=0.0, end_narration_s=0.0) for p in b.possessions],
        possession_clip_times=[(None, None)] * len(b.possessions), log=bare_log,
    )  # fmt: skip
    media = [library.media_row(m) for m in (row.narration_id, row.clip_id) if m]
    with library.sessions.begin() as session:
        stored = session.get_one(BreakdownRow, row.id)
        stored.machine, stored.reread, stored.words_key, stored.focus = counts.to_json(), "", "", ""
        stored.title, stored.team, stored.date = "forgotten", "", counts.ice_time.date
        stored.narration_id = stored.clip_id = None
        stored.options = {}
        stored.version += 1
        session.execute(delete(CorrectionRow).where(CorrectionRow.breakdown_id == row.id))
        session.flush()
        for m in media:
            _drop_media(library, session, m)


def _drop_media(library: Library, session: Session, media: MediaRow) -> None:
    """Delete a recording that no breakdown uses any more."""
    used = session.scalar(
        select(BreakdownRow.id).where((BreakdownRow.narration_id == media.id) | (BreakdownRow.clip_id == media.id)).limit(1)
    )  # fmt: skip
    if used is not None:
        return
    if library.media.path(media.sha256).exists():
        _forget_words(library.media.path(media.sha256))
    session.execute(delete(MediaRow).where(MediaRow.id == media.id))
    library.media.remove(media.sha256)


def _silence(library: Library, narration: MediaRow, places: list[SilencedPlace], done: Forgotten) -> None:
    """Put a voice without his name in the place of a narration."""
    source = library.media.path(narration.sha256)
    with tempfile.TemporaryDirectory(dir=library.folder) as scratch:
        out = Path(scratch) / "narration.wav"
        try:
            write_wav(out, (silenced(b.samples, b.start_narration_s, places) for b in iter_audio(source)), SAMPLE_RATE)
        except VoiceoverError as error:
            done.notes.append(f"{narration.name}: could not be silenced ({error}); delete it by hand")
            return
        stored = library.media.add(out)
    library.media.remove(narration.sha256)
    if narration.has_picture:
        done.notes.append("a recording of the screen was replaced by its sound alone")
    with library.sessions.begin() as session:
        row = session.get_one(MediaRow, narration.id)
        row.sha256, row.size, row.name, row.has_picture, row.playable = stored.sha256, stored.size, "narration.wav", False, ""


def _forget_words(recording: Path) -> None:
    """The words that a stopped run would go on from."""
    (cache_folder() / "words" / f"{file_identity(recording)[:24]}.jsonl").unlink(missing_ok=True)


def _cleaned(b: Breakdown, player_id: str, person: Player, spotter: NameSpotter) -> Breakdown:
    """A breakdown about somebody else without him."""
    words = list(b.words)
    for n in spotter.find([w.text for w in words], [False] * len(words)):
        if n.player is None:
            continue
        for i in range(n.first, n.last + 1):
            # Word for word, so that every index stays what it is.
            words[i] = dataclasses.replace(words[i], text="player" if i == n.first else "…", heard=None)
    words = [dataclasses.replace(w, heard=None if w.heard and bare(w.heard) in person.name.lower() else w.heard) for w in words]

    def quote_of(first: int, last: int) -> str:
        return " ".join(w.text for w in words[first : last + 1]).strip(" ,.;:")

    def scrub(value: str) -> str:
        return _scrubbed(spotter, value)

    gone = b.player_ids.get(player_id, person.name)
    return b.model_copy(update={
        "words": words,
        "mentions": [
            dataclasses.replace(m, quote=quote_of(m.first, m.last), player="" if m.player == gone else m.player) for m in b.mentions
        ],
        "log": [dataclasses.replace(r, quote=scrub(r.quote), player="" if r.player == gone else r.player) for r in b.log],
        "possessions": [dataclasses.replace(p, quote=scrub(p.quote), player="" if p.player == gone else p.player) for p in b.possessions],
        "totals": [dataclasses.replace(t, quote=scrub(t.quote), why=scrub(t.why)) for t in b.totals],
        "roster": [p for p in b.roster if p.name != gone],
        "player_ids": {i: n for i, n in b.player_ids.items() if i != player_id},
        "warnings": [scrub(w) for w in b.warnings],
        "message": scrub(b.message),
        "next_step": scrub(b.next_step),
        "narration": scrub(b.narration),
        "clip": scrub(b.clip),
        "ice_time": b.ice_time.model_copy(update={"note": scrub(b.ice_time.note)}),
    })  # fmt: skip


def _clean_correction(content: dict[str, object], player_id: str, spotter: NameSpotter) -> dict[str, object]:
    change = dict(content.get("change") or {})  # type: ignore[call-overload]
    for key in ("text", "heard"):
        if change.get(key):
            change[key] = _scrubbed(spotter, str(change[key])) or INSTEAD
    if change.get("player_id") == player_id:
        change["player_id"] = ""
    anchor = content.get("anchor")
    if isinstance(anchor, dict):
        anchor = {**anchor, "quote": _scrubbed(spotter, str(anchor.get("quote", "")))}
    return {**content, "change": change, "anchor": anchor}


def _scrubbed(spotter: NameSpotter, value: str) -> str:
    parts = value.replace("_", " ").replace("-", " ").split() if not value.count(" ") else value.split()
    found = [n for n in spotter.find(parts, [False] * len(parts)) if n.player is not None]
    return replaced(parts, found, lambda _: INSTEAD) if found else value


def _find(spotter: NameSpotter, value: str) -> list[SpokenName]:
    parts = value.replace("_", " ").split()
    return [n for n in spotter.find(parts, [False] * len(parts)) if n.player is not None]


def _text(b: Breakdown) -> str:
    texts = [w.text for w in b.words] + [p.name for p in b.roster] + [b.message, b.next_step, b.narration, b.clip, b.ice_time.note]
    return " ".join(texts)


def _from_lexicon(library: Library, person: Player) -> None:
    """Take wordings with his name out of the coach's own lexicon."""
    path = library.folder / OWN_LEXICON
    if not path.exists():
        return
    overlay = yaml.safe_load(path.read_text(encoding="utf-8"))
    spotter = NameSpotter([person])
    for entry in overlay.get("change", []):
        for kind in ("say", "lacking", "failing", "not"):
            if entry.get(kind):
                entry[kind] = [w for w in entry[kind] if not _find(spotter, str(w).title())]
    path.write_text(yaml.safe_dump(overlay, sort_keys=False, allow_unicode=True, width=120), encoding="utf-8", newline="\n")


def _compact(library: Library) -> None:
    """Write the database anew, so that nothing is left in pages that are free."""
    engine = library.sessions.kw["bind"]
    with engine.connect().execution_options(isolation_level="AUTOCOMMIT") as connection:
        connection.execute(text("VACUUM"))
        connection.execute(text("PRAGMA wal_checkpoint(TRUNCATE)"))
