"""The commands about the library: parse and print, nothing else. What needs the store is loaded when a command asks for it."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer
from rich.console import Console
from rich.markup import escape
from rich.table import Table

if TYPE_CHECKING:
    from voiceover.store.library import Library

LibraryFolder = Annotated[
    Path | None, typer.Option("--library", help="Folder of the library; yours by default.", envvar="VOICEOVER_LIBRARY")
]
BreakdownId = Annotated[str, typer.Argument(help="Id of a breakdown, or the beginning of it.")]


def add_library_commands(app: typer.Typer) -> None:
    """Add them to the command line."""
    for name, command in (
        ("add-breakdown", add_breakdown), ("list-breakdowns", list_breakdowns), ("export-breakdown", export_breakdown),
        ("import-breakdown", import_breakdown), ("back-up", back_up), ("restore", restore), ("serve", serve),
    ):  # fmt: skip
        app.command(name)(command)


def open_library(folder: Path | None) -> Library:
    """The library in a folder, or the coach's own."""
    from voiceover.store.library import Library, default_library

    return Library(folder or default_library())


def full_id(library: Library, beginning: str) -> str:
    """The id that begins so.

    Raises:
        StoreError: none does, or several do.
    """
    from voiceover.errors import StoreError

    fits = [b.id for b in library.list_breakdowns() if b.id.startswith(beginning)]
    if len(fits) != 1:
        what = "no breakdown" if not fits else f"{len(fits)} breakdowns"
        raise StoreError(f"{beginning}: {what} in the library with this id; see `voiceover list-breakdowns`")
    return fits[0]


def add_breakdown(
    breakdown: Annotated[Path, typer.Argument(help="A breakdown.json, or a folder that holds one.")],
    narration: Annotated[Path | None, typer.Option(help="Its recording of the talk.")] = None,
    clip: Annotated[Path | None, typer.Option(help="Its clip.")] = None,
    library: LibraryFolder = None,
) -> None:
    """Put what `log` wrote into the library."""
    from voiceover.breakdown import read_breakdown

    typer.echo(open_library(library).add_breakdown(read_breakdown(breakdown), narration=narration, clip=clip))


def list_breakdowns(
    player: Annotated[str, typer.Option(help="Only those about this player.")] = "",
    library: LibraryFolder = None,
) -> None:
    """List the breakdowns in the library, newest first."""
    table = Table("id", "date", "title", "player", "rows", "to look at", "state", show_edge=False)
    for b in open_library(library).list_breakdowns(player=player):
        title, players = escape(b.title), escape(", ".join(b.players))
        table.add_row(b.id[:8], b.date, title, players, str(b.rows), str(b.to_look_at), b.state)
    Console().print(table)


def export_breakdown(
    breakdown: BreakdownId,
    out: Annotated[Path, typer.Option(help="A .zip with its recordings, or a .json without.")] = Path("breakdown.zip"),
    library: LibraryFolder = None,
) -> None:
    """Write a breakdown, complete and private, for another library of yours."""
    from voiceover.store.archive import export_breakdown as export

    opened = open_library(library)
    typer.echo(f"{export(opened, full_id(opened, breakdown), out)}: complete and private; to hand something out, use write-report or share")


def import_breakdown(
    file: Annotated[Path, typer.Argument(help="What export-breakdown or log wrote.")],
    library: LibraryFolder = None,
) -> None:
    """Take in what export-breakdown wrote."""
    from voiceover.store.archive import import_breakdown as take_in

    typer.echo(take_in(open_library(library), file))


def back_up(
    out: Annotated[Path, typer.Argument(help="The .zip to write.")],
    library: LibraryFolder = None,
) -> None:
    """Write the whole library into one private file, also while it is in use."""
    from voiceover.store.archive import back_up as save

    typer.echo(f"{save(open_library(library), out)}: complete and private; keep it where only you get at it")


def restore(
    backup: Annotated[Path, typer.Argument(help="What back-up wrote.")],
    library: LibraryFolder = None,
) -> None:
    """Make a library of a backup, in a folder that holds none."""
    from voiceover.store.archive import restore as bring_back
    from voiceover.store.library import default_library

    typer.echo(f"{bring_back(backup, library or default_library())}: restored")


def serve(
    library: LibraryFolder = None,
    port: Annotated[int, typer.Option(min=0, max=65535, help="Port on this machine; 0 for any free one.")] = 0,
    host: Annotated[str, typer.Option(help="Address to listen on; anything but this machine needs --password.")] = "127.0.0.1",
    password: Annotated[str, typer.Option(help="Needed beyond this machine.", envvar="VOICEOVER_PASSWORD")] = "",
    browser: Annotated[bool, typer.Option(help="Open the browser.")] = True,
) -> None:
    """Open the library in the browser: record, review, report. Nothing leaves this machine."""
    from voiceover.review_app.serve import serve as run

    run(open_library(library), host=host, port=port, password=password, open_browser=browser)
