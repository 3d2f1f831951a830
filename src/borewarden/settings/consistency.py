"""What can only be judged together: sections that must fit each other, bores and the pump."""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterable, Mapping
from pathlib import Path
from typing import Any

from borewarden.base.errors import BadInput
from borewarden.base.hosts import is_loopback
from borewarden.base.samples import MOST_HEADS, si_unit
from borewarden.base.shown import chosen, shown
from borewarden.base.times import local_ns
from borewarden.base.units import conversion, is_flow
from borewarden.collect.layout import SINCE
from borewarden.gate.gate import GateSettings
from borewarden.jewels.fitting import Fitting
from borewarden.jewels.fitting_text import Placed
from borewarden.jewels.jewel import Jewel, stated_area
from borewarden.physics.orifice import STOCK_BORES_INCH, bore_area, hydraulic_power, jet_speed
from borewarden.physics.pump import DirectDrive, Intensifier, Pump, event_rate
from borewarden.settings.machine import ENV_PREFIX, MachineSettings
from borewarden.settings.sections import Log
from borewarden.settings.source import (
    SOURCE_FILES,
    USUAL_UNITS,
    FieldOf,
    LiveSource,
    MetricOf,
    Mqtt,
    OpcUa,
    RegisterPoint,
    SparkplugB,
    place_of,
)

INCH = 0.0254  # m, exact
SERVICE_FACTOR = 1.15  # of a motor's rated power: NEMA MG 1, 12.51; value from memory
FEWEST_BATCHES = 10  # in a baseline; invented
FEWEST_BETWEEN_ALARMS = 100  # batches; the threshold's formula holds from 50
FEEDS = frozenset({"rated_pressure", "rated_power", "plungers", "plunger_diameter", "stroke",
                   "dead_volume", "max_stroke_rate", "crank_speed", "volumetric_efficiency",
                   "regulation"})  # figures of a pump that say whether it feeds a bore  # fmt: skip
REFERENCE_TEMPERATURE = 293.15  # K, of the water, to check whether the pump feeds the bore


def check_together(path: Path, settings: MachineSettings) -> None:
    """Raise BadInput, naming the file at `path`, if parts of `settings` do not fit together."""
    pump = settings.build_pump()
    swept, dead = pump.displacement.swept_volume, pump.displacement.dead_volume
    if dead > swept:
        raise BadInput(
            path,
            "pump.dead_volume",
            f"is {dead / swept:.3g} times the volume that the plunger sweeps",
            "give the volume left in one chamber at the end of its stroke; check the unit",
        )
    given = [("log", settings.log), ("source", settings.source)]
    if not any(read for _, read in given) and not settings.by_hand:
        raise BadInput(
            path,
            "log",
            "is missing, and so is source",
            "add a section [log] to replay logged days, a section [source] to watch live, or both; "
            "or by_hand = true to count by hand",
        )
    for where, read in given:
        if read is not None:
            _check_channels(path, where, read, pump)
    if settings.log is not None:
        _check_form(path, settings.log)
        columns = {name: column.column for name, column in settings.log.columns().items()}
        _check_distinct(path, "log", {"time": settings.log.time, **columns}, "column")
    if settings.source is not None:
        _check_source(path, settings, settings.source)
    _check_valves(path, settings)
    _check_fittings(path, settings)
    _check_pressures(path, settings.gate_settings())
    _check_thresholds(path, settings, pump)
    _check_bores(path, settings, pump)


def _check_channels(path: Path, where: str, read: Log | LiveSource[Any], pump: Pump) -> None:
    """Whether [log] or [source] has what this kind of pump needs, and nothing it can't have."""
    if isinstance(pump, Intensifier) and not (read.rate or read.stroke_count):
        raise BadInput(
            path,
            where,
            "the strokes of an intensifier are needed to judge its bore, but none are "
            f"{'logged' if where == 'log' else 'read'}",
            f"add [{where}.stroke_count] or [{where}.rate]",
        )
    if isinstance(pump, DirectDrive) and pump.regulation == "speed" and not read.rate:
        raise BadInput(
            path,
            f"{where}.rate",
            "the drive trims the crank speed, but the speed is not "
            f"{'logged' if where == 'log' else 'read'}",
            f"add [{where}.rate] with the crank speed, or correct the kind of pump if it counts "
            "strokes",
        )
    for name in ("oil_pressure", "left_stroke_time", "right_stroke_time"):
        if isinstance(pump, DirectDrive) and getattr(read, name) is not None:
            raise BadInput(
                path,
                f"{where}.{name}",
                "only intensifiers have this signal",
                "leave it out",
            )


def _check_valves(path: Path, settings: MachineSettings) -> None:
    """Whether [log] and [source] name the heads of their valve signals alike."""
    given = {"log": settings.log, "source": settings.source}
    named = {where: list(read.valve_heads) for where, read in given.items() if read is not None}
    for where, heads in named.items():
        if len(heads) > MOST_HEADS:
            wrong = f"{len(heads)} heads have a valve signal"
            raise BadInput(path, f"{where}.valve", wrong, f"give {MOST_HEADS} at most")
    logged, live = named.get("log", []), named.get("source", [])
    if logged and live and logged != live:
        raise BadInput(
            path,
            "source.valve",
            f"the heads are {', '.join(live)}, in [log] {', '.join(logged)}",
            "name the same heads in the same order in both",
        )


def _check_form(path: Path, log: Log) -> None:
    """Whether what [log] says of the form of the log fits together."""
    counts = SINCE.fullmatch(log.time_format)
    from_start = counts is not None and counts[2] == "start"
    has_day = counts is not None or not log.time_format or re.search("%[dj]", log.time_format)
    for field, holds, wrong, right in (
        ("tag", (log.tag is None) == (log.value is None), "tag and value go together",
         "state both, for a log with one value in each row, or neither"),
        ("quality", log.quality is None or log.tag is not None, "only tag exports have one",
         "leave it out, or state tag and value"),
        ("thousands", log.thousands != log.decimal, "is the decimal sign, too", "check both"),
        ("start", (log.start is not None) == from_start, "is for times counted from a start",
         'state both start and a time_format such as "s since start", or neither'),
        ("date", has_day or log.date is not None, "is missing, the times have no day",
         "state the day on which the log begins, such as date = 2026-03-17"),
        ("date", log.date is None or (counts is None and log.clock is None), "the times have a day",
         "leave it out"),
        ("clock", log.clock is None or counts is None, "the times are counts, which need no clock",
         "leave it out"),
        ("hold", log.hold is not None or not any(c.hold for c in log.columns().values()),
         "is missing, single channels have one", "state how long all other values stand"),
        ("skip_below", log.header or not log.skip_below, "there is no header", "leave it out"),
    ):  # fmt: skip
        if not holds:
            raise BadInput(path, f"log.{field}", wrong, right)


def _check_fittings(path: Path, settings: MachineSettings) -> None:
    """Whether every jewel is fitted at a time the clock showed, one at a time on each head."""
    fitted: dict[tuple[str, int], int] = {}
    for i, jewel in enumerate(settings.jewel):
        where = f"jewel[{i + 1}].fitted"
        try:
            time_ns = local_ns(jewel.fitted, settings.time_zone)
        except ValueError as error:
            raise BadInput(path, where, str(error), "give a time that the clock showed") from None
        other = fitted.setdefault((jewel.head, time_ns), i)
        if other != i:
            wrong = f"jewel[{other + 1}] is fitted on head {jewel.head} at the same time"
            raise BadInput(path, where, wrong, "leave one out, or give it another head")


def _check_pressures(path: Path, gate: GateSettings) -> None:
    limits = (gate.stopped_pressure, gate.working_pressure, gate.max_pressure)
    if not limits[0] < limits[1] < limits[2]:
        found = ", ".join(_pressure(limit) for limit in limits)
        raise BadInput(
            path,
            "gate.working_pressure",
            f"stopped, working and highest pressure are {found}",
            "they must rise in that order",
        )


def _check_thresholds(path: Path, settings: MachineSettings, pump: Pump) -> None:
    """Figures of [gate] and [watch] with which nothing could be watched."""
    gate, watch = settings.gate_settings(), settings.watch_settings()
    rated = pump.rated_pressure
    spills = isinstance(pump, DirectDrive) and pump.regulation == "bypass"
    rated_words = f"the pump is rated {_pressure(rated)}"
    for field, holds, wrong, right in (
        ("gate.working_pressure", gate.working_pressure < rated, rated_words, "give less"),
        ("gate.max_pressure", gate.max_pressure >= rated, rated_words, "give at least that"),
        (
            "gate.bypass_pressure",
            spills or gate.bypass_pressure == math.inf,
            "this pump has no bypass that holds its pressure",
            'leave it out, or state regulation = "bypass"',
        ),
        (
            "gate.bypass_pressure",
            gate.bypass_pressure > gate.working_pressure,
            "the bypass would spill whenever the pump works",
            f"it must be above the working pressure, {_pressure(gate.working_pressure)}",
        ),
        (
            "gate.fast_time",
            gate.fast_time < gate.slow_time,
            "the fast smoothing is not faster than the slow one",
            f"it must be below slow_time, {gate.slow_time:g} s",
        ),
        (
            "watch.wear_notice",
            watch.wear_notice < watch.limit,
            "wear would be reported only at the limit or beyond",
            f"it must be below the limit, {watch.limit:.3g}",
        ),
        (
            "watch.smallest_step",
            watch.smallest_step <= watch.limit,
            "a step to the limit would be ignored",
            f"it must be at most the limit, {watch.limit:.3g}",
        ),
        (
            "watch.baseline_time",
            watch.baseline_time >= FEWEST_BATCHES * gate.batch_time,
            f"learning the noise takes at least {FEWEST_BATCHES} batches",
            f"it must be at least {FEWEST_BATCHES * gate.batch_time:g} s",
        ),
        (
            "watch.false_alarm_time",
            2.0 * 3600.0 * watch.false_alarm_hours >= FEWEST_BETWEEN_ALARMS * gate.batch_time,
            "there is no threshold for that many false alarms",
            f"it must be at least {FEWEST_BETWEEN_ALARMS // 2} batches of {gate.batch_time:g} s",
        ),
    ):
        if not holds:
            raise BadInput(path, field, wrong, right)


def _check_distinct(path: Path, section: str, places: Mapping[str, object], what: str) -> None:
    """BadInput if two channels are read from one place."""
    channel_of: dict[object, str] = {}
    for name, place in places.items():
        other = channel_of.setdefault(place, name)
        if other != name:
            raise BadInput(
                path,
                f"{section}.{name}",
                f"{section}.{other} already has this {what}",
                f"give each its own {what}",
            )


def _check_source(path: Path, settings: MachineSettings, source: LiveSource[Any]) -> None:
    if settings.log and (settings.log.stroke_count is None) != (source.stroke_count is None):
        raise BadInput(
            path,
            "source",
            "only one of log and live source has the stroke counter",
            "read the strokes the same way in [log] and [source], or keep two machine files",
        )
    for name, point in source.points().items():
        where = f"source.{name}"
        si = si_unit(name)
        if point.scale == 0.0:
            raise BadInput(
                path, f"{where}.scale", "scale must not be 0", "value * scale has to give the unit"
            )
        if si:
            examples = {
                "Pa": '"bar"',
                "Hz": '"strokes/min" or "rpm"',
                "K": '"degC"',
                "s": '"s" or "ms"',
            }[si]
            unit = point.unit or USUAL_UNITS.get(name)
            if unit is None:
                raise BadInput(
                    path, f"{where}.unit", "is missing", f"give a unit such as {examples}"
                )
            try:
                conversion(unit, "m^3/s" if name == "rate" and is_flow(unit) else si)
            except ValueError as error:
                raise BadInput(
                    path, f"{where}.unit", str(error), f"give a unit such as {examples}"
                ) from None
        elif point.unit is not None:
            raise BadInput(path, f"{where}.unit", f"{name} has no unit", "leave it out")
        if point.strokes_per_count is not None and name not in ("rate", "stroke_count"):
            raise BadInput(
                path, f"{where}.strokes_per_count", f"{name} counts nothing", "leave it out"
            )
        if isinstance(point, RegisterPoint):
            _check_register(path, name, point)
    places = {name: (place_of(point), _beside(point)) for name, point in source.points().items()}
    _check_distinct(path, "source", places, "place")
    if isinstance(source, Mqtt):
        _check_topics(path, source)
    if isinstance(source, OpcUa):
        _check_security(path, source)
    for name in SOURCE_FILES:
        file = getattr(source, name, None)
        if file is not None and not file.is_file():
            raise BadInput(
                path, f"source.{name}", f"there is no file {file}", "give one beside this file"
            )
    if isinstance(source, Mqtt | SparkplugB):
        _check_tls(path, source)


def _check_topics(path: Path, source: Mqtt) -> None:
    for topic in (source.topic, *(point.topic or "" for point in source.points().values())):
        levels = topic.split("/")
        # MQTT 5.0, 4.7.1: wildcards fill a level, and # is the last one
        if any(len(level) > 1 and set(level) & {"#", "+"} for level in levels) or (
            "#" in levels[:-1]
        ):
            raise BadInput(
                path,
                "source.topic",
                f"{topic!r} has a wildcard in a place where none is allowed",
                "let + stand for a whole level, and # for the last ones",
            )
        if topic.startswith("spBv1.0/"):
            raise BadInput(
                path,
                "source.topic",
                f"{topic!r} is a topic of Sparkplug B, which is not JSON",
                'state kind = "sparkplug b" with group, node and device, as in '
                "config/live/north-sparkplug.toml",
            )
        if topic.startswith("$share/"):
            raise BadInput(
                path,
                "source.topic",
                f"{topic!r} is shared: others would get a part of the messages",
                "give the topic that the machine publishes to",
            )


def _check_tls(path: Path, source: Mqtt | SparkplugB) -> None:
    is_clear = not (source.tls or source.clear_password or is_loopback(source.host))
    if is_clear and (source.user or source.password is not None):
        raise BadInput(
            path,
            "source.tls",
            "the password would cross the network in clear text",
            "state tls = true, or clear_password = true if the broker has no TLS",
        )
    if (source.certificate is None) != (source.private_key is None):
        raise BadInput(
            path,
            "source.certificate",
            "a certificate and its private key go together",
            "give certificate and private_key, or neither",
        )
    for name in ("ca", "certificate"):
        if getattr(source, name) is not None and not source.tls:
            raise BadInput(
                path, f"source.{name}", "is only used with TLS", "state tls = true, or leave it out"
            )


def _beside(point: object) -> object:
    """What else tells two places apart, besides register, node or field."""
    if isinstance(point, RegisterPoint):
        return point.function
    if isinstance(point, MetricOf):
        return point.device
    return point.topic if isinstance(point, FieldOf) else None


def _check_register(path: Path, name: str, point: RegisterPoint) -> None:
    where = f"source.{name}"
    if point.function <= 2 and not name.startswith("valve"):
        raise BadInput(
            path,
            f"{where}.function",
            f"function {point.function} reads single bits",
            "give 3 for holding registers or 4 for input registers",
        )
    if point.function <= 2 and point.type is not None:
        raise BadInput(path, f"{where}.type", "a bit has no type", "leave it out")
    if point.function >= 3 and point.type is None:
        raise BadInput(path, f"{where}.type", "is missing", 'state it, such as type = "uint16"')


def _check_security(path: Path, source: OpcUa) -> None:
    if source.security != "none":
        for name in ("certificate", "private_key", "server_certificate"):
            if getattr(source, name) is None:
                raise BadInput(
                    path,
                    f"source.{name}",
                    f"is missing, and security is {source.security!r}",
                    "give the file: DER or PEM, beside this file",
                )
    elif source.user and not source.clear_password:
        raise BadInput(
            path,
            "source.security",
            "the password would cross the network in clear text",
            'state security = "Basic256Sha256", or clear_password = true if the server has none',
        )
    if source.user and source.password is None:
        raise BadInput(
            path,
            "source.password",
            f"no password for the user {source.user!r}",
            f"put it into {ENV_PREFIX}SOURCE__PASSWORD, or into a file {path.stem}.password in "
            f"the directory {ENV_PREFIX}SECRETS_DIR",
        )
    if source.user and source.user_certificate:
        raise BadInput(
            path,
            "source.user_certificate",
            "there is also a user with a password",
            "give only one of the two",
        )
    if (source.user_certificate is None) != (source.user_private_key is None):
        raise BadInput(
            path,
            "source.user_certificate",
            "a user's certificate and private key belong together",
            "give both user_certificate and user_private_key",
        )


def _check_bores(path: Path, settings: MachineSettings, pump: Pump) -> None:
    """Whether the pump feeds every set of jewels fitted at one time."""
    working = settings.gate_settings().working_pressure
    jewels = settings.jewels()
    fitted: dict[str, Jewel] = {}
    for i in sorted(range(len(jewels)), key=lambda k: jewels[k].fitted_ns):
        jewel = jewels[i]
        others = stated_area([j for head, j in fitted.items() if head != jewel.head])
        fitted[jewel.head] = jewel
        # heads fitted at the same moment are judged once all of them are in
        wrong = _misfit(pump, others + jewel.nominal_area, working)
        if wrong is None or ("too small" in wrong and _more_come(jewels, i, fitted)):
            continue
        if (
            others
            and _may_cut_by_turns(settings)
            and not _misfit(pump, jewel.nominal_area, working)
        ):
            continue
        right = _what_fits(pump, jewel, others, working, "too small" in wrong)
        right += f"; if the bore is right, check the kind of pump ({settings.pump.kind}), too"
        raise BadInput(path, f"jewel[{i + 1}].bore", wrong, _resting_on(settings, right))


def misfit(
    settings: MachineSettings, jewels: list[Jewel], fitted_ns: int
) -> tuple[str, str] | None:
    """What is wrong with the jewel fitted at `fitted_ns` beside those then in the other heads.

    Returns the problem and the fix, or None if the pump feeds them. A jewel that is too small
    passes: another head may still have to be recorded.
    """
    pump = settings.build_pump()
    working = settings.gate_settings().working_pressure
    fitted: dict[str, Jewel] = {}
    for jewel in sorted(jewels, key=lambda jewel: jewel.fitted_ns):
        if jewel.fitted_ns <= fitted_ns:
            fitted[jewel.head] = jewel
    there = [j for j in fitted.values() if j.out_ns is None or j.out_ns > fitted_ns]
    wrong = _misfit(pump, stated_area(there), working)
    if wrong is None or "too small" in wrong:
        return None
    newest = max(there, key=lambda jewel: jewel.fitted_ns)
    if _may_cut_by_turns(settings) and not _misfit(pump, newest.nominal_area, working):
        return None
    others = stated_area([jewel for jewel in there if jewel is not newest])
    return wrong, _resting_on(settings, _what_fits(pump, newest, others, working, False))


def _resting_on(settings: MachineSettings, right: str) -> str:
    """What would be `right`, and which figures of the pump that rests on were only guessed."""
    used = [name for name in settings.guessed_of(()) if name in FEEDS]
    if not used:
        return right
    are = "is" if len(used) == 1 else "are"
    return (
        f"{', '.join(used)} of [pump] {are} only guessed: put in what the name plate says; {right}"
    )


def check_feeds(
    settings: MachineSettings,
    held: Iterable[Fitting],
    placed: Placed,
    place: Path | str,
    bore_of: Callable[[str], str],
) -> None:
    """Raise BadInput about `place` if the pump can't feed a bore that is to be recorded.

    `held` is what the register holds, `bore_of` makes of the where of a row that of its bore.
    Other machines' fittings are left to their own settings.
    """
    jewels = settings.jewels([*held, *(fitting for _, fitting in placed.new)])
    for where, fitting in placed.new:
        if fitting.machine == settings.name:
            wrong = misfit(settings, jewels, fitting.fitted_ns)
            if wrong is not None:
                raise BadInput(place, bore_of(where), *wrong)


def _may_cut_by_turns(settings: MachineSettings) -> bool:
    """Whether a valve signal will tell which heads the pump has to feed at a time."""
    given = (settings.log, settings.source)
    return any(read is not None and (read.valve or read.valve_heads) for read in given)


def _what_fits(pump: Pump, jewel: Jewel, others: float, working: float, smallest: bool) -> str:
    fits = [
        inch
        for inch in STOCK_BORES_INCH
        if not _misfit(
            pump,
            others + float(bore_area(inch * INCH)) * jewel.plausible.typical,
            working,
        )
    ]
    if not fits:
        return "no stock bore fits; check the figures in [pump]"
    if smallest:
        return f"the smallest stock bore that fits is {_stock(fits[0])}"
    return f"the largest stock bore that fits is {_stock(fits[-1])}"


def _more_come(jewels: list[Jewel], i: int, fitted: dict[str, Jewel]) -> bool:
    return any(j.fitted_ns == jewels[i].fitted_ns and j.head not in fitted for j in jewels)


def _stock(inch: float) -> str:
    """A stock bore in words; in inches, as it is sold, unless another unit was chosen."""
    return shown("bore").text(inch * INCH) if chosen("bore") else f"{inch:.3f} in"


def _pressure(pressure: float) -> str:
    """A pressure in Pa in words, in whole units."""
    return shown("pressure").text(pressure, 0 if chosen("pressure") else -1)


def _misfit(pump: Pump, area: float, working: float) -> str | None:
    """Why the pump can't feed the effective `area`, m², or is throttled by it; None if it fits."""
    temperature = REFERENCE_TEMPERATURE
    pressure = pump.rated_pressure
    if isinstance(pump, Intensifier):
        rate = float(event_rate(pump.displacement, area, pressure, temperature))
        if not 0.0 < rate <= pump.max_rate:
            return (
                f"the pump can't feed it: at {_pressure(pressure)} it takes "
                f"{60 * rate:.0f} strokes/min, and the pump makes {60 * pump.max_rate:.0f}"
            )
    else:
        try:
            reached = float(pump.expected_pressure(area, temperature, pump.crank_speed))
        except ValueError:
            reached = math.inf
        if reached < working:
            return (
                f"the pump can't feed it: at {60 * pump.crank_speed:.0f} rpm it reaches "
                f"{_pressure(reached)}, and working pressure is {_pressure(working)}"
            )
        if pump.floats:
            if reached > 1.3 * pressure:
                return (
                    "it is too small: nothing limits the pressure, which would pass "
                    f"{_pressure(1.3 * pressure)}, 1.3 times the rated pressure"
                )
            pressure = reached
        pressure = min(pressure, reached)
    power = float(hydraulic_power(pressure, area * jet_speed(pressure, temperature)))
    if power > SERVICE_FACTOR * pump.rated_power:
        return (
            f"the jet takes {shown('power').text(power)} at {_pressure(pressure)}, "
            f"and the pump's motor gives {shown('power').text(pump.rated_power)}"
        )
    return None
