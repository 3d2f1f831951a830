"""Values as JSON can hold them: one converter for page, other programs and terminal."""

from __future__ import annotations

import dataclasses
import datetime as dt
import json
import math
from collections.abc import Mapping
from enum import Enum
from pathlib import PurePath
from typing import Any

from borewarden.base.statistics import Interval

AS_IT_IS = frozenset({str, int, bool, type(None)})


def plain(value: Any) -> Any:
    """`value` as JSON can hold it.

    Enums by value, what is not a finite number as null, dates as ISO 8601, paths as text. Records
    (dataclasses and named tuples) become objects by field; an `Interval` is its three numbers, as
    the store keeps it. Raises TypeError for anything else that JSON has no word for.
    """
    if type(value) in AS_IT_IS:  # nearly everything
        return value
    match value:
        case Enum():
            return plain(value.value)
        case bool() | int() | str() | None:
            return value
        case float():
            return float(value) if math.isfinite(value) else None
        case Mapping():
            return {str(key): plain(each) for key, each in value.items()}
        case Interval():
            return [plain(each) for each in value]
        case tuple() if hasattr(value, "_asdict"):
            return plain(value._asdict())
        case list() | tuple():
            return [plain(each) for each in value]
        case dt.date():
            return value.isoformat()
        case PurePath():
            return str(value)
        case _ if dataclasses.is_dataclass(value) and not isinstance(value, type):
            return {
                field.name: plain(getattr(value, field.name)) for field in dataclasses.fields(value)
            }
        case _:
            raise TypeError(f"{type(value).__name__} has no form in JSON")


def json_text(value: Any, indent: int | None = None) -> str:
    """`plain(value)` as JSON text; without `indent` on one line and without blanks."""
    return json.dumps(
        plain(value),
        allow_nan=False,
        ensure_ascii=False,
        indent=indent,
        separators=None if indent else (",", ":"),
    )
