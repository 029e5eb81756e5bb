"""The one catalogue of everything that outgoing files say."""

from __future__ import annotations

from importlib import resources
from typing import Any

import yaml

from voiceover.errors import OptionError

AUDIENCES = ("player", "parent", "coach")


class Labels:
    """The labels of a language for an audience."""

    def __init__(self, audience: str = "player", language: str = "en") -> None:
        """Load the catalogue.

        Raises:
            OptionError: the audience or the language is not known.
        """
        if audience not in AUDIENCES:
            raise OptionError(f"--audience '{audience}': is not known; write one of: {', '.join(AUDIENCES)}")
        folder = resources.files("voiceover.reports.labels")
        file = folder / f"{language}.yaml"
        if not language.isalpha() or not file.is_file():
            known = sorted(f.name.removesuffix(".yaml") for f in folder.iterdir() if f.name.endswith(".yaml"))
            raise OptionError(f"--language '{language}': is not there; write one of: {', '.join(known)}")
        self._audience = audience
        self._texts: dict[str, Any] = yaml.safe_load(file.read_text(encoding="utf-8"))

    @property
    def language(self) -> str:
        """Its code for the page."""
        return str(self._texts["language"])

    def __call__(self, key: str, **values: object) -> str:
        """A label; the audience's own where there is one.

        Raises:
            KeyError: the catalogue has no such label.
        """
        text = self._texts.get(f"{key}_{self._audience}", self._texts.get(key))
        if text is None:
            raise KeyError(key)
        return str(text).format(**values)

    def nth(self, number: int) -> str:
        """An ordinal number."""
        words = self._texts["ordinals"]
        return str(words[number - 1]) if 0 < number <= len(words) else f"{number}."

    def joined(self, parts: list[str]) -> str:
        """Several things in one phrase."""
        return parts[0] if len(parts) == 1 else f"{', '.join(parts[:-1])} {self('and')} {parts[-1]}"
