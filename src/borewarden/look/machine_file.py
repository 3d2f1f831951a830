"""The machine file that a look at a log or an address leads to.

Every figure says where it comes from.
"""

from __future__ import annotations

import datetime as dt
import json
import math
import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
from pydantic import TypeAdapter, ValidationError

from borewarden.base.errors import BadInput
from borewarden.base.samples import HEAD, is_switch
from borewarden.base.shown import shown
from borewarden.base.text import known_name
from borewarden.base.units import MM, is_flow
from borewarden.look.level import (
    DEAD_SHARE,
    INCH,
    Level,
    bore_of_flow,
    bore_of_rate,
    coefficient,
    fits,
    level_of,
    step_of,
    swept_volume,
)
from borewarden.look.looked import SLOW, SLOW_HOLD, Looked, Seen
from borewarden.look.network import Heard, point_of, source_figures
from borewarden.look.roles import Role, feed_flow, is_called_crank, open_heads
from borewarden.look.unit_words import STROKE_WORDS, TURN_WORDS, WORDS, has_word
from borewarden.look.usual import bore_text, length_text, motor_for, rated_above, volume_text
from borewarden.physics.orifice import DISCHARGE_COEFFICIENTS, bore_area, hydraulic_power
from borewarden.settings.guesses import GUESSED, UNKNOWN
from borewarden.settings.load import settings_of
from borewarden.settings.machine import MachineSettings
from borewarden.settings.units import Bore, Diameter, Pressure, Travel

PLATE = "from the name plate"
STATED = "as stated"
NOT_ON_A_PLATE = ("dead_volume", "volumetric_efficiency", "regulation")  # common practice
TO_AND_FRO = "only then the bore fits, so to and fro count as one"

INTENSIFIER = ("rated_pressure", "rated_power", "plunger_diameter", "stroke", "dead_volume",
               "max_stroke_rate", "intensification_ratio", "volumetric_efficiency")  # fmt: skip
DIRECT = ("rated_pressure", "rated_power", "plungers", "plunger_diameter", "stroke", "dead_volume",
          "crank_speed", "volumetric_efficiency", "regulation")  # fmt: skip
DIRECT_DRIVE = "direct drive"
KINDS = ("intensifier", DIRECT_DRIVE)
COARSE = 1e-3  # of its level: a rate in such steps is not as good as continuous
DIAMETER, TRAVEL = (3e-3, 0.1), (5e-3, 2.0)  # m that [pump] takes
BARE = ("plungers", "intensification_ratio")  # numbers without a unit


class Figure(NamedTuple):
    """A value as TOML has it, and the comment behind it."""

    value: str
    comment: str


@dataclass(frozen=True)
class Plate:
    """What a person has stated of the machine; `figures` by the fields of [pump], as text.

    `units` are those that people read, "metric" or "US".
    """

    name: str | None = None
    time_zone: str | None = None
    kind: str | None = None
    bore: str | None = None
    material: str | None = None
    fitted: dt.datetime | None = None
    heads: int | None = None
    figures: Mapping[str, str] = field(default_factory=dict)
    units: str | None = None


def pump_kind(looked: Seen, plate: Plate) -> tuple[str, str]:
    """Which kind of pump it is, and why."""
    if plate.kind is not None:
        stated = known_name(plate.kind, KINDS)
        if stated is None:
            raise BadInput("--pump", plate.kind, "is not known", f"give {' or '.join(KINDS)}")
        return stated, STATED
    for name in plate.figures:
        if (name in INTENSIFIER) != (name in DIRECT):
            kind = KINDS[0] if name in INTENSIFIER else KINDS[1]
            return kind, f"“{name}” is a figure of such a pump only"
    by = {role.channel: role for role in looked.roles}
    level = level_of(looked.readings, looked.roles, plate.heads or 1)
    if "stroke_count" in by or "oil_pressure" in by:
        return "intensifier", f"{GUESSED}: it counts strokes"
    if "rate" not in by:
        return (
            "direct drive",
            f"{GUESSED}: there are no strokes, without which no intensifier can be judged",
        )
    if _counts_strokes(by["rate"]):
        return "intensifier", f"{GUESSED}: it has strokes a minute"
    if by["rate"].unit == "rpm" or is_called_crank(by["rate"].column):
        return DIRECT_DRIVE, f"{GUESSED}: it has turns a minute"
    if level.holds_dead_head:
        return "intensifier", f"{GUESSED}: it holds pressure while nothing flows"
    return "direct drive", f"{GUESSED}: it turns or flows whenever there is pressure"


def _counts_strokes(rate: Role) -> bool:
    """Whether a rate is one of strokes, by its header and unit, and not of turns or a flow."""
    if is_flow(rate.unit) or rate.unit == "rpm":
        return False
    if rate.unit == "strokes/min" or has_word(rate.column, STROKE_WORDS):
        return True
    return rate.unit == "1/min" and not has_word(rate.column, TURN_WORDS)


def figures_of(looked: Seen, plate: Plate) -> dict[str, Figure]:
    """All of [pump] and the jewel, stated or guessed. Raises BadInput for a figure not known."""
    kind, why = pump_kind(looked, plate)
    fields = INTENSIFIER if kind == "intensifier" else DIRECT
    for name in plate.figures:
        if name not in fields:
            raise BadInput(
                "--plate", name, f"is not a figure of a pump of the kind {kind!r}",
                f"known are {', '.join(fields)}",
            )  # fmt: skip
    heads = heads_of(looked, plate)
    level = level_of(looked.readings, looked.roles, len(heads.names))
    material = known_name(plate.material or "ruby", DISCHARGE_COEFFICIENTS)
    if material is None:
        raise BadInput(
            "--material", str(plate.material), "is not a known material",
            f"known: {', '.join(DISCHARGE_COEFFICIENTS)}",
        )  # fmt: skip
    bore, bore_figure = _bore(level, plate, material, kind)
    make = _intensifier if kind == "intensifier" else _direct
    guessed = make(level, plate, bore, material, len(heads.names))
    found = {"kind": Figure(_text(kind), why)}
    for name in fields:
        stated = plate.figures.get(name)
        source = STATED if name in NOT_ON_A_PLATE else PLATE
        found[name] = guessed[name] if stated is None else Figure(_stated(name, stated), source)
    first = dt.datetime.fromtimestamp(looked.first_ns // 10**9, dt.UTC).replace(tzinfo=None)
    before = dt.datetime.combine(first.date() - dt.timedelta(days=1), dt.time())
    fitted = plate.fitted or before
    found["fitted"] = Figure(
        fitted.isoformat(),
        STATED if plate.fitted else f"{GUESSED}: the day before the first reading",
    )
    found["heads"] = Figure(str(len(heads.names)), heads.comment)
    found["bore"] = bore_figure
    found["material"] = Figure(_text(material), STATED if plate.material else GUESSED)
    return found


def per_count_of(seen: Seen, settings: MachineSettings) -> Figure | None:
    """How many strokes are counted as one, where it may be two; None where nothing says so.

    Two are, if the jewel fits the pump only then, and however many heads are open. Where nothing
    counts the open heads, two heads look like strokes that are counted one by one, or the other way
    round.
    """
    jewels = settings.jewels()
    level = level_of(seen.readings, seen.roles, len(jewels))
    of_all = level.heads * coefficient(level, settings.build_pump().displacement, jewels[0].bore)
    is_counted = open_heads(seen.readings, seen.roles) is not None
    heads = [level.heads] if is_counted else range(1, len(jewels) + 1)
    once, twice = ([n for n in heads if fits(per * of_all / n)] for per in (1, 2))
    if settings.pump.kind != "intensifier" or not twice:
        return None
    if not once and twice[0] == heads[0]:  # of more heads, it may be a mean over their numbers
        return Figure("2", f"{GUESSED}: {TO_AND_FRO}")
    with_one = f"with {_open(once[0])}, or " if once else "only "
    return Figure("1", f"{GUESSED}: the bore fits {with_one}with {_open(twice[0])} and 2 here")


def _open(heads: int) -> str:
    return f"{heads} head{'s' * (heads > 1)} open"


class Heads(NamedTuple):
    """The heads of a pump by their names, and where their number comes from."""

    names: tuple[str, ...]
    comment: str


def heads_of(seen: Seen, plate: Plate) -> Heads:
    """The heads as stated, or as the signals have them. Raises BadInput where these differ."""
    signals = [role for role in seen.roles if is_switch(role.channel)]
    named = tuple(role.channel.removeprefix(HEAD) for role in signals if role.channel != "valve")
    is_open = open_heads(seen.readings, signals)
    most = 1 if is_open is None else max(int(np.nanmax(is_open)), 1)
    least = len(named) or most
    if plate.heads is not None:
        if plate.heads < least or (named and plate.heads > least):
            columns = ", ".join(role.column for role in signals)
            exactly = "" if named else "at least "
            raise BadInput("--heads", str(plate.heads), f"{columns} shows {exactly}{least}",
                           f"give {exactly}{least}, or say by --is what the column is")  # fmt: skip
        return Heads(named or _numbered(plate.heads), STATED)
    if named:
        return Heads(named, "each has a valve signal")
    if not signals:
        return Heads(_numbered(1), f"{GUESSED}: nothing tells how many heads there are")
    column = signals[0].column
    if most > 1:
        return Heads(_numbered(most), f"{GUESSED}: {column} counts up to {most}")
    return Heads(_numbered(1), f"{GUESSED}: {column} never says more")


def _numbered(count: int) -> tuple[str, ...]:
    return tuple(map(str, range(1, count + 1)))


def _text(value: str) -> str:
    return json.dumps(value, ensure_ascii=False)


def _stated(name: str, value: str) -> str:
    return value if name in BARE and value.replace(".", "", 1).isdecimal() else _text(value)


def _bore(level: Level, plate: Plate, material: str, kind: str) -> tuple[float, Figure]:
    """The bore in m, and as a figure."""
    if plate.bore is not None:
        try:
            bore = TypeAdapter[float](Bore).validate_python(plate.bore)
        except ValidationError as error:
            wrong, _, right = error.errors()[0]["msg"].partition("; ")
            raise BadInput("--bore", plate.bore, wrong, right) from None
        return bore, Figure(_text(plate.bore), STATED)
    of_heads = f" with {_open(level.heads)}" if level.heads > 1 else ""
    if math.isfinite(level.flow):
        bore = bore_of_flow(level, material)
        return bore, Figure(_text(bore_text(bore)), f"{GUESSED}: the flow tells it{of_heads}")
    swept = _swept(plate, kind)
    if swept is not None and math.isfinite(level.rate):
        bore = bore_of_rate(level, swept, material)
        why = f"{GUESSED}: plunger, stroke and rate tell it{of_heads}"
        return bore, Figure(_text(bore_text(bore)), why)
    return 0.010 * INCH, Figure(_text(bore_text(0.010 * INCH)), GUESSED)


def _swept(plate: Plate, kind: str) -> float | None:
    """The swept volume of the name plate, m³ a stroke or turn; None where it is not stated."""
    diameter = _length(plate.figures.get("plunger_diameter"), Diameter)
    stroke = _length(plate.figures.get("stroke"), Travel)
    plungers = plate.figures.get("plungers", "3" if kind == DIRECT_DRIVE else "1")
    if diameter is None or stroke is None or not plungers.isdecimal():
        return None
    return int(plungers) * math.pi * diameter**2 / 4.0 * stroke


def _rated(level: Level, plate: Plate) -> float:
    """The rated pressure in Pa, stated or guessed."""
    stated = plate.figures.get("rated_pressure")
    try:
        return TypeAdapter[float](Pressure).validate_python(stated)
    except ValidationError:  # nothing stated, or the settings say what is wrong with it
        return rated_above(level.highest_pressure)[1]


def _length(stated: str | None, kind: Any) -> float | None:
    """A stated length in m of the `kind` that the settings have, None if none can be read."""
    if stated is None:
        return None
    try:
        return TypeAdapter[float](kind).validate_python(stated)
    except ValidationError:
        return None  # the settings say what is wrong with it


def _common(level: Level) -> dict[str, Figure]:
    rated, _ = rated_above(level.highest_pressure)
    reached = shown("pressure").brief(level.highest_pressure)
    return {
        "rated_pressure": Figure(
            _text(rated), f"{GUESSED}: 99 of 100 readings of its first hour are below {reached}"
        ),
        "volumetric_efficiency": Figure(_text("95 %"), UNKNOWN),
    }


def _motor(pressure: float, bore: float, heads: int) -> Figure:
    """The smallest usual motor for all jets at a `pressure` (Pa), with a third for losses."""
    flow = feed_flow(0.65 * heads * float(bore_area(bore)), pressure)
    power = float(hydraulic_power(pressure, flow)) / 0.67
    jets = "the jet" if heads == 1 else "all jets at once"
    return Figure(_text(motor_for(power)), f"{GUESSED}: enough for {jets}")


def _plunger(swept: float, plate: Plate, usual: float, plungers: int = 1) -> dict[str, Figure]:
    """Diameter and stroke of a plunger that sweep `swept` (m³) together with their like.

    What is stated stands, also where both are and sweep something else.
    """
    diameter = _length(plate.figures.get("plunger_diameter"), Diameter)
    stroke = _length(plate.figures.get("stroke"), Travel)
    if diameter is None:
        area = swept / plungers / stroke if stroke else 0.0
        diameter = math.sqrt(4.0 * area / math.pi) if stroke else usual
    stroke = stroke or swept / plungers / (math.pi * diameter**2 / 4.0)
    for what, length, (low, high) in (
        ("measures", diameter, DIAMETER),
        ("travels", stroke, TRAVEL),
    ):
        if not low <= length <= high:
            raise BadInput(
                "the readings", "columns",
                f"with the bore, they mean a plunger that {what} {length_text(length)}",
                "check which columns are pressure and strokes, their units (--is, --unit), the "
                "kind of pump (--pump) and the bore (--bore)",
            )  # fmt: skip
    return {
        "plunger_diameter": Figure(_text(length_text(diameter)), UNKNOWN),
        "stroke": Figure(_text(length_text(stroke)), UNKNOWN),
        "dead_volume": Figure(
            _text(volume_text(DEAD_SHARE * math.pi * diameter**2 / 4.0 * stroke)),
            f"{GUESSED}: a tenth of the swept volume",
        ),
    }


def _intensifier(
    level: Level, plate: Plate, bore: float, material: str, heads: int
) -> dict[str, Figure]:
    rate = level.rate if math.isfinite(level.rate) else 0.5  # a flow meter counts no strokes
    swept = swept_volume(level, bore, material, rate, 0.95)
    top = level.highest_rate * 60.0 if math.isfinite(level.rate) else 30.0
    rated = _rated(level, plate)
    # a jet's flow goes with the root
    at_rated = 60.0 * rate * heads / level.heads * math.sqrt(rated / level.pressure)
    most = max(60.0, 10.0 * math.ceil(0.16 * top), 10.0 * math.ceil(0.12 * at_rated))
    return {
        **_common(level),
        "rated_power": _motor(rated, bore, heads),
        **_plunger(swept, plate, 22.0 * MM),
        "max_stroke_rate": Figure(_text(f"{most:.0f} strokes/min"), GUESSED),
        "intensification_ratio": Figure("20", GUESSED),
    }


def _direct(
    level: Level, plate: Plate, bore: float, material: str, heads: int
) -> dict[str, Figure]:
    known = math.isfinite(level.rate)
    speed = level.rate if known else 5.0
    stated = plate.figures.get("plungers", "3")
    plungers = int(stated) if stated.isdecimal() else 3
    swept = swept_volume(level, bore, material, speed, 0.95)
    most = math.ceil((level.highest_rate if known else speed) * 60.0)
    why = f"{GUESSED}: it was reached" if known else UNKNOWN
    regulation, told = {
        True: ("speed", "the speed changes to hold the pressure"),
        False: ("none", "the crank turns no faster while the line fills"),
        None: ("none", "assumed, since the readings do not tell"),
    }[level.trims]
    return {
        **_common(level),
        "rated_power": _motor(_rated(level, plate), bore, heads),
        "plungers": Figure(str(plungers), GUESSED),
        **_plunger(swept, plate, 12.0 * MM, plungers),
        "crank_speed": Figure(_text(f"{most} rpm"), why),
        "regulation": Figure(_text(regulation), f"{GUESSED}: {told}"),
    }


# -- the text


def machine_text(seen: Seen, plate: Plate, figures: Mapping[str, Figure], zone: str) -> str:
    """The whole machine file as TOML."""
    name = plate.name or seen.usual_name
    jewel = ("fitted", "bore", "material")
    per_count = figures.get("strokes_per_count")
    heads = heads_of(seen, plate)
    lines = [
        f"# Written by `borewarden look` from {seen.source}.",
        "# Each comment says where its figure comes from. docs/settings.md has every setting.",
        "",
        _line("name", Figure(_text(name), STATED if plate.name else f"that of {seen.source}")),
        *([_line("units", Figure(_text(plate.units), STATED))] if plate.units else []),
        _line("time_zone", Figure(_text(zone), STATED if plate.time_zone else
                                  f"{GUESSED}: that of this computer")),
        "",
        "[pump]",
        *(_line(name, figure) for name, figure in figures.items()
          if name not in (*jewel, "heads", "strokes_per_count")),
        "",
        *(_source(seen, per_count) if isinstance(seen, Heard) else _log(seen, per_count)),
        *_jewels(heads, {name: figures[name] for name in jewel}),
    ]  # fmt: skip
    return "\n".join(lines) + "\n"


def _jewels(heads: Heads, figures: Mapping[str, Figure]) -> Iterator[str]:
    """A [[jewel]] for each head, all alike."""
    for head in heads.names:
        yield from ("", "[[jewel]]", *(_line(name, figure) for name, figure in figures.items()))
        if len(heads.names) > 1 or heads.comment == STATED:
            yield _line("head", Figure(_text(head), heads.comment))
        else:
            yield f"# One head: {heads.comment}. Give each further head a [[jewel]] of its own."


def checked(text: str, target: Path, plate: Plate) -> MachineSettings:
    """The settings of the text of a machine file, which need not be there. Raises BadInput.

    What was stated is named by its option: nobody can look for it in a file that is not written.
    """
    try:
        return settings_of(MachineSettings, target, tomllib.loads(text))
    except BadInput as bad:
        raise as_stated(bad, plate) from None


def as_stated(bad: BadInput, plate: Plate) -> BadInput:
    """The same, said of the option that stated the figure, if one did."""
    name = bad.where.removeprefix("pump.")
    if name in plate.figures:
        return BadInput("--plate", f"{name}={plate.figures[name]}", bad.wrong, bad.right)
    if name == "time_zone" and plate.time_zone is not None:
        return BadInput("--time-zone", plate.time_zone, bad.wrong, bad.right)
    if name == "name" and plate.name is not None:
        return BadInput("--name", plate.name, bad.wrong, bad.right)
    return bad


def _line(name: str, figure: Figure) -> str:
    line = f"{name} = {figure.value}"
    return f"{line:<40} # {figure.comment}" if figure.comment else line


def _log(seen: Seen, per_count: Figure | None) -> Iterator[str]:
    """[log] and its channels."""
    assert isinstance(seen, Looked)
    yield "[log]"
    yield from (_line(name, figure) for name, figure in _layout_figures(seen))
    yield from _resolution(seen)
    yield from _channels(seen, per_count)


def _source(heard: Heard, per_count: Figure | None) -> Iterator[str]:
    """[source] and its channels."""
    yield "[source]"
    yield from (_line(name, Figure(_any(value), "")) for name, value in source_figures(heard))
    yield from _resolution(heard)
    for role in heard.roles:
        yield ""
        yield f"[source.{role.channel}]"
        first, *rest = point_of(heard, role).items()
        yield _line(first[0], Figure(_any(first[1]), f"{role.column}: {role.why}"))
        yield from (_line(name, Figure(_any(value), "")) for name, value in rest)
        if role.unit:
            yield _line("unit", Figure(_text(role.unit), _unit_source(heard, role)))
        if role.scale != 1.0:
            yield _line("scale", Figure(f"{role.scale:.6g}", role.why))
        if per_count and role.channel in ("rate", "stroke_count"):
            yield _line("strokes_per_count", per_count)


def _layout_figures(looked: Looked) -> Iterator[tuple[str, Figure]]:
    """What [log] has to state, only where it is not the plain form."""
    layout, form = looked.form.layout, looked.form
    yield "time", Figure(_text(form.time), "")
    shown: tuple[tuple[str, object, str], ...] = (
        ("clock", layout.clock, "time of day, in a column of its own"),
        ("time_format", layout.time_format, ""),
        ("sheet", layout.sheet, "the longest one"),
        ("encoding", layout.encoding, ""),
        ("separator", layout.separator, ""),
        ("decimal", layout.decimal, ""),
        ("thousands", layout.thousands, "sign at the thousands"),
        ("header", layout.header, "no line names the columns: they are numbered"),
        ("skip", layout.skip, "lines above the header"),
        ("skip_below", layout.skip_below, "lines between the header and the first row"),
        ("skip_end", layout.skip_end, "lines below the last row"),
        ("tag", layout.tag, "each row has one value, and this column names it"),
        ("value", layout.value, ""),
        ("quality", layout.quality, ""),
    )
    plain = type(layout)()
    for name, value, comment in shown:
        if value != getattr(plain, name):
            yield name, Figure(_any(value), comment)
        elif name == "decimal" and form.odd:
            yield name, Figure(_any(value), form.odd)
    if layout.quality is not None:
        yield "good", Figure(_any(list(layout.good)), "any other quality is a missing reading")
    if layout.newest_first:
        yield "order", Figure(_text("newest first"), "")
    if layout.missing:
        yield "missing", Figure(_any(list(layout.missing)), f"{GUESSED}: marks for no reading")
    if layout.zero is not None:
        if "start" in layout.time_format:
            yield "start", Figure(layout.zero.isoformat(), STATED)
        else:
            yield "date", Figure(layout.zero.date().isoformat(), STATED)
    if looked.hold is not None:
        why = f"{GUESSED}: a value stands until the next, for no longer than this"
        yield "hold", Figure(_text(f"{looked.hold:g} s"), why)
        yield "every", Figure(_text(f"{looked.every:g} s"), "a row is made so often")


def _any(value: object) -> str:
    return json.dumps(value, ensure_ascii=False)


def _resolution(looked: Seen) -> Iterator[str]:
    """The least step of a logged rate, if it is coarse enough to matter."""
    for role in looked.roles:
        if role.channel != "rate" or is_flow(role.unit):
            continue
        values = looked.readings.values[role.column]
        step = step_of(values)
        if step > COARSE * float(np.nanquantile(values, 0.9)):
            unit = "strokes/min" if role.unit == "1/min" else role.unit
            yield _line(
                "rate_resolution", Figure(_text(f"{step:g} {unit}"), "least step that was seen")
            )


def _channels(looked: Looked, per_count: Figure | None) -> Iterator[str]:
    for role in looked.roles:
        yield ""
        yield f"[log.{role.channel}]"
        yield _line("column", Figure(_text(role.column), _column_source(looked, role)))
        if role.unit:
            yield _line("unit", Figure(_text(role.unit), _unit_source(looked, role)))
        if per_count and role.channel in ("rate", "stroke_count"):
            yield _line("strokes_per_count", per_count)
        if role.column in looked.form.layout.times:
            yield _line("time", Figure(_text(looked.form.layout.times[role.column]), ""))
        if looked.hold is not None and role.channel in SLOW:
            yield _line("hold", Figure(_text(f"{SLOW_HOLD / 3600:g} h"), f"{GUESSED}: it is slow"))


def _column_source(looked: Looked, role: Role) -> str:
    """Why it is that column; a guess where neither its name nor a unit says so, only its moves."""
    named = role.channel in WORDS and has_word(role.column, WORDS[role.channel])
    told = role.why == STATED or named or role.column in looked.form.units
    return role.why if told else f"{GUESSED}: {role.why}"


def _unit_source(seen: Seen, role: Role) -> str:
    if role.why == STATED or role.scale != 1.0:
        return role.why
    if isinstance(seen, Heard):
        place = seen.places[role.column]
        if not place.unit:
            return role.why if "panel" in role.why else f"{GUESSED}: the only fit"
        if "mqtt" in seen.section["kind"] and "metric" not in place.settings:
            return "its name says so"
        return f"the machine states it, {place.note}" if place.note else "the machine states it"
    return "the log states it" if role.column in seen.readings.units else f"{GUESSED}: the only fit"


def write_new(path: Path, text: str) -> None:
    """Write `text` to a file that is not there yet. Raises BadInput where it is."""
    try:
        with path.open("x", encoding="utf-8") as file:
            file.write(text)
    except FileExistsError:
        raise BadInput(
            path, "file", "it is there already, and is not overwritten", "give another --out"
        ) from None
