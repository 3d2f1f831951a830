"""Try other settings on logged days, and compare machines and days."""

import csv
import datetime as dt
import math
import os
from pathlib import Path
from typing import Annotated
from zoneinfo import ZoneInfo

import typer
from pydantic import SecretStr
from rich import box
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn
from rich.table import Table

from borewarden.base.errors import BadInput
from borewarden.base.samples import Samples
from borewarden.base.times import local_ns
from borewarden.cli.terminal import app, err, out, refusing
from borewarden.collect.labels import Label
from borewarden.collect.logged import read_log
from borewarden.jewels.jewel import Jewel
from borewarden.settings import MachineSettings, load_machine
from borewarden.show.tune_report import write_tune_report
from borewarden.store.influx import InfluxSettings
from borewarden.tune.compare import DayRow, compare_days
from borewarden.tune.days import Shop, Wanted, make_shop
from borewarden.tune.grid import USUAL_RANGES, Candidate, candidates, ranges_of, read_ranges
from borewarden.tune.outcome import Outcome
from borewarden.tune.patch import diff
from borewarden.tune.sources import from_influx, from_logs, from_store, known_of, labels_from
from borewarden.tune.sweep import sweep
from borewarden.tune.trade import Estimate, Trade, weigh_settings

TOKEN = "BOREWARDEN_SERVICE_INFLUX_TOKEN"  # as the service has it
MOST_ROWS = 10  # of the table on the terminal

Logs = Annotated[
    list[Path] | None, typer.Argument(help="Logged days, CSV or Parquet, in time order.")
]
Machine = Annotated[Path, typer.Option(help="The machine's settings, TOML.")]
Store = Annotated[Path | None, typer.Option(help="Take the days from this embedded store.")]
Influx = Annotated[str | None, typer.Option(help=f"Or from this server; its token in {TOKEN}.")]
Org = Annotated[str, typer.Option(help="Organisation on that server.")]
Bucket = Annotated[str, typer.Option(help="Bucket on that server.")]
From = Annotated[dt.datetime | None, typer.Option("--from", help="Local time to begin with.")]
To = Annotated[dt.datetime | None, typer.Option("--to", help="Local time to end with.")]


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
    labels: Annotated[
        list[Path] | None,
        typer.Option(help="Labels file; those beside the logs are taken anyway."),
    ] = None,
    vary: Annotated[
        list[str] | None,
        typer.Option(help='Values of one setting, such as "smallest_step=3 %,4 %"; repeatable.'),
    ] = None,
    ranges: Annotated[
        Path | None, typer.Option(help="TOML file with lists of values under [watch] and [gate].")
    ] = None,
    settings: Annotated[
        int, typer.Option(help="Most settings to try; a larger grid is thinned out.")
    ] = 60,
    chips: Annotated[int, typer.Option(help="Chips to inject into sound days.", min=0)] = 60,
    chip_size: Annotated[
        float, typer.Option(help="Relative growth of area by each.", min=0.005, max=1.0)
    ] = 0.08,
    wears: Annotated[int, typer.Option(help="Wearing jewels to inject.", min=0)] = 6,
    wear_rate: Annotated[
        float, typer.Option(help="Their relative growth of area a jet hour.", min=1e-4, max=0.5)
    ] = 0.01,
    false_alarms: Annotated[
        float, typer.Option(help="False alarms in 1,000 jet hours that are acceptable.", min=1e-3)
    ] = 1.0,
    seed: Annotated[int, typer.Option(help="Same seed, same trials and same grid.")] = 1,
    workers: Annotated[int, typer.Option(help="Processes.", min=1)] = 2,
    scheduler: Annotated[
        str | None, typer.Option(help="Try them on a dask cluster: tcp://HOST:8786.")
    ] = None,
    kept: Annotated[
        Path, typer.Option(help="Folder of results so far: a sweep that was stopped goes on.")
    ] = Path("tuning"),
    patch: Annotated[Path | None, typer.Option(help="Write the change here, too.")] = None,
    report: Annotated[
        Path | None, typer.Option(help="HTML report; default reports/tune-MACHINE.html.")
    ] = None,
) -> None:
    """Try many settings on logged days: delay against false alarms.

    Chips and wear are injected into the sound days, so that the delay is measured on the machine's
    own noise. Labelled events show what each setting would have made of them. Alarms with nothing
    labelled count as false. The machine file is never changed: the change is printed as a diff.
    """
    with refusing("tune"):
        of_machine = load_machine(machine)
        wanted = Wanted(chips, chip_size, wears, wear_rate, seed)
        varied = (read_ranges(ranges) if ranges else {}) | ranges_of(vary or [])
        tried = candidates(of_machine, machine, varied or USUAL_RANGES, settings, seed)
        samples, jewels, known = _gather_days(
            of_machine, logs or [], store, influx, org, bucket, since, until, labels or []
        )
        shop = shop_of(of_machine, samples, jewels, known, wanted)
        outcomes = _sweep_with_bar(shop, tried, kept, workers, scheduler)
        designed = [candidate.watch.false_alarm_hours for candidate in tried]
        trade = weigh_settings(shop, outcomes, false_alarms, designed)
        print_trade(shop, tried, outcomes, trade, of_machine.time_zone)
        change = diff(
            machine,
            machine.read_text(encoding="utf-8-sig"),
            tried[trade.choice.number].changed,
        )
        if patch is not None:
            patch.write_text(change, encoding="utf-8")
        target = report or Path("reports") / f"tune-{machine.stem}.html"
        target.parent.mkdir(parents=True, exist_ok=True)
        write_tune_report(
            of_machine.name,
            of_machine.time_zone,
            shop,
            tried,
            outcomes,
            trade,
            change,
            target,
            workers,
        )
    out.print(f"report: {target}", highlight=False, soft_wrap=True)
    if change:
        out.print(
            "Not applied. To take it, write it to a file by --patch and run patch -p0 < FILE."
            if patch is None
            else f"Not applied. To take it: patch -p0 < {patch}",
            highlight=False,
        )
        out.print(change, highlight=False, markup=False, soft_wrap=True, end="")


def shop_of(
    machine: MachineSettings,
    samples: Samples,
    jewels: list[Jewel],
    labels: list[Label],
    wanted: Wanted,
) -> Shop:
    """The logged stretch of a machine; `labels` from wherever somebody stated what happened."""
    counter = machine.log.stroke_count if machine.log else None
    return make_shop(
        machine.build_pump(),
        machine.gate_settings(),
        jewels,
        samples,
        labels,
        machine.time_zone,
        machine.watch_settings().baseline_time,
        wanted,
        counter.strokes_per_count if counter else 1.0,
    )


def _gather_days(
    machine: MachineSettings,
    logs: list[Path],
    store: Path | None,
    influx: str | None,
    org: str,
    bucket: str,
    since: dt.datetime | None,
    until: dt.datetime | None,
    labels: list[Path],
) -> tuple[Samples, list[Jewel], list[Label]]:
    if (bool(logs), store is not None, influx is not None).count(True) != 1:
        raise BadInput(
            "command line", "days", "there has to be one place to take them from",
            "name logs, or --store FILE, or --influx URL",
        )  # fmt: skip
    if logs:
        if since or until:
            raise BadInput(
                "command line", "--from, --to", "logs are taken whole", "name fewer logs"
            )
        samples, known = from_logs(machine, logs, labels)
        return samples, machine.jewels(), known
    if since is None or until is None or not since < until:
        raise BadInput(
            "command line",
            "--from, --to",
            "a store may hold years",
            "give --from and a later --to, such as 2026-03-01",
        )
    first_ns, last_ns = (local_ns(time, machine.time_zone) for time in (since, until))
    known = labels_from(machine, labels)
    if store is not None:
        samples = from_store(machine, store, first_ns, last_ns)
        jewels, inspected = known_of(machine, store, first_ns, last_ns)
        return samples, jewels, [*known, *inspected]
    token = SecretStr(os.environ.get(TOKEN, ""))
    server = InfluxSettings(influx or "", org, bucket, token)
    return from_influx(machine, server, first_ns, last_ns), machine.jewels(), known


def _sweep_with_bar(
    shop: Shop, tried: list[Candidate], kept: Path, workers: int, scheduler: str | None
) -> list[Outcome]:
    columns = (TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn())
    reached = [0]
    with Progress(*columns, TimeRemainingColumn(), console=err, transient=True) as bar:
        task = bar.add_task("settings", total=len(tried))

        def progress(done: int, of: int) -> None:
            reached[0] = done
            bar.update(task, completed=done, total=of)

        try:
            return sweep(shop, tried, kept, workers, scheduler, progress)
        except (KeyboardInterrupt, OSError):  # or a worker, a cluster or a disk gave up
            bar.stop()
            err.print(
                f"stopped: {reached[0]} of {len(tried)} settings are kept in {kept}; "
                "the same command goes on from there",
                highlight=False,
                soft_wrap=True,
            )
            raise


# -- on the terminal


def print_trade(
    shop: Shop, tried: list[Candidate], outcomes: list[Outcome], trade: Trade, time_zone: str
) -> None:
    """Print the trade-off, the labelled events, and the choice."""
    chip_sizes = {trial.size for trial in shop.trials if trial.kind == "chip"}
    chips = f"chips of {max(chip_sizes):+.1%}" if chip_sizes else "no chips"
    today = trade.figures[0]
    out.print(
        f"{len(shop.days)} day{'s' * (len(shop.days) > 1)}, {int(shop.sound.sum())} of them sound, "
        f"{float(shop.jet_clock[-1]) / 3600.0:.1f} jet hours; {len(tried)} settings; "
        f"{today.chips} {chips} and {len(shop.trials) - today.chips} wearing jewels injected.",
        highlight=False,
        soft_wrap=True,
    )
    table = Table(
        "setting", "median, s", "95 %, s", "found", "named", "false", "per 1,000 h", "wear, %",
        title="Delay in jet time against false alarms", box=box.SIMPLE, padding=(0, 0),
    )  # fmt: skip
    doubtful = {number for number, _ in trade.over_fitted}
    for column in table.columns:
        column.no_wrap = True
    for number in _order(trade)[:MOST_ROWS]:
        s = trade.figures[number]
        table.add_row(
            f"{number} {marks(number, trade, doubtful)}",
            estimate(s.median, 0),
            estimate(s.late, 0),
            f"{s.found}/{s.watched}",
            f"{s.right}/{s.watched}",
            f"{s.false}/{s.hours:.0f} h",
            estimate(s.rate, 0 if s.rate.high > 100.0 else 1),
            estimate(s.wear, 1, 100.0),
        )
    out.print(table)
    for number in _order(trade)[:MOST_ROWS]:
        out.print(f"{number:>4}: {tried[number].words}", highlight=False)
    out.print(
        "T today's, C chosen, P none is better in both, O over-fitted. In brackets: exact 90 % "
        "intervals of the delays, 95 % of the false alarms. Found and named: of the chips. Wear: "
        "the growth at which it was told.",
        highlight=False,
    )
    if shop.windows:
        _print_labels(shop, tried, outcomes, trade, time_zone)
    if trade.folds:
        _print_folds(trade)
    else:
        out.print("All chips are on one day: whether the choice holds on another can't be told.")
    for number, reason in trade.over_fitted:
        out.print(f"Over-fitted: {tried[number].words}: {reason}", highlight=False)
    unlabelled = [day for day, count in zip(shop.days, outcomes[0].false, strict=True) if count]
    if unlabelled:
        days = ", ".join(map(str, unlabelled))
        out.print(
            f"Today's settings alarm on {days}, where nothing is labelled, which counts as false: "
            "if something did happen then, label it and tune again.",
            highlight=False,
        )
    chosen, s = tried[trade.choice.number].words, trade.figures[trade.choice.number]
    out.print(f"Choice: {chosen}. {trade.choice.reason}.", highlight=False)
    out.print(
        f"With {s.false} false alarms in {s.hours:.0f} jet hours, the rate may still be up to "
        f"{_number(s.rate.high, 0)} in 1,000 h.",
        highlight=False,
    )


def _order(trade: Trade) -> list[int]:
    """Today's and the chosen one, the front by delay, then the others by delay."""
    first = list(dict.fromkeys([0, trade.choice.number]))
    rest = sorted(
        (k for k in range(len(trade.figures)) if k not in first),
        key=lambda k: (not trade.front[k], trade.figures[k].median.value, k),
    )
    return first + rest


def marks(number: int, trade: Trade, doubtful: set[int]) -> str:
    """What a setting is, in letters."""
    return "".join(
        letter
        for letter, holds in (
            ("T", number == 0),
            ("C", number == trade.choice.number),
            ("P", trade.front[number]),
            ("O", number in doubtful),
        )
        if holds
    )


def estimate(e: Estimate, digits: int, factor: float = 1.0) -> str:
    """Such as '46 (41–55)'."""
    if math.isnan(e.value):
        return "–"
    value, low, high = (_number(factor * x, digits) for x in e)
    return f"{value} ({low}–{high})"


def _number(value: float, digits: int) -> str:
    if math.isnan(value):
        return "–"
    return "∞" if math.isinf(value) else f"{value:.{digits}f}"


def _print_labels(
    shop: Shop, tried: list[Candidate], outcomes: list[Outcome], trade: Trade, time_zone: str
) -> None:
    zone = ZoneInfo(time_zone)
    table = Table(
        "event", "from", "setting", "found", "delay, jet", "said", "right",
        title="What labelled events would have given", box=box.SIMPLE,
    )  # fmt: skip
    shown = [
        k for k in _order(trade)[:MOST_ROWS] if k in (0, trade.choice.number) or trade.front[k]
    ]
    for place, window in enumerate(shop.windows):
        when = dt.datetime.fromtimestamp(window.label.start_ns / 1e9, zone)
        for number in shown:
            f = outcomes[number].found[place]
            found = math.isfinite(f.delay)
            jet = f"{f.delay:.0f} s" if f.delay < 7200.0 else f"{f.delay / 3600.0:.1f} h"
            table.add_row(
                window.label.event,
                f"{when:%Y-%m-%d %H:%M}",
                str(number),
                "yes" if found else "no",
                jet if found else "–",
                f.state or "–",
                ("yes" if f.right else "no") if found else "–",
            )
    out.print(table)
    for place, window in enumerate(shop.windows):
        found_by = sum(math.isfinite(outcome.found[place].delay) for outcome in outcomes)
        out.print(
            f"{window.label.event}: found by {found_by} of {len(outcomes)} settings, named by "
            f"{sum(outcome.found[place].right for outcome in outcomes)}.",
            highlight=False,
        )


def _print_folds(trade: Trade) -> None:
    def total(which: str) -> str:
        parts = [getattr(fold, which) for fold in trade.folds]
        watched = sum(s.watched for s in parts)
        mean = sum(s.worth * s.watched for s in parts if s.watched) / watched if watched else None
        delay = "no chips" if mean is None else f"mean delay {mean:.0f} s of {watched} chips"
        return f"{delay}, {sum(s.false for s in parts)} false alarms"

    out.print(
        f"Each day left out in turn and judged by what the others chose: {total('held_out')}; "
        f"today's settings: {total('today')}.",
        highlight=False,
    )


# -- compare


@app.command("compare")
def compare_command(
    machine: Annotated[list[Path], typer.Option(help="A machine's settings, TOML; repeatable.")],
    logs: Logs = None,
    store: Store = None,
    influx: Influx = None,
    org: Org = "",
    bucket: Bucket = "borewarden",
    since: From = None,
    until: To = None,
    csv_file: Annotated[Path | None, typer.Option("--csv", help="Write the table here.")] = None,
) -> None:
    """Compare machines and days: noise, leakage, jet hours, alerts."""
    with refusing("compare"):
        rows: list[DayRow] = []
        machines = [load_machine(file) for file in machine]
        parts = _logs_by_machine(machines, logs) if logs else [[] for _ in machines]
        for of_machine, own in zip(machines, parts, strict=True):
            if logs and not own:
                continue
            samples, jewels, _ = _gather_days(
                of_machine, own, store, influx, org, bucket, since, until, []
            )
            rows += compare_days(of_machine, samples, jewels)
        if csv_file is not None:
            _write_rows(rows, csv_file)
    table = Table(
        "machine", "day", "jet h", "noise, %", "timing, %", "pulses, %", "idle, %", "MPa", "alerts",
        box=box.SIMPLE, padding=(0, 0),
    )  # fmt: skip
    for column in table.columns:
        column.no_wrap = True
    for row in rows:
        table.add_row(
            row.machine,
            str(row.day),
            f"{row.jet_hours:.2f}",
            *(
                _number(100.0 * x, 2)
                for x in (row.noise, row.timing, row.pulsation, row.idle_share)
            ),
            _number(row.pressure / 1e6, 0),
            str(row.alerts),
        )
    out.print(table)
    out.print(
        "Noise: of a batch's effective area, from one batch to the next; timing: the part of it "
        "that timing of strokes or steps of the reading may make; pulses: of the pressure, from "
        "sample to sample; idle: flow while dead-headed, of the working flow.",
        highlight=False,
    )


def _logs_by_machine(machines: list[MachineSettings], logs: list[Path]) -> list[list[Path]]:
    """Each log goes to the one machine that can read it."""
    if len(machines) == 1:
        return [logs]
    parts: list[list[Path]] = [[] for _ in machines]
    for log in logs:
        fits = []
        for k, of_machine in enumerate(machines):
            try:
                read_log(log, of_machine.log_format())
                fits.append(k)
            except BadInput as bad:
                reason = bad
        if not fits:
            raise reason
        if len(fits) > 1:
            names = " and ".join(machines[k].name for k in fits)
            raise BadInput(
                log, "columns", f"both {names} log such", "compare one machine at a time"
            )
        parts[fits[0]].append(log)
    return parts


def _write_rows(rows: list[DayRow], path: Path) -> None:
    with path.open("w", newline="", encoding="utf-8") as handle:
        writer = csv.writer(handle)
        writer.writerow(DayRow._fields)
        for row in rows:
            writer.writerow(
                ["" if isinstance(value, float) and math.isnan(value) else value for value in row]
            )
