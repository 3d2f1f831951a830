"""The feature table, and reasons in words."""

from __future__ import annotations

import pytest

from borewarden.base.shown import US, shown_in
from borewarden.diagnose import feature_table
from borewarden.diagnose.causes import Cause
from borewarden.diagnose.evidence import Change, features_in, is_as_expected, reason_words
from borewarden.diagnose.feature_table import FEATURES, NAMES


def test_each_feature_has_the_number_of_its_name() -> None:
    assert {name: getattr(feature_table, name.upper()) for name in NAMES} == {
        name: i for i, name in enumerate(NAMES)
    }


@pytest.mark.parametrize(
    ("name", "seen", "cause", "expected", "said"),
    [
        (
            *("ripple", 0.0868, Cause.BORE, 0.1301),  # ln 1.0907, ln 1.139
            "pressure flutter up 9 %; a bad jewel usually adds 14 %",
        ),
        (
            *("boost", -0.4, Cause.BORE, 1e-5),
            "feed pressure down 33 %; a bad jewel usually leaves it alone",
        ),
        (
            *("area", -0.0004, Cause.BLOCKED, -0.03),
            "effective area unchanged; a blocked orifice or filter usually takes off 3.0 %",
        ),
        (
            *("zero", 0.02, Cause.TRANSDUCER, 0.061),
            "pressure reading while stopped up 2.0 % of working pressure; "
            "a drifting transducer usually adds 6 %",
        ),
        (
            *("weep", 31.4, Cause.UNKNOWN, 0.0),
            "weep line up 31 °C relative to water temperature; an unknown fault can do anything",
        ),
    ],
)
def test_a_reason_says_what_was_seen_and_what_the_cause_usually_does(
    name: str, seen: float, cause: Cause, expected: float, said: str
) -> None:
    assert reason_words(FEATURES[NAMES.index(name)], seen, Change(cause, expected)) == said


def test_what_speaks_for_a_cause_by_its_absence_says_which_other_would_have_brought_it() -> None:
    leak = Change(Cause.LEAK, 0.34)
    ripple = FEATURES[NAMES.index("ripple")]
    assert reason_words(ripple, 0.0001, Change(Cause.BORE, 0.049), 0.18, leak) == (
        "pressure flutter unchanged; a leaking seal or check valve usually adds 40 %, "
        "a bad jewel usually adds 5 %; on this machine it varies by ±20 % by itself"
    )
    weep = FEATURES[NAMES.index("weep")]
    assert reason_words(weep, 0.8, Change(Cause.BORE, 0.0), rival=Change(Cause.LEAK, 31.0)) == (
        "weep line up 0.8 °C relative to water temperature; a leaking seal or check valve usually "
        "adds 31 °C, a bad jewel usually leaves it alone"
    )
    # a cause that does something itself needs no other to explain it
    own = "pressure flutter up 9 %; a bad jewel usually adds 14 %"
    assert (
        reason_words(ripple, 0.0868, Change(Cause.BORE, 0.1301), rival=Change(Cause.LEAK, 0.2))
        == own
    )


@pytest.mark.parametrize(
    ("seen", "sd", "cause", "expected", "fits"),
    [
        (0.070, 0.001, Cause.LEAK, 0.0705, True),  # "up 7 %; usually adds 7 %"
        (0.070, 0.001, Cause.LEAK, 0.100, False),
        (0.070, 0.040, Cause.LEAK, 0.100, True),  # within what is not known of it
        (-0.070, 0.001, Cause.LEAK, 0.070, False),
        (0.0001, 0.0, Cause.LEAK, -0.0002, True),  # "unchanged; usually leaves it alone"
        (0.5, 0.001, Cause.UNKNOWN, 0.0, True),  # which can do anything
    ],
)
def test_what_a_cause_brings_is_as_expected(
    seen: float, sd: float, cause: Cause, expected: float, fits: bool
) -> None:
    ripple = FEATURES[NAMES.index("ripple")]
    assert is_as_expected(ripple, seen, sd, Change(cause, expected)) is fits


@pytest.mark.parametrize("cause", Cause, ids=lambda cause: cause.name)
@pytest.mark.parametrize("seen", [-2.0, 0.0, 0.5])
def test_a_reason_names_its_own_feature_and_no_other(seen: float, cause: Cause) -> None:
    for feature in FEATURES:
        reason = reason_words(feature, seen, Change(cause, 0.3))
        assert features_in([reason]) == {feature.name}
    reasons = [reason_words(feature, seen, Change(cause, 0.0)) for feature in FEATURES]
    assert features_in(reasons) == set(NAMES)
    assert features_in(["inspection, weep: one is hot"]) == set()


def test_a_rise_of_18_fahrenheit_is_one_of_10_kelvin() -> None:
    """1 K is 1.8 °F of difference (any physics text)."""
    weep = FEATURES[NAMES.index("weep")]
    with shown_in(US):
        words = reason_words(weep, 10.0, Change(Cause.LEAK, 20.0))
    assert "up 18 °F" in words
    assert "adds 36 °F" in words
