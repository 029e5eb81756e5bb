"""The shipped lexicons, and mistakes in a coach's own."""

from __future__ import annotations

import json
from pathlib import Path

import jsonschema
import pytest
import yaml

from voiceover.breakdown import Breakdown
from voiceover.errors import LexiconError
from voiceover.lexicon.io import SHIPPED, load_lexicon, read_lexicon
from voiceover.lexicon.overlaps import find_overlaps
from voiceover.lexicon.wording import readings

FOLDER = Path(__file__).resolve().parents[2] / "lexicon"
SCHEMA = json.loads((FOLDER / "lexicon.schema.json").read_text(encoding="utf-8"))


@pytest.mark.parametrize("name", SHIPPED)
def test_shipped_lexicons_are_right_and_fit_the_schema(name: str) -> None:
    lexicon = load_lexicon(name)
    assert len(lexicon.active()) >= 25
    jsonschema.validate(yaml.safe_load((FOLDER / f"{name}.yaml").read_text(encoding="utf-8")), SCHEMA)


@pytest.mark.parametrize("name", SHIPPED)
def test_no_words_are_claimed_by_two_principles(name: str) -> None:
    assert not find_overlaps(load_lexicon(name))


def test_overlaps_are_found_in_any_form_of_the_words(tmp_path: Path) -> None:
    (tmp_path / "x.yaml").write_text(
        "sport: x\nfamilies: {f: F}\nprinciples:\n"
        "- {id: a, name: A, family: f, definition: d, say: ['[cuts|turns] back']}\n"
        "- {id: b, name: B, family: f, definition: d, lacking: [turned back], say: [goes on]}\n"
    )
    assert [o.principle_ids for o in find_overlaps(load_lexicon(tmp_path / "x.yaml"))] == [("a", "b")]


def test_every_hockey_principle_has_forty_wordings_and_a_cue() -> None:
    for p in load_lexicon().active():
        assert len(p.wordings()) >= 40, p.id
        assert p.coach_cue, p.id


def test_the_published_schema_of_a_breakdown_is_the_present_one() -> None:
    published = json.loads((FOLDER / "breakdown.schema.json").read_text(encoding="utf-8"))
    assert published == Breakdown.model_json_schema()


def test_an_overlay_adds_changes_renames_and_retires(tmp_path: Path) -> None:
    (tmp_path / "base.yaml").write_text(
        "sport: x\nfamilies: {f: F}\nprinciples:\n"
        "- {id: a, name: A, family: f, definition: d, say: [says a]}\n"
        "- {id: b, name: B, family: f, definition: d, say: [says b]}\n"
        "- {id: c, name: C, family: f, definition: d, say: [says c]}\n"
    )
    (tmp_path / "mine.yaml").write_text(
        "extends: base.yaml\nchange:\n- {id: a, say: [my way of a]}\nretire: [b]\n"
        "principles:\n- {id: c2, name: C2, family: f, definition: d, say: [new c], replaces: [c]}\n"
    )
    lexicon = load_lexicon(tmp_path / "mine.yaml")
    assert [p.id for p in lexicon.active()] == ["a", "c2"]
    assert lexicon["a"].say == ("says a", "my way of a")
    assert lexicon["c"].id == "c2"  # what replaces it speaks for it
    assert lexicon["b"].retired and lexicon.find("d") is None


@pytest.mark.parametrize(
    ("text", "line", "says"),
    [
        ("sport: x\nprinciples: [\n", 3, "check the indentation"),
        ("just a text\n", 1, "is no lexicon"),
        (
            "sport: x\nfamilies: {f: F}\nprinciples:\n- {id: A b, name: A, family: f, definition: d, say: [x y]}\n",
            4,
            "lower-case",
        ),
        (
            "sport: x\nfamilies: {f: F}\nprinciples:\n- {id: a, name: A, family: g, definition: d, say: [x y]}\n",
            4,
            "not under families",
        ),
        ("sport: x\nfamilies: {f: F}\nprinciples:\n- {id: a, name: A, family: f, definition: d}\n", 4, "no wordings"),
        (
            "sport: x\nfamilies: {f: F}\nprinciples:\n- id: a\n  name: A\n  family: f\n  definition: d\n  say:\n  - 'the <ball>'\n",
            9,
            "no word class",
        ),
        (
            "sport: x\nfamilies: {f: F}\nprinciples:\n- id: a\n  name: A\n  family: f\n  definition: d\n  says: [x]\n",
            8,
            "unknown key",
        ),
        ("extends: nowhere\n", 1, "cannot be used"),
    ],
)
def test_a_mistake_is_told_with_its_line_and_remedy(tmp_path: Path, text: str, line: int, says: str) -> None:
    path = tmp_path / "mine.yaml"
    path.write_text(text)
    _, mistakes = read_lexicon(path)
    assert any(f"line {line}:" in m and says in m for m in mistakes), mistakes


def test_readings() -> None:
    assert readings("the <ball> ... [in|out]", {"ball": ("puck", "disc")}) == [
        ["the", "puck", "...", "in"], ["the", "puck", "...", "out"], ["the", "disc", "...", "in"], ["the", "disc", "...", "out"],
    ]  # fmt: skip
    with pytest.raises(LexiconError, match="brackets do not match"):
        readings("[a|b", {})


def test_a_csv_list_is_a_lexicon_too(tmp_path: Path) -> None:
    (tmp_path / "list.csv").write_text("id,name,family,definition,say\nspin,Spin,skill,Turns away,spins off him;rolls away\n")
    assert load_lexicon(tmp_path / "list.csv")["spin"].say == ("spins off him", "rolls away")
