"""The one place where prepared things are kept that can be made again at any time."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import platformdirs
from numpy.typing import NDArray


def cache_folder() -> Path:
    """The folder for prepared weights, vectors and saved words; VOICEOVER_CACHE moves it."""
    chosen = os.environ.get("VOICEOVER_CACHE")
    return Path(chosen) if chosen else Path(platformdirs.user_cache_dir("voiceover"))


def kept_arrays(path: Path, make: Callable[[], dict[str, NDArray[Any]]]) -> dict[str, NDArray[Any]]:
    """The arrays of a file in the cache; made and kept there where it is not there yet."""
    if not path.is_file():
        arrays = make()
        path.parent.mkdir(parents=True, exist_ok=True)
        unfinished = path.with_suffix(f".{os.getpid()}.npz")
        np.savez(unfinished, **arrays)  # type: ignore[arg-type]
        os.replace(unfinished, path)
    with np.load(path) as kept:
        return dict(kept)
