"""Pydantic's findings in plain words: which field is wrong, and how to fix it."""

from __future__ import annotations

import difflib
import os
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any, get_args

from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails
from pydantic_settings import BaseSettings

from borewarden.base.errors import BadInput
from borewarden.base.samples import HEAD
from borewarden.base.units import Unit
from borewarden.settings.machine import MachineSettings
from borewarden.settings.sections import (
    VALVE_HEADS,
    SpeedColumn,
    StrokeTimeColumn,
    TemperatureColumn,
)


def first_mistake(path: Path, error: ValidationError, kind: type[BaseModel]) -> BadInput:
    """The one mistake that `error` found in the file at `path` that is most worth reporting."""
    # a misspelt name makes two mistakes, and only the unknown one tells you what to do
    mistakes = sorted(error.errors(), key=lambda e: e["type"] != "extra_forbidden")
    mistake = mistakes[0]
    section = _section_of(kind, mistake["loc"])
    files = "the machine files under config/"
    if not issubclass(kind, BaseSettings):
        files = "docs/jewels.md"
    elif kind is not MachineSettings:
        files = f"config/live/{path.name}"
    where = _field_path(kind, mistake)
    others = _kinds_with(kind, mistake["loc"])
    said = _explain(mistake, section, where, files)
    if mistake["type"] == "extra_forbidden" and others:
        wrong = f"is a field of kind = {_alternatives(others)}, and the kind stated is another"
        said = (wrong, "correct the kind, or take the field out")
    bad = BadInput(path, where, *said)
    prefix = kind.model_config.get("env_prefix")
    return with_variable(bad, str(prefix)) if prefix else bad


def with_variable(bad: BadInput, prefix: str) -> BadInput:
    """The mistake, naming the environment variable that it comes from, if any."""
    variable = prefix + bad.where.upper().replace(".", "__")
    if all(name.upper() != variable for name in os.environ):
        return bad
    return BadInput(bad.file, f"{bad.where} (from {variable})", bad.wrong, bad.right)


def _field_path(kind: type[BaseModel], mistake: ErrorDetails) -> str:
    """Such as 'pump.stroke' or 'jewel[2].bore', counted from 1; without pydantic's union tags."""
    path = ""
    candidates: list[type[BaseModel]] = [kind]
    for part in _joined(mistake["loc"]):
        if isinstance(part, int):
            path += f"[{part + 1}]"
        elif not _tagged(candidates, part):
            path += f".{part}" if path else part
        candidates = _below(candidates, part)
    return f"{path}.kind" if mistake["type"].startswith("union_tag") else path


def _section_of(kind: type[BaseModel], loc: tuple[int | str, ...]) -> type[BaseModel] | None:
    """The section that has the last part of `loc` as a field."""
    candidates = _sections_at(kind, _joined(loc)[:-1])
    return candidates[0] if len(candidates) == 1 else None


def _sections_at(kind: type[BaseModel], path: tuple[int | str, ...]) -> list[type[BaseModel]]:
    """The sections that `path` may lead to."""
    candidates: list[type[BaseModel]] = [kind]
    for part in path:
        candidates = _below(candidates, part)
    return candidates


def _kinds_with(kind: type[BaseModel], loc: tuple[int | str, ...]) -> list[str]:
    """The kinds of a pump or a source that have the last part of `loc` as a field."""
    candidates = _sections_at(kind, _joined(loc)[:-2])
    if len(candidates) < 2 or any("kind" not in model.model_fields for model in candidates):
        return []
    having = [model for model in candidates if str(loc[-1]) in model.model_fields]
    return [name for model in having for name in get_args(model.model_fields["kind"].annotation)]


def _joined(loc: tuple[int | str, ...]) -> tuple[int | str, ...]:
    """The path `loc` with the valve of one head as one part, such as "valve.1"."""
    if VALVE_HEADS not in loc[:-1]:
        return loc
    place = loc.index(VALVE_HEADS)
    return (*loc[:place], f"{HEAD}{loc[place + 1]}", *loc[place + 2 :])


def _below(candidates: list[type[BaseModel]], part: int | str) -> list[type[BaseModel]]:
    """The sections that `part` of a path leads to from one of the `candidates`."""
    if isinstance(part, int):
        return candidates
    if tagged := _tagged(candidates, part):
        return tagged
    fields = candidates[0].model_fields if len(candidates) == 1 else {}
    part = VALVE_HEADS if part.startswith(HEAD) else part
    return list(_sections_in(fields[part].annotation)) if part in fields else []


def _tagged(candidates: list[type[BaseModel]], part: str) -> list[type[BaseModel]]:
    """The `candidates` whose kind is `part`, if there are several: `part` is pydantic's tag."""
    if len(candidates) < 2:
        return []
    return [
        model for model in candidates if part in get_args(model.model_fields["kind"].annotation)
    ]


def _sections_in(annotation: Any) -> Iterator[type[BaseModel]]:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        yield annotation
    for part in get_args(annotation):
        yield from _sections_in(part)


_KINDS = {
    "pump": "intensifier, direct drive",
    "source": "modbus tcp, modbus rtu, opc ua, mqtt, sparkplug b",
}


def _explain(
    mistake: ErrorDetails, section: type[BaseModel] | None, where: str, files: str
) -> tuple[str, str]:
    """What is wrong and how to fix it; `files` show how to write it."""
    loc = mistake["loc"]
    field = str(loc[-1]) if loc else ""
    context = mistake.get("ctx", {})
    match mistake["type"]:
        case "bad_value":
            return context["wrong"], context["right"]
        case "extra_forbidden":
            names = sorted(section.model_fields) if section else []
            near = difflib.get_close_matches(field, names, n=1, cutoff=0.55)
            right = f"did you mean {near[0]!r}?" if near else f"known here: {', '.join(names)}"
            return "unknown field", right
        case "missing":
            return "is missing", f"state {_example(section, field, where)}"
        case "union_tag_not_found":
            kinds = _KINDS[field].split(", ")
            return "is missing", f"state kind = {_alternatives(kinds)}"
        case "union_tag_invalid":
            kinds = _KINDS[field].split(", ")
            near = difflib.get_close_matches(str(context.get("tag")), kinds, n=1, cutoff=0.5)
            hint = f"did you mean {near[0]!r}? " if near and field == "source" else ""
            return (
                f"{context.get('tag')!r} is not a kind of {field}",
                f"{hint}state kind = {_alternatives(kinds)}",
            )
        case "literal_error":
            return f"{mistake['input']!r} is not known", f"give {context.get('expected')}"
        case "too_short" if field == "jewel":
            return "no jewel is stated", "add a [[jewel]] with fitted, bore and material"
        case "too_short" | "string_too_short":
            return "is empty", f"state {_example(section, field, where)}"
        case "list_type" if field == "jewel":
            return "a single section", "write [[jewel]], in double brackets, once for each jewel"
        case "model_type" | "model_attributes_type" | "dict_type":
            return f"{mistake['input']!r} is not a section", f"write it as in {files}"
        case "string_pattern_mismatch" if field == "url":
            shown = "that" if "@" in mistake["input"] else repr(mistake["input"])
            return (
                f"{shown} is not the address of an OPC UA server",
                'give one such as "opc.tcp://192.168.0.10:4840/", without user and password',
            )
    if field in ("password", "source"):  # secrets stay out of messages
        return mistake["msg"], "see the machine files under config/live/"
    return f"{mistake['input']!r}: {mistake['msg']}", f"write it as in {files}"


def _alternatives(names: Iterable[str]) -> str:
    return " or ".join(f'"{name}"' for name in names)


def _example(section: type[BaseModel] | None, field: str, where: str) -> str:
    """How to state the `field` of a `section`."""
    known = section.model_fields.get(field) if section else None
    if known is not None:
        for unit in known.metadata:
            if isinstance(unit, Unit):
                return f"it, such as {field} = {unit.examples}"
        if known.examples:
            return f"it, such as {field} = {known.examples[0]}"
        if any(_sections_in(known.annotation)):
            return "a section [[jewel]]" if field == "jewel" else f"a section [{where}]"
    units: dict[type[BaseModel] | None, str] = {
        TemperatureColumn: '"degC"',
        StrokeTimeColumn: '"s"',
        SpeedColumn: '"rpm"',
    }
    examples = {
        "name": '"North"',
        "time_zone": '"Europe/Vienna"',
        "column": '"the column\'s name"',
        "time": '"the column\'s name"',
        "unit": units.get(section, '"bar"'),
        "plungers": "3",
        "material": '"ruby"',
        "fitted": "2026-03-02T06:00:00",
        "function": "4",
        "address": "0",
        "host": '"192.168.0.10"',
        "device": '"/dev/ttyUSB0"',
        "url": '"opc.tcp://192.168.0.10:4840/"',
        "node": '"ns=2;s=Pump.Pressure"',
        "field": '"pressure"',
        "topic": '"shop/north/pump"',
        "metric": '"Pump/Pressure"',
        "group": '"Lindgrat"',
    }
    return f"it, such as {field} = {examples[field]}" if field in examples else "it"
