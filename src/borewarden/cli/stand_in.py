"""Be the virtual machine: invent logged days, or serve them live."""

import asyncio
import datetime as dt
from pathlib import Path
from typing import Annotated

import typer

from borewarden.base.errors import BadInput
from borewarden.base.files import check_output
from borewarden.base.samples import Samples
from borewarden.cli.terminal import app, refusing, say
from borewarden.collect.labels import labels_path
from borewarden.settings import MachineSettings, load_machine
from borewarden.simulate.day import Day, Side, Signals, log_day
from borewarden.simulate.invent import Asked, FaultName, invent_day
from borewarden.simulate.logger import write_labels, write_log

Machine = Annotated[Path, typer.Option(help="The machine's settings, TOML.")]
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
FaultOf = Annotated[
    FaultName | None,
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
    machine: Machine,
    first: Annotated[dt.datetime, typer.Option(formats=["%Y-%m-%d"], help="First day.")],
    days: Annotated[int, typer.Option(min=1, max=60)] = 1,
    seed: Seed = 1,
    sample_time: SampleTime = 1.0,
    chip_at: ChipAt = None,
    chip_size: ChipSize = 0.08,
    wear: Wear = 0.0,
    fault: FaultOf = None,
    at: FaultAt = NINE,
    size: FaultSize = 0.08,
    ramp: FaultRamp = 0.0,
    side: FaultSide = "both",
    signals: SignalSet = "minimal",
) -> None:
    """Have the stand-in pump log invented days, with labels."""
    asked = Asked(
        first, days, seed, sample_time, chip_at, chip_size, wear,
        fault, at.time(), size, ramp, side, signals,
    )  # fmt: skip
    with refusing("simulate"):
        settings = load_machine(machine)
        check_output("log", log, [machine])
        check_output("log", labels_path(log), [machine])
        day, samples = _invented(machine, settings, asked)
        write_log(samples, settings.log_format(), log)
        write_labels(day, log)
    say(f"{log}: {len(samples.time_ns)} invented samples")


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
    fault: FaultOf = None,
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

    asked = Asked(
        first, 1, seed, 1.0, chip_at, chip_size, wear, fault, at.time(), size, ramp, side, signals
    )
    with refusing("serve"):
        settings = load_machine(machine)
        source = settings.live_source()
        if source is None:
            raise BadInput(machine, "source", "there is none", "say what to serve, and where")
        _, samples = _invented(machine, settings, asked)
        say(f"serving an invented day as {settings.name}; stop with Ctrl-C")
        asyncio.run(serve(source, samples, speed))


def _invented(file: Path, settings: MachineSettings, asked: Asked) -> tuple[Day, Samples]:
    """The days that are asked for, and what the machine logs on them."""
    pump, jewels = settings.build_pump(), settings.jewels()
    logs_rate = not settings.gate_settings().uses_counter
    day = invent_day(asked, pump, jewels, settings.time_zone, file, logs_rate)
    return day, log_day(day, pump, jewels[-1])
