"""A pair on one clip: whose possession it is, and whom the pronouns mean in it."""

from __future__ import annotations

from pathlib import Path

from voiceover import LogOptions, log

TALK = """Two players to watch here, Mira Kovac and Tess Lindqvist.
First one, here is Mira on the wall. She looks over her shoulder before the puck gets there. Then she makes a saucer pass into the middle.
Second one, this is Tess now. She looks over her shoulder early. She keeps her feet moving the whole way.
Third one, Mira has it again. She protects the puck with her body.
"""


def test_each_possession_belongs_to_one_of_several_players_in_focus(tmp_path: Path) -> None:
    (tmp_path / "talk.txt").write_text(TALK)
    (tmp_path / "roster.csv").write_text(
        "name,number,team,role\nMira Kovac,9,blue,focus\nTess Lindqvist,12,blue,focus\nEbba Strand,4,red,\n"
    )
    b = log(tmp_path / "talk.wav", LogOptions(transcript=tmp_path / "talk.txt", roster=tmp_path / "roster.csv"))
    assert [p.player for p in b.possessions] == ["Mira Kovac", "Tess Lindqvist", "Mira Kovac"]
    by_possession = {(r.possession, r.principle_id): r.player for r in b.log}
    assert by_possession[(1, "scan")] == "Mira Kovac" and by_possession[(2, "scan")] == "Tess Lindqvist"
    assert by_possession[(3, "puck-protection")] == "Mira Kovac"
