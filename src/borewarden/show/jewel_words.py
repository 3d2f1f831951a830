"""A choice of bores, and a measured rim: rows, lines, and objects for programs."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict
from typing import Any

from borewarden.base.shown import chosen, quantity_text, shown
from borewarden.base.units import INCH, PER_MINUTE
from borewarden.jewels.bore_choice import DRIVE_EFFICIENCY, TUBE_TO_BORE, BoreOption
from borewarden.jewels.rim import Rim
from borewarden.physics.orifice import DISCHARGE_COEFFICIENTS

FAR_OFF = 1.3  # of the rated pressure; rows beyond it mean nothing
HALF_WAY = (
    0.05  # thou; a bore that is further from a whole number of them is no stock bore in inches
)
SHORT = -0.5  # of the rate; rows beyond it mean nothing


def worth_showing(options: Sequence[BoreOption]) -> list[BoreOption]:
    """The `options`, without those far beyond what the pump can do."""
    return [
        option
        for option in options
        if option.pressure <= FAR_OFF * option.rated_pressure and option.rate_margin > SHORT
    ]


def bore_columns() -> tuple[str, ...]:
    """The heads of the table of bores."""
    bores = [shown("bore").label] if chosen("bore") else ["mm", "in"]
    return (
        *bores, "heads", *(shown(name).label for name in ("pressure", "flow", "power")), "/min",
        "rate", "power", "growth", "tube",
    )  # fmt: skip


def bore_note(material: str) -> str:
    """What the heads mean, and which figures behind them have no source."""
    typical = DISCHARGE_COEFFICIENTS[material].typical
    return (
        "rate, power: what is left of the stroke rate or crank speed, and of the power; growth: "
        "how far the effective area may grow until the rate is used up; tube: "
        f"{shown('bore').label}, nearest to {TUBE_TO_BORE:g} bores (common practice, no source). "
        f"Everything but the tube rests on a typical C_d of {typical:g} for {material} (from "
        f"memory), power also on {DRIVE_EFFICIENCY:g} from the motor to oil or crank (common "
        "practice, no source)"
    )


def bore_row(option: BoreOption) -> tuple[str, ...]:
    """A row under `bore_columns`."""
    bore, pressure = shown("bore"), shown("pressure")
    inch = option.bore / INCH
    in_thous = abs(inch * 1000.0 - round(inch * 1000.0)) < HALF_WAY
    inches = [] if chosen("bore") else [f"{inch:.3f}" if in_thous else f"{inch:.4f}"]
    return (
        bore.number(option.bore),
        *inches,
        str(option.heads),
        pressure.number(option.pressure, 0 if chosen("pressure") else -1),
        shown("flow").number(option.flow),
        shown("power").number(option.input_power),
        f"{option.rate / PER_MINUTE:.1f}",
        f"{option.rate_margin:+.0%}",
        f"{option.power_margin:+.0%}",
        f"{option.growth_to_limit:+.0%}",
        bore.number(option.tube, -1),
    )


def largest_line(heads: int, best: BoreOption | None, rate_margin: float, power: float) -> str:
    """The largest bore for so many heads that leaves these margins."""
    what = "none" if best is None else quantity_text("bore", best.bore, us_extra=-1)
    words = {1: "one head", 2: "two heads"}[heads]
    return (
        f"largest for {words} that leaves {100.0 * rate_margin:.0f} % of the rate and "
        f"{100.0 * power:.0f} % of the power: {what}"
    )


def guessed_line(names: Sequence[str]) -> str:
    """That figures of the machine file are guessed, and so is what follows from them."""
    return (
        f"Guessed in the machine file: {', '.join(names)}. The bores above follow from guesses: "
        "before you order or fit one, put in the figures of the name plate and delete their "
        "comments."
    )


def rim_lines(rim: Rim) -> list[str]:
    """What a measured rim says about the jewel."""
    return [
        f"{rim.finding.value}: chip over {rim.chip_angle_deg:.1f} degrees of the rim",
        f"depth {100.0 * rim.chip_depth:.1f} % of the radius, out of round by "
        f"{100.0 * rim.roundness_deviation:.1f} %, radius {rim.radius:.0f} pixels",
        *(f"- {reason}" for reason in rim.reasons),
        "A chip over 10 to 15 degrees is enough to spoil the jet (common practice, no source).",
    ]


def rim_object(rim: Rim) -> dict[str, Any]:
    """A measured rim for programs: angles in degrees of 360, lengths in radii or pixels."""
    return {"finding": rim.finding, **asdict(rim)}
