"""Replay logged days."""

import os
import sys
from pathlib import Path
from typing import Annotated

import typer

from borewarden.base.errors import BadInput
from borewarden.base.shown import show_in
from borewarden.cli.terminal import (
    AsJson,
    app,
    counted,
    print_json,
    print_table,
    refusing,
    say,
    warn_if_compiling,
)
from borewarden.replay.one_machine import Replayed, replay_logs
from borewarden.settings import load_machine
from borewarden.show.replay_words import evidence_lines, replayed_object
from borewarden.show.report import write_report
from borewarden.show.wording import ALERT_COLUMNS, advice, alert_row, headline
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

Logs = Annotated[list[Path], typer.Argument(help="Logged days, CSV or Parquet, in time order.")]
ExitCode = Annotated[
    bool,
    typer.Option(
        "--exit-code",
        help="Exit with the verdict: 0 sound, 10 wearing, 20 probably opened up, "
        "25 probably another fault, 30 not the stated bore, 40 cannot tell.",
    ),
]


@app.command("replay")
def replay_command(
    logs: Logs,
    machine: Annotated[Path, typer.Option(help="The machine's settings, TOML.")],
    store: Annotated[Path, typer.Option(help="Embedded store to write to.")] = Path(
        "borewarden.db"
    ),
    no_store: Annotated[bool, typer.Option("--no-store", help="Write no store.")] = False,
    report: Annotated[
        Path | None, typer.Option(help="HTML report; default reports/LOG.html.")
    ] = None,
    exit_code: ExitCode = False,
    as_json: AsJson = False,
) -> None:
    """Replay logged days of one machine: has the bore opened up?"""
    with refusing("replay"):
        settings = load_machine(machine)
        show_in(settings.shown_units)
        target = report or Path("reports") / f"{logs[0].name.split('.')[0]}.html"
        _check_target(target, [*logs, machine, store])
        warn_if_compiling()
        with counted("samples") as progress:
            result = replay_logs(settings, logs, None if no_store else store, progress)
        target.parent.mkdir(parents=True, exist_ok=True)
        write_report(result, target)
    kept = None if no_store else store
    if as_json:
        print_json(replayed_object(result) | {"report": target, "store": kept})
    else:
        print_result(result)
        say(f"report: {target}", *([f"store:  {kept}"] if kept else []))
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
    title = f"{result.machine}: {headline(result.verdict)}"
    print_table(("evidence",), [(line,) for line in evidence_lines(result)], title)
    if not result.alerts:
        say("No alerts.")
        return
    rows = [alert_row(alert, result.time_zone) for alert in result.alerts]
    print_table(ALERT_COLUMNS, rows, "Alerts")
    say(*(f"- {line}" for line in advice(result.verdict)))
