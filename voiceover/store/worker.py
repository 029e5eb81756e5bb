"""The worker process: hears and reads what was put into the library, while the pages stay quick.

    python -m voiceover.store.worker LIBRARY

It is started by the server and may be killed at any moment: words that were heard are on the disk, and the next worker goes on there.
"""

from __future__ import annotations

import os
import sys
import threading
import time
from pathlib import Path

from voiceover.errors import StoreError, VoiceoverError
from voiceover.pipeline import Progress, hear_narration, understand
from voiceover.playhead.choose import PlayheadWish, choose_playhead
from voiceover.reread import read_edited
from voiceover.roster import Roster
from voiceover.speech.saved_words import file_identity, forget_words
from voiceover.store import jobs
from voiceover.store.library import Library, words_key

# How often an idle worker looks for work, seconds.
IDLE_S = 0.3


def work(library: Library, *, stop_when_idle: bool = False) -> None:
    """Do jobs until the parent process is gone, or until none is left."""
    name = f"{os.getpid()}"
    parent = os.getppid()
    while os.getppid() == parent:
        job = jobs.claim(library, name)
        if job is None:
            if stop_when_idle:
                return
            time.sleep(IDLE_S)
            continue
        run(library, job)


def run(library: Library, job: jobs.Job) -> None:
    """Do one job; what goes wrong is written into it."""
    with _Heart(library, job) as heart:
        try:
            if job.kind == "reread":
                read_changed_words(library, job.breakdown_id, heart.tell)
            else:
                _log(library, job, heart)
            error = ""
        except VoiceoverError as problem:
            error = str(problem)
        except Exception as problem:  # a job must not take the worker along
            error = f"it could not be read ({type(problem).__name__}: {problem}); please report this"
    if error:
        library.mark_failed(job.breakdown_id)
    jobs.finish(library, job, error=error)


def _log(library: Library, job: jobs.Job, heart: _Heart) -> None:
    row = library.breakdown_row(job.breakdown_id)
    unread = library.machine_result(job.breakdown_id)
    narration = library.recording(row.narration_id)
    if narration is None:
        raise StoreError("its narration is not in the library; import it together with the recording")
    lexicon = library.lexicon(unread.sport)
    recorded = [r for r in unread.playhead if r.source in ("recorded", "user")]
    warnings: list[str] = []
    if not recorded:
        clip = library.recording(row.clip_id)
        wish = PlayheadWish(row.options.get("playhead"), None, clip, unread.from_clip_s, unread.to_clip_s)
        found, warnings = choose_playhead(narration, wish, heart.tell)
        recorded = list(found.rows) if found else []
    if unread.recognised_by in ("captions", "transcript"):
        transcript = unread.transcript()  # words that were handed in are not recognised over
    else:
        transcript = hear_narration(
            narration, lexicon, Roster(tuple(unread.roster)), model=row.options.get("model", "auto"), progress=heart.tell
        )
    unread = unread.model_copy(update={"playhead": recorded, "warnings": warnings})
    library.store_result(job.breakdown_id, understand(unread, transcript, lexicon, progress=heart.tell))
    forget_words(file_identity(narration))


def read_changed_words(library: Library, breakdown_id: str, progress: Progress | None = None) -> None:
    """Read a talk again from the words as reviewers put them right, where that is not done yet.

    Raises:
        StoreError: no such breakdown.
    """
    corrections = library.corrections(breakdown_id)
    wanted = words_key(corrections)
    if not wanted or library.breakdown_row(breakdown_id).words_key == wanted:
        return
    machine = library.machine_result(breakdown_id)
    reread = read_edited(machine, corrections, library.lexicon(machine.sport), progress=progress)
    library.store_reread(breakdown_id, reread, wanted)


class _Heart:
    """Tells the store every two seconds that the worker lives and how far it is."""

    def __init__(self, library: Library, job: jobs.Job) -> None:
        self._library, self._job = library, job
        self._progress = ("starting", 0.0, 0.0)
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._beat, daemon=True)

    def tell(self, step: str, done: float, total: float) -> None:
        """Note the progress; written with the next beat."""
        self._progress = (step, done, total)

    def __enter__(self) -> _Heart:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._stop.set()
        self._thread.join()

    def _beat(self) -> None:
        while True:
            jobs.beat(self._library, self._job, *self._progress)
            if self._stop.wait(jobs.BEAT_S / 4):
                return


if __name__ == "__main__":
    work(Library(Path(sys.argv[1])))
