"""The command `borewarden`: replay logged days, or have the virtual pump log some."""

from __future__ import annotations

import datetime as dt
import sqlite3
import sys
from pathlib import Path
from typing import Annotated, NoReturn

import typer
from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn
from rich.table import Table

from borewarden.alert.wording import ALERT_COLUMNS, advice, alert_row, evidence, headline
from borewarden.collect import BadInput
from borewarden.collect.logged import local_ns
from borewarden.model.verdict import State
from borewarden.replay import Replayed, replay
from borewarden.report import write_report
from borewarden.settings import load_machine
from borewarden.simulate.day import Chip, Day, log_day
from borewarden.simulate.logger import write_labels, write_log

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
        fail(bad)
    except (sqlite3.Error, OSError) as failed:
        err.print(f"can't write or read: {failed}", markup=False, soft_wrap=True)
        raise typer.Exit(BAD_INPUT) from None
    print_result(result)
    out.print(f"report: {target}", highlight=False, soft_wrap=True)
    if not no_store:
        out.print(f"store:  {store}", highlight=False, soft_wrap=True)
    if exit_code:
        sys.exit(EXIT_CODES[result.verdict.state])


@app.command("simulate")
def simulate_command(
    log: Annotated[Path, typer.Argument(help="Log to write, .csv or .parquet.")],
    machine: Annotated[Path, typer.Option(help="The machine's settings, TOML.")],
    first: Annotated[dt.datetime, typer.Option(formats=["%Y-%m-%d"], help="First day.")],
    days: Annotated[int, typer.Option(min=1, max=60)] = 1,
    seed: Annotated[int, typer.Option(help="Same seed, same day.")] = 1,
    sample_time: Annotated[float, typer.Option(help="Seconds between rows.", min=0.02)] = 1.0,
    chip_at: Annotated[
        dt.datetime | None, typer.Option(help="Local time at which the rim chips.")
    ] = None,
    chip_size: Annotated[
        float, typer.Option(help="Relative growth of the effective area by the chip.")
    ] = 0.08,
    wear: Annotated[float, typer.Option(help="Relative growth of area a jet hour.")] = 0.0,
) -> None:
    """Have the virtual pump log invented days, with a labels file of what truly happened."""
    try:
        settings = load_machine(machine)
        evening_ns = local_ns(first + dt.timedelta(hours=24), settings.time_zone)
        jewels = [jewel for jewel in settings.jewels() if jewel.fitted_ns < evening_ns]
        if not jewels:
            raise BadInput(machine, "jewel", f"none is fitted by {first:%Y-%m-%d}", "fit one")
        # sharper edge lost first, bore second: both act on the effective area
        edge = (1.0 + chip_size) ** 0.6 - 1.0
        chips = (Chip(chip_at, edge, (1.0 + chip_size) / (1.0 + edge) - 1.0),) if chip_at else ()
        day = Day(
            first=first.date(),
            days=days,
            seed=seed,
            time_zone=settings.time_zone,
            discharge_coefficient=jewels[-1].plausible.typical,
            sample_time=sample_time,
            wear_per_hour=wear,
            chips=chips,
            logs_rate="rate" in settings.log_format().channels,
        )
        samples = log_day(day, settings.build_pump(), jewels[-1])
        write_log(samples, settings.log_format(), log)
        write_labels(day, log)
    except BadInput as bad:
        fail(bad)
    except (OSError, ValueError) as failed:
        err.print(f"can't simulate: {failed}", markup=False, soft_wrap=True)
        raise typer.Exit(BAD_INPUT) from None
    out.print(f"{log}: {len(samples.time_ns)} invented samples", highlight=False, soft_wrap=True)


def fail(bad: BadInput) -> NoReturn:
    """Say what can't be used, where and why, and end with exit code 2."""
    err.print(f"can't use {bad.file}", markup=False, highlight=False, soft_wrap=True)
    for name, text in (("where", bad.where), ("wrong", bad.wrong), ("right", bad.right)):
        err.print(f"  {name}: {text}", highlight=False, markup=False, soft_wrap=True)
    raise typer.Exit(BAD_INPUT)


def print_result(result: Replayed) -> None:
    """Print the verdict with its evidence, the alerts, and what to check first."""
    table = Table("evidence", title=f"{result.machine}: {headline(result.verdict)}")
    for line in evidence(result.verdict, result.pump, result.time_zone):
        table.add_row(line)
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


if __name__ == "__main__":
    app()
