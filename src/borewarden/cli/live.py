"""Watch machines live."""

import asyncio
import datetime as dt
from pathlib import Path
from typing import Annotated, Literal

import typer

from borewarden.base.errors import BadInput
from borewarden.cli.terminal import AsJson, app, counted, print_json, print_table, refusing, say
from borewarden.settings import SERVICE_FILE
from borewarden.settings.service import folder_of, load_folder

Config = Annotated[
    Path, typer.Option(help="Folder of machine files with service.toml, or one machine file.")
]

MAX_NS = 2**62  # after every time that there is


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
        asyncio.run(run(machines, store, sources, service, lambda page: say(f"page: {page}")))


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


@app.command("forward")
def forward_command(
    config: Annotated[
        Path, typer.Option(help="Folder of machine files with service.toml, or one machine file.")
    ],
    store: Annotated[Path, typer.Option(help="Store of watch, replay or demo.")] = Path(
        "borewarden.db"
    ),
    since: Annotated[
        dt.datetime | None, typer.Option("--from", help="Local time to begin with.")
    ] = None,
    until: Annotated[
        dt.datetime | None, typer.Option("--to", help="Local time to end with.")
    ] = None,
    as_json: AsJson = False,
) -> None:
    """Send stored or replayed days to the time-series server once more.

    Sends samples, batches and alerts of the store to [influx] of service.toml. What the server has
    already is overwritten by the same, so it may be run again. Exit code 1 if rows were refused.
    """
    from borewarden.base.times import local_ns
    from borewarden.settings.service import load_machines, load_service
    from borewarden.store.names import stated_of
    from borewarden.store.resend import send_stored

    with refusing("forward"):
        machines = {each.name: each for each in load_machines(config).values()}
        path = folder_of(config) / SERVICE_FILE
        service = load_service(path)
        if service.influx is None:
            raise BadInput(path, "influx", "is missing", "say where to send to: url and bucket")
        if not store.is_file():
            raise BadInput(
                store, "--store", "there is no such store", "name one of watch or replay"
            )
        wanted = {}
        for name, each in machines.items():
            zone = each.time_zone
            stated = stated_of(each.build_pump(), each.watch_settings().limit)
            first = 0 if since is None else local_ns(since, zone)
            wanted[name] = stated, first, MAX_NS if until is None else local_ns(until, zone)
        with counted("rows") as progress:
            sent = asyncio.run(
                send_stored(
                    store, service.influx_settings(), wanted, lambda rows: progress(rows, rows)
                )
            )
    if as_json:
        print_json(sent)
    else:
        rows = [(s.machine, s.samples, s.batches, s.alerts, s.refused, s.reason) for s in sent]
        print_table(("machine", "samples", "batches", "alerts", "refused", "because"), rows)
    if any(each.refused for each in sent):
        raise typer.Exit(1)
