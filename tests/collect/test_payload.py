"""What gateways write: numbers, times, paths. No published source: seen in the field."""

from __future__ import annotations

import json
import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from borewarden.collect.payload import MISSING, find, number, parse, time


@pytest.mark.parametrize(
    ("value", "is_number"),
    [
        (374.6, 374.6),
        (7, 7.0),
        (True, 1.0),
        ("374.6", 374.6),
        (" 374.6 ", 374.6),
        ("-0.5", -0.5),
        ("3.746e2", 374.6),
        (".5", 0.5),
        ("374,6", 374.6),
        ("0,375", 0.375),
        ("-0,375", -0.375),
        ("1234,567", 1234.567),
        ("374,61", 374.61),
    ],
)
def test_numbers_as_gateways_write_them(value: object, is_number: float) -> None:
    assert number(value) == (is_number, "")


@pytest.mark.parametrize(
    ("value", "says"),
    [
        ("1,234", "a comma that may stand for decimals or for thousands"),
        ("374,600", "a comma that may stand for decimals or for thousands"),
        ("1.234,5", "text, not a number"),
        ("1,234.5", "text, not a number"),
        ("1,234,567", "text, not a number"),
        ("374.6 MPa", "text, not a number"),
        ("1_000", "text, not a number"),
        ("nan", "text, not a number"),
        ("", "text, not a number"),
        ("٣", "text, not a number"),
        ("1e999", "not a finite number"),
        (math.inf, "not a finite number"),
        (10**400, "not a finite number"),
        (None, "null"),
        ([1.0, 2.0], "a list; name one of its values, such as [0]"),
        ({"bar": 1.0}, "an object; name one of its fields"),
        (MISSING, "no such field"),
    ],
)
def test_what_is_not_a_number_says_why(value: object, says: str) -> None:
    found, why = number(value)
    assert math.isnan(found)
    assert why == says


@pytest.mark.parametrize(
    ("path", "found"),
    [
        ("values[0]", 1.0),
        ("values.0", 1.0),
        ("values[1].bar", 2.0),
        ("values.1.bar", 2.0),
        ("values[2][0]", 3.0),
        ("pump.psi", 4.0),
        ("a.b", 5.0),
        ("a.c", MISSING),
        ("values[9]", MISSING),
        ("values[-1]", MISSING),
        ("values.bar", MISSING),
        ("pump[0]", MISSING),
        ("nothing", MISSING),
    ],
)
def test_a_path_goes_into_objects_and_lists(path: str, found: object) -> None:
    payload = {"values": [1.0, {"bar": 2.0}, [3.0]], "pump.psi": 4.0, "a": {"b": 5.0}}
    assert find(payload, path) == found
    assert find([7.0], "[0]") == find([7.0], "0") == 7.0
    assert find(8.0, "") == 8.0


@pytest.mark.parametrize("payload", [b"374.6", b"374,6", b" 374,6\n", b'"374,6"', b'"374.6"'])
def test_a_bare_number_may_be_text(payload: bytes) -> None:
    parsed, wrong = parse(payload)
    assert wrong == ""
    assert number(parsed) == (374.6, "")


@pytest.mark.parametrize("payload", [b"", b"high", b"\xff\xfe", b"{", b"[" * 100_000])
def test_what_is_not_json_says_so(payload: bytes) -> None:
    assert parse(payload) == (None, "the payload is not JSON")


@pytest.mark.parametrize(
    ("value", "ns"),
    [
        (1772431200, 1772431200 * 10**9),
        (1772431200.25, 1772431200_250_000_000),
        (1772431200250, 1772431200_250_000_000),
        (1772431200250123, 1772431200_250_123_000),
        (1772431200250123456, 1772431200_250_123_456),
        ("1772431200", 1772431200 * 10**9),
        ("1772431200.25", 1772431200_250_000_000),
        ("1772431200250123456", 1772431200_250_123_456),
        ("2026-03-02T06:00:00Z", 1772431200 * 10**9),
        ("2026-03-02T07:00:00.5+01:00", 1772431200_500_000_000),
    ],
)
def test_times_of_all_usual_kinds(value: object, ns: int) -> None:
    assert time(value) == (ns, "")


@pytest.mark.parametrize(
    ("value", "says"),
    [
        ("2026-03-02T06:00:00", "the time has no offset from UTC"),
        ("noon", "the time is text, and not ISO 8601"),
        ("1850-03-02T06:00:00Z", "the time is not one of 2000 to 2100"),
        (MISSING, "the message has no time"),
        (None, "the time is not one of 2000 to 2100"),
        (12, "the time is not one of 2000 to 2100"),
        ("12", "the time is not one of 2000 to 2100"),
        (1e300, "the time is not one of 2000 to 2100"),
        (True, "the time is not one of 2000 to 2100"),
        ({}, "the time is not one of 2000 to 2100"),
    ],
)
def test_what_is_not_a_time_says_why(value: object, says: str) -> None:
    assert time(value) == (None, says)


@given(st.binary(max_size=60) | st.text(max_size=60).map(str.encode))
def test_no_payload_raises(payload: bytes) -> None:
    found, _ = parse(payload)
    assert isinstance(number(find(found, "a[0].b"))[0], float)
    time(find(found, "t"))


@given(
    st.recursive(
        st.none() | st.booleans() | st.integers() | st.floats() | st.text(),
        lambda inner: st.lists(inner) | st.dictionaries(st.sampled_from(["a", "b", "t"]), inner),
    ),
    st.text(alphabet="abt.[]019", max_size=8),
)
def test_no_document_and_no_path_raises(document: object, path: str) -> None:
    found, _ = parse(json.dumps(document))
    assert isinstance(number(find(found, path))[0], float)
    time(find(found, path))
