"""Reports on what was read with another lexicon than ice hockey's."""

from __future__ import annotations

from pathlib import Path

import pytest
from typer.testing import CliRunner

from voiceover import Breakdown, load_lexicon
from voiceover.cli import app
from voiceover.mentions.model import Mention
from voiceover.possession_log import build_log
from voiceover.possessions import Possession
from voiceover.roster import Player
from voiceover.speech.transcript import Word


@pytest.fixture
def file(tmp_path: Path) -> Path:
    """The breakdown.json of a basketball talk; ice hockey has a principle of the same id."""
    m = Mention("box-out", 1, 2, 0, "boxes out", 1.0, 2.5, "phrase", 0.9, player="Ada Quill", possession=1)
    b = Breakdown(
        narration="talk.wav", sport="basketball", roster=[Player("Ada Quill", focus=True)], mentions=[m],
        words=[Word(t, float(i), i + 0.5) for i, t in enumerate("She boxes out.".split())],
        possessions=[Possession(1, 0, 0, 0.0, 2.5, "Ada Quill")], possession_clip_times=[(None, None)],
        log=build_log([m], load_lexicon("basketball"), None),
    )  # fmt: skip
    path = tmp_path / "breakdown.json"
    path.write_text(b.to_json(), encoding="utf-8")
    return path


def report(file: Path, *options: str) -> str:
    out = file.with_name("report.html")
    done = CliRunner().invoke(app, ["write-report", str(file), "--out", str(out), *options])
    assert done.exit_code == 0, done.output
    return out.read_text(encoding="utf-8")


def test_cues_are_those_of_its_sport(file: Path) -> None:
    cues = [load_lexicon(name)["box-out"].coach_cue for name in ("basketball", "ice_hockey")]
    html = report(file)
    assert cues[0] in html and cues[1] not in html


def test_names_and_cues_come_from_the_lexicon_that_is_named(file: Path) -> None:
    own = file.with_name("mine.yaml")
    own.write_text("extends: basketball\nchange:\n- id: box-out\n  name: Seals her off\n  coach_cue: Hips first.\n", encoding="utf-8")
    html = report(file, "--lexicon", str(own))
    assert "Seals her off" in html and "Hips first." in html


def test_principles_of_a_lexicon_that_is_not_at_hand_keep_their_names(file: Path) -> None:
    file.write_text(file.read_text(encoding="utf-8").replace('"box-out"', '"seal"'), encoding="utf-8")
    name = load_lexicon("basketball")["box-out"].name
    assert name in report(file)
    done = CliRunner().invoke(app, ["share", str(file), "--as", "csv", "--out", str(file.parent / "shared")])
    assert done.exit_code == 0, done.output
    assert f"1,seal,{name}," in (file.parent / "shared" / "possession_log.csv").read_text(encoding="utf-8")
