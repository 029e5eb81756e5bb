"""What the command line prints."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import pytest

from voiceover import Breakdown
from voiceover.cli import print_breakdown
from voiceover.library_cli import list_breakdowns
from voiceover.store.library import Library


def test_brackets_in_what_was_said_are_printed_as_they_are(
    demo: Breakdown, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("COLUMNS", "200")
    row = dataclasses.replace(demo.log[0], quote="[inaudible] looks [/x]", principle="Scan [/red]", player="[Ada] Quill")
    print_breakdown(demo.model_copy(update={"log": [row]}), [tmp_path / "breakdown.json"])
    printed = capsys.readouterr().out
    assert all(words in printed for words in ("[inaudible] looks [/x]", "Scan [/red]", "[Ada]"))


def test_brackets_in_a_title_are_printed_as_they_are(
    demo: Breakdown, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("COLUMNS", "200")
    Library(tmp_path / "library").add_breakdown(demo, title="Thursday [/x] [home]")
    list_breakdowns(library=tmp_path / "library")
    assert "Thursday [/x] [home]" in capsys.readouterr().out
