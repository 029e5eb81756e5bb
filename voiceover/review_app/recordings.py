"""A recording in the making: sound and events go to the disk as they come, so that a crash costs at most the last piece.

Every event is stamped on the sound's own clock, by sample. The wall clock is in none of it: it runs otherwise than a sound card.
"""

from __future__ import annotations

import os
import re
import shutil
import threading
import wave
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from voiceover.breakdown import Breakdown, Drawing, IceTime
from voiceover.errors import NoRoomError, StoreError
from voiceover.playhead.track import PlayheadRow
from voiceover.roster import Player
from voiceover.store.library import Library
from voiceover.store.tables import new_id
from voiceover.whole_files import whole_file

BYTES_PER_SAMPLE = 2
# Two rows of the playhead closer than this, seconds, are one event: a seek shows up as pause, jump and picture.
SAME_MOMENT_S = 0.004
_ID = re.compile(r"^[0-9a-f]{32}$")


class RosterPlayer(BaseModel):
    """A player as the page names him."""

    model_config = ConfigDict(extra="forbid")

    name: str = Field(min_length=1, max_length=100)
    number: str = Field("", max_length=10)
    team: str = Field("", max_length=60)
    focus: bool = False
    position: str = Field("", max_length=40)
    nicknames: list[str] = Field([], max_length=10)
    say_as: list[str] = Field([], max_length=10)

    def player(self) -> Player:
        """The same for the pipeline."""
        return Player(self.name.strip(), self.number, self.team, self.focus, self.position, tuple(self.nicknames), tuple(self.say_as))


class RecordingStart(BaseModel):
    """What is known before the first word."""

    model_config = ConfigDict(extra="forbid")

    clip_id: str | None = Field(None, max_length=32)
    sample_rate: int = Field(ge=8_000, le=192_000)
    """Of the microphone, Hz."""
    delay_s: float = Field(0.0, ge=0, le=1.0)
    """How long a sound takes from the mouth into the samples."""
    roster: list[RosterPlayer] = Field([], max_length=60)
    ice_time: IceTime = IceTime()
    model: str = Field("auto", max_length=60)


class RecordingEvent(BaseModel):
    """One thing that happened while the microphone was open."""

    model_config = ConfigDict(extra="forbid")

    kind: Literal["row", "draw", "wipe"]
    at_sample: int = Field(ge=0, le=10**11)
    clip_s: float | None = Field(None, ge=0, le=1e6, allow_inf_nan=False)
    """row, draw: where the clip stands."""
    rate: float = Field(0.0, ge=-16, le=16, allow_inf_nan=False)
    """row: how fast it runs from here on."""
    shape: Literal["freehand", "straight", "ring", "area"] = "freehand"
    points: list[tuple[float, float]] = Field([], max_length=2_000)


@dataclass(frozen=True, slots=True)
class RecordingState:
    """How far a recording is."""

    id: str
    samples: int
    events: int
    start: RecordingStart

    @property
    def duration_s(self) -> float:
        """Length of what is on the disk, seconds."""
        return self.samples / self.start.sample_rate


class Recordings:
    """The unfinished recordings of a library."""

    def __init__(self, library: Library) -> None:
        self._library = library
        self._folder = library.folder / "recordings"
        self._lock = threading.Lock()

    def begin(self, start: RecordingStart) -> RecordingState:
        """Open a new one.

        Raises:
            StoreError: the clip is not in the library.
            NoRoomError: the disk is full.
        """
        if start.clip_id is not None:
            self._library.media_row(start.clip_id)
        self._library.media.check_room(0)
        recording_id = new_id()
        folder = self._folder / recording_id
        try:
            with _on_disk(folder):
                folder.mkdir(parents=True)
                (folder / "sound.pcm").touch()
                (folder / "events.jsonl").touch()
            # Last, and whole or not at all: a folder with a start is a recording.
            with whole_file(folder / "start.json", error=NoRoomError) as unfinished:
                unfinished.write_text(start.model_dump_json(), encoding="utf-8")
        except NoRoomError:
            shutil.rmtree(folder, ignore_errors=True)
            raise
        return self.state(recording_id)

    def unfinished(self) -> list[RecordingState]:
        """Those that were neither finished nor thrown away, newest last; a damaged one does not hide the others."""
        if not self._folder.exists():
            return []
        found = []
        for folder in sorted(self._folder.iterdir(), key=lambda f: f.stat().st_mtime):
            with suppress(StoreError):
                found.append(self.state(folder.name))
        return found

    def state(self, recording_id: str) -> RecordingState:
        """How far one is.

        Raises:
            StoreError: no such recording, or its files are damaged.
        """
        folder = self._of(recording_id)
        try:
            start = RecordingStart.model_validate_json((folder / "start.json").read_bytes())
            samples = (folder / "sound.pcm").stat().st_size // BYTES_PER_SAMPLE
            events = _whole_lines((folder / "events.jsonl").read_bytes()).count(b"\n")
        except (OSError, ValidationError) as error:
            raise StoreError(f"{folder}: this recording is damaged; what there is of its sound is in sound.pcm") from error
        return RecordingState(recording_id, samples, events, start)

    def add_sound(self, recording_id: str, at_sample: int, sound: bytes) -> int:
        """Append 16-bit samples that begin at a sample; how many there are then.

        What is there already is left out, so that a piece may be sent again; a piece after a hole is not taken, and the number that
        comes back says from where to send.

        Raises:
            StoreError: no such recording.
            NoRoomError: the disk does not take it; it may be sent again.
        """
        folder = self._of(recording_id)
        with self._lock, _on_disk(folder), (folder / "sound.pcm").open("r+b") as file:
            have = file.seek(0, os.SEEK_END) // BYTES_PER_SAMPLE
            skip = (have - at_sample) * BYTES_PER_SAMPLE
            piece = sound[skip : len(sound) // BYTES_PER_SAMPLE * BYTES_PER_SAMPLE] if skip >= 0 else b""
            if piece:
                file.seek(have * BYTES_PER_SAMPLE)
                file.write(piece)
                file.flush()
                os.fsync(file.fileno())
            return have + len(piece) // BYTES_PER_SAMPLE

    def add_events(self, recording_id: str, first: int, events: Sequence[RecordingEvent]) -> int:
        """Append events of which the first is number `first`; how many there are then. Sent again, they count once.

        Raises:
            StoreError: no such recording.
            NoRoomError: the disk does not take them; they may be sent again.
        """
        folder = self._of(recording_id)
        with self._lock, _on_disk(folder), (folder / "events.jsonl").open("r+b") as file:
            whole = _whole_lines(file.read())
            have = whole.count(b"\n")
            fresh = events[max(0, have - first) :] if first <= have else []
            # A full disk or a power cut may have left half a line: nobody was told that it is kept, so it comes again.
            file.seek(len(whole))
            file.truncate()
            file.writelines(f"{e.model_dump_json()}\n".encode() for e in fresh)
            file.flush()
            os.fsync(file.fileno())
            return have + len(fresh)

    def finish(self, recording_id: str) -> str:
        """Make a breakdown of it and queue it for the worker; the breakdown's id.

        Raises:
            StoreError: nothing was recorded, or its files are damaged.
            NoRoomError: the disk does not take it; it may be finished once there is room.
        """
        state = self.state(recording_id)
        folder = self._of(recording_id)
        if state.samples < state.start.sample_rate // 10:
            raise StoreError("nothing was recorded; check that the microphone is not muted")
        sound = folder / "narration.wav"
        with whole_file(sound, error=NoRoomError) as unfinished:
            _write_wav(folder / "sound.pcm", unfinished, state.start.sample_rate)
        narration_id = self._library.add_media(sound)
        clip = self._library.media_row(state.start.clip_id) if state.start.clip_id else None
        events = _events((folder / "events.jsonl").read_bytes())
        unread = Breakdown(
            narration="narration.wav",
            narration_sha256="",
            clip=clip.name if clip else "",
            clip_duration_s=clip.duration_s if clip else None,
            ice_time=state.start.ice_time,
            roster=[p.player() for p in state.start.roster],
            playhead=playhead_rows(events, state.start.sample_rate, state.start.delay_s),
            drawings=drawings(events, state.start.sample_rate, state.start.delay_s, state.duration_s),
        )
        breakdown_id = self._library.new_breakdown(
            unread, narration_id=narration_id, clip_id=state.start.clip_id, options={"model": state.start.model, "playhead": "none"}
        )
        self.discard(recording_id)
        return breakdown_id

    def discard(self, recording_id: str) -> None:
        """Throw one away."""
        shutil.rmtree(self._of(recording_id), ignore_errors=True)

    def _of(self, recording_id: str) -> Path:
        folder = self._folder / recording_id
        if not _ID.match(recording_id) or not (folder / "start.json").exists():
            raise StoreError(f"{recording_id[:40]}: no such recording")
        return folder


@contextmanager
def _on_disk(folder: Path) -> Iterator[None]:
    """What the disk does not take is said in one line."""
    try:
        yield
    except FileNotFoundError as error:  # thrown away in the meantime
        raise StoreError(f"{folder.name}: no such recording") from error
    except OSError as error:
        raise NoRoomError(f"{folder}: cannot be written ({error.strerror}); make room on the disk") from error


def _whole_lines(content: bytes) -> bytes:
    """A file of events without the half line at its end, where there is one."""
    return content[: content.rfind(b"\n") + 1]


def _events(content: bytes) -> list[RecordingEvent]:
    """The events of a file; a line that cannot be read costs itself alone, not the recording."""
    events = []
    for line in _whole_lines(content).split(b"\n")[:-1]:
        with suppress(ValidationError):
            events.append(RecordingEvent.model_validate_json(line))
    return events


def playhead_rows(events: Sequence[RecordingEvent], sample_rate: int, delay_s: float) -> list[PlayheadRow]:
    """The playhead of a recording, in order; of rows at one moment the last holds.

    A sound reaches the samples `delay_s` after it was made, so what was seen at a sample is heard that much later in them.
    """
    rows: list[PlayheadRow] = []
    for e in sorted((e for e in events if e.kind == "row"), key=lambda e: e.at_sample):
        row = PlayheadRow(round(e.at_sample / sample_rate + delay_s, 4), e.clip_s, e.rate)
        if rows and row.narration_s - rows[-1].narration_s <= SAME_MOMENT_S:
            rows.pop()
        rows.append(row)
    return rows


def drawings(events: Sequence[RecordingEvent], sample_rate: int, delay_s: float, end_s: float) -> list[Drawing]:
    """The drawings of a recording with the time that each was on the picture."""
    wiped = sorted(e.at_sample for e in events if e.kind == "wipe")
    out = []
    for e in events:
        if e.kind == "draw" and e.points and e.clip_s is not None:
            until = next((w for w in wiped if w >= e.at_sample), None)
            end = end_s if until is None else until / sample_rate + delay_s
            start = e.at_sample / sample_rate + delay_s
            out.append(Drawing(start_narration_s=start, end_narration_s=max(start, end), clip_s=e.clip_s, shape=e.shape, points=e.points))
    return out


def _write_wav(pcm: Path, out: Path, sample_rate: int) -> None:
    with pcm.open("rb") as source, wave.open(str(out), "wb") as target:
        target.setnchannels(1)
        target.setsampwidth(BYTES_PER_SAMPLE)
        target.setframerate(sample_rate)
        while block := source.read(1 << 20):
            target.writeframes(block[: len(block) // BYTES_PER_SAMPLE * BYTES_PER_SAMPLE])
