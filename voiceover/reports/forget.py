"""Forgetting a player: out of the store, the media and the taught wordings; what is left are counts that say nothing of him."""

from __future__ import annotations

import dataclasses
import mimetypes
import re
import tempfile
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import yaml
from sqlalchemy import delete, select, text
from sqlalchemy.orm import Session

from voiceover.breakdown import Breakdown, IceTime
from voiceover.corrections import WORD_KINDS, Correction, in_force
from voiceover.edited_words import edit_words
from voiceover.errors import StoreError, VoiceoverError
from voiceover.media.audio import SAMPLE_RATE, iter_audio
from voiceover.reports.names import NameSpotter, SpokenName, bare, lead, ordinary_words, replaced, tail
from voiceover.reports.voice import SilencedPlace, places_of, silenced
from voiceover.reports.wav import write_wav
from voiceover.roster import Player
from voiceover.speech.saved_words import forget_all_words
from voiceover.store.library import OWN_LEXICON, Library, words_key
from voiceover.store.tables import BreakdownRow, CorrectionRow, MediaRow, OutgoingRow, PlayerRow, SettingRow

INSTEAD = "a player"
FORGOTTEN = "Forgotten player"
# The words of a file name: anything else may stand between them.
_NAME_WORDS = re.compile(r"([^\W_]+(?:['’][^\W_]+)*)")


@dataclass
class Forgotten:
    """What was done, and what is out of reach."""

    counts_only: int = 0
    """Breakdowns about him, of which only counts are left."""
    cleaned: int = 0
    """Breakdowns about others, out of which he was taken."""
    out_of_reach: list[str] = field(default_factory=list)
    """Files that were handed out, backups and whatever could not be deleted, which are left to the coach."""
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
    done.out_of_reach += map(str, forget_all_words())
    with library.sessions.begin() as session:
        for sent in session.scalars(select(OutgoingRow)):
            on_it = sent.player_ids.split()
            if player_id in on_it:
                done.out_of_reach.append(sent.path)
                # The others on it must find it too when their turn comes.
                sent.player_ids, sent.path = " ".join(i for i in on_it if i != player_id), _scrubbed_name(spotter, sent.path)
                if not sent.player_ids:
                    session.delete(sent)
        for media in session.scalars(select(MediaRow)):
            media.name = _scrubbed_name(spotter, media.name)
        done.out_of_reach += library.setting("backups", [])
        remembered = session.get(SettingRow, "remembered")
        if remembered is not None:
            kept = [p for p in remembered.value.get("roster", []) if p.get("name", "").lower() != person.name.lower()]
            remembered.value = {**remembered.value, "roster": kept}
        session.execute(delete(PlayerRow).where(PlayerRow.id == player_id))
    for old in library.folder.glob("before-*.db"):
        old.unlink()  # copies of the database from before an update
    for start in (library.folder / "recordings").glob("*/start.json"):
        if person.name.lower() in start.read_text(encoding="utf-8", errors="replace").lower():
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


def _also_heard_as(person: Player, player_id: str, spotter: NameSpotter, corrections: Sequence[Correction]) -> Player:
    """The player with what stood for his name in one talk until a reviewer put it right."""
    heard = [
        c.change.heard for c in corrections
        if c.kind == "rename" and (c.change.player_id == player_id or _find(spotter, c.change.text)) and bare(c.change.heard) not in ordinary_words()
    ]  # fmt: skip
    return dataclasses.replace(person, say_as=tuple(dict.fromkeys([*person.say_as, *heard])))


def _from_breakdown(library: Library, breakdown_id: str, player_id: str, person: Player, spotter: NameSpotter, done: Forgotten) -> None:
    row = library.breakdown_row(breakdown_id)
    machine = library.machine_result(breakdown_id)
    corrections = library.corrections(breakdown_id)
    person = _also_heard_as(person, player_id, spotter, corrections)
    spotter = NameSpotter([person])
    # He may be named only where a reviewer put the words right, or only where the reviewer took his name out of them.
    edited = edit_words(machine.transcript(), in_force(corrections))
    readings = (machine, machine.model_copy(update={"words": list(edited.words), "breaks": list(edited.breaks)}))
    files = [library.media_row(m).name for m in (row.narration_id, row.clip_id) if m]
    texts = [*_texts(readings, corrections), *map(_name_words, (row.title, *files))]
    meant = player_id in machine.player_ids or any(c.change.player_id == player_id for c in corrections)
    if not meant and not any(_find(spotter, t) for t in texts):
        return
    if player_id in row.focus.split():
        _counts_only(library, row, library.reviewed(breakdown_id).breakdown)
        done.counts_only += 1
        return
    done.cleaned += 1
    places = [p for b in readings for p in places_of(b.model_copy(update={"roster": [person]}), withheld=False) if _find(spotter, p.heard)]
    narration = library.media_row(row.narration_id) if row.narration_id else None
    if places and narration is not None and library.media.path(narration.sha256).exists():
        _silence(library, narration, places, done)
    clean = _cleaned(machine, player_id, person, spotter)
    with library.sessions.begin() as session:
        stored = session.get_one(BreakdownRow, breakdown_id)
        stored.machine = clean.to_json()
        if stored.reread:
            stored.reread = _cleaned(Breakdown.from_json(stored.reread), player_id, person, spotter).to_json()
        stored.title = _scrubbed_name(spotter, stored.title)
        stored.version += 1
        kept = []
        for c in session.scalars(select(CorrectionRow).where(CorrectionRow.breakdown_id == breakdown_id).order_by(CorrectionRow.seq)):
            c.content = _clean_correction(c.content, player_id, spotter)
            kept.append(Correction.model_validate(c.content))
        if stored.words_key == words_key(corrections):
            stored.words_key = words_key(kept)  # what was read from the changed words is cleaned as they are, and holds
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


def _cleaned(b: Breakdown, player_id: str, person: Player, spotter: NameSpotter) -> Breakdown:
    """A breakdown about somebody else without him."""
    texts = _word_for_word(spotter, [w.text for w in b.words])
    words = [w if w.text == t else dataclasses.replace(w, text=t, heard=None) for w, t in zip(b.words, texts, strict=True)]
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
        "narration": _scrubbed_name(spotter, b.narration),
        "clip": _scrubbed_name(spotter, b.clip),
        "ice_time": b.ice_time.model_copy(update={"note": scrub(b.ice_time.note)}),
    })  # fmt: skip


def _clean_correction(content: dict[str, object], player_id: str, spotter: NameSpotter) -> dict[str, object]:
    def words(value: object) -> str:
        """As the words of the talk are cleaned, so that it still fits them."""
        return " ".join(_word_for_word(spotter, str(value).split()))

    change = dict(content.get("change") or {})  # type: ignore[call-overload]
    for key in ("text", "heard"):
        if change.get(key):
            change[key] = words(change[key]) if content.get("kind") in WORD_KINDS else _scrubbed(spotter, str(change[key]))
    if change.get("player_id") == player_id:
        change["player_id"] = ""
    anchor = content.get("anchor")
    if isinstance(anchor, dict):
        anchor = {**anchor, "quote": words(anchor.get("quote", ""))}
    return {**content, "change": change, "anchor": anchor}


def _word_for_word(spotter: NameSpotter, texts: Sequence[str]) -> list[str]:
    """Words without him: as many as before, so that every index stays what it is, and with their punctuation, so that every sentence does."""
    out = list(texts)
    for n in spotter.find(texts, [False] * len(texts)):
        if n.player is None:
            continue
        instead = ["player"] if n.first == n.last else ["a", "player", *["–"] * (n.last - n.first - 1)]
        for i, word in enumerate(instead, start=n.first):
            out[i] = lead(texts[i]) + word + tail(texts[i])
    return out


def _scrubbed_name(spotter: NameSpotter, name: str) -> str:
    """The name of a file, or of what was made of one, without him."""
    ending = Path(name).suffix if mimetypes.guess_type(name)[0] else ""
    parts = _NAME_WORDS.split(name.removesuffix(ending))  # every second one is a word
    # Small letters say nothing here: his name is his name although it is a word as well.
    words = [w.title() if spotter.is_name(w) else w.lower() for w in parts[1::2]]
    for n in spotter.find(words, [False] * len(words)):
        if n.player is not None:
            parts[2 * n.first + 1 : 2 * n.last + 2] = ["player", *[""] * (2 * (n.last - n.first))]
    return "".join(parts) + ending


def _scrubbed(spotter: NameSpotter, value: str) -> str:
    parts = value.replace("_", " ").replace("-", " ").split() if not value.count(" ") else value.split()
    found = [n for n in spotter.find(parts, [False] * len(parts)) if n.player is not None]
    return replaced(parts, found, lambda _: INSTEAD) if found else value


def _find(spotter: NameSpotter, value: str) -> list[SpokenName]:
    parts = value.split()
    return [n for n in spotter.find(parts, [False] * len(parts)) if n.player is not None]


def _texts(readings: Sequence[Breakdown], corrections: Sequence[Correction]) -> Iterator[str]:
    """Everything in which a name may stand, names of files as their words."""
    for b in readings:
        yield " ".join(w.text for w in b.words)
        yield from (p.name for p in b.roster)
        yield from (b.message, b.next_step, b.ice_time.note, _name_words(b.narration), _name_words(b.clip))
    for c in corrections:
        yield from (c.change.text, c.change.heard, c.anchor.quote if c.anchor else "")


def _name_words(name: str) -> str:
    return " ".join(_NAME_WORDS.findall(name))


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
