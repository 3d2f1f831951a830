"""The command `borewarden`: replay logged days, watch live, or be the virtual machine."""

from __future__ import annotations

import asyncio
import datetime as dt
import sqlite3
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Annotated, Literal, NoReturn

import structlog
import typer
from rich.box import SIMPLE
from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn
from rich.table import Table

from borewarden.alert.wording import ALERT_COLUMNS, advice, alert_row, evidence, headline
from borewarden.collect import BadInput
from borewarden.collect.logged import local_ns
from borewarden.life.choice import BoreOption, bore_options, largest_option
from borewarden.life.rim import measure_rim
from borewarden.model.cause import Cause, possible_causes
from borewarden.model.verdict import State
from borewarden.physics.pump import Intensifier, Pump
from borewarden.replay import Replayed, replay
from borewarden.report import write_report
from borewarden.service.reach import reach_all
from borewarden.service.run import run
from borewarden.service.settings import load_folder
from borewarden.settings import MachineSettings, load_machine
from borewarden.settings.units import Unit
from borewarden.simulate.day import Chip, Day, Fault, Side, Signals, log_day
from borewarden.simulate.logger import write_labels, write_log
from borewarden.simulate.serve import serve

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
    """Replay logged days of one machine and say whether the bore has probably opened up."""
    with refusing("replay"):
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
    print_result(result)
    out.print(f"report: {target}", highlight=False, soft_wrap=True)
    if not no_store:
        out.print(f"store:  {store}", highlight=False, soft_wrap=True)
    if exit_code:
        sys.exit(EXIT_CODES[result.verdict.state])


Seed = Annotated[int, typer.Option(help="Same seed, same day.")]
SampleTime = Annotated[float, typer.Option(help="Seconds between rows.", min=0.02)]
ChipAt = Annotated[dt.datetime | None, typer.Option(help="Local time at which the rim chips.")]
ChipSize = Annotated[float, typer.Option(help="Relative growth of the effective area by the chip.")]
Wear = Annotated[float, typer.Option(help="Relative growth of effective area a jet hour.")]
FaultName = Annotated[
    Literal[
        "bore",
        "leak",
        "second-head",
        "blocked",
        "transducer",
        "feed",
        "slip",
        "bypass",
        "other-bore",
    ]
    | None,
    typer.Option("--fault", help="What goes wrong at the time --at of the first day."),
]
FaultAt = Annotated[
    dt.datetime,
    typer.Option(
        "--at",
        formats=["%H:%M", "%H:%M:%S"],
        help="Local time of --fault.",
        show_default="09:00",
    ),
]
FaultSize = Annotated[
    float,
    typer.Option(
        "--size",
        help="How much: a share of the jet's flow or area, of the pressure reading, of a stroke "
        "or of the speed.",
    ),
]
FaultRamp = Annotated[float, typer.Option("--ramp", help="Minutes it grows for.", min=0.0)]
FaultSide = Annotated[
    Side, typer.Option("--side", help="Side of an intensifier that leaks, by --fault leak.")
]
SignalSet = Annotated[
    Signals,
    typer.Option(
        "--signals",
        help="Only pressure, flow and temperature, or all that the log has columns for.",
    ),
]
NINE = dt.datetime(1900, 1, 1, 9)


@app.command("simulate")
def simulate_command(
    log: Annotated[Path, typer.Argument(help="Log to write, .csv or .parquet.")],
    machine: Annotated[Path, typer.Option(help="The machine's settings, TOML.")],
    first: Annotated[dt.datetime, typer.Option(formats=["%Y-%m-%d"], help="First day.")],
    days: Annotated[int, typer.Option(min=1, max=60)] = 1,
    seed: Seed = 1,
    sample_time: SampleTime = 1.0,
    chip_at: ChipAt = None,
    chip_size: ChipSize = 0.08,
    wear: Wear = 0.0,
    fault: FaultName = None,
    at: FaultAt = NINE,
    size: FaultSize = 0.08,
    ramp: FaultRamp = 0.0,
    side: FaultSide = "both",
    signals: SignalSet = "minimal",
) -> None:
    """Have the virtual pump log invented days, with a labels file of what truly happened."""
    with refusing("simulate"):
        settings = load_machine(machine)
        day = invented_day(machine, settings, first, days, seed, sample_time, wear)
        day = replace(with_chip(day, chip_at, chip_size), signals=signals)
        day = with_fault(day, settings.build_pump(), fault, at, size, ramp, side)
        samples = log_day(day, settings.build_pump(), settings.jewels()[-1])
        write_log(samples, settings.log_format(), log)
        write_labels(day, log)
    out.print(f"{log}: {len(samples.time_ns)} invented samples", highlight=False, soft_wrap=True)


@app.command("serve")
def serve_command(
    machine: Annotated[Path, typer.Option(help="A machine file with a [source].")],
    first: Annotated[
        dt.datetime, typer.Option(formats=["%Y-%m-%d"], help="Day to invent.")
    ] = dt.datetime(2026, 3, 5),
    seed: Seed = 13,
    chip_at: ChipAt = None,
    chip_size: ChipSize = 0.08,
    wear: Wear = 0.0,
    fault: FaultName = None,
    at: FaultAt = NINE,
    size: FaultSize = 0.08,
    ramp: FaultRamp = 0.0,
    side: FaultSide = "both",
    signals: SignalSet = "minimal",
    speed: Annotated[float, typer.Option(help="Times faster than real time.", min=0.01)] = 1.0,
) -> None:
    """Be the virtual machine: serve an invented day where the machine's [source] would read it."""
    with refusing("serve"):
        settings = load_machine(machine)
        source = settings.live_source()
        if source is None:
            raise BadInput(machine, "source", "there is none", "say what to serve, and where")
        day = invented_day(machine, settings, first, 1, seed, 1.0, wear)
        day = replace(with_chip(day, chip_at, chip_size), signals=signals)
        day = with_fault(day, settings.build_pump(), fault, at, size, ramp, side)
        samples = log_day(day, settings.build_pump(), settings.jewels()[-1])
        out.print(f"serving an invented day as {settings.name}; stop with Ctrl-C", highlight=False)
        asyncio.run(serve(source, samples, speed))


def invented_day(
    file: Path,
    settings: MachineSettings,
    first: dt.datetime,
    days: int,
    seed: int,
    sample_time: float,
    wear: float,
) -> Day:
    """Sound days of the machine, apart from `wear`. Raises BadInput if no jewel is fitted then."""
    evening_ns = local_ns(first + dt.timedelta(hours=24), settings.time_zone)
    jewels = [jewel for jewel in settings.jewels() if jewel.fitted_ns < evening_ns]
    if not jewels:
        raise BadInput(file, "jewel", f"none is fitted by {first:%Y-%m-%d}", "fit one")
    return Day(
        first=first.date(),
        days=days,
        seed=seed,
        time_zone=settings.time_zone,
        discharge_coefficient=jewels[-1].plausible.typical,
        sample_time=sample_time,
        wear_per_hour=wear,
        logs_rate=not settings.gate_settings().uses_counter,
    )


def with_chip(day: Day, at: dt.datetime | None, size: float) -> Day:
    """The day with a chip of relative `size`: the edge goes first, the bore's area second."""
    if at is None:
        return day
    edge = (1.0 + size) ** 0.6 - 1.0
    return replace(day, chips=(Chip(at, edge, (1.0 + size) / (1.0 + edge) - 1.0),))


def with_fault(
    day: Day,
    pump: Pump,
    name: str | None,
    at: dt.datetime,
    size: float,
    ramp: float,
    side: Side,
) -> Day:
    """The day with the fault called `name`, `ramp` in minutes. BadInput if there can't be one."""
    if name is None:
        return day
    cause = Cause[name.upper().replace("-", "_")]
    if cause not in possible_causes(isinstance(pump, Intensifier)):
        raise BadInput("--fault", name, "an intensifier has none", "take a direct drive")
    low, high = (-0.5, 0.5) if cause is Cause.TRANSDUCER else (0.0, 0.9)
    if cause is Cause.OTHER_BORE:
        low, high = -0.9, 5.0
    elif cause in (Cause.SECOND_HEAD, Cause.BORE):
        high = 5.0
    if not low <= size <= high:
        raise BadInput("--size", name, f"{size:g} can't be", f"give a share, {low:g} to {high:g}")
    when = dt.datetime.combine(day.first, at.time())
    fault = Fault(cause, when, size, 60.0 * ramp, side=side)
    return replace(day, faults=(fault,))


@app.command("bores")
def bores_command(
    machine: Annotated[Path, typer.Option(help="The machine's settings, TOML.")],
    material: Annotated[
        Literal["ruby", "sapphire", "man-made", "diamond"], typer.Option(help="Of the jewel.")
    ] = "ruby",
    pressure: Annotated[
        str | None, typer.Option(help='Wanted, such as "380 MPa"; the rated one if not said.')
    ] = None,
    rate_margin: Annotated[float, typer.Option(help="Least share of rate left free.")] = 0.1,
    power_margin: Annotated[float, typer.Option(help="Least share of power left free.")] = 0.1,
) -> None:
    """Which stock bores, one head or two, fit the pump; and the largest that leaves margins.

    Focusing tubes are matched at three bores (common practice, no source). The pump maker's manual
    has the last word on what a pump may feed.
    """
    with refusing("bores"):
        pump = load_machine(machine).build_pump()
        wanted = pump.rated_pressure
        if pressure is not None:
            try:
                wanted = Unit("Pa", 50e6, 700e6, '"380 MPa"')(pressure)
            except ValueError as wrong:
                place = Path("--pressure")
                raise BadInput(
                    place, "value", str(wrong), 'a pressure, such as "380 MPa"'
                ) from None
        options = bore_options(pump, wanted, 293.15, material)
    columns = ("mm", "in", "heads", "MPa", "l/min", "kW", "/min", "rate", "power", "growth", "tube")
    table = Table(*columns, box=SIMPLE, padding=(0, 0))
    for option in options:
        if option.pressure <= 1.3 * pump.rated_pressure and option.rate_margin > -0.5:
            table.add_row(*_bore_cells(option))
    out.print(table)
    out.print(
        "rate, power, growth: what is left of the stroke rate or crank speed, of the power, and "
        "how far the effective area may grow until the rate is used up; tube: mm",
        highlight=False,
    )
    for heads, words in ((1, "one head"), (2, "two heads")):
        best = largest_option(options, rate_margin, power_margin, heads)
        what = "none" if best is None else f"{best.bore * 1e3:.3f} mm ({best.bore / 0.0254:.3f} in)"
        out.print(
            f"largest for {words} with {rate_margin:.0%} of the rate and {power_margin:.0%} of the "
            f"power left: {what}",
            highlight=False,
            soft_wrap=True,
        )


def _bore_cells(option: BoreOption) -> tuple[str, ...]:
    return (
        f"{option.bore * 1e3:.3f}",
        f"{option.bore / 0.0254:.3f}",
        str(option.heads),
        f"{option.pressure / 1e6:.0f}",
        f"{option.flow * 60e3:.2f}",
        f"{option.input_power / 1e3:.1f}",
        f"{option.rate * 60.0:.1f}",
        f"{option.rate_margin:+.0%}",
        f"{option.power_margin:+.0%}",
        f"{option.growth_to_limit:+.0%}",
        f"{option.tube * 1e3:.2f}",
    )


@app.command("rim")
def rim_command(
    picture: Annotated[Path, typer.Argument(help="Microscope picture of the jewel's rim.")],
) -> None:
    """Measure the chip of a jewel's rim in a microscope picture, taken square-on and in focus.

    The jewel comes out only locked out, bled down and verified to be without pressure, by the pump
    maker's manual and by people who may. A look with the naked eye settles nothing.
    """
    with refusing("rim"):
        rim = measure_rim(picture)
    out.print(f"{rim.finding.value}: chip over {rim.chip_angle_deg:.1f} degrees of the rim")
    out.print(
        f"depth {rim.chip_depth:.1%} of the radius, out of round by {rim.roundness_deviation:.1%}, "
        f"radius {rim.radius:.0f} pixels",
        highlight=False,
    )
    for reason in rim.reasons:
        out.print(f"- {reason}", highlight=False)
    out.print(
        "A chip over 10 to 15 degrees is enough to spoil the jet (common practice, no source)."
    )


@app.command("watch")
def watch_command(
    config: Annotated[
        Path, typer.Option(help="Folder of machine files with service.toml, or one machine file.")
    ],
    store: Annotated[Path, typer.Option(help="Embedded store.")] = Path("borewarden.db"),
) -> None:
    """Watch machines live, day and night, until stopped. Only ever reads from a controller."""
    structlog.configure(
        processors=[
            structlog.processors.add_log_level,
            structlog.processors.TimeStamper(fmt="iso"),
            structlog.processors.JSONRenderer(),
        ],
        logger_factory=structlog.PrintLoggerFactory(sys.stderr),
    )
    with refusing("watch"):
        machines, service = load_folder(config)
        sources = {machine.name: machine.open_source() for machine in machines}
        asyncio.run(run(machines, store, sources, service))


@app.command("reach")
def reach_command(
    config: Annotated[
        Path, typer.Option(help="Folder of machine files with service.toml, or one machine file.")
    ],
) -> None:
    """Try each configured connection and say what is wrong with it; exit code 1 if any is."""
    with refusing("reach"):
        answers = asyncio.run(reach_all(*load_folder(config)))
    table = Table("connection", "works", "what it says")
    for answer in answers:
        table.add_row(answer.what, "yes" if answer.works else "NO", answer.words)
    out.print(table)
    if not all(answer.works for answer in answers):
        raise typer.Exit(1)


@contextmanager
def refusing(what: str) -> Iterator[None]:
    """Turn what can't be used, reached or written into plain words and exit code 2."""
    try:
        yield
    except BadInput as bad:
        fail(bad)
    except KeyboardInterrupt:
        raise typer.Exit(130) from None
    except (sqlite3.Error, OSError, ValueError) as failed:
        err.print(f"can't {what}: {failed}", markup=False, soft_wrap=True)
        raise typer.Exit(BAD_INPUT) from None


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
