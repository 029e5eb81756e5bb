"""The one place where prepared things are kept that can be made again at any time."""

from __future__ import annotations

import os
import zipfile
import zlib
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

import numpy as np
import platformdirs
from numpy.typing import NDArray

from voiceover.errors import WeightsError


def cache_folder() -> Path:
    """The folder for prepared weights, vectors and saved words; VOICEOVER_CACHE moves it."""
    chosen = os.environ.get("VOICEOVER_CACHE")
    return Path(chosen) if chosen else Path(platformdirs.user_cache_dir("voiceover"))


@contextmanager
def keeping(path: Path) -> Iterator[None]:
    """Around what writes something into the cache.

    Raises:
        WeightsError: the disk is full or the folder cannot be written.
    """
    try:
        yield
    except OSError as error:
        reason = error.strerror or str(error)
        raise WeightsError(
            f"{path}: cannot be kept there ({reason}); make room on the disk, or set VOICEOVER_CACHE to a folder that can be written"
        ) from error


def kept_arrays(path: Path, make: Callable[[], dict[str, NDArray[Any]]]) -> dict[str, NDArray[Any]]:
    """The arrays of a file in the cache; made and kept there where it is not there yet, or damaged.

    Raises:
        WeightsError: the cache cannot be written.
    """
    with suppress(OSError, ValueError, EOFError, zipfile.BadZipFile, zlib.error), np.load(path) as kept:
        return dict(kept)
    arrays = make()
    unfinished = path.with_suffix(f".{os.getpid()}.npz")
    with keeping(path):
        path.parent.mkdir(parents=True, exist_ok=True)
        try:
            np.savez(unfinished, **arrays)  # type: ignore[arg-type]
            os.replace(unfinished, path)
        except OSError:
            with suppress(OSError):
                unfinished.unlink(missing_ok=True)
            raise
    return arrays
