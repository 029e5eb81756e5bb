"""Jobs for the worker process: queued in the store, claimed by one worker, taken over when that worker is dead."""

from __future__ import annotations

import datetime
from dataclasses import dataclass

from sqlalchemy import select, update

from voiceover.store.library import Library, queue_job
from voiceover.store.tables import BreakdownRow, JobRow, now

# A worker says that it lives this often, seconds; one that has been silent for so long is dead.
BEAT_S = 2.0
DEAD_S = 12.0
# A job that has killed its worker so often is not tried again.
MAX_ATTEMPTS = 3


@dataclass(frozen=True, slots=True)
class Job:
    """One piece of work."""

    id: str
    breakdown_id: str
    kind: str
    state: str
    step: str
    done: float
    total: float
    error: str


def claim(library: Library, worker: str) -> Job | None:
    """Take the oldest job that waits, or one whose worker is dead; None for none."""
    dead = (datetime.datetime.now(datetime.UTC) - datetime.timedelta(seconds=DEAD_S)).isoformat(timespec="milliseconds")
    with library.sessions.begin() as session:
        lost = session.scalars(select(JobRow).where(JobRow.state == "running", JobRow.beat < dead)).all()
        for row in lost:
            if row.attempts >= MAX_ATTEMPTS:
                row.state, row.error = "failed", "it stopped the worker three times; try again with another file, or report it"
            else:
                row.state = "queued"
    for row in lost:
        if row.state == "failed":
            library.mark_failed(row.breakdown_id)
    with library.sessions.begin() as session:
        waiting = session.scalars(select(JobRow).where(JobRow.state == "queued").order_by(JobRow.created)).first()
        if waiting is None:
            return None
        taken = session.execute(
            update(JobRow).where(JobRow.id == waiting.id, JobRow.state == "queued")
            .values(state="running", worker=worker, beat=now(), attempts=JobRow.attempts + 1, error="")
        )  # fmt: skip
        # Another worker may have been quicker.
        return _job(waiting) if taken.rowcount else None  # type: ignore[attr-defined]


def beat(library: Library, job: Job, step: str, done: float, total: float) -> None:
    """Say that the worker lives, and how far it is."""
    with library.sessions.begin() as session:
        session.execute(update(JobRow).where(JobRow.id == job.id).values(beat=now(), step=step, done=done, total=total))


def finish(library: Library, job: Job, *, error: str = "") -> None:
    """The job is done, or has failed for a reason."""
    with library.sessions.begin() as session:
        session.execute(update(JobRow).where(JobRow.id == job.id).values(state="failed" if error else "done", error=error, beat=now()))


def jobs_of(library: Library, breakdown_id: str) -> list[Job]:
    """All jobs of a breakdown, oldest first."""
    with library.sessions() as session:
        return [_job(r) for r in session.scalars(select(JobRow).where(JobRow.breakdown_id == breakdown_id).order_by(JobRow.created))]


def is_work_waiting(library: Library) -> bool:
    """Whether a worker has something to do."""
    with library.sessions() as session:
        return session.scalar(select(JobRow.id).where(JobRow.state.in_(("queued", "running"))).limit(1)) is not None


def queue_again(library: Library, breakdown_id: str, *, words_only: bool = False) -> None:
    """Read a breakdown anew, with the weights and the lexicon of today, or only the words that were changed in it; corrections stay."""
    with library.sessions.begin() as session:
        if not words_only:
            again = update(BreakdownRow).where(BreakdownRow.id == breakdown_id, BreakdownRow.state == "failed")
            session.execute(again.values(state="waiting"))
        queue_job(session, breakdown_id, "reread" if words_only else "log")


def _job(row: JobRow) -> Job:
    return Job(row.id, row.breakdown_id, row.kind, row.state, row.step, row.done, row.total, row.error)
