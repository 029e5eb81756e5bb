"""The fitted numbers that ship with the tool: `fitted.json`, written by evaluation/fit.py."""

from __future__ import annotations

import json
from functools import lru_cache
from pathlib import Path
from typing import Any

FITTED = Path(__file__).with_name("fitted.json")


@lru_cache(maxsize=1)
def _all() -> dict[str, Any]:
    read: dict[str, Any] = json.loads(FITTED.read_text(encoding="utf-8"))
    return read


def fitted(part: str) -> Any:
    """One part of them: mentions, status, claims, doers or possessions."""
    return _all()[part]
