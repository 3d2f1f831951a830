"""Files to readings to roles: all that is known of a log before a person confirms it."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Self

import numpy as np

from borewarden.base.errors import BadInput
from borewarden.base.samples import Channel
from borewarden.collect.logged_shop import ON_OFF, streams_of
from borewarden.collect.standing import Stream, rows_of
from borewarden.look.form import Answers, Form, form_of, read_grid
from borewarden.look.left_out import LeftOut, left_out
from borewarden.look.roles import Readings, Role, Told, find_roles

SPARSE = 0.1  # of the rows or steps that are out of the rhythm: then the log is one by exception
LONGEST = 60.0  # s; a longer step is a pause of the logger, not part of its rhythm
HOLDS = (5.0, 10.0, 20.0, 30.0, 60.0, 120.0)  # s to choose from
RHYTHMS = (0.1, 0.2, 0.5, 1.0, 2.0, 5.0)  # s to choose from
SLOW_HOLD = 3600.0  # s that slow channels may stand
SLOW = ("temperature", "valve", "boost_pressure")
GRID = 20_000  # rows at most to find out what the columns are


@dataclass(frozen=True)
class Seen:
    """What was read of a machine, and what each column of it is; `first_ns` is its first time."""

    readings: Readings
    roles: list[Role]
    first_ns: int

    @property
    def source(self) -> str:
        """What the readings are from."""
        return str(self.readings.path)

    @property
    def usual_name(self) -> str:
        """What the machine is called where nobody says so."""
        return self.source

    def left_out(self, told: Told) -> list[LeftOut]:
        """What behaves like a channel, and was not taken for one."""
        return left_out(self.readings, self.roles, told)

    def told_anew(self, told: Told) -> Self:
        """The same readings, their columns told anew. Raises Question, BadInput."""
        return dataclasses.replace(self, roles=find_roles(self.readings, told))


@dataclass(frozen=True)
class Looked(Seen):
    """A log as it was found: values stand for `hold` s, in rows `every` s apart, or not at all."""

    paths: list[Path]
    form: Form
    hold: float | None
    every: float

    @property
    def usual_step(self) -> float:
        """Seconds from one reading to the next, as they usually are."""
        if self.hold is not None:
            return self.every
        return float(np.median(np.diff(self.readings.seconds)))

    @property
    def source(self) -> str:
        """The names of its files."""
        return ", ".join(path.name for path in self.paths)

    @property
    def usual_name(self) -> str:
        """The name of its first file."""
        return self.paths[0].name.split(".")[0]


def look_at(paths: Sequence[Path], answers: Answers, told: Told) -> Looked:
    """What the files at `paths` are. Raises Question for what only a person can tell, BadInput."""
    grids = [read_grid(path, answers) for path in paths]
    form = form_of(grids, answers)
    parts = [_streams(path, form) for path in paths]
    names = [name for name in form.marks if any(len(part[name].time_ns) for part in parts)]
    if not names:
        raise BadInput(paths[0], "columns", "none holds numbers", "give a log with readings")
    streams = {name: _joined([part[name] for part in parts]) for name in names}
    sparse = _is_sparse(streams, form)
    readings = _readings(paths[0], form, streams, sparse)
    roles = find_roles(readings, told)
    hold = _hold(streams, roles) if sparse else None
    first = min(int(stream.time_ns[0]) for stream in streams.values())
    return Looked(readings, roles, first, list(paths), form, hold, _every(streams))


def _streams(path: Path, form: Form) -> dict[str, Stream]:
    # local times are taken for UTC: what the columns are does not depend on the zone
    channels = {
        name: Channel(name, ON_OFF if mark.is_switch else mark.unit)
        for name, mark in form.marks.items()
    }
    return streams_of(path, form.time, "UTC", channels, form.layout)


def _joined(parts: Sequence[Stream]) -> Stream:
    return Stream(
        np.concatenate([part.time_ns for part in parts]),
        np.concatenate([part.values for part in parts]),
    )


def _is_sparse(streams: Mapping[str, Stream], form: Form) -> bool:
    """Whether values stand until the next: channels out of step, or rows out of a rhythm."""
    times = np.unique(np.concatenate([stream.time_ns for stream in streams.values()]))
    busiest = max(len(stream.time_ns) for stream in streams.values())
    if form.layout.tag is not None or not form.layout.times:
        usual = [len(stream.time_ns) for stream in streams.values()]
        if min(usual) < (1.0 - SPARSE) * busiest and min(usual) > 0:
            return True
    steps = np.diff(times) / 1e9
    steps = steps[(steps > 0) & (steps < LONGEST)]
    if not len(steps):
        return False
    usual_step = float(np.median(steps))
    odd = np.count_nonzero(np.abs(steps - usual_step) > 0.5 * usual_step)
    return bool(odd > SPARSE * len(steps))


def _readings(path: Path, form: Form, streams: Mapping[str, Stream], sparse: bool) -> Readings:
    if sparse:
        times = np.concatenate([stream.time_ns for stream in streams.values()])
        span = float(times.max() - times.min()) / 1e9
        every = max(1.0, np.ceil(span / GRID))
        time_ns, values = rows_of(streams, dict.fromkeys(streams, SLOW_HOLD), every)
    else:
        time_ns, values = rows_of(streams, None, 1.0)
    switches = frozenset(name for name, mark in form.marks.items() if mark.is_switch)
    seconds = (time_ns - time_ns[0]) / 1e9
    return Readings(path, seconds, values, form.units, switches)


def _hold(streams: Mapping[str, Stream], roles: Sequence[Role]) -> float:
    """How long a value may stand: twice the longest usual time to the next, of the fast ones."""
    fast = [role.column for role in roles if role.channel not in SLOW]
    usual = 1.0
    for column in fast:
        steps = np.diff(streams[column].time_ns) / 1e9
        if len(steps):
            usual = max(usual, float(np.quantile(steps, 0.99)))
    return next((hold for hold in HOLDS if hold >= 2.0 * usual), HOLDS[-1])


def _every(streams: Mapping[str, Stream]) -> float:
    """How often rows are made: as often as the log has readings at its busiest."""
    times = np.unique(np.concatenate([stream.time_ns for stream in streams.values()]))
    if len(times) <= 1:
        return 1.0
    shortest = float(np.quantile(np.diff(times), 0.1)) / 1e9
    return max((each for each in RHYTHMS if each <= 1.01 * shortest), default=RHYTHMS[0])
