"""Replay the logged days of many machines."""

from collections import Counter
from pathlib import Path
from typing import Annotated

import typer
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn
from rich.table import Table

from borewarden.base.times import local_time
from borewarden.cli.terminal import BAD_INPUT, app, err, out, refusing
from borewarden.replay.fleet import (
    Refused,
    replay_fleet,
    tasks_of_folders,
    tasks_of_list,
    write_table,
)
from borewarden.show.wording import state_words


@app.command("fleet")
def fleet_command(
    machines: Annotated[
        Path,
        typer.Argument(help="Folder of machine files, or a CSV list with the columns machine,log."),
    ],
    logs: Annotated[
        Path | None,
        typer.Option(help="Folder of the logs, NAME-….csv or NAME/….csv for NAME.toml."),
    ] = None,
    scheduler: Annotated[
        str | None, typer.Option(help="Replay on a dask cluster: tcp://HOST:8786.")
    ] = None,
    processes: Annotated[int, typer.Option(help="Replay in so many processes.", min=1)] = 1,
    table: Annotated[Path | None, typer.Option(help="CSV file to write, a row a machine.")] = None,
    store: Annotated[
        Path | None, typer.Option(help="Embedded store to write batches and alerts to.")
    ] = None,
) -> None:
    """Replay logged days of many machines, here or on a cluster.

    What is found is the same either way. On a cluster the paths of the logs have to lead to the
    same files on every worker. Exit code 2 if any machine could not be replayed.
    """
    with refusing("replay the fleet"):
        if machines.suffix == ".csv":
            tasks = tasks_of_list(machines)
        else:
            tasks, unclaimed = tasks_of_folders(machines, logs or machines)
            if unclaimed:
                words = f"{len(unclaimed)} logs belong to no machine file, such as {unclaimed[0]}"
                err.print(words, markup=False, highlight=False, soft_wrap=True)
        columns = (TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn())
        with Progress(*columns, TimeRemainingColumn(), console=err, transient=True) as bar:
            shown = bar.add_task("machines", total=len(tasks))
            answers = replay_fleet(
                tasks,
                store,
                processes,
                scheduler,
                lambda done, of: bar.update(shown, completed=done),
            )
        if table is not None:
            write_table(answers, table)
    rows = Table("machine", "state", "NE 107", "jet hours", "alerts", "first alert")
    counts: Counter[str] = Counter()
    refused = []
    for task, answer in zip(tasks, answers, strict=True):
        if isinstance(answer, Refused):
            refused.append(answer)
            continue
        state = answer.verdict.state
        counts[state.value] += 1
        first = (
            local_time(answer.alerts[0].time_ns, task.machine.time_zone) if answer.alerts else ""
        )
        rows.add_row(
            answer.machine,
            state_words(state),
            state.ne107,
            f"{answer.jet_hours:.2f}",
            str(len(answer.alerts)),
            first,
        )
    out.print(rows)
    out.print(", ".join(f"{count} {state}" for state, count in counts.most_common()))
    for answer in refused:
        err.print(
            f"{answer.machine} could not be replayed: {answer.reason}",
            markup=False,
            highlight=False,
            soft_wrap=True,
        )
    if refused:
        raise typer.Exit(BAD_INPUT)
