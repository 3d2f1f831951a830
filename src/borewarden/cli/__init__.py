"""The command `borewarden`. Each command's module is imported only when that command is called."""

from __future__ import annotations

import difflib
import faulthandler
import importlib
import os
import sys
from contextlib import suppress
from typing import Annotated, Any, NamedTuple

import typer
from typer.core import TyperCommand

from borewarden import __version__
from borewarden.base.errors import BadInput
from borewarden.base.plain_errors import plain_reason
from borewarden.base.shown import shown_in
from borewarden.cli.terminal import Listing, refusing, say_notes, warn
from borewarden.cli.terminal import app as registered


class _Place(NamedTuple):
    module: str
    panel: str
    help: str  # first line of the command's own help; a test holds them together


DAYS, LIVE, MACHINE, JEWELS = "Logged days", "Live", "At the machine", "Jewels and stock"
UNITS_VARIABLE = "BOREWARDEN_UNITS"  # for pumps without a machine file too
COMMANDS = {
    "demo": _Place("demo", DAYS, "Try it: replay an invented day on which a jewel chips."),
    "look": _Place(
        "look",
        DAYS,
        "Look at a shop's own log or controller: what is what, and the machine file for it.",
    ),
    "replay": _Place("logged", DAYS, "Replay logged days of one machine: has the bore opened up?"),
    "fleet": _Place("fleet", DAYS, "Replay logged days of many machines, here or on a cluster."),
    "tune": _Place("tune", DAYS, "Try many settings on logged days: delay against false alarms."),
    "compare": _Place(
        "tune", DAYS, "Compare machines and days: noise, leakage, jet hours, alerts."
    ),
    "simulate": _Place("stand_in", DAYS, "Have the stand-in pump log invented days, with labels."),
    "watch": _Place("live", LIVE, "Watch machines live until stopped. Only ever reads."),
    "reach": _Place(
        "live", LIVE, "Prove each configured connection, and say what is wrong with it."
    ),
    "forward": _Place(
        "live", LIVE, "Send stored or replayed days to the time-series server once more."
    ),
    "serve": _Place(
        "stand_in", LIVE, "Be the stand-in pump: serve an invented day over the network."
    ),
    "store": _Place(
        "store",
        LIVE,
        "Look after a store: check it, back it up, prune it, compact it, resend rows.",
    ),
    "account": _Place(
        "account", LIVE, "Who may see the page and press what, and the trail of who did what."
    ),
    "count": _Place(
        "count",
        MACHINE,
        "Count by hand: strokes, seconds and a gauge say what the bore did. No controller needed.",
    ),
    "counts": _Place(
        "count",
        MACHINE,
        "List the counts by hand, each beside the earlier ones of its jewel, with the trend.",
    ),
    "inspect": _Place("inspect", MACHINE, "Confirm an alert at the machine, step by step."),
    "inspections": _Place("inspect", MACHINE, "List what was found at the machines."),
    "rim": _Place("jewel", MACHINE, "Measure the chip of a jewel's rim in a microscope picture."),
    "bores": _Place("jewel", JEWELS, "Which stock bores fit the pump, with one head or two."),
    "register": _Place("register", JEWELS, "The jewel register: what was fitted where and when."),
    "shift": _Place("life", JEWELS, "What the next shift needs to know, on one page."),
    "life": _Place("life", JEWELS, "How long jewels last here, by material and head."),
    "plan": _Place("life", JEWELS, "At what age to change each jewel, and when that is."),
    "stock": _Place("life", JEWELS, "How many jewels to hold of each kind, and what to order."),
    "costs": _Place("life", JEWELS, "What a jet hour costs by material, all downstream included."),
}


def load_command(name: str) -> Any:
    """The whole command `name`, its module imported."""
    importlib.import_module(f"borewarden.cli.{COMMANDS[name].module}")
    group: Any = typer.main.get_group(registered)
    return group.commands[name]


class _OnDemand(Listing):
    """Lists commands without importing them: `--help` is asked for often, pandas is slow."""

    def list_commands(self, ctx: Any) -> list[str]:
        return list(COMMANDS)

    def get_command(self, ctx: Any, cmd_name: str) -> Any:
        place = COMMANDS.get(cmd_name)
        if place is None:
            return None
        return TyperCommand(cmd_name, help=place.help)

    def resolve_command(self, ctx: Any, args: list[str]) -> Any:
        near = difflib.get_close_matches(args[0], COMMANDS, n=1) if args else []
        if near and args[0] not in COMMANDS:
            ctx.fail(f"No such command '{args[0]}'. Did you mean '{near[0]}'?")
        name, command, rest = super().resolve_command(ctx, args)
        return name, load_command(name) if name in COMMANDS else command, rest

    def panels(self, ctx: Any) -> dict[str, list[str]]:
        panels: dict[str, list[str]] = {}
        for name, place in COMMANDS.items():
            panels.setdefault(place.panel, []).append(name)
        return panels


app = typer.Typer(
    cls=_OnDemand,
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,  # or what stands in square brackets is taken for markup, and lost
    help="Watch a UHP waterjet pump for an orifice bore that has opened up. Reads only.",
)


def _print_version(wanted: bool) -> None:
    if wanted:
        typer.echo(f"borewarden {__version__}")
        raise typer.Exit


@app.callback()
def _options(
    context: typer.Context,
    version: Annotated[
        bool,
        typer.Option(
            "--version", callback=_print_version, is_eager=True, help="Print the version."
        ),
    ] = False,
) -> None:
    chosen = None
    if units := os.environ.get(UNITS_VARIABLE, ""):
        from borewarden.settings.units import UnitChoice  # slow to load, and seldom wanted

        with refusing("start"):
            try:
                chosen = UnitChoice()(units)
            except ValueError:
                wrong, right = f"{units!r} is neither", 'give "metric" or "US"'
                raise BadInput("environment", UNITS_VARIABLE, wrong, right) from None
    context.with_resource(say_notes())
    context.with_resource(shown_in(chosen))  # what a command chooses ends with it


def main() -> None:
    """The program: the commands, on whatever terminal, pipe or file their words go to."""
    for stream in (sys.stdout, sys.stderr):
        with suppress(AttributeError, ValueError):  # there is none, or it is something else
            stream.reconfigure(errors="replace")  # type: ignore[union-attr]
    with suppress(AttributeError, ValueError, OSError, RuntimeError):  # of such a stream, too
        faulthandler.enable()  # a library that brings the process down is to say where
    code: int | str | None = 0
    try:
        app()
    except SystemExit as end:
        code = end.code
    except OSError as error:  # of the output; whatever else can't be written says so itself
        code = _lost(error)
    try:
        if sys.stdout is not None:
            sys.stdout.flush()
    except OSError as error:
        code = _lost(error)
    sys.exit(code)


def _lost(error: OSError) -> int:
    """Say that the output could not be written, and where no more of it is to go."""
    if not isinstance(error, BrokenPipeError):  # whoever read it has had enough
        warn(f"can't write the output: {plain_reason(error)}")
    with suppress(OSError):
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
    return 1
