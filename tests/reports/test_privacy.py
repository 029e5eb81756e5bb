"""What goes out names one player by his first name and nobody else, in no form."""

from __future__ import annotations

import dataclasses
import re
import tempfile
import zipfile
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.reports.conftest import MARKED, SAMPLE
from voiceover import Breakdown
from voiceover.corrections import Anchor, Change, Correction
from voiceover.errors import OptionError
from voiceover.evaluation.marked import read_folder
from voiceover.lexicon.model import Lexicon
from voiceover.media.audio import SAMPLE_RATE, read_audio
from voiceover.replay import replay
from voiceover.reports.bundle import write_bundle
from voiceover.reports.chapters import write_chapters
from voiceover.reports.exchange import FORMATS, share
from voiceover.reports.film import write_film
from voiceover.reports.moments import MomentFilter, moments
from voiceover.reports.names import NameSpotter
from voiceover.reports.privacy import Shared, Sharing, share_safe
from voiceover.reports.report import ReportOptions, Source, write_report
from voiceover.reports.voice import places_of, silence_names
from voiceover.roster import Player
from voiceover.speech.transcript import Word


def forms(b: Breakdown, allowed: str) -> set[str]:
    """Every part of every name and nickname of a roster, the one allowed first name aside."""
    out = set()
    for p in b.roster:
        for form in (p.name, *p.nicknames, *p.say_as):
            out |= {part.lower() for part in re.split(r"[\s-]+", form)}
    return out - {allowed.lower()}


def found_in(text: str, names: set[str]) -> set[str]:
    return names & set(re.findall(r"[^\W\d_]+(?:'[^\W\d_]+)?", text.lower())) | {
        n for n in names if len(n) > 3 and n in text.lower().split()
    }


def texts_of(file: Path) -> Iterator[tuple[str, str]]:
    """All text of a file, packed ones opened."""
    content = file.read_bytes()
    if zipfile.is_zipfile(file):
        with zipfile.ZipFile(file) as archive:
            for name in archive.namelist():
                inner = file.with_name(Path(name).name)
                inner.write_bytes(archive.read(name))
                yield from ((f"{file.name}/{name}", f"{name} {text}") for _, text in texts_of(inner))
    elif file.suffix == ".parquet":
        import pyarrow.parquet as pq

        yield file.name, str(pq.read_table(file).to_pydict()) + str(pq.read_schema(file))
    elif file.suffix == ".pdf":
        import pypdf

        reader = pypdf.PdfReader(file)
        yield file.name, " ".join(page.extract_text() for page in reader.pages) + str(reader.metadata)
    elif file.suffix in (".html", ".csv", ".json", ".vtt", ".srt", ".otio", ".ffmetadata"):
        # Pictures and the style sheet are no words.
        text = re.sub(r"base64,[A-Za-z0-9+/=]+|<style>.*?</style>", "", content.decode(), flags=re.DOTALL)
        yield file.name, text
    else:
        # In sound and pictures, words of three letters come about by chance.
        yield file.name, " ".join(re.findall(r"[^\W\d_]{4,}", content.decode("utf-8", "ignore")))


def write_everything(b: Breakdown, lexicon: Lexicon, folder: Path, clip: Path | None, player: str) -> list[Path]:
    sharing = Sharing(player)
    shared = share_safe(b, lexicon, sharing)
    files = share(shared, list(FORMATS), folder)
    for audience in ("player", "parent", "coach"):
        files.append(write_report([Source(b, clip)], lexicon, folder / f"{audience}.html", ReportOptions(audience, sharing=sharing)))
    if clip is not None:
        pytest.importorskip("weasyprint")
        files.append(write_report([Source(b, clip)], lexicon, folder / "report.pdf", ReportOptions(sharing=sharing), pdf=True))
        files.append(write_chapters(shared, clip, folder / "chapters.mp4"))
        write_bundle(Source(b, clip), lexicon, folder / "report.zip", ReportOptions(sharing=sharing))
        files.append(folder / "report.zip")
        write_film(moments(shared, clip, MomentFilter(statuses=("missed",))), folder / "film.mp4")
        files.append(folder / "film.mp4")
    return files


def test_no_outgoing_file_of_the_demo_names_anybody_else(demo: Breakdown, lexicon: Lexicon, tmp_path: Path) -> None:
    pytest.importorskip("openpyxl"), pytest.importorskip("pyarrow"), pytest.importorskip("opentimelineio")
    names = forms(demo, "Ruben")
    assert {"tarrant", "jonas", "weir", "ellis"} <= names
    files = write_everything(demo, lexicon, tmp_path, SAMPLE / "clip.mp4", "Ruben Tarrant")
    assert len(files) >= 18
    for file in files:
        for place, text in texts_of(file):
            assert not found_in(text, names), place
            assert "narration.ogg" not in text and str(SAMPLE) not in text, place


@pytest.mark.parametrize(("folder", "each"), [("public", 1), ("own", 4)])
def test_no_outgoing_text_of_the_marked_narrations_names_anybody_else(lexicon: Lexicon, tmp_path: Path, folder: str, each: int) -> None:
    """Of our own every fourth: all of them take minutes and are no other case."""
    pytest.importorskip("openpyxl"), pytest.importorskip("pyarrow"), pytest.importorskip("opentimelineio")
    with tempfile.TemporaryDirectory() as corpus:
        read = read_folder(MARKED / folder, Path(corpus), each=each)
    for name, b in read:
        player = next(p for p in b.roster if p.focus)
        files = write_everything(b, lexicon, tmp_path / name, None, player.name)
        for file in files:
            for place, text in texts_of(file):
                assert not found_in(text, forms(b, player.name.split()[0])), (name, place)


def test_misheard_split_and_possessive_forms_go_and_words_stay() -> None:
    spotter = NameSpotter([Player("Chidi Okafor", "22", nicknames=("Oke",)), Player("Lane Marsh", "4")])

    def spotted(text: str) -> list[str]:
        words = text.split()
        starts = [i == 0 or words[i - 1].endswith(".") for i in range(len(words))]
        return [" ".join(words[n.first : n.last + 1]) for n in spotter.find(words, starts)]

    assert spotted("He finds Okafor's stick.") == ["Okafor's"]
    assert spotted("He finds Okafur there.") == ["Okafur"]
    assert spotted("So Aka for drops down.") == ["Aka for"]
    assert spotted("Give it to Cheedy there.") == ["Cheedy"]
    assert spotted("That was number twenty-two again.") == ["number twenty-two"]
    assert spotted("Then Lane fills the lane.") == ["Lane"]
    assert spotted("Fills the middle lane and protects the puck.") == []
    assert spotted("Look what Petrov does.") == ["Petrov"]
    assert spotted("We do it every Thursday in the NHL.") == []
    assert spotted("Okafor'll turn there.") == ["Okafor'll"]


def test_names_on_no_roster_go_at_the_beginning_of_a_sentence_too_and_with_every_sign_in_them() -> None:
    spotter = NameSpotter([Player("Chidi Okafor", "22", team="maroon")])

    def spotted(text: str) -> list[str]:
        words = text.split()
        starts = [i == 0 or words[i - 1].endswith((".", ",")) for i in range(len(words))]
        return [words[n.first] for n in spotter.find(words, starts)]

    for text, name in (
        ("Petrov finishes it.", "Petrov"), ("Look at O'Brien there.", "O'Brien"), ("O’Brien finishes it.", "O’Brien"),
        ("He gives it to St-Pierre there.", "St-Pierre"), ("St-Pierre takes it.", "St-Pierre"), ("Smith drives the net.", "Smith"),
        ("Tkachuk drives the net.", "Tkachuk"),
    ):  # fmt: skip
        assert spotted(text) == [name], text
    for text in (
        "Maroon have stacked it.", "Backchecks hard all the way.", "Ninety-five wins it.", "Then D-to-D and you're a two-on-one.",
        "That'll do it. Scanning before it comes.", "Give-and-Go there.", "Breakouts. Five reps.", "Y'all watch, alrighty?", "Can't see it.",
    ):  # fmt: skip
        assert spotted(text) == [], text


def test_contacts_that_are_spoken_in_several_words_go_out_of_captions(lexicon: Lexicon, tmp_path: Path) -> None:
    said = "Call 617 555 0134, Bo. He is two thousand twelve born. Now North Lakeside High School has him. Born in twenty twelve. He scans."
    words = [Word(w, float(i), i + 0.5) for i, w in enumerate(said.split())]
    b = Breakdown(narration="x", roster=[Player("Al Focus", focus=True), Player("North Olsen")], words=words)
    for sharing in (Sharing(), Sharing(with_names=True)):
        shared = share_safe(b, lexicon, sharing)
        share(shared, ["vtt", "srt"], tmp_path)
        for file in tmp_path.iterdir():
            text = file.read_text(encoding="utf-8")
            for secret in ("617", "555", "0134", "thousand", "twelve", "Lakeside", "High", "North"):
                assert secret not in text.replace("00:00", ""), (file, text)
        assert "Call [number]," in text and "He is [year]." in text and text.rstrip().endswith("He scans.")
        times = [w.start_narration_s for w in shared.breakdown.words]
        assert times == sorted(times) and shared.breakdown.words[1].end_narration_s == 3.5


def test_contacts_years_and_schools_go(demo: Breakdown, lexicon: Lexicon) -> None:
    text = "Write to coach@example.org or call +41 79 123 45 67. He is a 2012 born from Lakeside High School, an '11. See www.example.org."
    clean = share_safe(demo.model_copy(update={"message": text}), lexicon).breakdown.message
    for secret in ("coach@", "79 123", "2012", "Lakeside", "'11", "example.org"):
        assert secret not in clean, clean


def test_what_was_kept_back_is_gone(demo: Breakdown, lexicon: Lexicon) -> None:
    m = demo.mentions[4]
    row = Anchor(start_narration_s=m.start_narration_s, end_narration_s=m.end_narration_s, quote=m.quote, principle_id=m.principle_id)
    first = [w for w in demo.words if 15 <= w.start_narration_s][:8]
    sentence = Anchor(start_narration_s=first[0].start_narration_s, end_narration_s=first[-1].end_narration_s)
    reviewed, _ = replay(demo, [Correction(kind="withhold", anchor=row), Correction(kind="withhold", anchor=sentence)], lexicon)
    shared = share_safe(reviewed, lexicon)
    text = " ".join(w.text for w in shared.breakdown.words)
    assert " ".join(w.text for w in first[2:6]) not in text
    assert m.quote in " ".join(w.text for w in demo.words) and m.quote not in text
    assert m.quote not in [r.quote for r in shared.breakdown.log]
    assert shared.breakdown.corrections == [] and shared.breakdown.withheld == []
    assert any("kept back" in line for line in shared.left_out)
    for later in shared.breakdown.mentions:
        assert later.quote.split()[0].strip("“") in shared.breakdown.words[later.first].text


def test_the_player_is_called_as_was_chosen(demo: Breakdown, lexicon: Lexicon) -> None:
    assert share_safe(demo, lexicon, Sharing(name_as="initials")).player == "R.T."
    assert share_safe(demo, lexicon, Sharing(name_as="number")).player == "Number 17"
    text = share_safe(demo, lexicon, Sharing(name_as="number")).breakdown.to_json()
    assert "Ruben" not in text
    with_names = share_safe(demo, lexicon, Sharing(with_names=True)).breakdown.to_json()
    assert "Jonas Weir" in with_names
    several = demo.model_copy(update={"roster": [dataclasses.replace(p, focus=True) for p in demo.roster]})
    with pytest.raises(OptionError, match="name one of them"):
        share_safe(several, lexicon)


def test_the_voice_is_silent_where_a_name_is_spoken(demo: Breakdown, tmp_path: Path) -> None:
    voice = silence_names(SAMPLE / "narration.ogg", demo, tmp_path / "voice.wav")
    after, before = read_audio(tmp_path / "voice.wav"), read_audio(SAMPLE / "narration.ogg")
    assert len(after) == pytest.approx(len(before), abs=SAMPLE_RATE // 10)
    assert len(voice.places) >= 10
    for p in voice.places:
        inside = slice(round(p.start_narration_s * SAMPLE_RATE) + 2, round(p.end_narration_s * SAMPLE_RATE) - 2)
        assert float(np.abs(after[inside]).max()) < 1e-3
    outside = np.ones(len(before), bool)
    for p in voice.places:
        outside[max(0, round((p.start_narration_s - 0.1) * SAMPLE_RATE)) : round((p.end_narration_s + 0.1) * SAMPLE_RATE)] = False
    n = min(len(before), len(after))
    assert np.abs(after[:n] - np.clip(before[:n], -1.0, 1.0))[outside[:n]].max() < 1e-3


def test_word_times_of_captions_get_more_room_than_recognised_ones() -> None:
    words = [Word("Then", 1.0, 1.3), Word("Okafor", 1.3, 1.8), Word("turns.", 1.8, 2.2)]
    roster = [Player("Chidi Okafor")]
    heard = Breakdown(narration="x", roster=roster, words=words)
    read = heard.model_copy(update={"words": [dataclasses.replace(w, timed="captions") for w in words]})
    assert places_of(heard)[0].start_narration_s > places_of(read)[0].start_narration_s


NAMES = [Player("Chidi Okafor", "22", nicknames=("Oke",)), Player("Jo-Ann O'Neill", "9")]


@given(
    st.lists(
        st.sampled_from(
            ["Okafor", "okafor's", "Chidi,", "OKE!", "O’Neill’s", "jo-ann", "Jo", "the", "puck", "stick", "“Chidi”", "(Okafor)"]
        ),
        min_size=1,
        max_size=12,
    )
)
def test_no_order_of_words_lets_a_name_through(words: list[str]) -> None:
    b = Breakdown(
        narration="x",
        roster=[Player("Al Focus", focus=True), *NAMES],
        words=[Word(w, i, i + 0.5) for i, w in enumerate(words)],
        message=" ".join(words),
    )
    from voiceover.lexicon.io import load_lexicon

    shared = share_safe(b, load_lexicon()).breakdown
    for text in (" ".join(w.text for w in shared.words), shared.message):
        assert not found_in(text.replace("’", "'"), {"okafor", "chidi", "oke", "o'neill", "ann"}), text


def test_the_correction_of_a_name_stays_private(demo: Breakdown, lexicon: Lexicon) -> None:
    renamed = Correction(kind="rename", change=Change(heard="Ellis", text="Ellis"))
    reviewed, _ = replay(demo, [renamed], lexicon)
    shared: Shared = share_safe(reviewed, lexicon)
    assert "Ellis" not in shared.breakdown.to_json()
