"""Values of Sparkplug B, by the data types of Eclipse Sparkplug 3.0.0, chapter 6.4.16."""

from __future__ import annotations

import math
from typing import Any

import pytest

from borewarden.collect.sparkplug_payload import decode, encode, number

NOW = 1_772_000_000 * 10**9


def read(datatype: int | None, **fields: Any) -> tuple[float, str]:
    """What is read of a metric with these fields."""
    if datatype is not None:
        fields["datatype"] = datatype
    payload = decode(encode(NOW, 7, [{"name": "a", **fields}]))
    assert payload is not None
    assert (payload.time_ns, payload.seq) == (NOW, 7)
    (metric,) = payload.metrics
    return number(metric, metric.datatype)


@pytest.mark.parametrize(
    ("datatype", "fields", "value"),
    [
        (1, {"int_value": 2**32 - 5}, -5.0),  # Int8, sign carried on to 32 bits
        (1, {"int_value": 2**8 - 5}, -5.0),  # and not
        (2, {"int_value": 2**32 - 300}, -300.0),
        (2, {"int_value": 32_767}, 32_767.0),
        (3, {"int_value": 2**32 - 1}, -1.0),
        (4, {"long_value": 2**64 - 1}, -1.0),
        (4, {"int_value": 12}, 12.0),
        (5, {"int_value": 255}, 255.0),
        (6, {"int_value": 65_535}, 65_535.0),
        (7, {"int_value": 2**32 - 1}, 2.0**32 - 1.0),
        (7, {"long_value": 2**32 - 1}, 2.0**32 - 1.0),  # where Eclipse Tahu has it
        (8, {"long_value": 2**64 - 1}, 2.0**64),
        (9, {"float_value": 2.5}, 2.5),
        (10, {"double_value": -0.1}, -0.1),
        (11, {"boolean_value": True}, 1.0),
        (12, {"string_value": "374,6"}, 374.6),
        (None, {"double_value": 3.0}, 3.0),  # says of itself what it is
    ],
)
def test_numbers(datatype: int | None, fields: dict[str, Any], value: float) -> None:
    assert read(datatype, **fields) == (value, "")


@pytest.mark.parametrize(
    ("datatype", "fields", "says"),
    [
        (10, {"is_null": True}, "null"),
        (10, {}, "null"),
        (10, {"double_value": math.nan}, "not a finite number"),
        (12, {"string_value": "high"}, "text, not a number"),
        (17, {"bytes_value": b"\x01"}, "bytes, not a number"),
        (16, {"dataset_value": b""}, "a data set, not a number"),
        (19, {"template_value": b""}, "a template; "),
        (None, {"int_value": 7}, "an integer whose datatype is not known"),
        (99, {"int_value": 7}, "an integer whose datatype is not known"),
    ],
)
def test_what_is_not_a_number_is_said(
    datatype: int | None, fields: dict[str, Any], says: str
) -> None:
    value, wrong = read(datatype, **fields)
    assert math.isnan(value)
    assert wrong.startswith(says)


@pytest.mark.parametrize(("code", "says"), [(0, "bad"), (500, "stale"), (192, ""), (7, "7, which")])
def test_quality(code: int, says: str) -> None:
    properties = {"keys": ["Quality"], "values": [{"int_value": code}]}
    value, wrong = read(10, double_value=3.0, properties=properties)
    assert (value == 3.0) is (says == "")
    assert says in wrong


@pytest.mark.parametrize("content", [b"\xff\xfe", b'{"bar": 3800}', b"\x12\x7f"])
def test_what_is_no_payload(content: bytes) -> None:
    assert decode(content) is None


def test_noughts_that_an_encoder_leaves_out() -> None:
    payload = decode(b"")
    assert payload is not None
    assert (payload.seq, payload.time_ns, payload.metrics) == (0, None, [])
