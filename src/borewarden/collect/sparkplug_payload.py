"""Payloads of Sparkplug B: protobuf with metrics, by Eclipse Sparkplug 3.0.0, chapter 6.4.

The field numbers are those of the specification's `sparkplug_b.proto`. Only what a watcher reads is
declared here; protobuf passes over everything else.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from google.protobuf import descriptor_pb2, descriptor_pool, message_factory
from google.protobuf.message import DecodeError, Message

from borewarden.collect import payload

INT8, INT16, INT32, INT64, UINT8, UINT16, UINT32, UINT64 = range(1, 9)
BOOLEAN = 11
DOUBLE = 10
DATE_TIME = 13
BITS = {
    INT8: 8, INT16: 16, INT32: 32, INT64: 64, UINT8: 8, UINT16: 16, UINT32: 32, UINT64: 64,
    DATE_TIME: 64,
}  # fmt: skip
SIGNED = frozenset((INT8, INT16, INT32, INT64))
QUALITIES = {0: "bad", 500: "stale"}  # 6.4.7; 192 is good, and so is a value without a quality
GOOD = 192
NOT_NUMBERS = {
    "bytes_value": "bytes, not a number",
    "dataset_value": "a data set, not a number",
    "template_value": "a template; have the node publish its members as metrics of their own",
}
REBIRTH = "Node Control/Rebirth"


@dataclass(frozen=True)
class Metric:
    """One metric of a message; `name` is "" and the others None where they are not stated.

    `kind` is the field that has the value, "" where none has. `time_ns` is since 1970 UTC.
    `quality` is what the node finds wrong with the value, "" where it is good. `unit` is as the
    node names it, "" where it does not.
    """

    name: str
    alias: int | None
    time_ns: int | None
    datatype: int | None
    is_historical: bool
    is_null: bool
    quality: str
    unit: str
    kind: str
    value: Any


@dataclass(frozen=True)
class Payload:
    """One message: when it was sent (ns since 1970 UTC), its place in the order, its metrics."""

    time_ns: int | None
    seq: int
    metrics: Sequence[Metric]


def decode(content: bytes) -> Payload | None:
    """What a message says; None if it is not protobuf of that form.

    A missing `seq` is 0: encoders of protobuf's third version leave noughts out.
    """
    message: Any = _Payload()
    try:
        message.ParseFromString(bytes(content))
    except DecodeError:
        return None
    metrics = [_metric(each) for each in message.metrics]
    time_ns = payload.time(message.timestamp)[0] if message.HasField("timestamp") else None
    return Payload(time_ns, message.seq, metrics)


def _metric(raw: Any) -> Metric:
    kind = raw.WhichOneof("value") or ""
    named = dict(zip(raw.properties.keys, raw.properties.values, strict=False))
    quality = named.get("Quality")
    return Metric(
        name=raw.name,
        alias=raw.alias if raw.HasField("alias") else None,
        time_ns=payload.time(raw.timestamp)[0] if raw.HasField("timestamp") else None,
        datatype=raw.datatype or None,  # 0 is "unknown"
        is_historical=raw.is_historical,
        is_null=raw.is_null or not kind,
        quality="" if quality is None else _quality(quality.int_value),
        unit=named["engUnit"].string_value if "engUnit" in named else "",
        kind=kind,
        value=getattr(raw, kind) if kind and kind not in NOT_NUMBERS else None,
    )


def _quality(code: int) -> str:
    return "" if code == GOOD else QUALITIES.get(code, f"{code}, which Sparkplug does not know")


def number(metric: Metric, datatype: int | None) -> tuple[float, str]:
    """The value as a number, and what is wrong with it; one of the two is NaN or empty.

    Integers are two's complement of the width that `datatype` has, whichever field they are in. An
    integer whose datatype nobody knows may be negative or not, so it is not a number.
    """
    if metric.is_null:
        return math.nan, "null"
    if metric.quality:
        return math.nan, f"its quality is {metric.quality}"
    if metric.kind in NOT_NUMBERS:
        return math.nan, NOT_NUMBERS[metric.kind]
    if metric.kind not in ("int_value", "long_value"):
        return payload.number(metric.value)
    if datatype not in BITS:
        return math.nan, "an integer whose datatype is not known before the next birth"
    width = 1 << BITS[datatype]
    value = metric.value % width
    return float(value - width if datatype in SIGNED and value >= width // 2 else value), ""


def encode(time_ns: int, seq: int | None, metrics: Sequence[dict[str, Any]]) -> bytes:
    """A message; `metrics` have the names of the specification's fields as keys."""
    message: Any = _Payload(timestamp=time_ns // 10**6, metrics=metrics)
    if seq is not None:
        message.seq = seq
    encoded: bytes = message.SerializeToString()
    return encoded


# -- the form


def _declared() -> type[Message]:
    """The messages that are read, without a generated file beside this one."""
    kinds = descriptor_pb2.FieldDescriptorProto
    file = descriptor_pb2.FileDescriptorProto(
        name="borewarden/sparkplug_b.proto", package="borewarden.sparkplug", syntax="proto2"
    )
    values = (
        ("int_value", kinds.TYPE_UINT32),
        ("long_value", kinds.TYPE_UINT64),
        ("float_value", kinds.TYPE_FLOAT),
        ("double_value", kinds.TYPE_DOUBLE),
        ("boolean_value", kinds.TYPE_BOOL),
        ("string_value", kinds.TYPE_STRING),
    )
    # data sets and templates are only told from numbers, so their insides stay bytes
    others = tuple((name, kinds.TYPE_BYTES) for name in NOT_NUMBERS)

    def declare(name: str, fields: Sequence[tuple[int, str, int]], oneof: int = 0) -> Any:
        message = file.message_type.add(name=name)
        if oneof:
            message.oneof_decl.add(name="value")
        for at, field, kind in fields:
            added = message.field.add(name=field, number=at, type=kind)
            added.label = kinds.LABEL_OPTIONAL
            if oneof and at >= oneof:
                added.oneof_index = 0
        return message

    declare("PropertyValue", [(3 + i, *each) for i, each in enumerate(values)], 3)
    properties = declare("PropertySet", [(1, "keys", kinds.TYPE_STRING)])
    properties.field[0].label = kinds.LABEL_REPEATED
    properties.field.add(
        name="values", number=2, type=kinds.TYPE_MESSAGE, label=kinds.LABEL_REPEATED,
        type_name=".borewarden.sparkplug.PropertyValue",
    )  # fmt: skip
    fields = [
        (1, "name", kinds.TYPE_STRING),
        (2, "alias", kinds.TYPE_UINT64),
        (3, "timestamp", kinds.TYPE_UINT64),
        (4, "datatype", kinds.TYPE_UINT32),
        (5, "is_historical", kinds.TYPE_BOOL),
        (7, "is_null", kinds.TYPE_BOOL),
        *((10 + i, *each) for i, each in enumerate((*values, *others))),
    ]
    metric = declare("Metric", fields, 10)
    metric.field.add(
        name="properties", number=9, type=kinds.TYPE_MESSAGE, label=kinds.LABEL_OPTIONAL,
        type_name=".borewarden.sparkplug.PropertySet",
    )  # fmt: skip
    whole = declare("Payload", [(1, "timestamp", kinds.TYPE_UINT64), (3, "seq", kinds.TYPE_UINT64)])
    whole.field.add(
        name="metrics", number=2, type=kinds.TYPE_MESSAGE, label=kinds.LABEL_REPEATED,
        type_name=".borewarden.sparkplug.Metric",
    )  # fmt: skip
    pool = descriptor_pool.DescriptorPool()
    pool.Add(file)
    return message_factory.GetMessageClass(
        pool.FindMessageTypeByName("borewarden.sparkplug.Payload")
    )


_Payload = _declared()
