"""A count by hand as people write it: one text a field, from options or from the page's form."""

from __future__ import annotations

import datetime as dt
import re
import sqlite3
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, NamedTuple

from pydantic_core import PydanticCustomError

from borewarden.base.errors import BadInput
from borewarden.base.text import known_name
from borewarden.base.times import local_ns
from borewarden.base.units import PER_MINUTE, Unit
from borewarden.counts.count import HandCount
from borewarden.counts.estimate import HIGHEST_PRESSURE, water_pressure
from borewarden.counts.plate import Plate, plate_of
from borewarden.counts.series import Judged, judge
from borewarden.diagnose.causes import DIRECT_DRIVE, INTENSIFIER
from borewarden.jewels.fitting import FittedSet, Fitting, fitted_sets
from borewarden.physics.orifice import DISCHARGE_COEFFICIENTS
from borewarden.settings.machine import MachineSettings
from borewarden.store.counts import hand_counts, record_count

LONGEST_TEXT = 200  # characters
LOWEST_PRESSURE = 1e7  # Pa
FEWEST_STROKES, SHORTEST = 3.0, 2.0  # s
DAY = 86_400.0  # s
BYPASSES = ("none", "speed", "bypass")


class Field(NamedTuple):
    """One field of the form: what people call it, how its text is read, and what is an example."""

    label: str
    unit: Unit | None
    example: str


_PRESSURE = Unit("Pa", LOWEST_PRESSURE, HIGHEST_PRESSURE, '"55,000 psi" or "380 MPa"')
_OIL = Unit("Pa", 5e5, 6e7, '"2,750 psi" or "190 bar"')
_DIAL = Unit("Pa", 1e5, 1.5e9, '"80,000 psi" or "6000 bar"')
_COUNT = Unit("", 0.0, 1e5, "30")
_TIME = Unit("s", 0.0, DAY, '72, "72 s" or "1:12"')

COUNTED = {
    "pressure": Field("Water pressure, by the gauge", _PRESSURE, "55,000 psi"),
    "oil_pressure": Field("or oil pressure, where there is no water gauge", _OIL, "2,750 psi"),
    "strokes": Field("Strokes counted, jet on", _COUNT, "60"),
    "seconds": Field("in seconds", _TIME, "158 or 2:38"),
    "speed": Field(
        "or crank speed, of a crank pump", Unit("Hz", 0.1, 100.0, '"305 rpm"'), "305 rpm"
    ),
    "idle_strokes": Field("Strokes counted dead-headed (jet off)", _COUNT, "2"),
    "idle_seconds": Field("in seconds", _TIME, "120 or 2:00"),
    "temperature": Field(
        "Water temperature", Unit("K", 278.0, 333.0, '"20 degC" or "68 F"'), "68 F"
    ),
    "gauge_class": Field("Class of the gauge (EN 837-1)", Unit("", 0.01, 10.0, "1.6"), "1.6"),
    "full_scale": Field("Full scale of the gauge", _DIAL, "80,000 psi"),
    "division": Field("Smallest division of its dial", Unit("Pa", 1e2, 1e8, '"1000 psi"'),
                      "1000 psi"),
}  # fmt: skip
PLATE = {
    "plunger": Field(
        "Plunger diameter", Unit("m", 3e-3, 0.1, '"7/8 in" or "22 mm"'), "7/8 in"
    ),
    "stroke": Field("Stroke, one way", Unit("m", 5e-3, 2.0, '"7.5 in" or "200 mm"'), "7.5 in"),
    "plungers": Field("Plungers, of a crank pump", Unit("", 1.0, 12.0, "3"), "3"),
    "dead_volume": Field(
        "Dead volume of one chamber", Unit("m^3", 0.0, 1e-3, '"8 cm^3" or "0.5 in^3"'), "0.5 in^3"
    ),
    "efficiency": Field("Volumetric efficiency", Unit("", 0.3, 1.0, '"97 %"'), "97 %"),
    "ratio": Field("Intensification ratio", Unit("", 2.0, 100.0, "20"), "20"),
    "rated_pressure": Field(
        "Rated pressure", Unit("Pa", 5e7, 1.2e9, '"60,000 psi" or "400 MPa"'), "60,000 psi"
    ),
    "max_rate": Field(
        "Most strokes, or rated crank speed", Unit("Hz", 0.01, 100.0, '"60 spm" or "305 rpm"'),
        "60 spm",
    ),
}  # fmt: skip
BORE = Field("Fitted bore", Unit("m", 5e-5, 1e-3, '"0.010 in", "10 thou" or "0.25 mm"'), "10 thou")
FIELDS = COUNTED | PLATE | {"bore": BORE}
WORDS = ("name", "kind", "regulation", "material", "new_jewel", "at", "by", "note")
_OF_PLATE = {"plunger": "plunger_diameter"}
_CHOICES = {"kind": (INTENSIFIER, DIRECT_DRIVE), "regulation": BYPASSES}
_ADVICE = "pump by its machine file, or by name with kind, plunger and stroke"


@dataclass(frozen=True)
class Known:
    """What is known of a machine before the form is read.

    `plate` and `jewels` are those of its machine file and register, None where it has none; `last`
    is its last count, and `others` are the pumps that were counted under another name.
    """

    name: str
    time_zone: str = "UTC"
    plate: Plate | None = None
    jewels: Sequence[FittedSet] = ()
    limit: float = HandCount.limit
    last: HandCount | None = None
    others: tuple[str, ...] = ()


def known_by_file(settings: MachineSettings, register: Iterable[Fitting] = ()) -> Known:
    """What a machine file and the register say."""
    return Known(
        settings.name,
        settings.time_zone,
        plate_of(settings.build_pump()),
        fitted_sets(settings.jewels(register)),
        settings.watch_settings().limit,
    )


def read_count(
    texts: Mapping[str, str], known: Known, now_ns: int, option: Callable[[str], str]
) -> HandCount:
    """The count that `texts` hold, by field; empty texts are not given.

    What is not given is taken from the machine file, then from the last count of the machine.
    `option` names a field in a message. Raises BadInput.
    """

    def refuse(name: str, wrong: str, right: str) -> BadInput:
        return BadInput("the count", option(name), wrong, right)

    given = {name: text.strip() for name, text in texts.items() if text and text.strip()}
    values = {name: _value(name, text, refuse) for name, text in given.items() if name in FIELDS}
    time_ns = _time_ns(given.get("at", ""), known, now_ns, refuse)
    plate = _plate(given, values, known, refuse)
    rate = _rate(values, plate, refuse) | _idle(values, plate, refuse)
    if "pressure" in values and "oil_pressure" in values:
        raise refuse("oil_pressure", "both water and oil pressure", "give one of them")
    on_oil = "oil_pressure" in values
    if not on_oil and "pressure" not in values:
        raise refuse("pressure", "is missing", f"give it, such as {_PRESSURE.examples}")
    if on_oil and not plate.is_intensifier:
        raise refuse("oil_pressure", "a crank pump has no oil side", "give the water's pressure")
    gauge = _gauge(values, known.last, on_oil)
    bores, materials, jewel_ns = _jewels(given, values, known, time_ns, refuse)
    count = HandCount(
        machine=known.name,
        time_ns=time_ns,
        plate=plate,
        bores=bores,
        materials=materials,
        pressure=values["oil_pressure" if on_oil else "pressure"],
        on_oil=on_oil,
        **rate,
        **gauge,
        temperature=values.get("temperature"),
        limit=known.limit,
        jewel_ns=jewel_ns,
        by=_line(given, "by", refuse),
        note=_line(given, "note", refuse),
    )
    _check(count, given, refuse)
    return count


def keep_count(
    connection: sqlite3.Connection,
    texts: Mapping[str, str],
    known: Known,
    now_ns: int,
    option: Callable[[str], str],
) -> tuple[Judged, int]:
    """Read, judge and record a count, in the caller's transaction; returns its number too.

    The same count sent twice, perhaps by a page loaded again, is kept once. Raises BadInput,
    see `read_count`.
    """
    stored = hand_counts(connection)
    held = {number: each for number, each in stored.items() if each.machine == known.name}
    earlier = list(held.values())
    others = tuple(sorted({each.machine for each in stored.values()} - {known.name}))
    known = replace(known, last=earlier[-1] if earlier else None, others=others)
    count = read_count(texts, known, now_ns, option)
    for number, each in held.items():
        if _is_sent_again(count, each):
            before = [other for other in earlier if other.time_ns <= each.time_ns and other != each]
            return judge(each, before), number
    judged = judge(count, [each for each in earlier if each.time_ns <= count.time_ns])
    return judged, record_count(connection, count, count.by)


def _is_sent_again(count: HandCount, earlier: HandCount) -> bool:
    """Whether it is `earlier` once more: nobody counts as much again in less time than it took."""
    took_ns = round((count.seconds or SHORTEST) * 1e9)
    same = replace(count, time_ns=earlier.time_ns, jewel_ns=earlier.jewel_ns)
    return same == earlier and abs(count.time_ns - earlier.time_ns) < took_ns


Refuse = Callable[[str, str, str], BadInput]


def _value(name: str, text: str, refuse: Refuse) -> float:
    unit = FIELDS[name].unit
    assert unit is not None
    if unit is _TIME:
        clock = re.fullmatch(r"(\d{1,3}):([0-5]\d(?:[.,]\d+)?)", text)
        if clock:
            return 60.0 * float(clock[1]) + float(clock[2].replace(",", "."))
        if re.fullmatch(r"[\d.,]+", text):
            text = f"{text} s"
    try:
        return unit(text)
    except PydanticCustomError as error:
        context = error.context or {}
        raise refuse(name, context["wrong"], context["right"]) from None


def _line(given: Mapping[str, str], name: str, refuse: Refuse) -> str:
    text = given.get(name, "")
    if len(text) > LONGEST_TEXT or not text.isprintable():
        raise refuse(name, "is not a line of text", f"give {LONGEST_TEXT} characters at most")
    return text


def _time_ns(text: str, known: Known, now_ns: int, refuse: Refuse) -> int:
    if not text:
        return now_ns
    right = f"give one such as 2026-03-04T10:17, local in {known.time_zone}"
    try:
        time = dt.datetime.fromisoformat(text)
    except ValueError:
        raise refuse("at", f"{text!r} is not a time", _meant_time(text) or right) from None
    try:
        time_ns = local_ns(time, known.time_zone)
    except (ValueError, OverflowError) as error:
        raise refuse("at", str(error), right) from None
    if time_ns > now_ns + int(DAY) * 10**9:
        raise refuse("at", f"{text!r} has not come yet", "give when it was counted")
    return time_ns


def _meant_time(text: str) -> str:
    """A question back for a date written as 24.11.2026; empty for any other text."""
    parts = re.fullmatch(r"(\d{1,2})\.(\d{1,2})\.(\d{4})(?:[ T,]+(\d{1,2}):(\d\d))?", text)
    if parts is None:
        return ""
    day, month, year, hour, minute = (int(part or 0) for part in parts.groups())
    try:
        time = dt.datetime(year, month, day, hour, minute)
    except ValueError:
        return ""
    return f"did you mean {time:%Y-%m-%dT%H:%M}?"


def _plate(
    given: Mapping[str, str], values: Mapping[str, float], known: Known, refuse: Refuse
) -> Plate:
    """The machine file's plate, or that of the last count, with what is given now on top."""
    stated = _stated(given, values, refuse)
    if known.plate:
        for name in given:
            if name in PLATE or name in _CHOICES:
                raise refuse(name, "is in the machine file", "leave it out, or change the file")
        return known.plate
    if known.last is not None and stated.get("kind") in (None, known.last.plate.kind):
        return replace(known.last.plate, **stated)
    if not stated and known.others:
        names = ", ".join(known.others)
        raise refuse(
            "name",
            f"unknown pump {known.name!r}; known: {names}",
            f"give one of them, or name a new {_ADVICE}",
        )
    for name in ("kind", "plunger", "stroke"):
        if _OF_PLATE.get(name, name) not in stated:
            raise refuse(name, "is missing", f"name the {_ADVICE}")
    if stated["kind"] == DIRECT_DRIVE and "plungers" not in stated:
        raise refuse("plungers", "is missing", "give how many plungers the crank drives, such as 3")
    return Plate(**stated)


def _stated(
    given: Mapping[str, str], values: Mapping[str, float], refuse: Refuse
) -> dict[str, Any]:
    """What was given of the plate, by field of `Plate`."""
    stated: dict[str, Any] = {
        _OF_PLATE.get(name, name): values[name] for name in PLATE if name in values
    }
    if "plungers" in stated:
        if stated["plungers"] % 1.0:
            raise refuse("plungers", f"{given['plungers']!r} is not a whole number", "give 3")
        stated["plungers"] = int(stated["plungers"])
    for name, choices in _CHOICES.items():
        if name not in given:
            continue
        stated[name] = known_name(given[name], choices)
        if stated[name] is None:
            raise refuse(name, f"{given[name]!r} is not known", f"give {' or '.join(choices)}")
    return stated


def _rate(values: Mapping[str, float], plate: Plate, refuse: Refuse) -> dict[str, float | None]:
    """Strokes and seconds with the jet on, or a crank speed."""
    found: dict[str, float | None] = {}
    if "speed" in values:
        if plate.is_intensifier:
            raise refuse("speed", "an intensifier has no crank", "count its strokes")
        if "strokes" in values:
            raise refuse("speed", "both strokes and a speed", "give one of them")
        found["speed"] = values["speed"]
    elif "strokes" not in values and plate.floats and plate.max_rate:
        found["speed"] = plate.max_rate  # nothing trims it
    else:
        what = "turns of the crank, or its speed" if not plate.is_intensifier else "strokes"
        for name in ("strokes", "seconds"):
            if name not in values:
                raise refuse(name, "is missing", f"give the {what}, and the seconds they took")
        for name, least in (("strokes", FEWEST_STROKES), ("seconds", SHORTEST)):
            if values[name] < least:
                raise refuse(name, f"{values[name]:g} is too few", f"count {least:g} at least")
        found |= {"strokes": values["strokes"], "seconds": values["seconds"]}
    return found


def _idle(values: Mapping[str, float], plate: Plate, refuse: Refuse) -> dict[str, float | None]:
    """Strokes and seconds of a dead-headed count; nothing where there was none."""
    idle = [name for name in ("idle_strokes", "idle_seconds") if name in values]
    if idle and not plate.is_intensifier:
        raise refuse(idle[0], "only an intensifier is dead-headed", "leave it out")
    if len(idle) == 1:
        missing = {"idle_strokes": "idle_seconds", "idle_seconds": "idle_strokes"}[idle[0]]
        raise refuse(missing, "is missing", "give both, or neither")
    if idle and values["idle_seconds"] < SHORTEST:
        raise refuse("idle_seconds", "too short", "hold the pressure for two minutes")
    return {name: values[name] for name in idle}


def _gauge(
    values: Mapping[str, float], last: HandCount | None, on_oil: bool
) -> dict[str, float | None]:
    """What is known of the gauge; as last time if it is on the same side."""
    names = ("gauge_class", "full_scale", "division")
    before = last if last is not None and last.on_oil == on_oil else None
    return {name: values.get(name, getattr(before, name, None)) for name in names}


def _jewels(
    given: Mapping[str, str],
    values: Mapping[str, float],
    known: Known,
    time_ns: int,
    refuse: Refuse,
) -> tuple[tuple[float, ...], tuple[str, ...], int]:
    """Bores, materials and when fitted: as given, else by file and register, else as last time."""
    stated = given.get("material", "")
    material = known_name(stated, DISCHARGE_COEFFICIENTS)
    if stated and material is None:
        right = f"give {', '.join(DISCHARGE_COEFFICIENTS)}"
        raise refuse("material", f"{stated!r} is not a known material", right)
    last = known.last
    is_new = given.get("new_jewel", "") in ("yes", "on", "true")
    if known.jewels and "bore" not in values:
        there = [each for each in known.jewels if each.since_ns <= time_ns] or known.jewels[:1]
        jewels = there[-1].jewels
        bores = tuple(jewel.bore for jewel in jewels)
        return bores, tuple(jewel.material for jewel in jewels), there[-1].since_ns
    if "bore" not in values and last is None:
        raise refuse("bore", "is missing", "give the bore of the fitted jewel, such as 0.010 in")
    bores = (values["bore"],) if "bore" in values else last.bores if last else ()
    materials = last.materials if last and len(last.materials) == len(bores) else ("ruby",)
    if material:
        materials = (material,) * len(bores)
    same = last is not None and (last.bores, last.materials) == (bores, materials)
    if same and not is_new:
        assert last is not None
        return bores, materials, last.jewel_ns
    return bores, materials, time_ns if last is not None else 0


def _meant_clock(text: str) -> str:
    """A question back for 2.38 written for 2:38; empty for any other text."""
    parts = re.fullmatch(r"(\d{1,3})[.,]([0-5]\d)(?: *s)?", text)
    return f"did you mean {parts[1]}:{parts[2]}? " if parts else ""


def _check_rates(count: HandCount, given: Mapping[str, str], refuse: Refuse) -> None:
    """Raise BadInput for rates that the pump can't make."""
    plate = count.plate
    for name in ("strokes", "idle_strokes"):
        strokes = getattr(count, name)
        if strokes is not None and strokes % 1.0:
            raise refuse(name, f"{strokes:g} is not a whole number", "count whole strokes")
    if count.rate > plate.highest_rate:
        each = "strokes" if plate.is_intensifier else "turns"
        most = (
            f"the plate says {plate.max_rate / PER_MINUTE:,.0f}"
            if plate.max_rate
            else f"no pump of this kind makes more than {plate.highest_rate / PER_MINUTE:,.0f}"
        )
        raise refuse(
            "speed" if count.speed is not None else "seconds",
            f"that makes {count.rate / PER_MINUTE:,.0f} {each}/min, and {most}",
            f"{_meant_clock(given.get('seconds', ''))}check the count, its time and its unit",
        )
    if count.idle_rate is not None and count.idle_rate >= count.rate:
        raise refuse(
            "idle_strokes",
            "dead-headed, it strokes as fast as with the jet on",
            f"{_meant_clock(given.get('idle_seconds', ''))}was the jet off? then the pump is "
            "leaking badly: don't run it, and have it looked at",
        )


def _check(count: HandCount, given: Mapping[str, str], refuse: Refuse) -> None:
    """Raise BadInput for figures that can't go together."""
    _check_rates(count, given, refuse)
    pressure, rated = water_pressure(count), count.plate.rated_pressure
    name = "oil_pressure" if count.on_oil else "pressure"
    if rated and pressure > 1.3 * rated:
        raise refuse(
            name,
            f"the water would be at {pressure / rated:.2g} times the rated pressure",
            "is the unit right? give what the gauge shows",
        )
    if not LOWEST_PRESSURE <= pressure < HIGHEST_PRESSURE:
        raise refuse(name, "the water's pressure would be out of range", "is the unit right?")
    if count.full_scale and count.full_scale < count.pressure:
        raise refuse("full_scale", "the gauge reads more than that", "give the end of its dial")
