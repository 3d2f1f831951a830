"""Be the virtual machine: invent logged days, or serve them live."""

import asyncio
import datetime as dt
from dataclasses import replace
from pathlib import Path
from typing import Annotated, Literal

import typer

from borewarden.base.errors import BadInput
from borewarden.base.times import local_ns
from borewarden.cli.terminal import app, out, refusing
from borewarden.diagnose.causes import Cause, possible_causes
from borewarden.physics.pump import Intensifier, Pump
from borewarden.settings import MachineSettings, load_machine
from borewarden.simulate.day import Chip, Day, Fault, Side, Signals, log_day
from borewarden.simulate.logger import write_labels, write_log

Seed = Annotated[int, typer.Option(help="Same seed, same day.", min=0)]
SampleTime = Annotated[float, typer.Option(help="Seconds between rows.", min=0.02, max=3600.0)]
ChipAt = Annotated[dt.datetime | None, typer.Option(help="Local time at which the rim chips.")]
ChipSize = Annotated[
    float,
    typer.Option(help="Relative growth of the effective area by the chip.", min=0.0, max=5.0),
]
Wear = Annotated[
    float, typer.Option(help="Relative growth of effective area a jet hour.", min=0.0, max=1.0)
]
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
    """Have the stand-in pump log invented days, with labels."""
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
    """Be the stand-in pump: serve an invented day over the network."""
    # the protocols' libraries are slow to import, and no other command needs their servers
    from borewarden.simulate.serve import serve

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
    """The day with a chip of relative `size`: the edge goes first, the bore's area second.

    Raises BadInput if that is not within the days.
    """
    if at is None:
        return day
    if not 0 <= (at.date() - day.first).days < day.days:
        right = f"give a time from {day.first} on, within {day.days} day{'s' * (day.days > 1)}"
        raise BadInput("--chip-at", "time", f"{at} is not in the days that are invented", right)
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
