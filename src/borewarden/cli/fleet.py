"""Replay the logged days of many machines."""

from collections import Counter
from pathlib import Path
from typing import Annotated

import typer

from borewarden.base.files import check_output
from borewarden.cli.terminal import (
    BAD_INPUT,
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
from borewarden.replay.fleet import (
    Refused,
    replay_fleet,
    tasks_of_folders,
    tasks_of_list,
    write_table,
)
from borewarden.show.replay_words import FLEET_COLUMNS, fleet_object, fleet_row
from borewarden.show.wording import told_words

Machines = Annotated[
    Path,
    typer.Argument(help="Folder of machine files, or a CSV list with the columns machine,log."),
]


@app.command("fleet")
def fleet_command(
    machines: Machines,
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
    as_json: AsJson = False,
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
                warn(f"{len(unclaimed)} logs belong to no machine file, such as {unclaimed[0]}")
        if table is not None:
            read = [path for task in tasks for path in (task.file, *task.logs)]
            check_output("--table", table, [machines, store, *read])
        warn_if_compiling()
        with counted("machines") as progress:
            answers = replay_fleet(tasks, store, processes, scheduler, progress)
        if table is not None:
            table.parent.mkdir(parents=True, exist_ok=True)
            write_table(answers, table)
    found = [
        (answer, task.machine.time_zone)
        for task, answer in zip(tasks, answers, strict=True)
        if not isinstance(answer, Refused)
    ]
    refused = [answer for answer in answers if isinstance(answer, Refused)]
    if as_json:
        print_json([fleet_object(answer) for answer in answers])
    else:
        print_table(FLEET_COLUMNS, [fleet_row(*each) for each in found])
        counts = Counter(told_words(each.verdict).partition(",")[0].lower() for each, _ in found)
        say(", ".join(f"{count} {state}" for state, count in counts.most_common()))
    for each in refused:
        warn(f"{each.machine} could not be replayed: {each.reason}")
    if refused:
        raise typer.Exit(BAD_INPUT)
