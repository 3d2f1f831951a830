"""What the numbers at an address are: of which channel, in which unit and at which scale.

The same physics as for a log (`roles`) tells it where the machine states units. A number without
one may have any scale: there the panel has to tell, and nothing is guessed unasked.
"""

from __future__ import annotations

import dataclasses
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Self

import numpy as np
from numpy.typing import NDArray

from borewarden.base.errors import BadInput
from borewarden.collect.standing import rows_of
from borewarden.collect.survey import Place, Survey, plain_name
from borewarden.look.address import usual_name
from borewarden.look.form import unit_in
from borewarden.look.left_out import LeftOut, left_out
from borewarden.look.level import rate_of_counts
from borewarden.look.looked import SLOW_HOLD, Seen
from borewarden.look.panel import Scaled, Shown, matching, shown_on, the_one
from borewarden.look.question import PanelQuestion, Question
from borewarden.look.roles import (
    FIT,
    Readings,
    Role,
    Told,
    falls_off,
    find_pressure,
    find_strokes,
    in_si,
    is_alive,
    is_counter,
    moves,
    roles_beside,
    scatter_of_area,
    tracks,
)
from borewarden.look.unit_words import WORDS, has_word
from borewarden.look.usual import pressure_example

Floats = NDArray[np.float64]

FEWEST = 10  # readings of a place
SETTLING = 1.5  # s around a mark: nobody presses a key at the very moment
CLEAR = 3.0  # times the scatter, and a number follows the jet; invented
COUNTS = (1.5, 2)  # times as often with the jet on, and counts at least, of a counter; invented
CLOCKS = (60.0, 10.0)  # counts a minute of seconds, and of tenths of a minute
LIKE_A_CLOCK = 0.03  # apart
MIRROR = 0.7  # of the rows that are alike, and two places show the same; invented
AS_COUNTED = 0.1  # a rate may differ so much from the counter's
SCALED = re.compile(r"(\d*\.?\d+)\s+(\S.*)")  # "0.1 bar", and not "1/min"


@dataclass(frozen=True)
class Mark:
    """The jet was turned on or off at that time, ns since 1970."""

    time_ns: int
    on: bool


@dataclass(frozen=True)
class Heard(Seen):
    """An address as it was found; `raw` are the readings before any scale, `bare` those of any.

    `section` is what [source] says besides its channels, `times` the field of the time by topic,
    `jet` whether it was on in each row (NaN where nobody said so).
    """

    address: str
    section: Mapping[str, Any]
    places: Mapping[str, Place]
    times: Mapping[str, str]
    raw: Readings
    bare: frozenset[str]
    jet: Floats

    @property
    def usual_name(self) -> str:
        """Where it is: people have no name for it yet, or did not say so."""
        return usual_name(self.section)

    def left_out(self, told: Told) -> list[LeftOut]:
        """As of a log; a number here may have a scale."""
        return left_out(self.readings, self.roles, told, scaled=True)

    def told_anew(self, told: Told) -> Self:
        """The same readings, told anew. Raises Question, BadInput."""
        readings, roles = _roles(self.raw, self.bare, self.jet, told)
        return dataclasses.replace(self, readings=readings, roles=roles)


def heard_at(
    address: str, section: Mapping[str, Any], survey: Survey, marks: Sequence[Mark]
) -> Heard:
    """What was read at an address, as yet without a role. Raises BadInput if it is too little."""
    streams = {n: each for n, each in survey.streams().items() if len(each.time_ns) >= FEWEST}
    if not streams:
        raise BadInput(
            address, "readings", f"there were fewer than {FEWEST} of each number",
            "listen longer: --listen '2 min'",
        )  # fmt: skip
    every = min(float(np.median(np.diff(each.time_ns))) for each in streams.values()) * 1e-9
    every = max(0.05, every)
    time_ns, values = rows_of(streams, dict.fromkeys(streams, SLOW_HOLD), every)
    places = {name: survey.places[name] for name in streams}
    if section["kind"].startswith("modbus"):
        from borewarden.look.registers import numbers_of  # the protocol's library is slow to import

        numbers = numbers_of(places, values)
        places = {name: each.place for name, each in numbers.items()}
        values = {name: each.values for name, each in numbers.items()}
    elif section["kind"] == "mqtt":
        names = _short(places)
        places = {names[name]: _with_unit(names[name], each) for name, each in places.items()}
        values = {names[name]: each for name, each in values.items()}
    places = _once(places, values)
    values = {name: values[name] for name in places}
    units = {name: place.unit for name, place in places.items() if place.unit}
    bare = {name for name, place in places.items() if place.bare or _is_bare(place, values[name])}
    readings = Readings(address, (time_ns - time_ns[0]) / 1e9, values, units)
    first = int(time_ns[0])
    jet = jet_of(time_ns, marks)
    return Heard(
        readings, [], first, address, section, places, survey.times, readings, frozenset(bare), jet
    )


def _short(places: Mapping[str, Place]) -> dict[str, str]:
    """The names without the levels of the topic that they all have."""
    topics = [_levels(place) for place in places.values()]
    common = 0
    while len({tuple(topic[: common + 1]) for topic in topics}) == 1 and common < len(topics[0]):
        common += 1
    rest = {
        name: plain_name(" ".join([*topic[common:], _last(place)])).strip() or name
        for (name, place), topic in zip(places.items(), topics, strict=True)
    }
    return rest if len(set(rest.values())) == len(rest) else {name: name for name in places}


def _levels(place: Place) -> list[str]:
    """The levels of the topic that a place comes on, without the kind of message."""
    settings = place.settings
    if "metric" in settings:
        return [str(settings[each]) for each in ("group", "node", "device")]
    return str(settings["topic"]).split("/")


def _last(place: Place) -> str:
    """The field of the message, or the metric."""
    return str(place.settings.get("metric", place.settings.get("field")))


def _with_unit(name: str, place: Place) -> Place:
    """The place with the unit that it states, or that its name ends with, as in pressure_bar."""
    text = f"{name} {place.unit}".strip()
    return dataclasses.replace(place, unit=unit_in(text.replace(".", " ")) or "")


def _once(places: Mapping[str, Place], values: Mapping[str, Floats]) -> dict[str, Place]:
    """The places without those that show what an earlier one shows; its note names them."""
    kept: dict[str, Place] = {}
    for name, place in places.items():
        changes = np.ptp(values[name][np.isfinite(values[name])]) > 0.0
        first = next(
            (each for each in kept if changes and np.mean(values[each] == values[name]) > MIRROR),
            None,
        )
        if first is None:
            kept[name] = place
        else:
            note = f"{kept[first].note}, {name}" if kept[first].note else f"also {name}"
            kept[first] = dataclasses.replace(kept[first], note=note)
    return kept


def _is_bare(place: Place, values: Floats) -> bool:
    """Whether a number is whole and has no unit: then it may have any scale."""
    known = values[np.isfinite(values)]
    return not place.unit and bool(np.all(known == np.rint(known)))


# -- the jet


def jet_of(time_ns: NDArray[np.int64], marks: Sequence[Mark]) -> Floats:
    """1 where the jet was on, 0 where it was off, NaN where nobody knows."""
    jet = np.full(len(time_ns), np.nan)
    for at, mark in enumerate(marks):
        end = marks[at + 1].time_ns - SETTLING * 1e9 if at + 1 < len(marks) else np.inf
        jet[(time_ns > mark.time_ns + SETTLING * 1e9) & (time_ns < end)] = float(mark.on)
    return jet


def follows(values: Floats, jet: Floats) -> bool | None:
    """Whether a number follows the jet; None where too little is known of either."""
    on, off = (values[(jet == state) & np.isfinite(values)] for state in (1.0, 0.0))
    if min(len(on), len(off)) < FEWEST // 2:
        return None
    if is_counter(values):
        steps = np.diff(values, prepend=values[0])
        rises = [float(np.nansum(np.maximum(steps[jet == state], 0.0))) for state in (1.0, 0.0)]
        shares = rises[0] / len(on), rises[1] / len(off)
        return rises[0] >= COUNTS[1] and shares[0] > COUNTS[0] * shares[1]
    scatter = sum(float(np.subtract(*np.quantile(each, [0.84, 0.16]))) / 2.0 for each in (on, off))
    apart = abs(float(np.median(on) - np.median(off)))
    return apart > CLEAR * scatter and apart > 0.0


# -- the roles


def _roles(
    raw: Readings, bare: frozenset[str], jet: Floats, told: Told
) -> tuple[Readings, list[Role]]:
    """The readings with the scales that were found, and what they are."""
    fixed, raw_told = _fixed(raw, told), told.column
    readings = raw
    for one in fixed.values():
        readings = _scaled(readings, one)
    told = dataclasses.replace(
        told,
        column={**told.column, **{channel: one.column for channel, one in fixed.items()}},
        unit={
            **_without_place(raw, told),
            **{channel: one.unit for channel, one in fixed.items() if one.unit},
        },
    )
    known = {one.column for one in fixed.values()}
    scales = {one.column: one.scale for one in fixed.values()}
    seen = _without(readings, {name for name in bare - known if not _is_plain(raw, name, jet)})
    pressure = _pressure(seen, bare, told)
    strokes = _strokes(seen, pressure, told)
    if strokes is not None and "stroke_count" not in fixed:
        _refuse_clock(seen, strokes)
    if strokes is not None and "rate" not in told.column:
        rate = _as_counted(readings, sorted(bare - known), pressure, strokes)
        if rate is not None:
            scales[rate.column] = rate.scale
            seen = _with_column(seen, _scaled(readings, rate), rate.column)
    roles = roles_beside(seen, pressure, told)
    channels = {role.channel for role in roles}
    if not {"rate", "stroke_count"} & channels:
        _ask_rate(readings, bare - known, pressure, told)
    if strokes is not None and not {"rate", "stroke_count"} & {
        *told.column,
        *channels - {"stroke_count"},
    }:
        _ask_strokes(seen, strokes)
    shown = {
        fixed[each].column: f"the panel shows {text}"
        for channel, text in told.panel.items()
        for each in ((channel, "stroke_count") if channel == "rate" else (channel,))
        if each in fixed and raw_told.get(each) is None
    }
    return _with_columns(readings, seen), [
        role._replace(scale=scales.get(role.column, 1.0), why=shown.get(role.column, role.why))
        for role in roles
    ]


def _fixed(raw: Readings, told: Told) -> dict[str, Scaled]:
    """What a person has said of places, or what the panel shows, by channel."""
    fixed = {}
    for channel, column in told.column.items():
        if column != "none":
            scale, unit = split_scale(told.unit.get(channel) or raw.units.get(column, ""))
            fixed[channel] = Scaled(column, unit, scale)
    for channel, text in told.panel.items():
        if channel in told.column:
            continue
        shown = shown_on(channel, text)
        found = matching(raw, raw.values, shown)
        counters = _counters(raw, shown) if channel == "rate" else []
        if counters and "stroke_count" not in told.column:
            fixed["stroke_count"] = the_one(raw, counters, "stroke_count", shown)
        if found or not counters:
            fixed[channel] = the_one(raw, found, channel, shown)
    return fixed


def _without_place(raw: Readings, told: Told) -> dict[str, str]:
    """The units that were told without a place. Raises BadInput where one has a scale."""
    units = {name: unit for name, unit in told.unit.items() if name not in told.column}
    for channel, unit in units.items():
        if split_scale(unit)[0] != 1.0:
            raise BadInput(
                raw.path, f"--unit {channel}={unit}", "does not say of which number",
                f"name it, as in --is '{channel}=PLACE'",
            )  # fmt: skip
    return units


def _counters(raw: Readings, shown: Shown) -> list[Scaled]:
    """The counters that count as fast as the panel shows."""
    if shown.si != "Hz":
        return []
    return [
        Scaled(name, "", 1.0) for name, values in raw.values.items()
        if is_counter(values) and abs(rate_of_counts(raw, name) / shown.value - 1.0) < AS_COUNTED
    ]  # fmt: skip


def split_scale(text: str) -> tuple[float, str]:
    """Scale and unit of a text such as "0.1 bar"; the scale is 1 where none is stated."""
    match = SCALED.fullmatch(text.strip())
    return (float(match[1]), match[2]) if match else (1.0, text)


def _scaled(readings: Readings, one: Scaled) -> Readings:
    """The readings with one column in its unit; as they are where there is no such column."""
    if one.column not in readings.values:
        return readings
    units = {**readings.units, one.column: one.unit} if one.unit else readings.units
    values = {**readings.values, one.column: readings.values[one.column] * one.scale}
    return dataclasses.replace(readings, values=values, units=units)


def _without(readings: Readings, names: set[str]) -> Readings:
    rest = {name: values for name, values in readings.values.items() if name not in names}
    return dataclasses.replace(readings, values=rest)


def _with_column(readings: Readings, other: Readings, name: str) -> Readings:
    values = {**readings.values, name: other.values[name]}
    return dataclasses.replace(readings, values=values, units=other.units)


def _with_columns(readings: Readings, changed: Readings) -> Readings:
    """All of the readings, with those that were `changed` in between."""
    values = {**readings.values, **changed.values}
    return dataclasses.replace(readings, values=values, units={**readings.units, **changed.units})


def _is_plain(raw: Readings, name: str, jet: Floats) -> bool:
    """Whether a number without a unit has no scale either: it counts, or is on and off.

    What does not follow the jet, where that is known, is neither strokes nor a valve.
    """
    values = raw.values[name]
    known = values[np.isfinite(values)]
    plain = is_counter(values) or (len(known) > 0 and set(np.unique(known)) <= {0.0, 1.0, 2.0})
    return plain and follows(values, jet) is not False


def _pressure(seen: Readings, bare: frozenset[str], told: Told) -> Role:
    """The water's pressure. Raises Question, also for what the panel shows."""
    try:
        return find_pressure(seen, told)
    except Question:
        if "pressure" in told.column or not bare or _has_candidates(seen, bare):
            raise
        raise PanelQuestion(
            seen.path, "pressure", "only the panel can tell which of the numbers it is: they have "
            "neither unit nor scale", pressure_example(),
        ) from None  # fmt: skip


def _has_candidates(seen: Readings, bare: frozenset[str]) -> bool:
    """Whether several numbers with a unit could be the pressure: then one has to be named."""
    return any(
        is_alive(values) and not is_counter(values) and has_word(name, WORDS["pressure"])
        for name, values in seen.values.items() if name not in bare
    )  # fmt: skip


def _refuse_clock(readings: Readings, strokes: Role) -> None:
    """Raise Question where a counter counts as seconds or tenths of a minute would."""
    values = readings.values[strokes.column]
    rises = readings.seconds[np.diff(values, prepend=values[0]) > 0]
    a_minute = 60.0 / float(np.median(np.diff(rises)))
    if any(abs(a_minute / each - 1.0) < LIKE_A_CLOCK for each in CLOCKS):
        raise Question(
            readings.path, strokes.column, f"counts {a_minute:.1f} a minute, as a clock does; it "
            "may be jet time and not strokes", "--is",
            [f"stroke_count={strokes.column}", "stroke_count=none"],
        )  # fmt: skip


def _strokes(seen: Readings, pressure: Role, told: Told) -> Role | None:
    """The counter of strokes. Raises Question, for what the panel shows if that may tell it."""
    try:
        return find_strokes(seen, pressure, told)
    except Question as question:
        if "rate" in {*told.panel, *told.column} or question.option != "--is":
            raise
        raise PanelQuestion(
            seen.path, "rate", f"several numbers count like strokes, and the panel can tell which; "
            f"if it shows none, {question.right.removeprefix('say which: ')}", "24 strokes/min",
        ) from None  # fmt: skip


def _ask_strokes(readings: Readings, strokes: Role) -> None:
    """Raise Question where neither a name nor a rate beside it says that a counter has strokes."""
    if not has_word(strokes.column, WORDS["stroke_count"]):
        a_minute = 60.0 * rate_of_counts(readings, strokes.column)
        raise PanelQuestion(
            readings.path, "rate", f"{strokes.column} counts {a_minute:.1f} a minute, and only the "
            f"panel can tell whether that is strokes; if it shows none, --is "
            f"'stroke_count={strokes.column}'", "24 strokes/min",
        )  # fmt: skip


def _as_counted(
    readings: Readings, names: Sequence[str], pressure: Role, strokes: Role
) -> Scaled | None:
    """The number without a unit that is the counter's rate, at the scale that makes it so.

    None where several could be: the counter is enough.
    """
    water = in_si(readings.values[pressure.column], pressure.unit, "Pa")
    shown = Shown(rate_of_counts(readings, strokes.column), "strokes/min", "Hz", "as counted")
    candidates = [name for name in names if falls_off(readings.values[name])
                  and not tracks(readings.values[name], water)
                  and scatter_of_area(water, readings.values[name]) <= FIT]  # fmt: skip
    found = [
        each for each in matching(readings, candidates, shown, AS_COUNTED)
        if each.unit == shown.unit
    ]  # fmt: skip
    return found[0] if len(found) == 1 else None


def _ask_rate(readings: Readings, names: frozenset[str], pressure: Role, told: Told) -> None:
    """Raise Question where a number without a unit may be the strokes, the speed or the flow."""
    if "rate" in told.column:
        return
    water = in_si(readings.values[pressure.column], pressure.unit, "Pa")
    may_be = [
        name for name in sorted(names)
        if moves(readings.values[name]) and not tracks(readings.values[name], water)
    ]  # fmt: skip
    if may_be:
        raise PanelQuestion(
            readings.path, "rate", "only the panel can tell whether one of these is strokes, speed "
            f"or flow: {', '.join(may_be)}; --is rate=none if it shows none", "24 strokes/min",
        )  # fmt: skip


# -- the section


def source_figures(heard: Heard) -> list[tuple[str, Any]]:
    """What [source] says besides its channels."""
    figures = list(heard.section.items())
    pressure = _place(heard, heard.roles[0])
    if "metric" in pressure:
        others = [each for each in figures if each[0] not in ("kind", "topic")]
        where = [(name, pressure[name]) for name in ("group", "node", "device") if pressure[name]]
        return [("kind", "sparkplug b"), *others, *where]
    if heard.section["kind"] == "mqtt":
        topic = str(pressure["topic"])
        figures = [(name, topic if name == "topic" else value) for name, value in figures]
        if timed := heard.times.get(topic):
            figures.append(("time", timed))
    return figures


def point_of(heard: Heard, role: Role) -> dict[str, Any]:
    """What [source.CHANNEL] says of where the channel is read."""
    place = dict(_place(heard, role))
    pressure = _place(heard, heard.roles[0])
    if "metric" in place:
        for name in ("group", "node"):
            if place.pop(name) != pressure.get(name):
                raise BadInput(
                    heard.address, role.column, "is of another edge node than the pressure",
                    "give the node's topics: mqtt://HOST/spBv1.0/GROUP/+/NODE/#",
                )  # fmt: skip
        if place["device"] == pressure["device"]:
            place.pop("device")
    if place.get("topic") == pressure.get("topic"):
        place.pop("topic", None)
    if role.channel != "stroke_count":
        place.pop("bits", None)
    return place


def _place(heard: Heard, role: Role) -> Mapping[str, Any]:
    return heard.places[role.column].settings
