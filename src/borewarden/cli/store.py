"""Look after a store: check it, back it up, prune it, compact it, resend refused rows."""

from __future__ import annotations

import sqlite3
from pathlib import Path
from typing import Annotated

import typer

from borewarden.base.files import check_output
from borewarden.base.times import iso_time
from borewarden.cli.terminal import AsJson, Listing, app, print_json, print_table, refusing, say
from borewarden.store.upkeep import backup_store, check_store, compact_store

store_app = typer.Typer(
    cls=Listing,
    no_args_is_help=True,
    help="Look after a store: check it, back it up, prune it, compact it, resend rows.",
    rich_markup_mode=None,
)
app.add_typer(store_app, name="store")

StoreFile = Annotated[Path, typer.Option("--store", help="Embedded store.")]
DB = Path("borewarden.db")


@store_app.command("check")
def check_command(store: StoreFile = DB, as_json: AsJson = False) -> None:
    """Say what is wrong with a store, and what to do. Changes nothing; a watch may run.

    Exit code 1 if anything is wrong.
    """
    with refusing("check the store"):
        findings = list(check_store(store))
    if as_json:
        print_json(findings)
    else:
        rows = [(f.part, "yes" if f.is_well else "NO", f.words) for f in findings]
        print_table(("part", "sound", "what it says"), rows)
        say(*(f"To do, {f.part}: {f.todo}." for f in findings if f.todo))
    if not all(finding.is_well for finding in findings):
        raise typer.Exit(1)


@store_app.command("backup")
def backup_command(
    target: Annotated[Path, typer.Argument(help="New file, or a folder for one named by time.")],
    store: StoreFile = DB,
) -> None:
    """Copy a store while the watch writes to it. The copy is whole, and checked."""
    with refusing("back up the store"):
        check_output("backup", target / "x" if target.is_dir() else target, [store])
        made = backup_store(store, target)
    say(f"{made}: {made.stat().st_size / 1e6:.1f} MB, checked", *restore_lines(made, store))


def restore_lines(backup: Path, store: Path) -> list[str]:
    """How to put a backup back."""
    return [
        "To put it back: stop the watch, move the store with its -wal and -shm files away, "
        f"copy {backup} to {store}, start the watch."
    ]


@store_app.command("prune")
def prune_command(
    config: Annotated[
        Path, typer.Option(help="Folder of machine files with service.toml, or one machine file.")
    ],
    store: StoreFile = DB,
    as_json: AsJson = False,
) -> None:
    """Thin out old samples and drop very old batches, by [store] of service.toml.

    The watch does that once a day by itself; this does it now, and may run beside it. Alerts,
    register, inspections and pictures stay, and so does every sample since the jewels were fitted.
    """
    from borewarden.service.retention import prune_store
    from borewarden.settings import SERVICE_FILE
    from borewarden.settings.service import folder_of, load_machines, load_service

    with refusing("prune the store"):
        machines = list(load_machines(config).values())
        keeps = load_service(folder_of(config) / SERVICE_FILE).store
        if not store.is_file():
            raise sqlite3.OperationalError(f"{store}: there is no such store")
        pruned = prune_store(store, machines, keeps)
    if as_json:
        print_json(pruned)
        return
    print_table(("machine", "samples before", "after", "batches dropped"), pruned)
    say("The room is used again for what comes; `borewarden store compact` gives it back.")


@store_app.command("resend")
def resend_command(
    store: StoreFile = DB,
    show: Annotated[bool, typer.Option("--show", help="Only list them.")] = False,
    as_json: AsJson = False,
) -> None:
    """Put back the rows that a time-series server refused: the watch sends them again.

    Do it once what was wrong with the server is mended. A watch may run; it takes them up.
    """
    from borewarden.store.resend import put_back, refused_rows

    with refusing("resend the rows"):
        if not store.is_file():
            raise sqlite3.OperationalError(f"{store}: there is no such store")
        rows = refused_rows(store)
        if not show:
            put_back(store)
    if as_json:
        print_json(rows)
        return
    for row in rows:
        span = " to ".join(dict.fromkeys(iso_time(t, "UTC") for t in (row.first_ns, row.last_ns)))
        say(f"{row.rows} rows of kind {row.kind}, {span}: {row.reason}")
    count = sum(row.rows for row in rows)
    say(
        f"{count} rows stay set aside." if show else f"{count} rows put back; the watch sends them."
    )


@store_app.command("compact")
def compact_command(store: StoreFile = DB) -> None:
    """Give the free room in a store's file back to the disk. No watch may run on it."""
    with refusing("compact the store"):
        before, after = compact_store(store)
    say(f"{store}: {before / 1e6:.1f} MB before, {after / 1e6:.1f} MB now")
