"""The commands that hand something out: parse and print, nothing else."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from voiceover.library_cli import LibraryFolder, full_id, open_library

if TYPE_CHECKING:
    from voiceover.breakdown import Breakdown
    from voiceover.lexicon.model import Lexicon
    from voiceover.media.audio import Samples
    from voiceover.reports.privacy import Sharing
    from voiceover.store.library import Library

BreakdownArgument = Annotated[str, typer.Argument(help="Id of a breakdown in the library, or a breakdown.json or its folder.")]
PlayerOption = Annotated[str, typer.Option(help="Whom it is about; the player in focus by default.")]
NameOption = Annotated[str, typer.Option(help="How he is called: first, initials or number.")]
NamesOption = Annotated[bool, typer.Option("--with-names", help="Deliberately: all names stay in.")]
ClipOption = Annotated[Path | None, typer.Option(help="The clip, where the breakdown is a file.")]
NarrationOption = Annotated[Path | None, typer.Option(help="The narration, where the breakdown is a file.")]
READING_FIRST = "The words that you corrected are read first …"
LexiconOption = Annotated[
    str,
    typer.Option(help="Where names and cues come from: a shipped lexicon or a file of your own; that of the library or sport by default."),
]


def add_report_commands(app: typer.Typer) -> None:
    """Add them to the command line."""
    for name, command in (
        ("write-report", write_report), ("share", share), ("join-cuts", join_cuts), ("silence-names", silence_names), ("forget-player", forget_player),
    ):  # fmt: skip
        app.command(name)(command)


@dataclass
class Opened:
    """A breakdown with its recordings, wherever it came from."""

    breakdown: Breakdown
    clip: Path | None
    narration: Path | None
    lexicon: Lexicon
    library: Library | None = None
    id: str = ""


def open_breakdown(which: str, library: Path | None, clip: Path | None, narration: Path | None = None, *, lexicon: str = "") -> Opened:
    """A breakdown by id or by file, reviewed, with its recordings; words that were changed since it was read are read first.

    Args:
        lexicon: the one that names and cues come from; empty for that of the library, or for a file the shipped one of its sport.

    Raises:
        VoiceoverError: there is none, or its changed words cannot be read.
    """
    from voiceover.breakdown import read_breakdown
    from voiceover.errors import StoreError
    from voiceover.lexicon.io import load_lexicon, shipped_for
    from voiceover.replay import replay

    own = load_lexicon(lexicon) if lexicon else None
    if Path(which).exists() or which.endswith(".json"):
        b = read_breakdown(Path(which))
        names = own or shipped_for(b.sport) or load_lexicon()
        if b.corrections and not b.reviewed:
            b, _ = replay(_read_changed_words(b, names), b.corrections, names)
        return Opened(b, clip, narration, names)
    opened = open_library(library)
    breakdown_id = full_id(opened, which)
    row = opened.breakdown_row(breakdown_id)
    if opened.reviewed(breakdown_id).is_rereading:
        from voiceover.store.worker import read_changed_words

        typer.echo(READING_FIRST, err=True)
        read_changed_words(opened, breakdown_id)
    reviewed = opened.reviewed(breakdown_id)
    if reviewed.is_rereading:
        raise StoreError(f"{which}: its words were corrected again in this moment; run the command again")
    return Opened(
        reviewed.breakdown,
        clip or opened.recording(row.clip_id),
        narration or opened.recording(row.narration_id),
        own or opened.lexicon(reviewed.breakdown.sport),
        opened,
        breakdown_id,
    )


def _read_changed_words(b: Breakdown, lexicon: Lexicon) -> Breakdown:
    """A breakdown from a file, read from its words as they were put right."""
    from voiceover.corrections import changes_of_words

    if not changes_of_words(b.corrections):
        return b
    from voiceover.reread import read_edited

    typer.echo(READING_FIRST, err=True)
    return read_edited(b, b.corrections, lexicon)


def sharing_of(player: str, name_as: str, with_names: bool) -> Sharing:
    """What may go out.

    Raises:
        OptionError: no such way to call a player.
    """
    from voiceover.errors import OptionError
    from voiceover.reports.privacy import Sharing

    if name_as not in ("first", "initials", "number"):
        raise OptionError(f"--name-as '{name_as}': is not known; write one of: first, initials, number")
    return Sharing(player, name_as, with_names)  # type: ignore[arg-type]


def write_report(
    breakdown: Annotated[
        list[str], typer.Argument(help="Ids in the library, or breakdown.json files; several of one player show what changed.")
    ],
    out: Annotated[Path, typer.Option(help="The file: .html, .pdf, or .zip with video.")] = Path("report.html"),
    audience: Annotated[str, typer.Option(help="player, parent or coach.")] = "player",
    pdf: Annotated[bool, typer.Option("--pdf", help="On paper; the same as a name that ends in .pdf.")] = False,
    video: Annotated[bool, typer.Option("--video", help="With a cut of each possession; the same as a name that ends in .zip.")] = False,
    voice: Annotated[bool, typer.Option("--voice", help="Your voice over the cuts, names silenced; listen to it first.")] = False,
    yes: Annotated[bool, typer.Option("--yes", help="You have listened to the silenced voice.")] = False,
    limit_mb: Annotated[float, typer.Option(min=1, help="Largest size with video.")] = 25.0,
    player: PlayerOption = "",
    name_as: NameOption = "first",
    with_names: NamesOption = False,
    language: Annotated[str, typer.Option(help="Language of the labels.")] = "en",
    lexicon: LexiconOption = "",
    clip: ClipOption = None,
    narration: NarrationOption = None,
    library: LibraryFolder = None,
) -> None:
    """Write a report for the player, his parents or the coach: share-safe unless you say otherwise."""
    from voiceover.cli import progress_bar
    from voiceover.errors import OptionError
    from voiceover.reports.bundle import write_bundle
    from voiceover.reports.report import ReportOptions, Source
    from voiceover.reports.report import write_report as write

    opened = [open_breakdown(b, library, clip, narration, lexicon=lexicon) for b in breakdown]
    options = ReportOptions(audience, language, sharing_of(player, name_as, with_names))
    sources = [Source(o.breakdown, o.clip) for o in opened]
    _warn_consent(opened)
    if video or out.suffix == ".zip":
        if len(opened) > 1 or opened[0].clip is None:
            raise OptionError("a report with video is about one breakdown with its clip; name one, and --clip where it is a file")
        out = out.with_suffix(".zip")
        sound = None
        if voice:
            sound = _heard_voice(opened[0], out, yes)
        with progress_bar() as report:
            notes = write_bundle(
                sources[0], opened[0].lexicon, out, options, voice=sound, limit_mb=limit_mb,
                progress=lambda done, total: report("cutting", done, total),
            )  # fmt: skip
        for note in notes:
            typer.echo(note)
    else:
        out = out.with_suffix(".pdf") if pdf else out
        write(sources, opened[0].lexicon, out, options, pdf=out.suffix == ".pdf")
    _note_outgoing(opened, out, "report")
    typer.echo(f"{out}: {out.stat().st_size / 1e6:.1f} MB. Faces and shirt numbers stay visible; send it only as the guardians agreed.")


def share(
    breakdown: BreakdownArgument,
    formats: Annotated[
        list[str], typer.Option("--as", help="csv, xlsx, json, parquet, vtt, srt, chapters, otio or mp4; may be given again.")
    ],
    out: Annotated[Path, typer.Option(help="Folder for the files.")] = Path("shared"),
    player: PlayerOption = "",
    name_as: NameOption = "first",
    with_names: NamesOption = False,
    lexicon: LexiconOption = "",
    clip: ClipOption = None,
    library: LibraryFolder = None,
) -> None:
    """Write the log in forms that other programs read: share-safe unless you say otherwise."""
    from voiceover.errors import OptionError
    from voiceover.media.probe import probe
    from voiceover.reports.chapters import write_chapters
    from voiceover.reports.exchange import share as write
    from voiceover.reports.privacy import share_safe

    opened = open_breakdown(breakdown, library, clip, lexicon=lexicon)
    shared = share_safe(opened.breakdown, opened.lexicon, sharing_of(player, name_as, with_names))
    _warn_consent([opened])
    picture = probe(opened.clip).picture if opened.clip else None
    rate = float(picture.rate) if picture and picture.rate else 30.0
    wanted = [f for name in formats for f in name.split(",")]
    plain, as_mp4 = [f for f in wanted if f != "mp4"], "mp4" in wanted
    files = write(shared, plain, out, rate=rate) if plain else []
    if as_mp4:
        if opened.clip is None:
            raise OptionError("--as mp4: needs the clip; name it with --clip")
        out.mkdir(parents=True, exist_ok=True)
        files.append(write_chapters(shared, opened.clip, out / "clip_with_chapters.mp4"))
    _note_outgoing([opened], out, "share")
    for file in files:
        typer.echo(str(file))
    _say_left_out(shared.left_out)
    if as_mp4:
        typer.echo("Faces and shirt numbers stay visible in clip_with_chapters.mp4.")


def join_cuts(
    breakdown: Annotated[list[str], typer.Argument(help="Ids in the library, or breakdown.json files.")],
    principle: Annotated[list[str] | None, typer.Option(help="Only this principle, id or name; may be given again.")] = None,
    player: Annotated[str, typer.Option(help="Only this player: part of his name, or focus, teammate, opponent.")] = "",
    status: Annotated[list[str] | None, typer.Option(help="Only executed, attempted or missed; may be given again.")] = None,
    out: Annotated[Path, typer.Option(help="The film.")] = Path("cuts.mp4"),
    lead: Annotated[float, typer.Option(min=0, help="Seconds of the clip before each moment.")] = 3.0,
    tail: Annotated[float, typer.Option(min=0, help="Seconds after it.")] = 2.0,
    sound: Annotated[str, typer.Option(help="clip, talk (names silenced) or none.")] = "clip",
    titles: Annotated[bool, typer.Option(help="A card before each moment.")] = True,
    captions: Annotated[bool, typer.Option(help="Your words on the picture.")] = True,
    yes: Annotated[bool, typer.Option("--yes", help="You have listened to the silenced voice.")] = False,
    with_names: NamesOption = False,
    lexicon: LexiconOption = "",
    clip: ClipOption = None,
    narration: NarrationOption = None,
    library: LibraryFolder = None,
) -> None:
    """Join the moments that fit into one film, exact to the frame."""
    from voiceover.cli import progress_bar
    from voiceover.errors import OptionError
    from voiceover.reports.film import write_film
    from voiceover.reports.moments import MomentFilter, moments
    from voiceover.reports.privacy import share_safe

    if sound not in ("clip", "talk", "none"):
        raise OptionError(f"--sound '{sound}': is not known; write one of: clip, talk, none")
    wanted = MomentFilter(
        tuple(principle or ()), player if player in ("focus", "teammate", "opponent") or with_names else "", tuple(status or ())
    )
    opened = [open_breakdown(b, library, clip, narration, lexicon=lexicon) for b in breakdown]
    shots: list[Any] = []
    left_out: list[str] = []
    for o in opened:
        if o.clip is None:
            raise OptionError("a film needs the clip; name it with --clip")
        about = "" if player in ("", "focus", "teammate", "opponent") else player
        shared = share_safe(o.breakdown, o.lexicon, sharing_of(about, "first", with_names))
        left_out += shared.left_out
        voice = None
        if sound == "talk":
            voice = _heard_voice(o, out, yes)
        fits = wanted if with_names or not about else MomentFilter(wanted.principles, "focus", wanted.statuses)
        shots += moments(shared, o.clip, fits, lead_s=lead, tail_s=tail, sound=sound, voice=voice, captions=captions)
    with progress_bar() as report:
        places = write_film(shots, out, titles=titles, progress=lambda done, total: report("cutting", done, total))
    _note_outgoing(opened, out, "film")
    _say_left_out(left_out)
    typer.echo(f"{out}: {len(places)} moments, {places[-1].end_s:.0f} s. Faces and shirt numbers stay visible.")


def silence_names(
    breakdown: BreakdownArgument,
    out: Annotated[Path, typer.Option(help="The .wav to write; a list of the places is written beside it.")] = Path(
        "voice_without_names.wav"
    ),
    narration: NarrationOption = None,
    library: LibraryFolder = None,
) -> None:
    """Write your voice with every name silenced, to listen to before it goes out."""
    from voiceover.reports.voice import silence_names as silence
    from voiceover.reports.voice import write_places

    opened = open_breakdown(breakdown, library, None, narration)
    voice = silence(_narration_of(opened), opened.breakdown, out)
    listing = write_places(voice, out.with_suffix(".json"))
    _note_outgoing([opened], out, "voice")
    _note_outgoing([opened], listing, "names")
    for p in voice.places:
        minutes, seconds = divmod(int(p.start_narration_s), 60)
        typer.echo(
            f"{minutes}:{seconds:02d}  {p.end_narration_s - p.start_narration_s:.1f} s  {p.heard}"
            + (f"  (with it went: {p.lost})" if p.lost else "")
        )
    typer.echo(
        f"{out}: {len(voice.places)} places, {voice.silenced_s:.1f} s of silence. Listen to it before it goes out. {listing} holds the names: it is private."
    )


def forget_player(
    player: Annotated[str, typer.Argument(help="Name of the player, or his id.")],
    yes: Annotated[bool, typer.Option("--yes", help="Do not ask.")] = False,
    library: LibraryFolder = None,
) -> None:
    """Erase a player from the library; counts that say nothing of him are left."""
    from voiceover.errors import StoreError
    from voiceover.reports.forget import forget_player as forget
    from voiceover.store.people import all_players

    opened = open_library(library)
    known = all_players(opened)
    fits = [p for p in known if player == p.id or player.lower() == p.name.lower()]
    if not fits:
        raise StoreError(f"{player}: no player of this name in the library; in it are: {', '.join(p.name for p in known) or 'nobody'}")
    if len(fits) > 1:
        ids = ", ".join(" ".join(filter(None, (p.id, f"(number {p.number})" if p.number else "", p.team))) for p in fits)
        raise StoreError(f"{player}: {len(fits)} players of this name in the library; give the id of one: {ids}")
    if not yes and not typer.confirm(f"Erase {fits[0].name} for good? This cannot be undone", default=False):
        raise typer.Exit(1)
    done = forget(opened, fits[0].id)
    typer.echo(f"Erased. {done.counts_only} breakdowns about him are counts alone now; he was taken out of {done.cleaned} others.")
    for path in done.out_of_reach:
        typer.echo(f"Out of reach, delete it yourself: {path}")
    for note in dict.fromkeys(done.notes):
        typer.echo(note)


def _narration_of(o: Opened) -> Path:
    from voiceover.errors import OptionError

    if o.narration is None:
        raise OptionError("the talk itself is needed; name it with --narration")
    return o.narration


def _heard_voice(o: Opened, out: Path, yes: bool) -> Samples:
    """The voice without names, once the coach has heard it: what he listened to is what goes out."""
    from voiceover.media.audio import read_audio
    from voiceover.reports.voice import silence_names as silence

    sample = out.with_name(out.stem + "_voice_to_check.wav")
    voice = silence(_narration_of(o), o.breakdown, sample)
    _note_outgoing([o], sample, "voice")
    typer.echo(
        f"{sample}: your voice with {len(voice.places)} places silenced. Listen to it: a name that was not recognised would still be there."
    )
    if not yes and not typer.confirm("Have you listened, and is it free of names?", default=False):
        raise typer.Exit(1)
    return read_audio(sample)


def _warn_consent(opened: list[Opened]) -> None:
    from voiceover.store.people import without_consent

    for o in opened:
        for name in without_consent(o.library, o.id) if o.library else []:
            typer.echo(
                f"Warning: no consent is noted for {name}; settle it with the guardians first, and note it in the library.", err=True
            )


def _say_left_out(lines: list[str]) -> None:
    for line in dict.fromkeys(lines):
        typer.echo(f"left out: {line}")


def _note_outgoing(opened: list[Opened], out: Path, kind: str) -> None:
    for o in opened:
        if o.library is not None:
            o.library.note_outgoing(o.id, out.resolve(), kind)
