"""What the commands look at before something goes out, and what they say."""

from __future__ import annotations

import dataclasses
import json
from pathlib import Path

import numpy as np
import pytest
from sqlalchemy import select
from typer.testing import CliRunner, Result

from tests.reports.conftest import SAMPLE
from voiceover import Breakdown
from voiceover import reread as reread_module
from voiceover.cli import app
from voiceover.corrections import Anchor, Change, Correction
from voiceover.errors import OptionError
from voiceover.lexicon.model import Lexicon
from voiceover.media.audio import SAMPLE_RATE
from voiceover.mentions.model import Mention
from voiceover.playhead.track import PlayheadRow
from voiceover.possessions import Possession
from voiceover.reports.labels import Labels
from voiceover.reports.privacy import Sharing, share_safe
from voiceover.reports.report import ReportOptions, Source, report_html
from voiceover.reports.story import tell
from voiceover.reports.wav import write_wav
from voiceover.roster import Player
from voiceover.speech.transcript import Transcript, Word
from voiceover.store.archive import export_breakdown
from voiceover.store.library import Library
from voiceover.store.people import all_players, set_consent
from voiceover.store.tables import OutgoingRow

TEXTS = "Then he scans behind him. Later Bo Rye shoots it wide.".split()


def talk(*, focus: str = "Ada Quill") -> Breakdown:
    mentions = [
        Mention("scan", 2, 4, 0, "scans behind him", 2.0, 4.5, "phrase", 0.9, player=focus, possession=1),
        Mention(
            "drive-wide", 8, 10, 1, "shoots it wide", 8.0, 10.5, "phrase", 0.9, "missed", player="Bo Rye", role="teammate", possession=1
        ),
    ]
    roster = [Player(focus, "7", focus=True), Player("Bo Rye", "9")] if focus else []
    return Breakdown(
        narration="talk.wav", roster=roster, player_ids={f"{i:032d}": p.name for i, p in enumerate(roster)}, mentions=mentions,
        words=[Word(t, float(i), i + 0.5) for i, t in enumerate(TEXTS)], clip="clip.mp4", playhead=[PlayheadRow(0.0, 0.0, 1.0)],
        possessions=[Possession(1, 0, 1, 0.0, 10.5, focus, quote="Then he scans behind him.")], possession_clip_times=[(0.0, 10.5)],
    )  # fmt: skip


@pytest.fixture
def library(tmp_path: Path) -> Library:
    return Library(tmp_path / "library")


@pytest.fixture
def read_anew(monkeypatch: pytest.MonkeyPatch) -> None:
    """Reading is not what is looked at here: the words alone change."""

    def understand(unread: Breakdown, transcript: Transcript, *_: object, **__: object) -> Breakdown:
        return unread.model_copy(update={"words": list(transcript.words), "breaks": list(transcript.breaks)})

    monkeypatch.setattr(reread_module, "understand", understand)


def run(*arguments: object) -> Result:
    done = CliRunner().invoke(app, [str(a) for a in arguments])
    assert done.exception is None or isinstance(done.exception, SystemExit), done.exception
    return done


def sent(library: Library) -> list[str]:
    with library.sessions() as session:
        return [Path(row.path).name for row in session.scalars(select(OutgoingRow))]


@pytest.mark.usefixtures("read_anew")
@pytest.mark.parametrize("from_file", [False, True])
def test_what_goes_out_has_the_words_as_they_were_put_right(library: Library, tmp_path: Path, from_file: bool) -> None:
    breakdown_id = library.add_breakdown(talk())
    library.add_corrections(breakdown_id, [Correction(kind="rename", change=Change(heard="wide", text="high"))])
    assert library.reviewed(breakdown_id).is_rereading
    which = export_breakdown(library, breakdown_id, tmp_path / "exported.json") if from_file else breakdown_id
    done = run("share", which, "--as", "vtt", "--out", tmp_path / "shared", "--library", library.folder)
    assert done.exit_code == 0 and "corrected are read first" in done.output
    captions = (tmp_path / "shared" / "captions.vtt").read_text(encoding="utf-8")
    assert "shoots it high." in captions and "wide" not in captions
    if not from_file:
        assert not library.reviewed(breakdown_id).is_rereading
        assert "are read first" not in run("share", which, "--as", "vtt", "--out", tmp_path / "again", "--library", library.folder).output


def test_nothing_goes_out_where_the_changed_words_cannot_be_read(library: Library, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def fails(*_: object, **__: object) -> None:
        raise OptionError("no weights; install them")

    monkeypatch.setattr(reread_module, "understand", fails)
    breakdown_id = library.add_breakdown(talk())
    library.add_corrections(breakdown_id, [Correction(kind="rename", change=Change(heard="wide", text="high"))])
    with pytest.raises(OptionError, match="no weights"):
        CliRunner().invoke(
            app, ["share", breakdown_id, "--as", "vtt", "--out", str(tmp_path / "shared"), "--library", str(library.folder)],
            catch_exceptions=False,
        )  # fmt: skip
    assert not (tmp_path / "shared").exists()


def test_without_a_roster_the_report_is_about_the_player_in_focus(lexicon: Lexicon) -> None:
    shared = share_safe(talk(focus=""), lexicon)
    story = tell(shared, lexicon, Labels())
    assert (story.counts["executed"], story.counts["missed"]) == (1, 0)
    assert [a.principle for a in story.keep] == [lexicon["scan"].name]
    assert [(r.role, r.player) for r in shared.breakdown.log] == [("focus", ""), ("teammate", "")]
    assert [e.who for p in story.possessions for e in p.entries] == ["", "a teammate"]


def test_a_row_without_a_name_is_the_lone_players_in_focus_and_nobody_elses(lexicon: Lexicon) -> None:
    unnamed = talk()
    unnamed.mentions[0] = dataclasses.replace(unnamed.mentions[0], player="")
    assert [r.role for r in share_safe(unnamed, lexicon).breakdown.log] == ["focus", "teammate"]
    assert [(r.role, r.player) for r in share_safe(unnamed, lexicon, Sharing("Bo Rye")).breakdown.log] == [
        ("teammate", ""),
        ("focus", "Bo"),
    ]
    both = unnamed.model_copy(update={"roster": [dataclasses.replace(p, focus=True) for p in unnamed.roster]})
    assert [r.role for r in share_safe(both, lexicon, Sharing("Ada Quill")).breakdown.log] == ["teammate", "teammate"]


def test_a_report_is_about_one_player(lexicon: Lexicon) -> None:
    same, other = Source(talk()), Source(talk(focus="Cy Dale"))
    assert "Since last time" in report_html([same, Source(talk())], lexicon)
    with pytest.raises(OptionError, match="Ada Quill and Cy Dale; check the ids"):
        report_html([same, other], lexicon)
    with pytest.raises(OptionError, match="a player without a name"):
        report_html([same, Source(talk(focus=""))], lexicon)
    assert "Since last time" in report_html([same, other], lexicon, ReportOptions(sharing=Sharing("Bo Rye")))


def test_what_was_left_out_and_what_stays_visible_is_printed(library: Library, tmp_path: Path) -> None:
    breakdown_id = library.add_breakdown(talk(), clip=SAMPLE / "clip.mp4")
    done = run("share", breakdown_id, "--as", "mp4", "--out", tmp_path / "shared", "--library", library.folder)
    assert done.exit_code == 0 and "Faces and shirt numbers stay visible" in done.output and "left out: names" in done.output
    assert "Faces" not in run("share", breakdown_id, "--as", "vtt", "--out", tmp_path / "shared", "--library", library.folder).output


def test_a_film_says_what_was_left_out(library: Library, tmp_path: Path) -> None:
    pytest.importorskip("PIL")
    breakdown_id = library.add_breakdown(talk(), clip=SAMPLE / "clip.mp4")
    film = tmp_path / "cuts.mp4"
    done = run("join-cuts", breakdown_id, "--player", "focus", "--no-titles", "--sound", "none", "--out", film, "--library", library.folder)
    assert done.exit_code == 0 and "left out: names" in done.output and film.exists()


def test_missing_consent_is_told(library: Library, tmp_path: Path) -> None:
    breakdown_id = library.add_breakdown(talk())
    command = ("share", breakdown_id, "--as", "vtt", "--out", tmp_path / "shared", "--library", library.folder)
    assert "no consent is noted for Ada Quill" in run(*command).output
    set_consent(library, next(p.id for p in all_players(library) if p.name == "Ada Quill"), "her mother", "2026-02-01")
    assert "no consent" not in run(*command).output


def test_private_files_are_noted_too(library: Library, tmp_path: Path) -> None:
    voice = write_wav(tmp_path / "talk.wav", [np.full(SAMPLE_RATE * 12, 0.2, np.float32)], SAMPLE_RATE)
    breakdown_id = library.add_breakdown(talk(), narration=voice)
    for ending in ("json", "zip"):
        assert run("export-breakdown", breakdown_id, "--out", tmp_path / f"one.{ending}", "--library", library.folder).exit_code == 0
    for _ in range(2):  # the same file again is noted once
        assert run("silence-names", breakdown_id, "--out", tmp_path / "quiet.wav", "--library", library.folder).exit_code == 0
    assert json.loads((tmp_path / "quiet.json").read_text(encoding="utf-8"))
    assert sorted(sent(library)) == ["one.json", "one.zip", "quiet.json", "quiet.wav"]


def test_players_of_the_same_name_are_told_apart_where_the_id_is_asked_for(library: Library) -> None:
    library.add_breakdown(talk())
    anothers = talk().model_copy(update={"roster": [Player("Bo Rye", "4", "Falcons", focus=True)], "player_ids": {}})
    library.add_breakdown(anothers.model_copy(update={"player_ids": {"f" * 32: "Bo Rye"}}))
    done = CliRunner().invoke(app, ["forget-player", "bo rye", "--yes", "--library", str(library.folder)])
    said = str(done.exception)
    for player in all_players(library):
        assert (player.id in said) == (player.name == "Bo Rye"), said
    assert "(number 4) Falcons" in said and "\n" not in said
    nobody = CliRunner().invoke(app, ["forget-player", "Nobody", "--yes", "--library", str(library.folder)])
    assert "in it are: Ada Quill, Bo Rye, Bo Rye" in str(nobody.exception)


def test_a_rewritten_sentence_is_silenced_whole_where_a_name_stands_in_it(lexicon: Lexicon) -> None:
    from voiceover.edited_words import edit_words
    from voiceover.reports.voice import MARGIN_S, places_of

    b = talk()
    anchor = Anchor(start_narration_s=5.0, end_narration_s=10.5, quote=" ".join(TEXTS[5:]))
    text = "Later, after a long while, it is Bo Rye. He shoots."
    edited = edit_words(b.transcript(), [Correction(kind="edit-words", anchor=anchor, change=Change(text=text))])
    places = places_of(b.model_copy(update={"words": list(edited.words), "breaks": list(edited.breaks)}))
    # Where in those seconds the name is spoken, nobody knows any more.
    assert [(p.start_narration_s, p.end_narration_s) for p in places] == [(5.0 - MARGIN_S, 10.5 + MARGIN_S)]
    kept = edit_words(b.transcript(), [Correction(kind="rename", change=Change(heard="wide", text="high"))])
    places = places_of(b.model_copy(update={"words": list(kept.words)}))
    assert [(p.start_narration_s, p.end_narration_s) for p in places] == [(6.0 - MARGIN_S, 7.5 + MARGIN_S)]
