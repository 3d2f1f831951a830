"""Replay logged days."""

import sys
from pathlib import Path
from typing import Annotated

import typer

from borewarden.base.files import check_output
from borewarden.base.shown import show_in
from borewarden.cli.stores import REPLAYED, WATCHED
from borewarden.cli.terminal import (
    AsJson,
    app,
    counted,
    print_json,
    print_table,
    refusing,
    say,
    warn,
    warn_if_compiling,
)
from borewarden.collect.labels import labels_path
from borewarden.inspection.cautions import caution_lines
from borewarden.replay.one_machine import Replayed, registered, replay_logs
from borewarden.settings import load_machine
from borewarden.settings.two_entries import two_entries
from borewarden.show.learned_words import head_lines
from borewarden.show.register_words import two_entries_lines
from borewarden.show.replay_words import evidence_lines, mend_guesses, replayed_object
from borewarden.show.report import write_report
from borewarden.show.wording import (
    HEADS,
    advice,
    alert_rows,
    alert_words,
    alerts_title,
    headline_then,
)
from borewarden.watcher.verdict import State, is_of_then

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


Store = Annotated[
    Path, typer.Option(help="Embedded store to write to; never the one of a watch on this machine.")
]
Books = Annotated[
    Path | None,
    typer.Option(
        "--register",
        help="Store with the jewel register, where --store has none of this machine; default "
        f"{WATCHED}, if it is there.",
    ),
]


@app.command("replay")
def replay_command(
    logs: Logs,
    machine: Annotated[Path, typer.Option(help="The machine's settings, TOML.")],
    store: Store = REPLAYED,
    no_store: Annotated[bool, typer.Option("--no-store", help="Write no store.")] = False,
    books: Books = None,
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
        kept = None if no_store else store
        register = books or (None if no_store else WATCHED)
        target = report or Path("reports") / report_name(machine, logs)
        labels = [labels_path(log) for log in logs]
        check_output("--report", target, [*logs, *labels, machine, kept, register])
        read = ((held, registered(held, settings.name)) for held in (kept, register))
        known, jewels = next((each for each in read if each[1]), (None, []))
        warn_if_compiling()
        with counted("samples") as progress:
            result = replay_logs(settings, logs, kept, progress, register)
        target.parent.mkdir(parents=True, exist_ok=True)
        write_report(result, target)
    for line in two_entries_lines(
        two_entries(settings, dict(enumerate(jewels))), settings.time_zone
    ):
        warn(f"note: {line}")
    if as_json:
        print_json(replayed_object(result) | {"report": target, "store": kept})
    else:
        print_result(result)
        say(f"report: {target}", *([f"store:  {kept}"] if kept else []))
        say(*([f"jewels: from {machine} and the register in {known}"] if known else []))
        say(*([f"guesses: {mend_guesses(machine)}"] if result.guessed else []))
    if exit_code:
        of_then = is_of_then(result.verdict, result.unjudged_hours)
        sys.exit(EXIT_CODES[State.CANNOT_TELL if of_then else result.verdict.state])


def report_name(machine: Path, logs: list[Path]) -> str:
    """A name that no other machine's, day's or span's report has."""
    first, last = (log.name.removesuffix(".csv") for log in (logs[0], logs[-1]))
    name = first if len(logs) == 1 else f"{first}-to-{last}"
    return f"{name if machine.stem in name else f'{machine.stem}-{name}'}.html"


def print_result(result: Replayed) -> None:
    """Print the verdict with its evidence, the alerts, and what to check first."""
    words = headline_then(result.verdict, result.unjudged_hours, result.time_zone)
    title = f"{result.machine}: {words}"
    print_table(("evidence",), [(line,) for line in evidence_lines(result)], title)
    if heads := head_lines(result.known, result.pump, result.time_zone):
        print_table(("Open", "Effective area, and what the pump showed"), heads, HEADS)
    if not result.alerts:
        say("No alerts.")
        return
    rows = alert_rows(result.alerts, result.time_zone, result.verdict)
    told = ((row.time, alert_words(row)) for row in rows)
    print_table(("Time", "Alert"), told, alerts_title(rows))
    checks = advice(result.verdict)
    say("Safety first", *caution_lines(checks.cautions), "What to check first")
    say(*(f"{number}. {line}" for number, line in enumerate(checks.steps, start=1)))
