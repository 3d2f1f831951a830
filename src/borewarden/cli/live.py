"""Watch machines live."""

import asyncio
from pathlib import Path
from typing import Annotated, Literal

import typer

from borewarden.cli.terminal import AsJson, app, print_json, print_table, refusing
from borewarden.settings import SERVICE_FILE
from borewarden.settings.service import folder_of, load_folder

Config = Annotated[
    Path, typer.Option(help="Folder of machine files with service.toml, or one machine file.")
]


@app.command("watch")
def watch_command(
    config: Config,
    store: Annotated[Path, typer.Option(help="Embedded store.")] = Path("borewarden.db"),
    log_level: Annotated[
        Literal["debug", "info", "warning", "error"], typer.Option(help="Least level to log.")
    ] = "info",
    log_format: Annotated[
        Literal["json", "text"], typer.Option(help="A JSON object a line, or text for people.")
    ] = "json",
) -> None:
    """Watch machines live until stopped. Only ever reads."""
    from borewarden.service.doors import check_accounts
    from borewarden.service.log_lines import configure_logging
    from borewarden.service.process import run

    with refusing("watch"):
        machines, service = load_folder(config)
        check_accounts(store, service.page, folder_of(config) / SERVICE_FILE)
        watched = [machine for machine in machines if machine.source is not None]
        sources = {machine.name: machine.open_source() for machine in watched}
        configure_logging(log_level, log_format)
        asyncio.run(run(machines, store, sources, service))


@app.command("reach")
def reach_command(config: Config, as_json: AsJson = False) -> None:
    """Prove each configured connection, and say what is wrong with it.

    Listens to each machine for some seconds, writes one marked row to the time-series server, and
    asks the mail server about each recipient without sending anything. Exit code 1 if the watch
    can't do without something that does not work.
    """
    from borewarden.service.connection_check import reach_all

    with refusing("reach"):
        answers = asyncio.run(reach_all(*load_folder(config)))
    if as_json:
        print_json(answers)
    else:
        print_table(("connection", "part", "works", "what it says"), answers)
    if any(each.answer == "NO" for each in answers):
        raise typer.Exit(1)
