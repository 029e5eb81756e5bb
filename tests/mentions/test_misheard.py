"""What is heard for what was said."""

from __future__ import annotations

import random
from pathlib import Path

from voiceover.evaluation.misheard import differences, mishear, read_misheard, table_of

CHECKS = {("poke", "checks"): [(("puck", "chicks"), 1.0)], ("it",): [((), 1.0)], ("away",): [(("a", "weigh"), 0.5)]}


def test_words_stand_for_those_in_whose_place_they_were_heard() -> None:
    heard = mishear("He poke checks it, away.".split(), CHECKS, random.Random(0))
    assert heard[:3] == [("He", 0), ("puck", 1), ("chicks", 2)]
    assert heard[3:] in ([("away.", 4)], [("a", 4), ("weigh.", 4)])


def test_as_often_as_it_was_so() -> None:
    draw = random.Random(0)
    times = sum(mishear(["away"], CHECKS, draw) != [("away", 0)] for _ in range(400))
    assert 150 < times < 250


def test_names_are_left() -> None:
    assert mishear(["it", "it"], CHECKS, random.Random(0), left=frozenset({0})) == [("it", 0)]


def test_long_runs_of_other_words_say_nothing() -> None:
    assert list(differences("a b c d e f".split(), "a x".split())) == []


def test_the_table_says_how_often(tmp_path: Path) -> None:
    said = "the puck is his and the puck is hers said Ada".split()
    heard = "the buck is his and the puck is hers said ate her".split()
    lines = table_of([(said, heard)], frozenset({"ada"}))
    assert lines == ["puck\tbuck\t0.5000"]
    table = tmp_path / "t.tsv"
    table.write_text("\n".join(lines) + "\n", encoding="utf-8")
    assert read_misheard(table) == {("puck",): [(("buck",), 0.5)]}


def test_the_table_that_ships_can_be_read() -> None:
    table = read_misheard()
    assert len(table) > 1000
    assert all(0 < share <= 0.5 and heard != said for said, known in table.items() for heard, share in known)


def test_no_table_holds_unseemly_words() -> None:
    assert table_of([("a shift now".split(), "a shit now".split())], frozenset()) == []
