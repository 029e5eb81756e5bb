"""A file is there whole or not at all: it is written under a name of its own and takes its place at the end."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

import av

from voiceover.errors import OutputError, VoiceoverError


@contextmanager
def whole_file(out: Path, *, error: type[VoiceoverError] = OutputError) -> Iterator[Path]:
    """Gives the path to write to; what is there afterwards replaces `out`, and whatever goes wrong leaves `out` as it was.

    Raises:
        error: it cannot be written; the message is one line.
    """
    unfinished = out.with_name(out.name + ".unfinished")
    try:
        out.parent.mkdir(parents=True, exist_ok=True)
        unfinished.touch()
        yield unfinished
        os.replace(unfinished, out)
    except (OSError, av.FFmpegError) as problem:
        why = getattr(problem, "strerror", None) or problem
        raise error(f"{out}: cannot be written ({why}); make room on the disk, or choose another place") from problem
    finally:
        with suppress(OSError):  # where it cannot be made it cannot be deleted either, and the reason is told already
            unfinished.unlink(missing_ok=True)


def write_whole(out: Path, content: bytes) -> Path:
    """Write a file whole or not at all.

    Raises:
        OutputError: it cannot be written.
    """
    with whole_file(out) as unfinished:
        unfinished.write_bytes(content)
    return out
