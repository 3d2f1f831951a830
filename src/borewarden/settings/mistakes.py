"""Pydantic's findings in plain words: which field is wrong, and what would be right."""

from __future__ import annotations

import difflib
import os
from collections.abc import Iterable
from pathlib import Path

from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails

from borewarden.collect import BadInput
from borewarden.settings.machine import ENV_PREFIX, MachineSettings
from borewarden.settings.sections import (
    CountColumn,
    DirectDrivePump,
    FittedJewel,
    GateOverrides,
    IntensifierPump,
    Log,
    PressureColumn,
    RateColumn,
    SpeedColumn,
    StrokeTimeColumn,
    TemperatureColumn,
    TorqueColumn,
    ValveColumn,
    WatchOverrides,
)
from borewarden.settings.source import (
    FieldOf,
    ModbusRtu,
    ModbusTcp,
    Mqtt,
    NodeOf,
    OpcUa,
    RegisterPoint,
)
from borewarden.settings.units import Unit

_SECTIONS: dict[str, type[BaseModel]] = {
    "": MachineSettings,
    "intensifier": IntensifierPump,
    "direct drive": DirectDrivePump,
    "log": Log,
    "pressure": PressureColumn,
    "rate": RateColumn,
    "stroke_count": CountColumn,
    "temperature": TemperatureColumn,
    "valve": ValveColumn,
    "oil_pressure": PressureColumn,
    "boost_pressure": PressureColumn,
    "weep_temperature": TemperatureColumn,
    "bypass_temperature": TemperatureColumn,
    "left_stroke_time": StrokeTimeColumn,
    "right_stroke_time": StrokeTimeColumn,
    "motor_speed": SpeedColumn,
    "motor_torque": TorqueColumn,
    "check_valve_temperature": TemperatureColumn,
    "gate": GateOverrides,
    "watch": WatchOverrides,
    "jewel": FittedJewel,
}
_SOURCES: dict[str, tuple[type[BaseModel], type[BaseModel]]] = {
    "modbus tcp": (ModbusTcp, RegisterPoint),
    "modbus rtu": (ModbusRtu, RegisterPoint),
    "opc ua": (OpcUa, NodeOf),
    "mqtt": (Mqtt, FieldOf),
}
_TAGS = {"pump": ("intensifier", "direct drive"), "source": tuple(_SOURCES)}


def first_mistake(path: Path, error: ValidationError) -> BadInput:
    """What `error` found wrong with the file at `path`: the one mistake most worth telling."""
    # a misspelt name makes two mistakes, and only the unknown one says what to do
    mistakes = sorted(error.errors(), key=lambda e: e["type"] != "extra_forbidden")
    mistake = mistakes[0]
    where = _field_path(mistake["loc"])
    variable = ENV_PREFIX + where.upper().replace(".", "__")
    if any(name.upper() == variable for name in os.environ):
        where += f" (from {variable})"
    wrong, right = _explain(mistake)
    return BadInput(path, where, wrong, right)


def _field_path(loc: tuple[int | str, ...]) -> str:
    """Such as 'pump.stroke' or 'jewel[2].bore', counted from one; without pydantic's union tags."""
    path = ""
    for i, part in enumerate(loc):
        if isinstance(part, int):
            path += f"[{part + 1}]"
        elif not (i == 1 and part in _TAGS.get(str(loc[0]), ())):
            path += f".{part}" if path else part
    return path


def _section_of(loc: tuple[int | str, ...]) -> type[BaseModel] | None:
    names = [part for part in loc[:-1] if isinstance(part, str)]
    if names[:1] == ["source"]:
        kinds = _SOURCES.get(names[1]) if len(names) > 1 else None
        return kinds[min(len(names), 3) - 2] if kinds else None
    return _SECTIONS.get(names[-1] if names else "")


def _explain(mistake: ErrorDetails) -> tuple[str, str]:
    """What is wrong, what would be right."""
    loc = mistake["loc"]
    section = _section_of(loc)
    field = str(loc[-1]) if loc else ""
    context = mistake.get("ctx", {})
    match mistake["type"]:
        case "bad_value":
            return context["wrong"], context["right"]
        case "extra_forbidden":
            names = sorted(section.model_fields) if section else []
            near = difflib.get_close_matches(field, names, n=1, cutoff=0.55)
            right = f"did you mean {near[0]!r}?" if near else f"known here are {', '.join(names)}"
            return "unknown field", right
        case "missing":
            return "is missing", f"state it, such as {field} = {_example(section, field)}"
        case "union_tag_not_found":
            kinds = _TAGS[field]
            return f"{field}.kind is missing", f"state kind = {_alternatives(kinds)}"
        case "union_tag_invalid":
            kinds = _TAGS[field]
            near = difflib.get_close_matches(str(context.get("tag")), kinds, n=1, cutoff=0.5)
            hint = f"did you mean {near[0]!r}? " if near and field == "source" else ""
            return (
                f"{context.get('tag')!r} is no kind of {field}",
                f"{hint}kind is {_alternatives(kinds)}",
            )
        case "literal_error":
            return f"{mistake['input']!r} is not known", f"it is {context.get('expected')}"
        case "too_short":
            return "no jewel is stated", "add a [[jewel]] with fitted, bore and material"
        case "string_pattern_mismatch" if field == "url":
            shown = "that" if "@" in mistake["input"] else repr(mistake["input"])
            return (
                f"{shown} is no address of an OPC UA server",
                'give one such as "opc.tcp://192.168.0.10:4840/"; user and password go elsewhere',
            )
    if field in ("password", "source"):  # secrets stay out of messages
        return mistake["msg"], "see the machine files under config/live/"
    return f"{mistake['input']!r}: {mistake['msg']}", "see the machine files under config/"


def _alternatives(names: Iterable[str]) -> str:
    return " or ".join(f'"{name}"' for name in names)


def _example(section: type[BaseModel] | None, field: str) -> str:
    units: dict[type[BaseModel] | None, str] = {
        TemperatureColumn: '"degC"',
        StrokeTimeColumn: '"s"',
        SpeedColumn: '"rpm"',
    }
    examples = {
        "name": '"North"',
        "time_zone": '"Europe/Vienna"',
        "pump": "a section [pump]",
        "log": "a section [log]",
        "pressure": "a section [log.pressure]",
        "jewel": "a section [[jewel]]",
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
    }
    if section and field in section.model_fields:
        for unit in section.model_fields[field].metadata:
            if isinstance(unit, Unit):
                return unit.examples
    return examples.get(field, "in the machine files under config/")
