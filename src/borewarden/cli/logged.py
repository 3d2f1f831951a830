"""Replay logged days."""

import os
import sys
from pathlib import Path
from typing import Annotated

import typer
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn
from rich.table import Table

from borewarden.base.errors import BadInput
from borewarden.cli.terminal import app, err, out, refusing
from borewarden.replay.one_machine import Replayed, replay_logs
from borewarden.settings import load_machine
from borewarden.show.report import write_report
from borewarden.show.wording import (
    ALERT_COLUMNS,
    advice,
    alert_row,
    evidence,
    headline,
    jewel_words,
)
from borewarden.watcher.verdict import State

EXIT_CODES = {
    State.SOUND: 0,
    State.LEARNING: 40,
    State.WEARING: 10,
    State.OPENED: 20,
    State.OTHER_FAULT: 25,
    State.NOT_STATED_BORE: 30,
    State.CANNOT_TELL: 40,
}


@app.command("replay")
def replay_command(
    logs: Annotated[list[Path], typer.Argument(help="Logged days, CSV or Parquet, in time order.")],
    machine: Annotated[Path, typer.Option(help="The machine's settings, TOML.")],
    store: Annotated[Path, typer.Option(help="Embedded store to write to.")] = Path(
        "borewarden.db"
    ),
    no_store: Annotated[bool, typer.Option("--no-store", help="Write no store.")] = False,
    report: Annotated[
        Path | None, typer.Option(help="HTML report; default reports/LOG.html.")
    ] = None,
    exit_code: Annotated[
        bool,
        typer.Option(
            "--exit-code",
            help="Exit with the verdict: 0 sound, 10 wearing, 20 probably opened up, "
            "25 probably another fault, 30 not the stated bore, 40 cannot tell.",
        ),
    ] = False,
) -> None:
    """Replay logged days of one machine: has the bore opened up?"""
    with refusing("replay"):
        settings = load_machine(machine)
        target = report or Path("reports") / f"{logs[0].name.split('.')[0]}.html"
        _check_target(target, [*logs, machine, store])
        columns = (TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn())
        with Progress(*columns, TimeRemainingColumn(), console=err, transient=True) as bar:
            task = bar.add_task("samples", total=None)
            result = replay_logs(
                settings,
                logs,
                None if no_store else store,
                lambda done, of: bar.update(task, completed=done, total=of),
            )
        target.parent.mkdir(parents=True, exist_ok=True)
        write_report(result, target)
    print_result(result)
    out.print(f"report: {target}", highlight=False, soft_wrap=True)
    if not no_store:
        out.print(f"store:  {store}", highlight=False, soft_wrap=True)
    if exit_code:
        sys.exit(EXIT_CODES[result.verdict.state])


def _check_target(target: Path, others: list[Path]) -> None:
    """BadInput if the report can't be written, before hours of samples go into the store."""
    right = "name a file for the page, such as reports/day.html"
    if os.path.realpath(target) in {os.path.realpath(path) for path in others}:
        raise BadInput("--report", str(target), "it would overwrite that file", right)
    if target.is_dir():
        raise BadInput("--report", str(target), "that is a directory", right)
    folder = next(parent for parent in target.absolute().parents if parent.exists())
    if not folder.is_dir() or not os.access(folder, os.W_OK):
        raise BadInput("--report", str(target), f"nothing can be written to {folder}", right)


def print_result(result: Replayed) -> None:
    """Print the verdict with its evidence, the alerts, and what to check first."""
    table = Table("evidence", title=f"{result.machine}: {headline(result.verdict)}")
    for line in evidence(result.verdict, result.pump, result.time_zone):
        table.add_row(line)
    for jewel in result.jewels:
        table.add_row(f"Jewel: {jewel_words(jewel, result.time_zone)}")
    table.add_row(f"Jet on in this log: {result.jet_hours:.2f} h")
    table.add_row(f"Gone unseen with the jet on: {result.missed_hours:.2f} h")
    out.print(table)
    if not result.alerts:
        out.print("No alerts.")
        return
    alerts = Table(*ALERT_COLUMNS, title="Alerts")
    for alert in result.alerts:
        alerts.add_row(*alert_row(alert, result.time_zone))
    out.print(alerts)
    for line in advice(result.verdict):
        out.print(f"- {line}", markup=False, highlight=False)
