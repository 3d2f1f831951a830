"""What is known of each machine at one moment: its jewels, its bore, its wear line, its alarms."""

from __future__ import annotations

import math
import sqlite3
import time
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import NamedTuple

import numpy as np

from borewarden.alert.alarm import Alarm
from borewarden.base.errors import BadInput
from borewarden.base.times import local_ns
from borewarden.detect.baseline import robust_scatter
from borewarden.detect.wear import Drift, Line
from borewarden.gate.jet_time import MAX_GAP, Opening, count_jet_time
from borewarden.jewels.fitting import Fitting
from borewarden.lives.records import Watched
from borewarden.settings import SHOP_FILE, MachineSettings, ShopSettings, load_shop
from borewarden.settings.service import common_units, folder_of, load_machines
from borewarden.store.database import open_store, read_alarm, read_phases
from borewarden.store.jet_times import Counting, jet_times, openings
from borewarden.store.queries import (
    SAMPLES,
    TELEMETRY,
    jet_hours_by_batches,
    log_ratios,
    newest_batches,
    open_alert,
    silences,
    telemetry_span,
)
from borewarden.store.register import fittings
from borewarden.watcher.batch_loop import DRIFT_BLOCK
from borewarden.watcher.monitor import RECENT
from borewarden.watcher.verdict import State
from borewarden.watcher.watcher import Alert

WEEK_NS = 7 * 86_400 * 10**9
SILENCE_NS = 4 * 86_400 * 10**9  # longer than a weekend: nobody knows what was cut meanwhile
UNSEEN_NS = 86_400 * 10**9  # of a silence, at either end of a fitting
LOOK_BACK_NS = 4 * WEEK_NS  # for the jet hours per week
MOST_VALUES = 500  # of one wear line; longer lives get longer blocks
SAME_NS = 60 * 10**9  # two records of one fitting may differ by this
FEWEST_VALUES = 3  # below, a line says nothing yet


class Wear(NamedTuple):
    """The wear line of one jewel, and how many jet hours past its baseline it is now."""

    line: Line
    now: float


@dataclass(frozen=True)
class HeadSeen:
    """The jewel in one head; `hours` since it was fitted, None without telemetry."""

    fitting: Fitting
    recorded: bool  # in the register; else only in the machine file
    hours: float | None

    @property
    def age(self) -> float | None:
        """Jet hours of the jewel, earlier ones included, or what was stated of it alone."""
        stated = self.fitting.earlier_hours
        return stated or None if self.hours is None else stated + self.hours


@dataclass(frozen=True)
class MachineSeen:
    """One machine at one moment; SI, times ns since 1970 UTC, NaN or None if not known.

    `limit` is the relative growth of area at which a bore counts as opened up, `area_growth` that
    of the newest batches against the baseline. `wear` is that of all heads of the pump together.
    """

    name: str
    time_zone: str
    limit: float
    heads: tuple[HeadSeen, ...] = ()
    newest_ns: int | None = None  # the newest telemetry since the jewel was fitted
    state: State | None = None
    bore: float = math.nan
    area_growth: float = math.nan
    wear: Wear | None = None
    alert: Alert | None = None  # the one that still holds
    alarms: tuple[Alarm, ...] = ()  # those not normal
    hours_a_week: float | None = None


class ShopSeen(NamedTuple):
    """The shop at one moment; `jewels` are all known ones, fitted or not.

    `shop` holds the usual costs if there is no `shop.toml`.
    """

    at_ns: int
    machines: list[MachineSeen]
    jewels: list[Watched]
    shop: ShopSettings
    units: dict[str, str] | None = None  # that all machines are shown in


def see_shop(config: Path, store: Path, at: datetime | None = None) -> ShopSeen:
    """What is known about all machines of `config`, now or at `at`, local to the first of them.

    All of the register counts, whichever machine a jewel was in. Raises BadInput for settings that
    can't be used, and if there is no store.
    """
    machines = load_machines(config)
    shop = load_shop(folder_of(config) / SHOP_FILE)
    if not store.exists():
        raise BadInput(
            store,
            "file",
            "there is no such store",
            "name the one that `replay` (replay.db) or `watch` (borewarden.db) wrote, by --store",
        )
    first, zone = next((path, machine.time_zone) for path, machine in machines.items())
    try:
        at_ns = time.time_ns() if at is None else local_ns(at, zone)
    except ValueError as error:
        raise BadInput(first, "time", str(error), "give a time that the clock showed") from None
    with open_store(store) as connection:
        connection.execute("BEGIN")  # one state of the store, even if a watcher is writing
        held = held_at(connection, at_ns)
        seen = [
            with_pace(see(connection, machine, held, at_ns), shop.jet_hours_per_week)
            for machine in machines.values()
        ]
        # jewels known only from a machine file cut as well
        stated = [head.fitting for machine in seen for head in machine.heads if not head.recorded]
        known = [*held, *stated]
        names = {fitting.machine for fitting in known}
        silent = {name: silences(connection, name, at_ns, SILENCE_NS) for name in names}
        jewels = watched(connection, known, silent, at_ns, counting_of(machines.values()))
    return ShopSeen(at_ns, seen, jewels, shop, common_units(machines.values()))


def with_pace(machine: MachineSeen, stated: Mapping[str, float]) -> MachineSeen:
    """The machine with the jet hours per week that the shop states, if telemetry has none."""
    if machine.hours_a_week is not None or machine.name not in stated:
        return machine
    return replace(machine, hours_a_week=stated[machine.name])


def counting_of(machines: Iterable[MachineSettings]) -> dict[str, Counting]:
    """How the jet time of each machine is counted."""
    return {m.name: Counting(m.gate_settings().max_gap, m.valve_heads) for m in machines}


def see(
    connection: sqlite3.Connection, machine: MachineSettings, held: Sequence[Fitting], at_ns: int
) -> MachineSeen:
    """What store, register and machine file know about `machine` at `at_ns`.

    `held` is what the register held then, see `held_at`.
    """
    heads = tuple(_heads(connection, machine, held, at_ns))
    fitted_ns = max((head.fitting.fitted_ns for head in heads), default=0)
    limit, floor = machine.watch_settings().limit, machine.watch_settings().noise_floor
    state, judged_ns, bore, growth = _newest(connection, machine.name, fitted_ns, at_ns)
    alert = open_alert(connection, machine.name, fitted_ns, at_ns)
    if alert is not None and alert.time_ns >= (judged_ns or 0):
        state = alert.verdict.state
    telemetry = telemetry_span(connection, machine.name, fitted_ns, at_ns, TELEMETRY)
    return MachineSeen(
        machine.name,
        machine.time_zone,
        limit,
        heads,
        None if telemetry is None else telemetry[1],
        state,
        bore,
        growth,
        wear_of(connection, machine.name, fitted_ns, at_ns, floor),
        alert,
        _alarms(connection, machine.name),
        hours_a_week(connection, machine.name, at_ns, machine.gate_settings().max_gap),
    )


# -- the register


STARTS = {Opening.LOW: True, Opening.FULL: False}  # whether it was a low-pressure start


def held_at(connection: sqlite3.Connection, at_ns: int) -> list[Fitting]:
    """Every fitting up to `at_ns`, as it was then.

    One that was never taken out, although its head has had another since, came out when that one
    was fitted, for an unknown reason. If nobody stated how it was started, telemetry may show it.
    """
    numbered = {n: f for n, f in fittings(connection).items() if f.fitted_ns <= at_ns}
    silent = {n: f for n, f in numbered.items() if f.low_pressure_start is None}
    opened = openings(connection, silent)
    known = [
        replace(f, low_pressure_start=STARTS.get(opened[n][0])) if n in opened else f
        for n, f in numbered.items()
    ]
    later: dict[tuple[str, str], int] = {}
    held = []
    for fitting in reversed(known):
        out_ns = fitting.out_ns
        if out_ns is None:
            out_ns = later.get((fitting.machine, fitting.head))
        later[fitting.machine, fitting.head] = fitting.fitted_ns
        if out_ns is not None and out_ns > at_ns:
            fitting, out_ns = replace(fitting, end=None, noted_hours=None), None
        held.append(replace(fitting, out_ns=out_ns))
    return held[::-1]


def hours_of(
    connection: sqlite3.Connection,
    jewels: Sequence[Fitting],
    at_ns: int,
    counting: Mapping[str, Counting],
) -> list[float | None]:
    """Jet hours of each of `jewels` since it was fitted; None without telemetry.

    What was noted of a jewel holds in place of its telemetry. The others are those of
    `register show`, counted from the stored samples (see `jet_times`). Before the first sample only
    batches count, as in a store that `fleet` has written.
    """
    spans = [(f.fitted_ns, at_ns if f.out_ns is None else min(f.out_ns, at_ns)) for f in jewels]
    held = [replace(f, out_ns=out_ns) for f, (_, out_ns) in zip(jewels, spans, strict=True)]
    counted = jet_times(connection, dict(enumerate(held)), counting)
    hours: list[float | None] = []
    for number, (fitting, span) in enumerate(zip(held, spans, strict=True)):
        if fitting.noted_hours is not None:
            hours.append(fitting.noted_hours)
            continue
        sampled = telemetry_span(connection, fitting.machine, *span, SAMPLES)
        until_ns = span[1] if sampled is None else sampled[0]
        before = jet_hours_by_batches(
            connection, fitting.machine, span[0], until_ns, fitting.earlier_hours
        )
        hours.append(before if sampled is None else counted[number].jet_hours + (before or 0.0))
    return hours


def watched(
    connection: sqlite3.Connection,
    jewels: Sequence[Fitting],
    silent: Mapping[str, Sequence[tuple[int, int]]],
    at_ns: int,
    counting: Mapping[str, Counting],
) -> list[Watched]:
    """`jewels` with their jet hours, up to the first long silence if it came before their end.

    Nobody knows what a jewel cut during a silence: its age is not known after it, and not at all
    if it was fitted during one. It is known where somebody stated it: of a jewel from notes, and of
    one that was cutting before the first telemetry. `silent` holds each machine's silences. Hours
    are None if no jet was recorded.
    """
    lost = [_lost_ns(fitting, silent[fitting.machine], at_ns) for fitting in jewels]
    followed = [
        fitting if lost_ns is None else replace(fitting, out_ns=lost_ns)
        for fitting, lost_ns in zip(jewels, lost, strict=True)
    ]
    hours = hours_of(connection, followed, at_ns, counting)
    return [
        Watched(fitting, seen or fitting.noted_hours, to_end=lost_ns is None)
        for fitting, seen, lost_ns in zip(jewels, hours, lost, strict=True)
    ]


def _lost_ns(fitting: Fitting, silent: Sequence[tuple[int, int]], at_ns: int) -> int | None:
    """When track of `fitting` was lost before its end, if it was; up to a day does not count."""
    if fitting.noted_hours is not None:
        return None
    until_ns = at_ns if fitting.out_ns is None else fitting.out_ns
    for start, end in silent:
        if start == 0 and end < until_ns and fitting.earlier_hours > 0.0:
            continue  # before the first telemetry; they are those that it had by then
        if min(end, until_ns) - max(start, fitting.fitted_ns) > UNSEEN_NS:
            return max(start, fitting.fitted_ns)
    return None


def _heads(
    connection: sqlite3.Connection, machine: MachineSettings, held: Sequence[Fitting], at_ns: int
) -> list[HeadSeen]:
    """The jewel of each head, from what the register `held`, or from the machine file if newer."""
    newest: dict[str, tuple[Fitting, bool]] = {}
    for jewel in sorted(machine.jewels(), key=lambda jewel: jewel.fitted_ns):
        if jewel.fitted_ns <= at_ns:
            stated = Fitting(
                machine.name,
                jewel.head,
                jewel.fitted_ns,
                jewel.bore,
                jewel.material,
                earlier_hours=jewel.jet_hours,
                discharge_coefficient=jewel.discharge_coefficient,
            )
            newest[jewel.head] = stated, False
    for fitting in held:
        if fitting.machine == machine.name:
            before = newest.get(fitting.head)
            if before is None or fitting.fitted_ns >= before[0].fitted_ns - SAME_NS:
                newest[fitting.head] = fitting, True
    fitted = [jewel for _, jewel in sorted(newest.items()) if jewel[0].out_ns is None]
    hours = hours_of(connection, [fitting for fitting, _ in fitted], at_ns, counting_of([machine]))
    return [HeadSeen(*jewel, counted) for jewel, counted in zip(fitted, hours, strict=True)]


# -- telemetry


def _newest(
    connection: sqlite3.Connection, machine: str, fitted_ns: int, at_ns: int
) -> tuple[State | None, int | None, float, float]:
    """State, time, effective bore and growth of area of the newest batches of this jewel."""
    rows = newest_batches(connection, machine, fitted_ns, at_ns, RECENT)
    if not rows:
        return None, None, math.nan, math.nan

    def mean(values: list[float | None]) -> float:
        known = [value for value in values if value is not None]
        return sum(known) / len(known) if known else math.nan

    growth = math.expm1(mean([row[3] for row in rows]))
    return rows[0][0], rows[0][1], mean([row[2] for row in rows]), growth


def wear_of(
    connection: sqlite3.Connection, machine: str, fitted_ns: int, at_ns: int, floor: float
) -> Wear | None:
    """The wear line through the batches of the jewel fitted at `fitted_ns`, worked out again.

    The store holds what the watcher's own line expected, but not how certain it was. Batches during
    a fault are left out, since the watcher forgets what it learned from them. `floor` is the
    smallest noise assumed of one value. None if there are too few batches.
    """
    rows = log_ratios(connection, machine, fitted_ns, at_ns)
    block = max(DRIFT_BLOCK, -(-len(rows) // MOST_VALUES))
    count = len(rows) // block
    if count < FEWEST_VALUES:
        return None
    blocks = np.array(rows[: count * block], dtype=float).reshape(count, block, 2)
    places = blocks[:, :, 0].mean(axis=1)
    # batches hold the same water, so that the mean of their areas over time is the harmonic one
    values = -np.log(np.mean(np.exp(-blocks[:, :, 1]), axis=1))
    # by whole blocks, since single batches share the strokes at their ends
    noise = robust_scatter(np.diff(values)) / 2.0**0.5
    drift = Drift(float(np.hypot(noise, floor)))
    start = float(rows[0][0])
    for place, value in zip(places.tolist(), values.tolist(), strict=True):
        drift.update(place - start, value)
    return Wear(drift.may_bend(), float(rows[-1][0]) - start)


def hours_a_week(
    connection: sqlite3.Connection, machine: str, at_ns: int, max_gap: float = MAX_GAP
) -> float | None:
    """Jet hours per week of `machine` over the last four weeks, or as much of them as there is.

    Less than a week counts as a week, so that one busy day is not taken for every day. None if no
    jet was recorded in that time.
    """
    since_ns = at_ns - LOOK_BACK_NS
    telemetry = telemetry_span(connection, machine, 0, at_ns, TELEMETRY)
    if telemetry is None:
        return None
    sampled = telemetry_span(connection, machine, since_ns, at_ns, SAMPLES)
    until_ns = at_ns if sampled is None else sampled[0]
    hours = jet_hours_by_batches(connection, machine, since_ns, until_ns, None) or 0.0
    if sampled is not None:
        blocks = read_phases(connection, machine, since_ns)
        (counted,) = count_jet_time(blocks, np.array([since_ns, at_ns]), np.ones(1, int), max_gap)
        hours += counted.jet_hours
    weeks = (at_ns - max(telemetry[0], since_ns)) / WEEK_NS
    return hours / max(weeks, 1.0) or None


# -- alerts


def _alarms(connection: sqlite3.Connection, machine: str) -> tuple[Alarm, ...]:
    """The live watch's alarms that were not normal when last stored."""
    kept = [read_alarm(connection, machine, about) for about in ("bore", "sight")]
    alarms = [Alarm.from_json(content) for content in kept if content]
    return tuple(alarm for alarm in alarms if alarm.condition is not None)
