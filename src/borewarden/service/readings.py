"""Whether what a machine's channels said for some seconds can be right for this pump.

A look at a glance, before the watch begins: it goes by the pump's plate, and by what pressure and
strokes say of each other. The figures in here are invented by this project.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from typing import Any, Literal, NamedTuple

import numpy as np

from borewarden.base.plain_errors import plain_channel
from borewarden.base.samples import Channel, Floats, Samples, channels_of
from borewarden.base.shown import chosen, shown
from borewarden.base.units import conversion
from borewarden.collect.live import Source
from borewarden.collect.modbus import ModbusSource, Register, decode, encode
from borewarden.collect.mqtt import MqttSource
from borewarden.collect.opcua import OpcUaSource
from borewarden.collect.sparkplug import SparkplugSource
from borewarden.gate.gate import GateSettings
from borewarden.physics.pump import Intensifier, Pump, event_rate
from borewarden.settings import MachineSettings

Answer = Literal["yes", "NO", "no", "not proven"]  # "no" of what the watch can do without

BELOW_ZERO = -0.02  # of the rated pressure: a transducer's zero may be off so much
ABOVE_RATED = 1.1  # of the rated pressure: its relief valve opens before
ABSURD = 1e9  # in a unit that people read: too long to be written out
TINY = 1.0  # Pa; no transducer shows less but not nought
OVERSPEED = 1.1  # of the highest rate
MOST_COUNTS = 1.5  # of the highest rate, and
COUNT_SLACK = 2.0  # counts more
TOO_FAST = 2.5  # times the strokes that the stated bore takes at that pressure, but
LEAST_STROKES = 1.0  # at least
ENOUGH_STROKES = 3.0  # that show that a counter counts
STROKES = 2.0  # that have to move a pressure, or that an open valve has to bring
FROZEN_ROWS = 5  # that are all the same before a pressure is said not to move
WHILE_CUT = "while the pump cuts"
PRESSURE_UNITS = ("bar", "MPa", "psi", "kpsi")
LOWEST = 0.2  # of the rated pressure, that people cut at
COARSE = (1e6, 100 * 6894.757293)  # Pa, a gauge of 10 bar or of 100 psi, to
EXACT = 1e-6  # of a step
TOO_SLOW = 6.0  # times fewer strokes than the stated bore takes: shows no jet
MISSING = 0.5  # of the readings, and the channel can't be used

UNITS = {  # that people read: factor from SI, offset, decimals, unit
    "pressure": (1e-6, 0.0, 1, "MPa"),
    "oil_pressure": (1e-6, 0.0, 1, "MPa"),
    "boost_pressure": (1e-5, 0.0, 1, "bar"),
    "rate": (60.0, 0.0, 1, "/min"),
    "motor_speed": (60.0, 0.0, 0, "/min"),
    "motor_torque": (100.0, 0.0, 0, "%"),
    "left_stroke_time": (1.0, 0.0, 2, "s"),
    "right_stroke_time": (1.0, 0.0, 2, "s"),
    "temperature": (1.0, -273.15, 1, "°C"),
    "weep_temperature": (1.0, -273.15, 1, "°C"),
    "bypass_temperature": (1.0, -273.15, 1, "°C"),
    "check_valve_temperature": (1.0, -273.15, 1, "°C"),
}


QUANTITIES = {  # of the channels whose unit a shop may choose
    name: "pressure" if "pressure" in name else "temperature"
    for name in UNITS
    if name.endswith(("pressure", "temperature"))
}


class Finding(NamedTuple):
    """What there is to be said of one channel."""

    answer: Answer
    words: str


@dataclass(frozen=True)
class _Seen:
    """A machine, and the readings of it; `places` says where each channel is read."""

    pump: Pump
    gate: GateSettings
    places: Mapping[str, Any]
    rows: Samples

    @property
    def seconds(self) -> float:
        return float(self.rows.time_ns[-1] - self.rows.time_ns[0]) * 1e-9

    @property
    def pressure(self) -> Floats:
        """The lowest and the highest, Pa; NaN if there is none."""
        known = _finite(self.rows.pressure)
        return np.array([known.min(), known.max()]) if len(known) else np.full(2, np.nan)

    @property
    def is_at_rest(self) -> bool:
        return bool(self.pressure[1] < self.gate.stopped_pressure)

    @property
    def works(self) -> bool:
        """Whether the working pressure was reached."""
        return bool(self.pressure[1] >= self.gate.working_pressure)

    @property
    def strokes(self) -> float:
        """How many strokes or turns there were, by what is read."""
        if self.gate.uses_counter:
            counts = _finite(self.rows.stroke_count)
            return float(np.ptp(counts)) if len(counts) else 0.0
        return self.strokes_by_rate

    @property
    def strokes_by_rate(self) -> float:
        """How many there were by the rate, if it is read."""
        rates = _finite(self.rows.rate) if "rate" in self.places else np.empty(0)
        return float(np.median(rates)) * self.seconds if len(rates) else 0.0

    @property
    def expected_rates(self) -> Floats:
        """Strokes that the stated bore takes at the lowest and highest pressure, jet on, Hz."""
        pressures = np.clip(self.pressure, 0.0, ABOVE_RATED * self.pump.rated_pressure)
        gate = self.gate
        return np.asarray(
            event_rate(
                self.pump.displacement, gate.nominal_area, pressures, gate.default_temperature
            )
        )

    @property
    def is_too_fast(self) -> bool:
        """Whether an intensifier makes more strokes than any jet takes at this pressure."""
        # the first count may have come right after the first reading
        least = self.strokes - 1.0 if self.gate.uses_counter else self.strokes
        most = TOO_FAST * float(self.expected_rates[1]) * self.seconds
        return self.gate.flow_shows_jet and least >= LEAST_STROKES and least > most


def needed_channels(machine: MachineSettings) -> set[str]:
    """What the watch of this machine can't do without, of what its [source] reads."""
    source = machine.source
    needed = {"pressure"}
    if source is not None and source.stroke_count:
        return needed | {"stroke_count"}
    return needed | {"rate"} if source is not None and source.rate else needed


def judge(
    machine: MachineSettings, source: Source, rows: Samples, wrong: Mapping[str, str]
) -> dict[str, Finding]:
    """A finding for each channel of `source`, whose last readings are `rows`, one or more.

    `wrong` is what the collector says of single channels.
    """
    seen = _Seen(machine.build_pump(), machine.gate_settings(), _places(source), rows)
    needed = needed_channels(machine)
    # what the watch will take for unusable at once
    unusable = machine.build_sight().learn_many(rows, seen.gate.nominal_area).faults
    findings = {}
    for name in seen.places:
        with np.errstate(all="ignore"):  # in a wrong order, anything comes
            finding = _finding(seen, name, wrong.get(name, ""))
        if name in unusable and finding.answer != "NO":
            finding = Finding("NO", f"{finding.words}: {unusable[name]}")
        if finding.answer == "NO" and name not in needed:
            finding = Finding("no", finding.words)
        findings[name] = finding
    return findings


def _places(source: Source) -> Mapping[str, Any]:
    """Register, node, field or metric of each channel."""
    match source:
        case ModbusSource():
            return source.registers
        case OpcUaSource():
            return source.nodes
        case MqttSource():
            return source.fields
        case SparkplugSource():
            return source.metrics


def _finding(seen: _Seen, name: str, wrong: str) -> Finding:
    channel: Channel = seen.places[name].channel
    values: Floats = channels_of(seen.rows, seen.places)[name]
    known = _finite(values)
    if not len(known):
        reason = plain_channel(wrong) if wrong else _nothing(name)
        return Finding("NO", f"{channel.column}: {reason}")
    place = f"{channel.column}, in {channel.unit}" if name in UNITS else channel.column
    words = f"{_in_words(name, known)} ({place})"
    misfit = _misfit(seen, name, values)
    if misfit:
        return Finding("NO", f"{words}: {misfit}{_hint(seen, name, values)}")
    missing = 1.0 - len(known) / len(values)
    if missing > MISSING or not np.isfinite(values[-1]):
        reason = plain_channel(wrong) if wrong else "the others are not numbers"
        return Finding("NO", f"{words}, in {len(known)} of {len(values)} readings: {reason}")
    finding = _shown(seen, name, known)
    if missing > 0.0 and finding.answer != "NO":
        return Finding("not proven", f"{words}, in {len(known)} of {len(values)} readings only")
    return Finding(finding.answer, f"{words}{finding.words}")


def _finite(values: Floats) -> Floats:
    return values[np.isfinite(values)]


def _nothing(name: str) -> str:
    if name.endswith("temperature"):
        return "not a number, or none that can be a temperature there; check unit, scale and offset"
    return "not a number; check the place, and look what the source shows there"


# -- what can't be


def _misfit(seen: _Seen, name: str, values: Floats) -> str:
    """Why the readings can't be right; empty if they can."""
    known = _finite(values)
    channel: Channel = seen.places[name].channel
    low, high = float(known.min()), float(known.max())
    rated, most = seen.pump.rated_pressure, seen.pump.max_rate
    match name:
        case "pressure":
            tiny = known[(known != 0.0) & (np.abs(known) < TINY)]
            if len(tiny):
                return f"really {tiny[0]:.2g} Pa, which is no pressure; check word and byte order"
            if low < BELOW_ZERO * rated:
                return "it is far below zero; check unit, scale, type and byte order"
            if high > ABOVE_RATED * rated:
                return (
                    f"the plate says {_in_words(name, np.array([rated]))}; check unit, scale, type "
                    "and word order"
                )
        case "rate":
            if low < 0.0 or high > channel.high or np.median(known) > OVERSPEED * most:
                return (
                    f"the plate says {_in_words(name, np.array([most]))} at most; check unit, "
                    "scale and strokes_per_count"
                )
        case "stroke_count":
            return _miscount(seen, values)
        case _:
            if low < channel.low or high > channel.high:
                return "that can't be; check unit, scale, type and the place itself"
    return ""


def _miscount(seen: _Seen, counts: Floats) -> str:
    known = np.isfinite(counts)
    steps = np.diff(counts[known])
    seconds = np.diff(seen.rows.time_ns[known]) * 1e-9
    unit = seen.places["stroke_count"].channel.scale
    if (steps < 0.0).any():
        return "it counts backwards; check type, word and byte order, and the place itself"
    if (steps > MOST_COUNTS * seen.pump.max_rate * seconds + COUNT_SLACK * unit).any():
        return (
            f"it jumps by up to {steps.max():.0f}, which no pump of this plate does; check word "
            "and byte order, type and strokes_per_count"
        )
    raw = counts[known] / unit
    if raw[0] > 0.0 and not (np.round(raw) % 65536).any():
        return "a multiple of 65536; check word_order"
    return ""


def _hint(seen: _Seen, name: str, values: Floats) -> str:
    """Which setting would make the readings right, if one would."""
    register = seen.places[name]
    if name == "pressure" and (unit := _other_unit(seen, values)):
        return unit
    if not isinstance(register, Register) or register.kind == "bit":
        return ""
    channel = register.channel
    known = np.isfinite(values)
    raw = (values[known] - channel.offset) / channel.scale
    words = [encode(register, value) for value in raw.tolist()]
    for setting, other in _others(register):
        read = np.full_like(values, np.nan)
        read[known] = [decode(other, each) for each in words]
        read = read * channel.scale + channel.offset
        sound = np.isfinite(read).sum() == known.sum()
        if sound and np.nanmax(np.abs(read)) >= TINY and not _misfit(seen, name, read):
            return f"; with {setting} it would be {_in_words(name, _finite(read))}"
    return ""


def _other_unit(seen: _Seen, values: Floats) -> str:
    """The one unit in which the readings would be a working pressure, if there is one."""
    channel: Channel = seen.places["pressure"].channel
    rated = seen.pump.rated_pressure
    fits = []
    for unit in PRESSURE_UNITS:
        factor = conversion(unit, "Pa")[0] / conversion(channel.unit, "Pa")[0]
        read = _finite(values) * factor
        if factor != 1.0 and rated * LOWEST <= read.min() and read.max() <= rated * ABOVE_RATED:
            fits.append(f'; with unit = "{unit}" it would be {_in_words("pressure", read)}')
    return fits[0] if len(fits) == 1 else ""


def _others(register: Register) -> Iterator[tuple[str, Register]]:
    """The same register read otherwise, and by which setting."""
    words: Literal["big", "little"] = "little" if register.words == "big" else "big"
    order: Literal["big", "little"] = "little" if register.order == "big" else "big"
    if register.count > 1:
        yield f'word_order = "{words}"', replace(register, words=words)
    yield f'byte_order = "{order}"', replace(register, order=order)
    if register.count > 1:
        both = replace(register, words=words, order=order)
        yield f'word_order = "{words}" and byte_order = "{order}"', both
    if "int" in register.kind:
        kind = register.kind[1:] if register.kind[0] == "u" else f"u{register.kind}"
        yield f'type = "{kind}"', replace(register, kind=kind)


# -- what was shown


def _shown(seen: _Seen, name: str, known: Floats) -> Finding:
    """What readings that can be right prove."""
    if name == "pressure":
        return _pressure_shown(seen, known)
    if name == "stroke_count":
        return _strokes_shown(seen, float(np.ptp(known)))
    if name == "rate" and not seen.gate.uses_counter:
        return _strokes_shown(seen, float(np.median(known)) * seen.seconds)
    return Finding("yes", "")


def _pressure_shown(seen: _Seen, known: Floats) -> Finding:
    strokes = seen.strokes
    flow = "stroke_count" if seen.gate.uses_counter else "rate"
    if seen.is_too_fast and _misfit(seen, flow, channels_of(seen.rows, seen.places)[flow]):
        channel = flow.replace("_", " ")
        return Finding(
            "not proven", f": the {channel} can't be right, so it shows nothing; mend that first"
        )
    if seen.is_too_fast:
        return Finding(
            "NO",
            f": too little for the {strokes:.0f} strokes meanwhile, if those are right; check "
            "unit, scale and place of both",
        )
    if strokes >= LEAST_STROKES and seen.gate.flow_shows_jet and not seen.works:
        return Finding(
            "not proven",
            f": below the working pressure, though the pump strokes{_other_unit(seen, known)}; "
            f"check unit and scale, or run this again {WHILE_CUT}",
        )
    if np.ptp(known) > 0.0 or len(known) == 1:
        return Finding("yes", "")
    # a crank pump's may well look steady, rounded to what a panel shows
    stroked = strokes >= STROKES and len(known) >= FROZEN_ROWS and seen.gate.flow_shows_jet
    if stroked and any(abs(known[0] / step - round(known[0] / step)) < EXACT for step in COARSE):
        return Finding(
            "not proven",
            f": it stood still to the last digit for {strokes:.0f} strokes, as a steady cut may on "
            "a gauge of such large steps, or the set point; run this again as the jet opens or "
            "closes",
        )
    if stroked:
        return Finding(
            "NO",
            f": it stood still to the last digit for {strokes:.0f} strokes; it may be the set "
            "point, or a value that nothing renews: give the place of the measured pressure",
        )
    hint = _hint(seen, "pressure", known) if seen.is_at_rest else ""
    return Finding(
        "not proven",
        f": it stood still to the last digit{hint}; run this again while the pump cuts",
    )


def _strokes_shown(seen: _Seen, strokes: float) -> Finding:
    """Of a counter or of a rate, which made so many strokes meanwhile."""
    slowest, fastest = seen.expected_rates * seen.seconds
    if seen.is_too_fast:
        return Finding(
            "NO",
            f": {strokes:.0f} in {seen.seconds:.0f} s, but the stated bore takes {fastest:.1f} at "
            f"{_in_words('pressure', seen.pressure)}; check strokes_per_count, bore, and the unit "
            "and scale of both channels",
        )
    enough = ENOUGH_STROKES if seen.gate.uses_counter else 0.0
    is_at_work = seen.works and seen.gate.flow_shows_jet
    if strokes > enough and is_at_work and strokes * TOO_SLOW < slowest:
        return Finding(
            "not proven",
            f": {strokes:.1f} in {seen.seconds:.0f} s, but the stated bore takes {slowest:.1f}; "
            f"right while the jet is off, or else check unit and scale: run this again {WHILE_CUT}",
        )
    by_rate = seen.strokes_by_rate
    if strokes == 0.0 and by_rate >= STROKES:
        return Finding(
            "NO", f": it stood still, though the rate says {by_rate:.1f} meanwhile; check the place"
        )
    if strokes > 0.0:
        return _moving(seen, strokes)
    if seen.is_at_rest:
        return Finding("yes", ": it stands still, as it does without pressure")
    is_open = (seen.rows.valve >= 1.0).all()
    if seen.gate.flow_shows_jet and is_open and slowest >= STROKES:
        return Finding("NO", ": it stood still although the valve was open; check the place")
    return Finding(
        "not proven",
        ": it stood still under pressure, which is right while the jet is off; run this again "
        "while the pump cuts",
    )


def _moving(seen: _Seen, strokes: float) -> Finding:
    """Of a counter that counted, or of a rate above zero."""
    if seen.gate.uses_counter:
        counted = f": it counts, {strokes:.0f} in {seen.seconds:.0f} s"
        if strokes >= ENOUGH_STROKES:
            return Finding("yes", counted)
        return Finding("not proven", f"{counted}; too few to prove it: run this again {WHILE_CUT}")
    if isinstance(seen.pump, Intensifier) and np.ptp(_finite(seen.rows.rate)) == 0.0:
        return Finding(
            "not proven",
            f": it stood still to the last digit for {seen.seconds:.0f} s; run this again as the "
            "jet opens or closes",
        )
    return Finding("yes", "")


def _in_words(name: str, values: Floats) -> str:
    """From the lowest to the highest, in the unit that people read."""
    quantity, ends = QUANTITIES.get(name, ""), (float(min(values)), float(max(values)))
    if chosen(quantity):
        people = shown(quantity)
        unit = people.label
        low, high = (
            people.number(v) if abs(people.value(v)) < ABSURD else f"{people.value(v):.2g}"
            for v in ends
        )
    else:
        factor, offset, decimals, unit = UNITS.get(name, (1.0, 0.0, 0, ""))
        low, high = (_figure(factor * v + offset, decimals) for v in ends)
    return f"{low if low == high else f'{low} to {high}'} {unit}".rstrip()


def _figure(value: float, decimals: int) -> str:
    return f"{value:.{decimals}f}" if abs(value) < ABSURD else f"{value:.2g}"
