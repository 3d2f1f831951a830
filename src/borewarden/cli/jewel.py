"""The jewel: which bore to fit, and whether its rim is chipped."""

from pathlib import Path
from typing import Annotated, Literal

import typer

from borewarden.base.errors import BadInput
from borewarden.base.shown import show_in
from borewarden.base.units import Unit
from borewarden.cli.terminal import AsJson, app, print_json, print_table, refusing, say, warn
from borewarden.inspection.cautions import CAUTIONS, caution_lines
from borewarden.jewels.bore_choice import bore_options, bores_to_compare, largest_option
from borewarden.settings import load_machine

HEADS = (1, 2)
UNIMPORTANT = ("fitted",)  # for what a pump can feed


@app.command("bores")
def bores_command(
    machine: Annotated[Path, typer.Option(help="The machine's settings, TOML.")],
    material: Annotated[
        Literal["ruby", "sapphire", "man-made", "diamond"],
        typer.Option(help="Of the jewel.", case_sensitive=False),
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
    as_json: AsJson = False,
) -> None:
    """Which stock bores fit the pump, with one head or two.

    Focusing tubes are matched at three bores (common practice, no source). The pump maker's manual
    has the last word on what a pump may feed.
    """
    from borewarden.show import jewel_words as words

    with refusing("bores"):
        settings = load_machine(machine)
        show_in(settings.shown_units)
        pump = settings.build_pump()
        wanted = pump.rated_pressure if pressure is None else _pressure(pressure)
        bores = bores_to_compare(jewel.bore for jewel in settings.jewels())
        options = bore_options(pump, wanted, 293.15, material, bores)
        names = settings.guessed_of(settings.jewels())
        guessed = [name for name in names if name not in UNIMPORTANT]
    largest = {heads: largest_option(options, rate_margin, power_margin, heads) for heads in HEADS}
    shown = words.worth_showing(options)
    if as_json:
        best_of = [{"heads": n, "bore": best and best.bore} for n, best in largest.items()]
        print_json({"pressure": wanted, "options": shown, "largest": best_of, "guessed": guessed})
        return
    print_table(words.bore_columns(), map(words.bore_row, shown))
    say(words.bore_note(material))
    if guessed:
        say(words.guessed_line(guessed))
    for heads, best in largest.items():
        line = words.largest_line(heads, best, rate_margin, power_margin)
        say(f"{line}, from guessed figures" if guessed else line)


def _pressure(text: str) -> float:
    """A pressure in Pa. Raises BadInput."""
    try:
        return Unit("Pa", 50e6, 700e6, '"380 MPa"')(text)
    except ValueError as wrong:
        raise BadInput("--pressure", "value", str(wrong), 'a pressure, such as "380 MPa"') from None


@app.command("rim")
def rim_command(
    picture: Annotated[Path, typer.Argument(help="Microscope picture of the jewel's rim.")],
    as_json: AsJson = False,
) -> None:
    """Measure the chip of a jewel's rim in a microscope picture.

    The jewel comes out only locked out, bled down and verified to be without pressure, by the pump
    maker's manual and by people who may. A look with the naked eye settles nothing.
    """
    with refusing("rim"):
        from borewarden.jewels.rim_image import measure_rim
        from borewarden.show.jewel_words import rim_lines, rim_object

        try:
            rim = measure_rim(picture)
        except BadInput:  # it asks for another picture of the jewel
            for line in caution_lines():
                warn(line)
            raise
    if as_json:
        print_json({"cautions": CAUTIONS, **rim_object(rim)})
    else:
        say(*caution_lines(), *rim_lines(rim))
