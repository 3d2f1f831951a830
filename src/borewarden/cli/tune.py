"""Try other settings on logged days, and compare machines and days."""

import datetime as dt
import os
from pathlib import Path
from typing import Annotated

import typer
from pydantic import SecretStr

from borewarden.base.files import check_output, read_file
from borewarden.base.shown import show_in
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
from borewarden.settings import load_machine
from borewarden.settings.service import common_units
from borewarden.show import tune_words as words
from borewarden.show.tune_report import write_tune_report
from borewarden.store.influx import InfluxSettings
from borewarden.tune.compare import DayRow, compare_days, write_rows
from borewarden.tune.days import Shop, Wanted
from borewarden.tune.grid import USUAL_RANGES, Candidate, candidates, ranges_of, read_ranges
from borewarden.tune.outcome import Outcome
from borewarden.tune.patch import diff
from borewarden.tune.sources import Source, logs_by_machine, shop_of, take_days
from borewarden.tune.sweep import sweep
from borewarden.tune.trade import Trade, weigh_settings

TOKEN = "BOREWARDEN_SERVICE_INFLUX_TOKEN"  # as the service has it

Logs = Annotated[
    list[Path] | None, typer.Argument(help="Logged days, CSV or Parquet, in time order.")
]
Machine = Annotated[Path, typer.Option(help="The machine's settings, TOML.")]
Machines = Annotated[list[Path], typer.Option(help="A machine's settings, TOML; repeatable.")]
Store = Annotated[Path | None, typer.Option(help="Take the days from this embedded store.")]
Influx = Annotated[str | None, typer.Option(help=f"Or from this server; its token in {TOKEN}.")]
Org = Annotated[str, typer.Option(help="Organisation on that server.")]
Bucket = Annotated[str, typer.Option(help="Bucket on that server.")]
From = Annotated[dt.datetime | None, typer.Option("--from", help="Local time to begin with.")]
To = Annotated[dt.datetime | None, typer.Option("--to", help="Local time to end with.")]
Labels = Annotated[
    list[Path] | None, typer.Option(help="Labels file; those beside the logs are taken anyway.")
]
Vary = Annotated[
    list[str] | None,
    typer.Option(help='Values of one setting, such as "smallest_step=3 %,4 %"; repeatable.'),
]
Ranges = Annotated[
    Path | None, typer.Option(help="TOML file with lists of values under [watch] and [gate].")
]
Most = Annotated[int, typer.Option(help="Most settings to try; a larger grid is thinned out.")]
Chips = Annotated[int, typer.Option(help="Chips to inject into sound days.", min=0)]
ChipSize = Annotated[
    float, typer.Option(help="Relative growth of area by each.", min=0.005, max=1.0)
]
Wears = Annotated[int, typer.Option(help="Wearing jewels to inject.", min=0)]
WearRate = Annotated[
    float, typer.Option(help="Their relative growth of area a jet hour.", min=1e-4, max=0.5)
]
FalseAlarms = Annotated[
    float, typer.Option(help="False alarms in 1,000 jet hours that are acceptable.", min=1e-3)
]
Seed = Annotated[int, typer.Option(help="Same seed, same trials and same grid.")]
Workers = Annotated[int, typer.Option(help="Processes.", min=1)]
Scheduler = Annotated[str | None, typer.Option(help="Try them on a dask cluster: tcp://HOST:8786.")]
Kept = Annotated[
    Path, typer.Option(help="Folder of results so far: a sweep that was stopped goes on.")
]
Patch = Annotated[Path | None, typer.Option(help="Write the change here, too.")]
Report = Annotated[
    Path | None, typer.Option(help="HTML report; default reports/tune-MACHINE.html.")
]


@app.command("tune")
def tune_command(
    machine: Machine,
    logs: Logs = None,
    store: Store = None,
    influx: Influx = None,
    org: Org = "",
    bucket: Bucket = "borewarden",
    since: From = None,
    until: To = None,
    labels: Labels = None,
    vary: Vary = None,
    ranges: Ranges = None,
    settings: Most = 60,
    chips: Chips = 60,
    chip_size: ChipSize = 0.08,
    wears: Wears = 6,
    wear_rate: WearRate = 0.01,
    false_alarms: FalseAlarms = 1.0,
    seed: Seed = 1,
    workers: Workers = 2,
    scheduler: Scheduler = None,
    kept: Kept = Path("tuning"),
    patch: Patch = None,
    report: Report = None,
    as_json: AsJson = False,
) -> None:
    """Try many settings on logged days: delay against false alarms.

    Chips and wear are injected into the sound days, so that the delay is measured on the machine's
    own noise. Labelled events show what each setting would have made of them. Alarms with nothing
    labelled count as false. The machine file is never changed: the change is printed as a diff.
    """
    with refusing("tune"):
        of_machine = load_machine(machine)
        target = report or Path("reports") / f"tune-{machine.stem}.html"
        read = [machine, *(logs or []), *(labels or []), ranges, store]
        read += [labels_path(log) for log in logs or []]
        check_output("--report", target, read)
        if patch is not None:
            check_output("--patch", patch, [*read, target])
        show_in(of_machine.shown_units)
        wanted = Wanted(chips, chip_size, wears, wear_rate, seed)
        varied = (read_ranges(ranges) if ranges else {}) | ranges_of(vary or [])
        tried = candidates(of_machine, machine, varied or USUAL_RANGES, settings, seed)
        source = Source(logs or [], store, _server(influx, org, bucket), since, until)
        warn_if_compiling()
        shop = shop_of(of_machine, take_days(of_machine, source, labels or []), wanted)
        outcomes = _sweep_with_bar(shop, tried, kept, workers, scheduler)
        designed = [candidate.watch.false_alarm_hours for candidate in tried]
        trade = weigh_settings(shop, outcomes, false_alarms, designed)
        text = read_file(machine, "give a machine file").decode("utf-8-sig")
        change = diff(machine, text, tried[trade.choice.number].changed)
        if patch is not None:
            patch.parent.mkdir(parents=True, exist_ok=True)
            patch.write_text(change, encoding="utf-8")
        target.parent.mkdir(parents=True, exist_ok=True)
        zone = of_machine.time_zone
        write_tune_report(
            of_machine.name, zone, shop, tried, outcomes, trade, change, target, workers
        )
    if as_json:
        print_json(
            {"machine": of_machine.name, "report": target}
            | words.trade_object(shop, tried, outcomes, trade, change)
        )
        return
    _print_trade(shop, tried, outcomes, trade, zone)
    say(f"report: {target}", *words.change_lines(change, patch))


def _print_trade(
    shop: Shop, tried: list[Candidate], outcomes: list[Outcome], trade: Trade, time_zone: str
) -> None:
    """The trade-off, the labelled events, and the choice."""
    say(words.tried_line(shop, tried, trade))
    title = "Delay in jet time against false alarms"
    print_table(words.TRADE_COLUMNS, words.trade_rows(trade), title)
    say(*words.setting_lines(tried, trade), words.TRADE_NOTE)
    if events := words.event_rows(shop, outcomes, trade, time_zone):
        print_table(words.EVENT_COLUMNS, events, "What labelled events would have given")
        say(*words.event_lines(shop, outcomes))
    say(*words.doubt_lines(shop, tried, outcomes, trade), *words.choice_lines(tried, trade))


def _sweep_with_bar(
    shop: Shop, tried: list[Candidate], kept: Path, workers: int, scheduler: str | None
) -> list[Outcome]:
    reached = 0

    def progress(done: int, of: int) -> None:
        nonlocal reached
        reached = done
        show(done, of)

    try:
        with counted("settings") as show:
            return sweep(shop, tried, kept, workers, scheduler, progress)
    except (KeyboardInterrupt, OSError):  # or a worker, a cluster or a disk gave up
        warn(
            f"stopped: {reached} of {len(tried)} settings are kept in {kept}; "
            "the same command goes on from there"
        )
        raise


def _server(url: str | None, org: str, bucket: str) -> InfluxSettings | None:
    """The time-series server at `url`, its token from the environment."""
    if url is None:
        return None
    return InfluxSettings(url, org, bucket, SecretStr(os.environ.get(TOKEN, "")))


@app.command("compare")
def compare_command(
    machine: Machines,
    logs: Logs = None,
    store: Store = None,
    influx: Influx = None,
    org: Org = "",
    bucket: Bucket = "borewarden",
    since: From = None,
    until: To = None,
    csv_file: Annotated[Path | None, typer.Option("--csv", help="Write the table here.")] = None,
    as_json: AsJson = False,
) -> None:
    """Compare machines and days: noise, leakage, jet hours, alerts."""
    with refusing("compare"):
        rows: list[DayRow] = []
        machines = [load_machine(file) for file in machine]
        if csv_file is not None:
            check_output("--csv", csv_file, [*machine, *(logs or []), store])
        show_in(common_units(machines))
        warn_if_compiling()
        parts = logs_by_machine(machines, logs) if logs else [[] for _ in machines]
        for of_machine, own in zip(machines, parts, strict=True):
            if logs and not own:
                continue
            source = Source(own, store, _server(influx, org, bucket), since, until)
            taken = take_days(of_machine, source, [])
            rows += compare_days(of_machine, taken.samples, taken.jewels)
        if csv_file is not None:
            csv_file.parent.mkdir(parents=True, exist_ok=True)
            write_rows(rows, csv_file)
    if as_json:
        print_json(rows)
        return
    print_table(words.day_columns(), map(words.day_cells, rows))
    say(words.DAY_NOTE)
