"""Which settings to try: a grid over `[watch]` and `[gate]`, or a Latin hypercube drawn from it."""

from __future__ import annotations

import difflib
import itertools
import math
from collections.abc import Mapping
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
from pydantic import ValidationError
from scipy.stats import qmc

from borewarden.base.errors import BadInput
from borewarden.gate.gate import GateSettings
from borewarden.settings import MachineSettings, read_toml
from borewarden.settings.consistency import check_together
from borewarden.settings.sections import GateOverrides, WatchOverrides
from borewarden.watcher.settings import WatchSettings

SECTIONS: dict[str, type[GateOverrides] | type[WatchOverrides]] = {
    "watch": WatchOverrides,
    "gate": GateOverrides,
}
SECTION_OF = {name: part for part, kind in SECTIONS.items() for name in kind.model_fields}

# What is swept if nobody says otherwise: this project's own choice.
USUAL_RANGES: dict[str, list[str]] = {
    "smallest_step": ["2 %", "3 %", "4 %", "5 %", "6 %"],
    "false_alarm_time": ["200 h", "500 h", "1000 h", "2000 h", "5000 h"],
    "noise_floor": ["0.2 %", "0.3 %", "0.5 %", "0.8 %"],
    "level_uncertainty": ["0.3 %", "0.5 %", "0.8 %", "1.2 %"],
    "baseline_time": ["5 min", "10 min", "20 min"],
    "batch_time": ["8 s", "10 s", "20 s"],
}


class Candidate(NamedTuple):
    """One setting to try; `changed` holds what differs from today's file, by name, as TOML text."""

    changed: dict[str, str]
    gate: GateSettings
    watch: WatchSettings

    @property
    def words(self) -> str:
        """Such as 'smallest_step 3 %, batch_time 15 s'."""
        return ", ".join(f"{name} {value}" for name, value in self.changed.items()) or "as today"


def read_ranges(path: Path) -> dict[str, list[str]]:
    """Ranges from a TOML file: names as in `[watch]` and `[gate]`, each with a list of values."""
    ranges: dict[str, list[str]] = {}
    for part, values in read_toml(path).items():
        if part not in SECTIONS or not isinstance(values, dict):
            raise BadInput(path, part, "is not a section of ranges", "give [watch] and [gate]")
        for name, listed in values.items():
            if SECTION_OF.get(name) != part:
                raise _unknown(path, f"{part}.{name}", name, part)
            if not isinstance(listed, list) or not listed:
                right = f'give a list such as {name} = ["{_example(name)}"]'
                raise BadInput(path, f"{part}.{name}", f"{listed!r} is not a list of values", right)
            ranges[name] = [str(value) for value in listed]
    return ranges


def ranges_of(words: list[str]) -> dict[str, list[str]]:
    """Ranges from the command line: `name=v1,v2,v3` each."""
    ranges: dict[str, list[str]] = {}
    for word in words:
        name, equals, values = word.partition("=")
        name, listed = name.strip(), [value.strip() for value in values.split(",")]
        if not equals or not all(listed):
            right = 'give a name and its values, such as --vary "smallest_step=3 %,4 %"'
            raise BadInput("--vary", word, "is not a range", right)
        if name not in SECTION_OF:
            raise _unknown("--vary", name, name)
        ranges[name] = listed
    return ranges


def _unknown(file: Path | str, where: str, name: str, part: str | None = None) -> BadInput:
    known = list(SECTIONS[part].model_fields) if part else list(SECTION_OF)
    near = difflib.get_close_matches(name, known, n=1, cutoff=0.5)
    right = f"did you mean {near[0]!r}? " if near else ""
    return BadInput(file, where, "unknown setting", f"{right}known are {', '.join(known)}")


def _example(name: str) -> str:
    return USUAL_RANGES.get(name, ["10 s"])[0]


def candidates(
    machine: MachineSettings,
    file: Path,
    ranges: Mapping[str, list[str]],
    most: int,
    seed: int,
) -> list[Candidate]:
    """Today's settings first, then the grid of all `ranges`; no two are the same.

    A grid of more than `most` is thinned to a Latin hypercube over its levels (McKay, Beckman &
    Conover 1979, Technometrics 21, 239-245). `file` is the machine's, for the messages. Raises
    BadInput for a value that the machine file could not have.
    """
    if most < 1:
        raise BadInput("--settings", str(most), "no setting to try", "give 1 or more")
    names = list(ranges)
    made = {_key(candidate): candidate for candidate in [candidate_of(machine, file, {})]}
    if math.prod(len(ranges[name]) for name in names) <= most:
        picked = list(itertools.product(*(ranges[name] for name in names)))
    else:
        draw = qmc.LatinHypercube(len(names), rng=np.random.default_rng(seed))
        levels = draw.integers(
            l_bounds=[0] * len(names), u_bounds=[len(ranges[name]) for name in names], n=most
        )
        picked = [
            tuple(ranges[name][level] for name, level in zip(names, row, strict=True))
            for row in levels
        ]
    for name in names:  # each value by itself, so that the message can name it
        for value in ranges[name]:
            candidate_of(machine, file, {name: value})
    for values in picked:
        candidate = candidate_of(machine, file, dict(zip(names, values, strict=True)))
        made.setdefault(_key(candidate), candidate)
    return list(made.values())


def _key(candidate: Candidate) -> tuple[Any, ...]:
    return candidate.gate, candidate.watch


def candidate_of(machine: MachineSettings, file: Path, values: Mapping[str, str]) -> Candidate:
    """The machine's settings with `values` in place of its own. Raises BadInput."""
    today = _settings(machine)
    changed: dict[str, str] = {}
    parts: dict[str, Any] = {"watch": machine.watch, "gate": machine.gate}
    for name, value in values.items():
        part = SECTION_OF[name]
        try:
            new = SECTIONS[part].model_validate({name: value})
        except ValidationError as error:
            said = error.errors()[0]
            context = said.get("ctx", {})
            raise BadInput(
                "range",
                f"{part}.{name}",
                context.get("wrong", said["msg"]),
                context.get("right", "see the machine files under config/"),
            ) from None
        alone = machine.model_copy(
            update={part: getattr(machine, part).model_copy(update=new.given())}
        )
        if _settings(alone) == today:
            continue
        parts[part] = parts[part].model_copy(update=new.given())
        changed[name] = value
    tried = machine.model_copy(update=parts)
    if any(SECTION_OF[name] == "gate" and "pressure" in name for name in changed):
        check_together(file, tried)
    return Candidate(changed, *_settings(tried))


def _settings(machine: MachineSettings) -> tuple[GateSettings, WatchSettings]:
    return machine.gate_settings(), machine.watch_settings()
