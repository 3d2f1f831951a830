"""What the columns of a log are, from what they do: physics says which pair fits which pump.

A header helps, and a unit in it binds, but what counts is how a column behaves. The bounds below
are common practice of the trade, no source, unless they say otherwise.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import uniform_filter1d

from borewarden.base.errors import BadInput
from borewarden.base.samples import HEAD, MOST_HEADS, is_switch, si_unit
from borewarden.base.shown import shown
from borewarden.base.units import conversion, is_flow
from borewarden.look.question import Question
from borewarden.look.unit_words import (
    CRANK_WORDS,
    FOREIGN,
    HEAD_WORDS,
    HEADS_WORDS,
    NOT_SPEED,
    NOT_WATER,
    OTHER_WORDS,
    SET_WORDS,
    STROKE_WORDS,
    WORDS,
    has_word,
    stated_kind,
    unit_as_logged,
)
from borewarden.look.usual import in_both
from borewarden.physics.orifice import mass_flux
from borewarden.physics.water import density_at_atmosphere

Floats = NDArray[np.float64]

JET = (100e6, 700e6)  # Pa that jets cut at
STATED_PRESSURE = (1e5, 1.2e9)  # Pa that is taken for a jet's if a person says so
OIL = (4e6, 45e6)  # Pa in the hydraulics of an intensifier
RATIO = (8.0, 45.0)  # of the water's pressure to the oil's
BOOST = (0.05e6, 3e6)  # Pa of feed water
STROKES = (3.0, 200.0)  # strokes a minute of an intensifier at work
CRANK = (150.0, 2500.0)  # turns a minute of a crank at work
CALLED_CRANK = (30.0, 2500.0)  # the same of one that is called so: a drive slows it down; invented
FLOW = (0.3, 16.0)  # l/min of feed water
WATER = (273.65, 318.15)  # K of feed water
CELSIUS, FAHRENHEIT = (
    (1.0, 38.0),
    (45.0, 115.0),
)  # of water, where no unit is stated; 38 to 45 is open
SMOOTH = 12.0  # K, the most that feed water changes in a log
NOTHING_ELSE = 1000.0  # readings as high as this are hardly anything but a pressure
FEWEST_COUNTS = 5  # of a counter in a log
ON_AND_OFF = {0.0, 1.0}  # of a valve
OPEN_HEADS = frozenset(map(float, range(MOST_HEADS + 1)))  # of how many are open
TWO = 2  # states of a switch; a reading that knows only two is hardly measured
ALIVE = 10  # different values at least, of something that is measured
FALLS = 0.7  # of its usual level: below that in some row, a reading is not just slow
OPEN_UNIT = 4.0  # rates below this may be strokes a second or a flow
TRACKS = 0.03  # of its level, and a number goes with the pressure; invented
TEMPERATURE = 293.15  # K, for the sums of this page
CLEARLY = 2.0  # times the scatter of the best pair, and a pair is out
LATEST = 30.0  # s over which a rate may be a mean, or a drive slow down; invented
AROUND = 60.0  # s each way: slower changes of a rate are no answer to a valve; invented
# Share of a rate's changes that a valve explains: 0.74 to 0.99 for the jet's own, at most 0.17 for
# one a minute late, but up to 0.9 for one that misses short pauses. Tuned on seeds 50000 to 50015
FOLLOWED = 0.7
MOSTLY = 0.9  # of the answer, by which it has come
FIT = 0.35  # of the log of the effective area: scatter up to which a pair fits. Invented


# a number or a letter that stands alone, or a number right behind the word
HEAD_NAME = re.compile(r"(?<![^\W_])(?:\d{1,2}|[A-Ha-h])(?![^\W_])|(?<=[a-z])\d{1,2}(?!\d)")


class Role(NamedTuple):
    """One column as a channel of [log] or [source], and why; in it are `unit` times `scale`."""

    channel: str
    column: str
    unit: str
    why: str
    scale: float = 1.0


@dataclass(frozen=True)
class Told:
    """What a person has said: columns and units by channel; "none" where there is none.

    `panel` is what the machine's panel shows while the jet is on, by channel, such as "2,500 bar".
    """

    column: Mapping[str, str] = field(default_factory=dict)
    unit: Mapping[str, str] = field(default_factory=dict)
    panel: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True)
class Readings:
    """All columns of numbers at common times; `units` are those that the file states."""

    path: Path | str
    seconds: Floats
    values: dict[str, Floats]
    units: dict[str, str]
    switches: frozenset[str] = frozenset()


# -- what a column does


def level_at_work(values: Floats) -> float:
    """The level that a reading keeps to while the pump works: its 90 % quantile."""
    known = values[np.isfinite(values)]
    return float(np.quantile(known, 0.9)) if len(known) else float("nan")


def is_alive(values: Floats) -> bool:
    """Whether a reading takes on as many values as something that is measured does."""
    known = values[np.isfinite(values)]
    return len(known) > ALIVE and len(np.unique(known)) >= ALIVE


def falls_off(values: Floats) -> bool:
    """Whether a reading falls clearly below its level now and then."""
    known = values[np.isfinite(values)]
    return float(np.quantile(known, 0.02)) < FALLS * level_at_work(values)


def moves(values: Floats) -> bool:
    """Whether a reading changes at all, and is not just on and off."""
    known = np.unique(values[np.isfinite(values)])
    return len(known) > 1 and not set(known) <= {*ON_AND_OFF, 2.0}


def is_counter(values: Floats) -> bool:
    """Whether whole numbers go up, now and then, and hardly ever down."""
    known = values[np.isfinite(values)]
    if len(known) < ALIVE or np.any(known != np.rint(known)):
        return False
    steps = np.diff(known)
    rises, falls = np.count_nonzero(steps > 0), np.count_nonzero(steps < 0)
    is_row_number = np.all(steps == steps[0]) and steps[0] != 0
    return bool(rises >= FEWEST_COUNTS and falls <= 0.01 * rises and not is_row_number)


def counted_rate(readings: Readings, column: str, window: int = 30) -> Floats:
    """Events a second of a counter, over `window` rows; falls count as none."""
    values = readings.values[column]
    known = np.isfinite(values)
    steps = np.diff(values[known], prepend=values[known][0])
    risen = np.interp(readings.seconds, readings.seconds[known], np.cumsum(np.maximum(steps, 0.0)))
    ahead = np.minimum(np.arange(len(risen)) + window, len(risen) - 1)
    behind = np.maximum(np.arange(len(risen)) - window, 0)
    passed = readings.seconds[ahead] - readings.seconds[behind]
    return np.asarray((risen[ahead] - risen[behind]) / np.maximum(passed, 1e-9))


def _is_foreign(readings: Readings, column: str, channel: str) -> bool:
    """Whether the header names something else, and neither unit nor word of the channel."""
    if has_word(column, WORDS[channel]) or column in readings.units:
        return False
    others = [WORDS[other] for other in ("stroke_count", "temperature", "rate")]
    of_others = channel == "pressure" and any(has_word(column, words) for words in others)
    return of_others or has_word(column, FOREIGN)


def in_si(values: Floats, unit: str, si: str) -> Floats:
    """Values in `unit` in the unit `si`."""
    factor, offset = conversion(unit, si)
    return values * factor + offset


def scatter_of_area(pressure: Floats, rate: Floats) -> float:
    """Scatter of the log of rate over mass flux while both are at work; inf where they never are.

    At a jewel, water is area times mass flux, so a pair that belongs together has nearly one area,
    whatever the pressure.
    """
    with np.errstate(invalid="ignore"):
        at_work = (pressure > 0.3 * level_at_work(pressure)) & (rate > 0.3 * level_at_work(rate))
    if np.count_nonzero(at_work) < ALIVE:
        return float("inf")
    area = rate[at_work] / mass_flux(pressure[at_work], TEMPERATURE)
    low, high = np.quantile(np.log(area), [0.16, 0.84])
    return float(high - low) / 2.0


def tracks(values: Floats, water: Floats) -> bool:
    """Whether a number is the pressure of the `water`, or one that goes with it, as the oil's does.

    Where the pressure hardly moves, whatever hardly moves would seem to.
    """
    level, usual = level_at_work(values), level_at_work(water)
    if not level > 0.0 or float(np.nanquantile(water, 0.05)) > (1.0 - TRACKS) * usual:
        return False
    apart = np.abs(values / level - water / usual)
    return float(np.nanquantile(apart, 0.95)) < TRACKS


# -- pressure


def _pressure_units(readings: Readings, column: str) -> list[str]:
    """Units in which the column would be the pressure of a jet."""
    level = level_at_work(readings.values[column])
    stated = readings.units.get(column)
    if stated is not None:
        kind = stated_kind(stated)
        if kind is not None and kind[0] != "Pa":
            return []
        units = [unit_as_logged(stated, "Pa")]
    else:
        units = ["MPa", "bar", "psi", "kpsi"]
    return [unit for unit in units if JET[0] <= float(in_si(np.array(level), unit, "Pa")) <= JET[1]]


def _pressure_score(readings: Readings, column: str) -> int:
    values = readings.values[column]
    kind = stated_kind(readings.units.get(column))
    return (
        2 * (kind is not None and kind[0] == "Pa")
        + has_word(column, WORDS["pressure"])
        - 2 * has_word(column, SET_WORDS)
        + 2 * falls_off(values)
        + (level_at_work(values) >= NOTHING_ELSE)
    )


def find_pressure(readings: Readings, told: Told) -> Role:
    """The water's pressure. Raises Question where two columns could be it, or none."""
    named = told.column.get("pressure")
    if named is not None:
        role = told_role(readings, told, "pressure", named)
        if role is None:
            raise BadInput(readings.path, "--is pressure=none", "no bore can be judged without it",
                           "name its column")  # fmt: skip
        level = level_at_work(readings.values[named])
        if not in_range(float(in_si(np.array(level), role.unit, "Pa")), STATED_PRESSURE):
            raise BadInput(
                readings.path, f"--is pressure={named}",
                f"it works at {in_both(level, role.unit, 'Pa', 'pressure')}, which no jet does",
                "name the column of the water's pressure, or another unit",
            )  # fmt: skip
        return role
    found = {
        column: units
        for column, values in readings.values.items()
        if column not in readings.switches
        and not _is_foreign(readings, column, "pressure")
        and is_alive(values)
        and not is_counter(values)
        and (units := _pressure_units(readings, column))
    }
    if not found:
        low, high = (shown("pressure").brief(each) for each in JET)
        wrong = f"no column moves like the pressure of a jet, {low} to {high} in some unit"
        raise Question(
            readings.path, "columns", wrong, "--is", [f"pressure={c}" for c in readings.values]
        )
    scores = {column: _pressure_score(readings, column) for column in found}
    best = [column for column, score in scores.items() if score == max(scores.values())]
    if len(best) > 1:
        best = _by_physics(readings, best, found)
    if len(best) > 1:
        raise Question(
            readings.path, "columns", "several columns could be the water's pressure", "--is",
            [f"pressure={column}" for column in best],
        )  # fmt: skip
    column = best[0]
    unit = told.unit.get("pressure") or found[column][0]
    words = in_both(level_at_work(readings.values[column]), unit, "Pa", "pressure")
    return Role("pressure", column, unit, f"nine readings in ten are below {words}")


def _by_physics(
    readings: Readings, columns: Sequence[str], units: Mapping[str, Sequence[str]]
) -> list[str]:
    """The one of the `columns` that fits the strokes best, or all where no counter tells."""
    counters = [
        counted_rate(readings, name) for name, values in readings.values.items()
        if is_counter(values)
    ]  # fmt: skip
    fits = {}
    for column in columns:
        pressure = in_si(readings.values[column], units[column][0], "Pa")
        fits[column] = min((scatter_of_area(pressure, each) for each in counters), default=np.inf)
    best = min(fits.values())
    return [column for column in columns if fits[column] <= CLEARLY * best]


# -- strokes, turns and flow


def find_strokes(readings: Readings, pressure: Role, told: Told) -> Role | None:
    """The counter of strokes, which goes up while the pump is under pressure."""
    named = told.column.get("stroke_count")
    if named is not None:
        return told_role(readings, told, "stroke_count", named)
    found = []
    water = in_si(readings.values[pressure.column], pressure.unit, "Pa")
    for column, values in readings.values.items():
        if column in (pressure.column, *readings.switches) or not is_counter(values):
            continue
        kind = stated_kind(readings.units.get(column))
        counted = counted_rate(readings, column)
        if (kind is not None and kind[0] != "") or not in_range(
            level_at_work(counted) * 60.0, STROKES
        ):
            continue
        if scatter_of_area(water, counted) < 2.0 * FIT:
            found.append(column)
    named_so = [column for column in found if has_word(column, WORDS["stroke_count"])]
    if len(found) > 1 and len(named_so) == 1:
        found = named_so
    if len(found) > 1:
        raise Question(
            readings.path, "columns", "several columns count like strokes", "--is",
            [f"stroke_count={column}" for column in found],
        )  # fmt: skip
    if not found:
        return None
    rate = level_at_work(counted_rate(readings, found[0])) * 60.0
    return Role("stroke_count", found[0], "", f"counts {rate:.3g} a minute while the jet is on")


def find_rate(
    readings: Readings, pressure: Role, strokes: Role | None, taken: Sequence[str], told: Told
) -> Role | None:
    """The stroke rate, crank speed or flow, in the unit that fits the pressure and a jewel.

    Beside a counter of `strokes`, only a rate of as many strokes is one.
    """
    named = told.column.get("rate")
    if named is not None:
        return told_role(readings, told, "rate", named)
    water = in_si(readings.values[pressure.column], pressure.unit, "Pa")
    found: dict[str, str] = {}
    for column in readings.values:
        units = (
            [] if column in taken
            else _fitting_units(readings, column, water, strokes, told.unit.get("rate", ""))
        )  # fmt: skip
        if len(units) > 1 and "rate" not in told.unit:
            raise Question(
                readings.path, f"column {column!r}", "moves like strokes or a flow in any of these",
                "--unit", [f"rate={unit}" for unit in units],
            )  # fmt: skip
        if units:
            found[column] = told.unit.get("rate", units[0])
    if len(found) > 1:
        named_so = {c: unit for c, unit in found.items() if has_word(c, WORDS["rate"])}
        found = named_so if len(named_so) == 1 else found
    if len(found) > 1:
        raise Question(
            readings.path, "columns", "several columns could be strokes, crank speed or flow",
            "--is", [f"rate={column}" for column in found],
        )  # fmt: skip
    for column, unit in found.items():
        words = _rate_words(level_at_work(readings.values[column]), unit)
        return Role("rate", column, unit, f"{words} while the jet is on")
    return None


def _rate_words(level: float, unit: str) -> str:
    return in_both(level, unit, "m^3/s", "flow", 3) if is_flow(unit) else f"{level:.3g} {unit}"


def _fitting_units(
    readings: Readings, column: str, water: Floats, strokes: Role | None, told_unit: str = ""
) -> list[str]:
    """Units in which the column would be a rate that fits the pressure of the `water`, in Pa."""
    values = readings.values[column]
    if column in readings.switches or _is_foreign(readings, column, "rate"):
        return []
    called_crank = is_called_crank(column) and moves(values)  # it may hardly, in whole turns
    if not (is_alive(values) or called_crank) or is_counter(values):
        return []
    units = _rate_units(readings, column, told_unit)
    if not units or (strokes is not None and not _agrees(readings, column, units[0], strokes)):
        return []
    fit = 2.0 * FIT if has_word(column, STROKE_WORDS) else FIT  # of several heads, two levels
    is_crank = units == ["rpm"] and (called_crank or level_at_work(values) >= CRANK[0])
    return units if is_crank or scatter_of_area(water, values) <= fit else []


def is_called_crank(column: str) -> bool:
    """Whether a header says that this is how fast a crank turns."""
    return has_word(column, CRANK_WORDS) and not has_word(column, (*SET_WORDS, *NOT_SPEED))


def _agrees(readings: Readings, column: str, unit: str, strokes: Role) -> bool:
    """Whether a rate is that of the counter, give or take strokes counted to and fro as one."""
    if is_flow(unit):
        return False
    rate = float(in_si(np.array(level_at_work(readings.values[column])), unit, "Hz"))
    return in_range(rate / level_at_work(counted_rate(readings, strokes.column)), (0.4, 2.5))


def _rate_units(readings: Readings, column: str, told_unit: str) -> list[str]:
    """Units in which the column would be strokes, turns or the flow of a jet.

    `told_unit` is that of a rate, as a person told it, for a column that is called one.
    """
    level = level_at_work(readings.values[column])
    unit = readings.units.get(column) or (told_unit if has_word(column, WORDS["rate"]) else "")
    stated = stated_kind(unit)
    if stated is not None:
        if stated[0] == "Hz":
            unit = unit_as_logged(unit, "Hz")
            turns = float(in_si(np.array(level), unit, "Hz")) * 60.0
            return [unit] if in_range(turns, (STROKES[0], CRANK[1])) else []
        if stated[0] == "m^3/s":
            unit = unit_as_logged(unit, "m^3/s")
            litres = float(in_si(np.array(level), unit, "m^3/s")) * 60_000.0
            return [unit] if in_range(litres, FLOW) else []
        if stated[0] != "":
            return []
    if is_called_crank(column) and in_range(level, CALLED_CRANK):
        return ["rpm"]
    values = readings.values[column]
    known = values[np.isfinite(values)]
    if np.all(np.diff(known) > 0) or np.all(np.diff(known) < 0):  # numbers of rows, or a clock
        return []
    if not falls_off(values) or np.nanmin(values) < -0.05 * level:
        return []
    if level >= OPEN_UNIT:
        if in_range(level, STROKES):
            return ["strokes/min"]
        return ["rpm"] if in_range(level, CRANK) else []
    units = [
        unit for unit, least in (("Hz", 0.05), ("l/min", 0.3), ("gpm", 0.08)) if level >= least
    ]
    # no jet is fed by so few strokes a minute, but whoever reads the panel is to find the unit
    return [*units, "strokes/min"] if len(units) > 1 else units


def in_range(value: float, bounds: tuple[float, float]) -> bool:
    """Whether a value is within the bounds."""
    return bounds[0] <= value <= bounds[1]


# -- the rest


def find_temperature(readings: Readings, taken: Sequence[str], told: Told) -> Role | None:
    """The feed water's temperature: it changes slowly and little. None where several could be."""
    named = told.column.get("temperature")
    if named is not None:
        return told_role(readings, told, "temperature", named)
    found: dict[str, str] = {}
    for column, values in readings.values.items():
        if column in taken or column in readings.switches or has_word(column, NOT_WATER):
            continue
        if _is_foreign(readings, column, "temperature"):
            continue
        unit = _temperature_unit(readings, column)
        known = values[np.isfinite(values)]
        if unit is None or len(known) < 1:
            continue
        kelvin = in_si(known, unit, "K")
        low, high = np.quantile(kelvin, [0.02, 0.98])
        if WATER[0] <= low and high <= WATER[1] and high - low <= SMOOTH:
            found[column] = unit
    if len(found) > 1:
        found = {c: unit for c, unit in found.items() if has_word(c, WORDS["temperature"])}
    if len(found) != 1:
        return None
    ((column, unit),) = found.items()
    level = float(np.nanmedian(readings.values[column]))
    words = in_both(level, unit, "K", "temperature", 3)
    return Role("temperature", column, unit, f"changes slowly around {words}")


def _temperature_unit(readings: Readings, column: str) -> str | None:
    stated = stated_kind(readings.units.get(column))
    if stated is not None:
        return unit_as_logged(readings.units[column], "K") if stated[0] == "K" else None
    values = readings.values[column]
    known = np.unique(values[np.isfinite(values)])
    if (
        is_counter(values)
        or len(known) < TWO
        or (len(known) == TWO and np.all(known == known.round()))
    ):
        return None
    median = float(np.nanmedian(values))
    if has_word(column, ("press", "druck", "flow", "current", "strom", "speed")):
        return None
    if in_range(median, CELSIUS):
        return "degC"
    return "degF" if in_range(median, FAHRENHEIT) else None


def find_valves(
    readings: Readings, works: Floats, rate: Floats, taken: Sequence[str], told: Told
) -> list[Role]:
    """The valve of the jet, that of each head, or how many heads are open. Empty if none tells.

    `works` is what shows that the pump works, and `rate` its strokes or speed, else the same. A
    valve is on while the pump works. What is
    named as a head's, or as a number of heads, need not be: a crank may turn on, and a shut line
    holds its pressure. What is told to be one is taken, with what speaks against it.
    """
    if "valve" in told.column or any(channel.startswith(HEAD) for channel in told.column):
        role = told_role(readings, told, "valve", told.column.get("valve", "none"))
        if role is None:
            return []
        values = readings.values[role.column]
        followed = follows(readings.seconds, values, rate) is not None
        against = "" if followed else against_valve(values, works)
        return [role._replace(why=f"{role.why}, but {against}" if against else role.why)]
    free = {column: each for column, each in readings.values.items() if column not in taken}
    switched = {column: values for column, values in free.items() if _is_switched(values)}
    if heads := _heads_of(free, switched):
        why = "on while that head is open"
        return [Role(f"{HEAD}{head}", column, "", why) for head, column in heads.items()]
    counts = [column for column in switched if has_word(column, HEADS_WORDS)]
    if len(counts) != 1:
        usual = [
            column
            for column, values in switched.items()
            if np.nanmax(values) <= TWO and _goes_with(values, works)
        ]
        named_so = [column for column in usual if has_word(column, WORDS["valve"])]
        counts = usual if len(usual) == 1 else named_so
    if not counts:
        return _valve_of_a_mean(readings.seconds, switched, rate)
    if len(counts) != 1:
        return []
    most = int(np.nanmax(switched[counts[0]]))
    if most > 1:
        return [Role("valve", counts[0], "", f"how many heads are open: up to {most}")]
    if not _goes_with(switched[counts[0]], works):
        return [Role("valve", counts[0], "", "how many heads are open: never more than one")]
    return [Role("valve", counts[0], "", "on while the pump works, off while it does not")]


def _is_switched(values: Floats) -> bool:
    """Whether a column goes to and fro between off and on, or a number of open heads."""
    known = values[np.isfinite(values)]
    if not len(known) or 0.0 not in known or not set(np.unique(known)) <= OPEN_HEADS:
        return False
    return int(np.count_nonzero(np.diff(known))) >= TWO


def _goes_with(values: Floats, works: Floats) -> bool:
    """Whether the pump works while a valve is on, and does not while it is off."""
    on, off = _on_and_off(values, works)
    return on > 1.5 * max(off, 0.0)


def _on_and_off(values: Floats, works: Floats) -> tuple[float, float]:
    """The median of what works while a valve is on, and while it is off; NaN where it never is."""
    known = np.isfinite(works)
    sides = works[known & (values > 0)], works[known & (values == 0)]
    on, off = (float(np.median(side)) if len(side) else float("nan") for side in sides)
    return on, off


def _valve_of_a_mean(seconds: Floats, switched: Mapping[str, Floats], rate: Floats) -> list[Role]:
    """The one column called a valve that the rate follows, as a mean or a slow drive does.

    Such a rate hardly falls in pauses shorter than that.
    """
    named = [column for column in switched if has_word(column, WORDS["valve"])]
    if len(named) != 1 or np.nanmax(switched[named[0]]) > 1.0:
        return []
    within = follows(seconds, switched[named[0]], rate)
    if within is None:
        return []
    return [Role("valve", named[0], "", f"the rate follows it, within {within:.0f} s")]


def follows(seconds: Floats, valve: Floats, rate: Floats) -> float | None:
    """Within how many s nine tenths of a rate's answer to a valve come; None if there is none.

    `seconds`, `valve` and `rate` have the shape (rows,). What the rate does is fitted as a sum of
    what the valve did in the rows of `LATEST` before, by least squares; a mean of any length, a lag
    and a slow drive are such sums. Both are taken against their own mean over `AROUND` s, so that
    the pressure and long stops count for nothing.
    """
    step = max(float(np.median(np.diff(seconds))), 1e-9)
    stride = max(round(1.0 / step), 1)
    known = np.isfinite(valve) & np.isfinite(rate)
    both = [each[known][::stride] for each in (valve, rate)]
    step *= stride
    lags, around = max(round(LATEST / step), TWO), max(round(AROUND / step), TWO)
    if len(both[0]) < AROUND * lags:
        return None
    moved = [each - uniform_filter1d(each, 2 * around + 1) for each in both]
    before = np.lib.stride_tricks.sliding_window_view(moved[0], lags)[:, ::-1]
    answer = moved[1][lags - 1 :]
    if not answer.std() > 0.0:
        return None
    by_row = np.linalg.lstsq(before.T @ before, before.T @ answer, rcond=1e-8)[0]
    left = answer - before @ by_row
    if not np.mean(left**2) < (1.0 - FOLLOWED) * np.mean(answer**2):
        return None
    so_far = np.cumsum(by_row)
    if not so_far[-1] > 0.0:
        return None
    return float(np.argmax(so_far >= MOSTLY * so_far[-1]) + 1) * step


def against_valve(values: Floats, works: Floats) -> str:
    """What speaks against a column being the jet's valve; empty where nothing does."""
    if _goes_with(values, works):
        return ""
    on, off = _on_and_off(values, works)
    if np.isnan(on + off):
        return f"it is never {'on' if np.isnan(on) else 'off'}"
    return (
        f"the pump works as much while it is off ({off:.3g}) as while it is on ({on:.3g}); pauses "
        "shorter than a mean of the rate look like that"
    )


def _heads_of(free: Mapping[str, Floats], switched: Collection[str]) -> dict[str, str]:
    """The columns of single heads by the heads' names; empty unless there are several.

    They are called alike but for a number or a letter, as head_1_open and head_2_open are. One of
    them is `switched` at least; others may have been off all the time.
    """
    series: dict[str, dict[str, str]] = {}
    for column, values in free.items():
        known = values[np.isfinite(values)]
        if not set(np.unique(known)) <= ON_AND_OFF or not has_word(column, HEAD_WORDS):
            continue
        for found in HEAD_NAME.finditer(column):
            stem = f"{column[: found.start()]}*{column[found.end() :]}"
            series.setdefault(stem, {})[found[0]] = column
    several = [
        heads
        for heads in series.values()
        if TWO <= len(heads) <= MOST_HEADS and not set(switched).isdisjoint(heads.values())
    ]
    return several[0] if len(several) == 1 else {}


def open_heads(readings: Readings, roles: Sequence[Role]) -> Floats | None:
    """How many heads are open in each row; None where nothing counts them."""
    signals = [readings.values[role.column] for role in roles if is_switch(role.channel)]
    return np.sum(signals, axis=0) if signals else None


def find_others(readings: Readings, pressure: Role, taken: Sequence[str]) -> list[Role]:
    """Oil and boost pressure, where a header names them and the file states their unit."""
    water = in_si(readings.values[pressure.column], pressure.unit, "Pa")
    found: dict[str, Role] = {}
    for column, values in readings.values.items():
        stated = stated_kind(readings.units.get(column))
        if column in taken or stated is None or stated[0] != "Pa" or not is_alive(values):
            continue
        unit = unit_as_logged(readings.units[column], "Pa")
        reading = in_si(values, unit, "Pa")
        level = level_at_work(reading)
        if has_word(column, OTHER_WORDS["oil_pressure"]) and in_range(level, OIL):
            with np.errstate(invalid="ignore"):
                ratio = float(np.nanmedian(water[water > JET[0]] / reading[water > JET[0]]))
            if in_range(ratio, RATIO):
                why = f"the water's pressure is {ratio:.3g} times as high"
                found.setdefault("oil_pressure", Role("oil_pressure", column, unit, why))
        elif has_word(column, OTHER_WORDS["boost_pressure"]) and in_range(level, BOOST):
            why = f"{shown('pressure').brief(level)}, as feed water has"
            found.setdefault("boost_pressure", Role("boost_pressure", column, unit, why))
    return list(found.values())


def told_role(readings: Readings, told: Told, channel: str, column: str) -> Role | None:
    """The role that a person gave a column, None for "none". Raises Question, BadInput."""
    if column == "none":
        return None
    if column not in readings.values:
        raise BadInput(
            readings.path, f"--is {channel}={column}", "there is no such column of numbers",
            f"there are {', '.join(readings.values)}",
        )  # fmt: skip
    si = si_unit(channel)
    unit = told.unit.get(channel) or readings.units.get(column)
    if si and not unit:
        raise Question(readings.path, f"column {column!r}", "has no unit", "--unit",
                       [f"{channel}={each}" for each in CHOICES[si]])  # fmt: skip
    if si and unit:
        flow = channel == "rate" and is_flow(unit_as_logged(unit, "m^3/s"))
        unit = unit_as_logged(unit, "m^3/s" if flow else si)
        try:
            conversion(unit, "m^3/s" if flow else si)
        except ValueError:
            raise BadInput(
                readings.path, f"--is {channel}={column}",
                f"its unit {unit!r} is not one of {channel}",
                f"name another column, or a unit such as {', '.join(CHOICES[si])}",
            ) from None  # fmt: skip
    steps = np.diff(readings.values[column][np.isfinite(readings.values[column])])
    if channel == "stroke_count" and np.count_nonzero(steps > 0) < TWO:
        raise BadInput(
            readings.path, f"--is {channel}={column}", "it hardly ever goes up",
            "name a column that counts strokes, or none",
        )  # fmt: skip
    return Role(channel, column, unit or "", "as stated")


CHOICES = {"Pa": ("MPa", "bar", "psi", "kpsi"), "Hz": ("strokes/min", "rpm", "Hz", "l/min", "gpm"),
            "K": ("degC", "degF"), "s": ("s", "ms"), "dimensionless": ("percent",)}  # fmt: skip


FOUND = ("pressure", "stroke_count", "rate", "temperature", "valve")  # each in its own way


def find_roles(readings: Readings, told: Told) -> list[Role]:
    """What the columns are. Raises Question for what only a person can tell."""
    return roles_beside(readings, find_pressure(readings, told), told)


def roles_beside(readings: Readings, pressure: Role, told: Told) -> list[Role]:
    """What the columns are beside the `pressure`, which is known."""
    strokes = find_strokes(readings, pressure, told)
    roles = [pressure, *([strokes] if strokes else [])]
    taken = [role.column for role in roles]
    others = [
        role for channel, column in told.column.items()
        if channel not in FOUND and (role := told_role(readings, told, channel, column))
    ]  # fmt: skip
    taken += [role.column for role in others]
    found = find_others(readings, pressure, taken)
    others += [role for role in found if role.channel not in told.column]
    taken += [role.column for role in others]
    rate = find_rate(readings, pressure, strokes, taken, told)
    if rate is not None:
        roles.append(rate)
        taken.append(rate.column)
    temperature = find_temperature(readings, taken, told)
    if temperature is not None:
        roles.append(temperature)
        taken.append(temperature.column)
    works = work_of(readings, roles)
    turns = works if rate is None else readings.values[rate.column]
    valves = find_valves(readings, works, turns, taken, told)
    roles = [_of_heads(readings, role, [*valves, *others]) for role in roles]
    return [*roles, *valves, *others]


def work_of(readings: Readings, roles: Sequence[Role]) -> Floats:
    """What shows that the pump works: its strokes or flow, else the pressure."""
    by = {role.channel: role for role in roles}
    if "stroke_count" in by:
        return counted_rate(readings, by["stroke_count"].column, 5)
    if "rate" in by and by["rate"].unit != "rpm":
        return readings.values[by["rate"].column]
    return readings.values[by["pressure"].column]


def _of_heads(readings: Readings, role: Role, valves: Sequence[Role]) -> Role:
    """The same, with how many heads a rate is of, where their valves show more than one."""
    is_open = open_heads(readings, valves)
    if role.channel != "rate" or is_open is None or not np.nanmax(is_open) > 1.0:
        return role
    values = readings.values[role.column]
    levels = [
        f"{_rate_words(level_at_work(values[is_open == number]), role.unit)} with "
        f"{'one head' if number == 1 else f'{number:.0f} heads'} open"
        for number in np.unique(is_open[is_open > 0.0])
    ]
    return role._replace(why=", ".join(levels))


def feed_flow(area: float, pressure: float) -> float:
    """Feed water, m³/s, that an effective `area` (m²) takes at `pressure` (Pa)."""
    return float(area * mass_flux(pressure, TEMPERATURE) / density_at_atmosphere(TEMPERATURE))
