"""Writing sound block by block."""

from __future__ import annotations

import wave
from collections.abc import Iterable
from pathlib import Path

import numpy as np

from voiceover.media.audio import Samples
from voiceover.whole_files import whole_file


def write_wav(path: Path, blocks: Iterable[Samples], rate: int) -> Path:
    """Write mono float blocks (-1..1) as 16-bit WAV; the file appears when it is whole.

    Raises:
        OutputError: it cannot be written.
    """
    with whole_file(path) as unfinished, wave.open(str(unfinished), "wb") as out:
        out.setnchannels(1)
        out.setsampwidth(2)
        out.setframerate(rate)
        for samples in blocks:
            out.writeframes((np.clip(samples, -1.0, 1.0) * 32767.0).astype("<i2").tobytes())
    return path
