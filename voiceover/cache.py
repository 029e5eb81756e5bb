"""The one place where prepared things are kept that can be made again at any time."""

from __future__ import annotations

import os
from pathlib import Path

import platformdirs


def cache_folder() -> Path:
    """The folder for prepared weights, vectors and saved words; VOICEOVER_CACHE moves it."""
    chosen = os.environ.get("VOICEOVER_CACHE")
    return Path(chosen) if chosen else Path(platformdirs.user_cache_dir("voiceover"))
