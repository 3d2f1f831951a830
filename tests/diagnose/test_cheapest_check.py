"""The cheapest check that separates the two most probable causes."""

from __future__ import annotations

import numpy as np
import pytest

from borewarden.diagnose.causes import Belief, Cause
from borewarden.diagnose.checks import CHECKS, cheapest_check
from borewarden.diagnose.feature_table import NAMES, FeatureShift


def measured(*names: str) -> FeatureShift:
    """Only the features named, none of which has moved."""
    seen = np.array([0.0 if name in names else np.nan for name in NAMES])
    return FeatureShift(seen, seen + 0.003)


def believing(first: Cause, second: Cause) -> tuple[Belief, ...]:
    return (Belief(first, 0.6), Belief(second, 0.3), Belief(Cause.UNKNOWN, 0.1))


@pytest.mark.parametrize(
    ("first", "second", "is_intensifier", "words"),
    [
        (Cause.BORE, Cause.SECOND_HEAD, True, "job list"),
        (Cause.BORE, Cause.OTHER_BORE, True, "jewel was changed"),
        (Cause.BORE, Cause.LEAK, True, "count the strokes"),
        (Cause.BORE, Cause.LEAK, False, "weep lines"),
        (Cause.LEAK, Cause.FEED, True, "feed (boost) pressure"),
        (Cause.BLOCKED, Cause.TRANSDUCER, True, "intensification ratio"),
        (Cause.BLOCKED, Cause.TRANSDUCER, False, "goes back to zero"),
        (Cause.BORE, Cause.BYPASS, False, "bypass line"),
        (Cause.BORE, Cause.SLIP, False, "crank speed"),
        (Cause.BORE, Cause.UNKNOWN, True, "microscope"),
        (Cause.LEAK, Cause.UNKNOWN, False, "weep lines"),
    ],
)
def test_the_check_separates_the_two_most_probable_causes(
    first: Cause, second: Cause, is_intensifier: bool, words: str
) -> None:
    for pair in ((first, second), (second, first)):
        found = cheapest_check(believing(*pair), measured("area"), is_intensifier)
        assert words in found
        check = next(check for check in CHECKS if check.words == found)
        assert (first in check.tells) != (second in check.tells)


def test_where_nothing_separates_the_two_the_jewel_itself_is_looked_at() -> None:
    assert "microscope" in cheapest_check(believing(Cause.BORE, Cause.BLOCKED), measured(), True)


def test_what_is_measured_anyhow_is_not_asked_for() -> None:
    beliefs = believing(Cause.BORE, Cause.LEAK)
    asked = [
        cheapest_check(beliefs, seen, True)
        for seen in (
            measured(),
            measured("idle"),
            measured("idle", "weep"),
            measured("idle", "weep", "valves"),
        )
    ]
    words = ("count the strokes", "weep lines", "check valves", "microscope")
    assert [word in check for word, check in zip(words, asked, strict=True)] == [True] * 4
    for check in CHECKS:
        if check.measured_by is not None:
            found = {
                cheapest_check(believing(one, other), measured(NAMES[check.measured_by]), kind)
                for one in Cause
                for other in Cause
                for kind in (True, False)
            }
            assert check.words not in found


def test_a_planned_stop_is_asked_for_where_there_is_one_to_compare_it_with() -> None:
    beliefs = believing(Cause.BORE, Cause.LEAK)
    asked = [
        cheapest_check(beliefs, seen, kind, stopped)
        for seen, kind, stopped in (
            (measured("idle"), True, False),
            (measured("idle"), True, True),
            (measured("idle", "fall"), True, True),
            (measured("idle"), False, True),
        )
    ]
    assert ["planned stop" in check for check in asked] == [False, True, False, False]
    stop = asked[1]
    for caution in ("manual and local codes allow", "guards closed", "nobody near", "qualified"):
        assert caution in stop


def test_checks_at_the_machine_are_for_qualified_people_or_from_the_panel() -> None:
    for check in CHECKS:
        safe = (
            "panel",
            "qualified person",
            "qualified people",
            "locked out and bled down",
            "bled down",
            "ask",
            "read",
        )
        assert any(word in check.words for word in safe), check.words
