"""The server's addresses: pages, media by id, and the data behind the pages."""

from __future__ import annotations

import datetime
import mimetypes
import re
import tempfile
from importlib import resources
from pathlib import Path
from typing import Annotated, Any

from fastapi import FastAPI, HTTPException, Request
from fastapi import Path as UrlPath
from fastapi.responses import FileResponse, HTMLResponse, JSONResponse, Response
from fastapi.staticfiles import StaticFiles
from pydantic import BaseModel, ConfigDict, Field
from starlette.concurrency import run_in_threadpool

from voiceover.breakdown import OCCASIONS, SITUATIONS, Breakdown, IceTime
from voiceover.corrections import Correction
from voiceover.errors import NoRoomError, StoreError, VoiceoverError
from voiceover.reports.privacy import Sharing
from voiceover.reports.report import ReportOptions, Source, report_html
from voiceover.review_app.recordings import RecordingEvent, Recordings, RecordingStart, RecordingState, RosterPlayer
from voiceover.review_app.security import Gate, GateMiddleware
from voiceover.review_app.view import log_view, whole_view
from voiceover.store.jobs import jobs_of, queue_again
from voiceover.store.library import Library
from voiceover.store.media_store import FULL
from voiceover.store.people import all_players, set_consent
from voiceover.store.tables import MediaRow
from voiceover.store.teaching import taught_by, teach

STATIC = resources.files("voiceover.review_app") / "static"
# The longest file that is taken, bytes: a game in full HD. A free-space check stands beside it.
MAX_UPLOAD_BYTES = 20 * 1024**3
# The largest piece of sound that is taken at once, bytes: a minute at 192 kHz.
MAX_SOUND_BYTES = 24 * 1024**2

Id = Annotated[str, UrlPath(pattern=r"^[0-9a-f]{32}$")]


class NewBreakdown(BaseModel):
    """A recording that was made elsewhere, to be heard and read."""

    model_config = ConfigDict(extra="forbid")

    narration_id: str = Field(max_length=32)
    clip_id: str | None = Field(None, max_length=32)
    roster: list[RosterPlayer] = Field([], max_length=60)
    ice_time: IceTime = IceTime()
    playhead: str = Field("", pattern=r"^(auto|none|straight([+-][0-9]+(\.[0-9]+)?)?)?$")
    model: str = Field("auto", max_length=60)
    title: str = Field("", max_length=200)


class NewCorrections(BaseModel):
    """Corrections in the order in which they were made."""

    model_config = ConfigDict(extra="forbid")

    corrections: list[Correction] = Field(min_length=1, max_length=500)
    by: str = Field("coach", max_length=100)


class Reviewer(BaseModel):
    """Who takes something back."""

    model_config = ConfigDict(extra="forbid")

    by: str = Field("coach", max_length=100)


class Events(BaseModel):
    """Events of a recording, the first of which has a number."""

    model_config = ConfigDict(extra="forbid")

    first: int = Field(ge=0, le=10**7)
    events: list[RecordingEvent] = Field(max_length=2_000)


class Remembered(BaseModel):
    """What was asked once."""

    model_config = ConfigDict(extra="forbid")

    occasion: str = Field("", max_length=20)
    situation: str = Field("", max_length=20)
    date: str = Field("", max_length=10)
    team: str = Field("", max_length=100)
    age_group: str = Field("", max_length=40)
    delay_s: float | None = Field(None, ge=0, le=1)
    roster: list[RosterPlayer] = Field([], max_length=60)


class Consent(BaseModel):
    """Who agreed to what for a player."""

    model_config = ConfigDict(extra="forbid")

    consent: str = Field("", max_length=500)
    date: str = Field("", pattern=r"^(\d{4}-\d{2}-\d{2})?$")


class Wording(BaseModel):
    """A wording that a reviewer accepted for the lexicon."""

    model_config = ConfigDict(extra="forbid")

    principle_id: str = Field(min_length=1, max_length=100)
    wording: str = Field(min_length=2, max_length=120, pattern=r"^[^\[\]<>|\x00-\x1f]+$")


def make_app(library: Library, gate: Gate) -> FastAPI:
    """The app over a library."""
    app = FastAPI(title="Voiceover", docs_url=None, redoc_url=None, openapi_url="/api/openapi.json")
    app.add_middleware(GateMiddleware, gate=gate)
    recordings = Recordings(library)

    @app.exception_handler(StoreError)
    async def _not_there(_: Request, error: StoreError) -> JSONResponse:
        return JSONResponse({"detail": str(error)}, status_code=507 if isinstance(error, NoRoomError) else 404)

    @app.exception_handler(OSError)
    async def _full(_: Request, error: OSError) -> JSONResponse:
        if error.errno not in FULL:
            raise error
        return JSONResponse({"detail": f"the library's disk is full ({error.strerror}); make room on it"}, status_code=507)

    @app.exception_handler(VoiceoverError)
    async def _not_usable(_: Request, error: VoiceoverError) -> JSONResponse:
        return JSONResponse({"detail": str(error)}, status_code=422)

    _add_pages(app, library)
    _add_library(app, library)
    _add_breakdowns(app, library)
    _add_recordings(app, recordings)
    _add_media(app, library)
    _add_reports(app, library)
    app.mount("/static", StaticFiles(directory=str(STATIC)), name="static")
    return app


def _add_pages(app: FastAPI, library: Library) -> None:
    def page(name: str) -> Response:
        return Response((STATIC / name).read_bytes(), media_type="text/html; charset=utf-8")

    @app.get("/", include_in_schema=False)
    def _list() -> Response:
        return page("library.html")

    @app.get("/record", include_in_schema=False)
    def _record() -> Response:
        return page("record.html")

    @app.get("/review/{breakdown_id}", include_in_schema=False)
    def _review(breakdown_id: Id) -> Response:
        library.breakdown_row(breakdown_id)
        return page("review.html")


def _add_reports(app: FastAPI, library: Library) -> None:
    @app.get("/report/{breakdown_id}", response_class=HTMLResponse)
    def report(breakdown_id: Id, audience: str = "player", name_as: str = "first", player: str = "", keep: bool = False) -> Response:
        if name_as not in ("first", "initials", "number"):
            raise HTTPException(422, "name_as: write one of: first, initials, number")
        row = library.breakdown_row(breakdown_id)
        clip = library.recording(row.clip_id)
        reviewed = library.reviewed(breakdown_id)
        if reviewed.is_rereading:
            raise HTTPException(
                409,
                "the words that you corrected are not read yet; the review page says when they are, and what to do where they cannot be",
            )
        b = reviewed.breakdown
        focus = [p.name for p in b.roster if p.focus]
        sharing = Sharing(player[:100] or (focus[0] if focus else ""), name_as)  # type: ignore[arg-type]
        html = report_html([Source(b, clip)], library.lexicon(b.sport), ReportOptions(audience, sharing=sharing))
        # A page of its own: nothing in it may run, and it asks for nothing.
        headers = {"content-security-policy": "default-src 'none'; style-src 'unsafe-inline'; img-src data:; sandbox allow-downloads"}
        if keep:
            headers["content-disposition"] = 'attachment; filename="report.html"'
        # Whoever looks at it can save or print it, and nobody is told where to.
        library.note_outgoing(
            breakdown_id, f"the report of breakdown {breakdown_id[:8]}, wherever the browser saved or printed it", "report"
        )
        return HTMLResponse(html, headers=headers)


def _add_library(app: FastAPI, library: Library) -> None:
    @app.get("/api/library")
    def show_library(player: str = "") -> dict[str, Any]:
        return {
            "breakdowns": [
                {
                    "id": b.id, "title": b.title, "date": b.date, "team": b.team, "occasion": b.occasion, "players": b.players,
                    "state": b.state, "rows": b.rows, "to_look_at": b.to_look_at,
                }
                for b in library.list_breakdowns(player=player[:100])
            ],
            "players": [
                {"id": p.id, "name": p.name, "number": p.number, "team": p.team, "consent": p.consent, "consent_date": p.consent_date}
                for p in all_players(library)
            ],
        }  # fmt: skip

    @app.get("/api/remembered")
    def remembered() -> dict[str, Any]:
        return {
            "remembered": library.setting("remembered", {}),
            "occasions": OCCASIONS,
            "situations": SITUATIONS,
            "today": datetime.date.today().isoformat(),
        }

    @app.put("/api/remembered")
    def remember(what: Remembered) -> dict[str, bool]:
        _check(what.occasion, OCCASIONS)
        _check(what.situation, SITUATIONS)
        library.remember("remembered", what.model_dump())
        return {"kept": True}

    @app.put("/api/players/{player_id}/consent")
    def put_consent(player_id: Id, consent: Consent) -> dict[str, bool]:
        set_consent(library, player_id, consent.consent, consent.date)
        return {"kept": True}


def _add_breakdowns(app: FastAPI, library: Library) -> None:
    @app.post("/api/breakdowns", status_code=201)
    def new_breakdown(new: NewBreakdown) -> dict[str, str]:
        _check(new.ice_time.occasion, OCCASIONS)
        _check(new.ice_time.situation, SITUATIONS)
        narration = library.media_row(new.narration_id)
        clip = library.media_row(new.clip_id) if new.clip_id else None
        unread = Breakdown(
            narration=narration.name, clip=clip.name if clip else "", clip_duration_s=clip.duration_s if clip else None,
            ice_time=new.ice_time, roster=[p.player() for p in new.roster],
        )  # fmt: skip
        options = {"model": new.model, "playhead": new.playhead or None}
        return {"id": library.new_breakdown(unread, narration_id=narration.id, clip_id=new.clip_id, options=options, title=new.title)}

    @app.get("/api/breakdowns/{breakdown_id}")
    def show_breakdown(breakdown_id: Id, by: str = "coach") -> dict[str, Any]:
        return whole_view(library, library.reviewed(breakdown_id), by)

    @app.get("/api/breakdowns/{breakdown_id}/state")
    def state(breakdown_id: Id) -> dict[str, Any]:
        row = library.breakdown_row(breakdown_id)
        jobs = jobs_of(library, breakdown_id)
        job = jobs[-1] if jobs else None
        corrections = library.corrections_revision(breakdown_id)
        return {
            "state": row.state, "version": row.version, "revision": corrections,
            "job": None if job is None else {
                "kind": job.kind, "state": job.state, "step": job.step, "done": job.done, "total": job.total, "error": job.error
            },
        }  # fmt: skip

    @app.get("/api/breakdowns/{breakdown_id}/log")
    def show_log(breakdown_id: Id, by: str = "coach") -> dict[str, Any]:
        return log_view(library, library.reviewed(breakdown_id), by)

    @app.post("/api/breakdowns/{breakdown_id}/corrections")
    def correct(breakdown_id: Id, new: NewCorrections) -> dict[str, Any]:
        library.add_corrections(breakdown_id, [c.model_copy(update={"by": new.by}) for c in new.corrections])
        return log_view(library, library.reviewed(breakdown_id), new.by)

    @app.post("/api/breakdowns/{breakdown_id}/undo")
    def undo(breakdown_id: Id, who: Reviewer) -> dict[str, Any]:
        library.undo(breakdown_id, who.by)
        return log_view(library, library.reviewed(breakdown_id), who.by)

    @app.post("/api/breakdowns/{breakdown_id}/redo")
    def redo(breakdown_id: Id, who: Reviewer) -> dict[str, Any]:
        library.undo(breakdown_id, who.by, redo=True)
        return log_view(library, library.reviewed(breakdown_id), who.by)

    @app.post("/api/breakdowns/{breakdown_id}/read-again")
    def read_again(breakdown_id: Id, words_only: bool = False) -> dict[str, bool]:
        if library.breakdown_row(breakdown_id).narration_id is None and not words_only:
            raise HTTPException(409, "its narration is not in the library; import it together with the recording")
        queue_again(library, breakdown_id, words_only=words_only)
        return {"queued": True}

    @app.get("/api/breakdowns/{breakdown_id}/taught")
    def show_taught(breakdown_id: Id) -> dict[str, Any]:
        return {"wordings": taught_by(library, breakdown_id)}

    @app.post("/api/breakdowns/{breakdown_id}/taught")
    def put_wording(breakdown_id: Id, wording: Wording) -> dict[str, Any]:
        teach(library, wording.principle_id, wording.wording)
        return {"wordings": taught_by(library, breakdown_id)}


def _add_recordings(app: FastAPI, recordings: Recordings) -> None:
    @app.get("/api/recordings")
    def unfinished() -> dict[str, Any]:
        return {"recordings": [_state(s) for s in recordings.unfinished()]}

    @app.post("/api/recordings", status_code=201)
    def begin(start: RecordingStart) -> dict[str, Any]:
        _check(start.ice_time.occasion, OCCASIONS)
        _check(start.ice_time.situation, SITUATIONS)
        return _state(recordings.begin(start))

    @app.get("/api/recordings/{recording_id}")
    def show(recording_id: Id) -> dict[str, Any]:
        return _state(recordings.state(recording_id))

    @app.put("/api/recordings/{recording_id}/sound")
    async def add_sound(recording_id: Id, at: int, request: Request) -> dict[str, int]:
        if at < 0:
            raise HTTPException(422, "at: samples count from 0")
        sound = await _body(request, MAX_SOUND_BYTES)
        return {"samples": await run_in_threadpool(recordings.add_sound, recording_id, at, sound)}

    @app.post("/api/recordings/{recording_id}/events")
    def add_events(recording_id: Id, new: Events) -> dict[str, int]:
        return {"events": recordings.add_events(recording_id, new.first, new.events)}

    @app.post("/api/recordings/{recording_id}/finish")
    def finish(recording_id: Id) -> dict[str, str]:
        return {"id": recordings.finish(recording_id)}

    @app.delete("/api/recordings/{recording_id}")
    def discard(recording_id: Id) -> dict[str, bool]:
        recordings.discard(recording_id)
        return {"discarded": True}


def _add_media(app: FastAPI, library: Library) -> None:
    @app.post("/api/uploads", status_code=201)
    async def upload(request: Request, name: str = "recording") -> dict[str, Any]:
        with tempfile.TemporaryDirectory(dir=library.folder) as scratch:
            # The name never becomes a path: only its ending helps to guess the format.
            ending = re.sub(r"[^a-z0-9.]", "", Path(name).suffix.lower())[:8]
            file = Path(scratch) / f"upload{ending}"
            taken = 0
            with file.open("wb") as target:
                async for block in request.stream():
                    taken += len(block)
                    if taken > MAX_UPLOAD_BYTES:
                        raise HTTPException(413, "larger than 20 GB; cut the stretch out that you talk about")
                    if taken % (64 << 20) < len(block):
                        library.media.check_room(0)
                    target.write(block)
            try:
                media_id = await run_in_threadpool(library.add_media, file, name=Path(name).name[:200])
            except VoiceoverError as error:
                status = 507 if isinstance(error, NoRoomError) else 422
                raise HTTPException(status, str(error).replace(str(file), Path(name).name[:200])) from error
        return _media(library.media_row(media_id))

    @app.get("/api/clips")
    def clips() -> dict[str, Any]:
        return {"clips": [_media(row) for row in library.clips()]}

    @app.get("/api/media/{media_id}")
    def about(media_id: Id) -> dict[str, Any]:
        return _media(library.media_row(media_id))

    @app.get("/media/{media_id}", response_class=FileResponse)
    def media(media_id: Id) -> Response:
        row = library.media_row(media_id)
        path = library.playable(row)
        if path is None:
            raise HTTPException(404, "the recording is not in the library any more")
        is_copy = path.name.endswith(".mp4")
        kind = "video/mp4" if is_copy or row.has_picture else mimetypes.guess_type(row.name)[0] or "audio/wav"
        return FileResponse(path, media_type=kind, headers={"cache-control": "private, max-age=3600"})


async def _body(request: Request, limit: int) -> bytes:
    parts: list[bytes] = []
    taken = 0
    async for block in request.stream():
        taken += len(block)
        if taken > limit:
            raise HTTPException(413, "too much at once")
        parts.append(block)
    return b"".join(parts)


def _state(s: RecordingState) -> dict[str, Any]:
    return {
        "id": s.id, "samples": s.samples, "events": s.events, "duration_s": round(s.duration_s, 3), "clip_id": s.start.clip_id,
        "sample_rate": s.start.sample_rate,
    }  # fmt: skip


def _media(row: MediaRow) -> dict[str, Any]:
    return {"id": row.id, "name": row.name, "duration_s": row.duration_s, "has_picture": row.has_picture, "size": row.size}


def _check(value: str, known: tuple[str, ...]) -> None:
    if value and value not in known:
        raise HTTPException(422, f"'{value[:40]}' is not known; write one of: {', '.join(known)}")
