"""Writing sound block by block."""

from __future__ import annotations

import os
import wave
from collections.abc import Iterable
from pathlib import Path

import numpy as np

from voiceover.errors import OutputError
from voiceover.media.audio import Samples


def write_wav(path: Path, blocks: Iterable[Samples], rate: int) -> Path:
    """Write mono float blocks (-1..1) as 16-bit WAV; the file appears when it is whole.

    Raises:
        OutputError: it cannot be written.
    """
    unfinished = path.with_name(path.name + ".unfinished")
    try:
        with wave.open(str(unfinished), "wb") as out:
            out.setnchannels(1)
            out.setsampwidth(2)
            out.setframerate(rate)
            for samples in blocks:
                out.writeframes((np.clip(samples, -1.0, 1.0) * 32767.0).astype("<i2").tobytes())
        os.replace(unfinished, path)
    except OSError as error:
        raise OutputError(f"{path}: cannot be written ({error.strerror}); choose another place") from error
    finally:
        unfinished.unlink(missing_ok=True)
    return path
