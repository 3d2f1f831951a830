"""Watch machines live."""

import asyncio
import sys
from pathlib import Path
from typing import Annotated

import structlog
import typer
from rich.table import Table

from borewarden.cli.terminal import app, out, refusing
from borewarden.settings.service import load_folder


@app.command("watch")
def watch_command(
    config: Annotated[
        Path, typer.Option(help="Folder of machine files with service.toml, or one machine file.")
    ],
    store: Annotated[Path, typer.Option(help="Embedded store.")] = Path("borewarden.db"),
) -> None:
    """Watch machines live until stopped. Only ever reads."""
    from borewarden.service.process import run

    structlog.configure(
        processors=[
            structlog.processors.add_log_level,
            structlog.processors.TimeStamper(fmt="iso"),
            structlog.processors.JSONRenderer(),
        ],
        logger_factory=lambda *_: structlog.PrintLogger(sys.stderr),
    )
    with refusing("watch"):
        machines, service = load_folder(config)
        sources = {machine.name: machine.open_source() for machine in machines}
        asyncio.run(run(machines, store, sources, service))


@app.command("reach")
def reach_command(
    config: Annotated[
        Path, typer.Option(help="Folder of machine files with service.toml, or one machine file.")
    ],
) -> None:
    """Prove each configured connection, and say what is wrong with it.

    Listens to each machine for some seconds, writes one marked row to the time-series server, and
    asks the mail server about each recipient without sending anything. Exit code 1 if the watch
    can't do without something that does not work.
    """
    from borewarden.service.connection_check import reach_all

    with refusing("reach"):
        answers = asyncio.run(reach_all(*load_folder(config)))
    table = Table("connection", "part", "works", "what it says")
    for answer in answers:
        table.add_row(*answer)
    out.print(table)
    if any(answer.answer == "NO" for answer in answers):
        raise typer.Exit(1)
