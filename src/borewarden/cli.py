"""The command `borewarden`: replay logged days, or have the virtual pump log some."""

from __future__ import annotations

import datetime as dt
import sqlite3
import sys
from pathlib import Path
from typing import Annotated
from zoneinfo import ZoneInfo

import typer
from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn
from rich.table import Table

from borewarden.alert.wording import advice, evidence, headline
from borewarden.collect import BadInput
from borewarden.model.verdict import State
from borewarden.replay import Replayed, replay
from borewarden.report import write_report
from borewarden.settings import load_machine

app = typer.Typer(
    add_completion=False,
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    help="Watch a UHP waterjet pump for an orifice bore that has opened up. Reads only.",
)
out = Console()
err = Console(stderr=True)

BAD_INPUT = 2
EXIT_CODES = {
    State.SOUND: 0,
    State.LEARNING: 40,
    State.WEARING: 10,
    State.OPENED: 20,
    State.NOT_STATED_BORE: 30,
    State.CANNOT_TELL: 40,
}


@app.callback()
def main() -> None:
    """Keep `replay` a sub-command even while there are few of them."""


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
            "30 not the stated bore, 40 cannot tell.",
        ),
    ] = False,
) -> None:
    """Replay logged days of one machine and say whether the bore has probably opened up."""
    try:
        settings = load_machine(machine)
        columns = (TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn())
        with Progress(*columns, TimeRemainingColumn(), console=err, transient=True) as bar:
            task = bar.add_task("samples", total=None)
            result = replay(
                settings,
                logs,
                None if no_store else store,
                lambda done, of: bar.update(task, completed=done, total=of),
            )
        target = report or Path("reports") / f"{logs[0].name.split('.')[0]}.html"
        target.parent.mkdir(parents=True, exist_ok=True)
        write_report(result, target)
    except BadInput as bad:
        err.print(f"[bold]can't use[/] {bad.file}", highlight=False)
        for name, text in (("where", bad.where), ("wrong", bad.wrong), ("right", bad.right)):
            err.print(f"  {name}: {text}", highlight=False, markup=False, soft_wrap=True)
        raise typer.Exit(BAD_INPUT) from None
    except (sqlite3.Error, OSError) as failed:
        err.print(f"can't write or read: {failed}", markup=False, soft_wrap=True)
        raise typer.Exit(BAD_INPUT) from None
    print_result(result)
    out.print(f"report: {target}", highlight=False, soft_wrap=True)
    if not no_store:
        out.print(f"store:  {store}", highlight=False, soft_wrap=True)
    if exit_code:
        sys.exit(EXIT_CODES[result.verdict.state])


def print_result(result: Replayed) -> None:
    """Print the verdict with its evidence, the alerts, and what to check first."""
    verdict = result.verdict
    table = Table(title=f"{result.machine}: {headline(verdict)}", title_justify="left")
    table.add_column("evidence")
    for line in evidence(verdict, result.pump, result.time_zone):
        table.add_row(line)
    table.add_row(
        f"Jet on for {result.jet_hours:.2f} h in this log; at least {result.missed_hours:.2f} h "
        "went unseen."
    )
    out.print(table)
    alerts = Table(title="Alerts", title_justify="left")
    for column in ("time", "state", "NE 107", "onset", "area step", "why"):
        alerts.add_column(column)
    for alert in result.alerts:
        v = alert.verdict
        alerts.add_row(
            local_time(alert.time_ns, result.time_zone),
            v.state.value,
            v.state.ne107,
            local_time(v.onset_ns, result.time_zone) if v.onset_ns else "",
            f"{v.step:+.1%}" if v.onset_ns else "",
            v.reason,
        )
    if result.alerts:
        out.print(alerts)
        for line in advice(verdict):
            out.print(f"- {line}", markup=False, highlight=False)
    else:
        out.print("No alerts.")


def local_time(time_ns: int, time_zone: str) -> str:
    """A time as the shop's clock shows it."""
    when = dt.datetime.fromtimestamp(time_ns / 1e9, ZoneInfo(time_zone))
    return when.strftime("%Y-%m-%d %H:%M:%S")
