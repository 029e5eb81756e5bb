"""The command line: parses and prints, nothing else."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Annotated

import typer
from rich.console import Console
from rich.markup import escape
from rich.progress import BarColumn, Progress, TextColumn, TimeRemainingColumn
from rich.table import Table

from voiceover.breakdown import Breakdown, read_breakdown
from voiceover.errors import VoiceoverError
from voiceover.lexicon.io import DEFAULT_LEXICON, load_lexicon, read_lexicon
from voiceover.lexicon.overlaps import find_overlaps
from voiceover.lexicon.suggestion import MIN_TIMES, check_new, write_overlay
from voiceover.library_cli import add_library_commands
from voiceover.outputs import write_breakdown
from voiceover.pipeline import LogOptions
from voiceover.pipeline import log as log_narration
from voiceover.playhead.choose import needs_opencv
from voiceover.reports_cli import add_report_commands

app = typer.Typer(add_completion=False, no_args_is_help=True, help="Turns a coach's talk over a clip into a possession log.")


@app.command()
def log(
    narration: Annotated[Path, typer.Argument(help="Recording of the talk: audio, or video with sound.")],
    clip: Annotated[Path | None, typer.Option(help="The raw video that is talked about.")] = None,
    playhead: Annotated[
        str | None, typer.Option(help="A playhead.csv, straight, straight+SECONDS, auto (find the clip by picture or sound) or none.")
    ] = None,
    own_playhead: Annotated[Path | None, typer.Option(help="A playhead.csv whose rows win over what is found.")] = None,
    roster: Annotated[Path | None, typer.Option(help="A roster.csv with at least a column 'name'.")] = None,
    focus: Annotated[str | None, typer.Option(help="Name or number of the player that the talk is about.")] = None,
    lexicon: Annotated[str, typer.Option(help="A shipped lexicon or a lexicon file.")] = DEFAULT_LEXICON,
    model: Annotated[str, typer.Option(help="Recognition weights: auto, a name or a folder.")] = "auto",
    transcript: Annotated[Path | None, typer.Option(help="Captions or a text: skips recognition.")] = None,
    from_s: Annotated[float | None, typer.Option("--from", help="The clip begins at this second of a longer video.")] = None,
    to_s: Annotated[float | None, typer.Option("--to", help="The clip ends at this second of a longer video.")] = None,
    date: Annotated[str | None, typer.Option(help="ISO date of the ice time; the file's own by default.")] = None,
    occasion: Annotated[str, typer.Option(help="game, practice, drill, camp or tryout.")] = "",
    situation: Annotated[str, typer.Option(help="even strength, power play, short-handed or small area.")] = "",
    team: Annotated[str, typer.Option(help="The team.")] = "",
    age_group: Annotated[str, typer.Option(help="Age group of the players, as the federation names it.")] = "",
    note: Annotated[str, typer.Option(help="Anything to remember.")] = "",
    out: Annotated[Path, typer.Option(help="Folder for the files.")] = Path("voiceover_out"),
    json: Annotated[bool, typer.Option("--json", help="Print the breakdown as JSON instead of a table.")] = False,
    library: Annotated[Path | None, typer.Option(help="Put it into this library as well.")] = None,
) -> None:
    """Turn a narration into a possession log."""
    options = LogOptions(
        clip=clip, playhead=playhead, own_playhead=own_playhead, roster=roster, focus=focus, lexicon=lexicon, model=model, transcript=transcript,
        from_clip_s=from_s, to_clip_s=to_s, date=date, occasion=occasion, situation=situation, team=team,
        age_group=age_group, note=note,
    )  # fmt: skip
    with progress_bar() as report:
        breakdown = log_narration(narration, options, progress=report)
    files = write_breakdown(breakdown, out)
    if library is not None:
        from voiceover.store.library import Library

        breakdown_id = Library(library).add_breakdown(breakdown, narration=narration, clip=clip)
        typer.echo(f"In the library as {breakdown_id}", err=True)
    if json:
        sys.stdout.write(breakdown.to_json())
        return
    print_breakdown(breakdown, files)


@app.command("find-playhead")
def find_playhead(
    recording: Annotated[Path, typer.Argument(help="A video of the screen on which the clip is played and talked over.")],
    clip: Annotated[list[Path], typer.Option(help="The raw clip; may be given again for several.")],
    out: Annotated[Path, typer.Option(help="The playhead to write.")] = Path("playhead.csv"),
    from_s: Annotated[float | None, typer.Option("--from", help="The clip begins at this second of a longer video.")] = None,
    to_s: Annotated[float | None, typer.Option("--to", help="The clip ends at this second of a longer video.")] = None,
) -> None:
    """Find where the clip stands at each moment of a screen recording, and draw it for the eye to check."""
    try:
        from voiceover.playhead.find import find_playhead as find
    except ImportError as error:
        raise needs_opencv("find-playhead", "give `log` a playhead.csv") from error

    with progress_bar() as report:
        found = find(recording, clip, out, from_clip_s=from_s, to_clip_s=to_s, progress=lambda done, total: report("watching", done, total))
    typer.echo(
        f"{found.shown_s:.1f} s of clip on screen, {found.unsure_s:.1f} s of it unsure; {found.pauses} pauses, {found.rewinds} rewinds"
    )
    typer.echo(f"Files: {', '.join(str(f) for f in found.files)}")


@app.command("check-lexicon")
def check_lexicon(file: Annotated[Path, typer.Argument(help="A lexicon file, YAML or CSV.")]) -> None:
    """Report every mistake in a lexicon file with its line and what to write, and words that two principles claim."""
    lexicon, mistakes = read_lexicon(file)
    for mistake in mistakes:
        typer.echo(mistake)
    if mistakes or lexicon is None:
        raise typer.Exit(2)
    for overlap in find_overlaps(lexicon):
        typer.echo(
            f"{file}: '{overlap.words}' tells {' and '.join(overlap.principle_ids)}; keep it where it belongs,"
            " and write it under `not` of the other"
        )
    typer.echo(f"{file}: {len(lexicon.active())} principles, {sum(len(p.wordings()) for p in lexicon.active())} wordings, no mistakes")


@app.command("suggest-wordings")
def suggest_wordings(
    breakdowns: Annotated[list[Path], typer.Argument(help="One or more breakdown.json, or folders that hold one.")],
    lexicon: Annotated[str, typer.Option(help="A shipped lexicon or a lexicon file.")] = DEFAULT_LEXICON,
    times: Annotated[int, typer.Option(min=2, help="How often a thing must have been said.")] = MIN_TIMES,
    out: Annotated[Path | None, typer.Option(help="Ask for each, and write the accepted ones to this new lexicon file.")] = None,
) -> None:
    """Show what was said often and not matched, as wordings for the lexicon."""
    from voiceover.mentions.teach import suggest_wordings as suggest

    if out is not None:
        check_new(out)
    found = suggest([read_breakdown(b) for b in breakdowns], load_lexicon(lexicon), min_times=times)
    if not found:
        typer.echo(f"Nothing was said {times} times or more that is not matched.")
    accepted = []
    for s in found:
        typer.echo(f"{s.principle_id or 'a new principle?'}: '{s.wording}', {len(s.evidence)} times")
        for place in s.evidence:
            minutes, seconds = divmod(int(place.start_narration_s), 60)
            typer.echo(f"    {place.narration} {minutes}:{seconds:02d}  {place.quote}")
        if out is not None and typer.confirm("Add it?", default=False):
            accepted.append(s)
    if out is not None and accepted:
        write_overlay(out, lexicon, accepted)
        typer.echo(f"{len(accepted)} wordings are in {out}; use it with --lexicon {out}")


@app.command()
def doctor() -> None:
    """Say what is here, what is missing, and what to do about it."""
    from voiceover.doctor import examine

    for finding in examine():
        typer.echo(f"{'ok     ' if finding.ok else 'missing'} {finding.name}: {finding.detail}")
        if not finding.ok and finding.remedy:
            typer.echo(f"        {finding.remedy}")


@contextmanager
def progress_bar() -> Iterator[Callable[[str, float, float], None]]:
    """A bar on the error stream; what it yields is told (step, done, total), total 0 where it is not known."""
    with Progress(
        TextColumn("{task.description}"),
        BarColumn(),
        TimeRemainingColumn(),
        console=Console(stderr=True),
        transient=True,
    ) as bar:
        task = bar.add_task("reading", total=None)
        yield lambda step, done, total: bar.update(task, description=step, completed=done, total=total or None)


def print_breakdown(breakdown: Breakdown, files: list[Path]) -> None:
    """The log as a table, what was counted, and where the files are."""
    console = Console()
    table = Table(title="Possession log")
    for column in ("#", "principle", "who", "status", "clip s", "said at", "words"):
        table.add_column(column)
    for row in breakdown.log:
        who = escape(row.player.split()[0] if row.player else row.role)
        about = "~" if row.tolerance_s > 0.1 else ""
        clip = "" if row.clip_s is None else f"{about}{row.clip_s:.1f}"
        minutes, seconds = divmod(int(row.narration_s), 60)
        possession = "" if row.possession is None else str(row.possession)
        table.add_row(possession, escape(row.principle), who, row.status, clip, f"{minutes}:{seconds:02d}", escape(row.quote))
    console.print(table)
    distinct = len({r.principle_id for r in breakdown.log if r.possession and r.status != "missed"})
    console.print(f"{len(breakdown.possessions)} possessions, {distinct} principles, {len(breakdown.mentions)} mentions.")
    for total in breakdown.totals:
        verdict = "agrees" if total.agrees else total.why
        console.print(f"You said '{total.quote}': {verdict}", markup=False)
    for warning in breakdown.warnings:
        console.print(warning, markup=False)
    console.print(f"Files are in {files[0].parent}: {', '.join(f.name for f in files)}", markup=False)


def main() -> None:
    """Run the command line; a user's mistake is one line and exit code 2."""
    try:
        app()
    except VoiceoverError as error:
        typer.echo(str(error), err=True)
        raise SystemExit(2) from None


add_library_commands(app)
add_report_commands(app)

if __name__ == "__main__":
    main()
