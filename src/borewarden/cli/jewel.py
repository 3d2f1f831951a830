"""The jewel: which bore to fit, and whether its rim is chipped."""

from pathlib import Path
from typing import Annotated, Literal

import typer
from rich.box import SIMPLE
from rich.table import Table

from borewarden.base.errors import BadInput
from borewarden.base.units import Unit
from borewarden.cli.terminal import app, out, refusing
from borewarden.jewels.bore_choice import BoreOption, bore_options, largest_option
from borewarden.settings import load_machine


@app.command("bores")
def bores_command(
    machine: Annotated[Path, typer.Option(help="The machine's settings, TOML.")],
    material: Annotated[
        Literal["ruby", "sapphire", "man-made", "diamond"], typer.Option(help="Of the jewel.")
    ] = "ruby",
    pressure: Annotated[
        str | None, typer.Option(help='Wanted, such as "380 MPa"; the rated one if not said.')
    ] = None,
    rate_margin: Annotated[
        float, typer.Option(help="Least share of rate left free.", min=0.0, max=1.0)
    ] = 0.1,
    power_margin: Annotated[
        float, typer.Option(help="Least share of power left free.", min=0.0, max=1.0)
    ] = 0.1,
) -> None:
    """Which stock bores fit the pump, with one head or two.

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
    """Measure the chip of a jewel's rim in a microscope picture.

    The jewel comes out only locked out, bled down and verified to be without pressure, by the pump
    maker's manual and by people who may. A look with the naked eye settles nothing.
    """
    from borewarden.jewels.rim_image import measure_rim

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
