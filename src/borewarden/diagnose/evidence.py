"""The reasons for and against a cause, as sentences."""

from __future__ import annotations

from collections.abc import Iterable
from typing import NamedTuple

from borewarden.base.shown import UNITS, shown
from borewarden.diagnose.causes import Cause
from borewarden.diagnose.feature_table import FEATURES, Feature

WHOLE_FROM = 5.0  # from here on, in the unit that people read, decimals only distract; invented
ABSENT = 2.0  # times what was seen or expected, that a rival would have brought; invented

# What a sentence calls each cause. UNKNOWN expects nothing in particular and has no name here.
_SHORT = {
    Cause.BORE: "a bad jewel",
    Cause.LEAK: "a leaking seal or check valve",
    Cause.SECOND_HEAD: "a second open head",
    Cause.BLOCKED: "a blocked orifice or filter",
    Cause.TRANSDUCER: "a drifting transducer",
    Cause.FEED: "poor feed",
    Cause.SLIP: "belt slip",
    Cause.BYPASS: "a leaking bypass or relief valve",
    Cause.OTHER_BORE: "another jewel",
}
_UP, _DOWN, _UNCHANGED = "up", "down", "unchanged"


class Change(NamedTuple):
    """A cause, and what it usually changes of a feature, in the unit of that."""

    cause: Cause
    expected: float


def reason_words(
    feature: Feature,
    seen: float,
    own: Change,
    usual: float = 0.0,
    rival: Change | None = None,
) -> str:
    """Return one reason: what was seen of a feature, and what the cause usually does to it.

    `seen` is in the unit of `feature`, `own` what the cause changes, `usual` how far it goes to and
    fro on this machine by itself, 0 where nobody knows. For example "pressure flutter up 9 %; a bad
    jewel usually adds 14 %; on this machine it varies by ±20 % by itself". What speaks for a cause
    by its absence needs the `rival` that would have brought it: "weep line unchanged; a leaking
    seal or check valve usually adds 31 °C, a bad jewel usually leaves it alone".
    """
    amount = _amount(feature, seen)
    direction = _UP if seen > 0.0 else _DOWN
    change = f"{direction} {amount} {feature.scale.over}".rstrip() if amount else _UNCHANGED
    usually = _usually(feature, *own)
    if rival is not None and abs(rival.expected) > ABSENT * max(abs(seen), abs(own.expected)):
        usually = f"{_usually(feature, *rival)}, {usually}"
    words = f"{feature.words} {change}; {usually}"
    by_itself = _amount(feature, usual)
    return f"{words}; on this machine it varies by ±{by_itself} by itself" if by_itself else words


def is_as_expected(feature: Feature, seen: float, sd: float, own: Change) -> bool:
    """Whether what was `seen` is what a cause changes, within `sd` or as the words have it.

    All in the unit of `feature`. An unknown fault can do anything, so nothing is against it.
    """
    if own.cause not in _SHORT or abs(seen - own.expected) <= sd:
        return True
    same_way = seen * own.expected > 0.0 or not _amount(feature, seen)
    return same_way and _amount(feature, seen) == _amount(feature, own.expected)


def features_in(reasons: Iterable[str]) -> set[str]:
    """Return the names of the features that `reasons`, made by `reason_words`, speak of."""
    openings = {
        feature.name: tuple(f"{feature.words} {said}" for said in (_UP, _DOWN, _UNCHANGED))
        for feature in FEATURES
    }
    return {
        name for reason in reasons for name, starts in openings.items() if reason.startswith(starts)
    }


def _usually(feature: Feature, cause: Cause, expected: float) -> str:
    if cause not in _SHORT:
        return "an unknown fault can do anything"
    amount = _amount(feature, expected)
    if not amount:
        return f"{_SHORT[cause]} usually leaves it alone"
    verb = "adds" if expected > 0.0 else "takes off"
    return f"{_SHORT[cause]} usually {verb} {amount}"


def _amount(feature: Feature, change: float) -> str:
    """Size and unit of a change, without its sign; "" if it rounds to nothing."""
    unit, size = feature.scale.unit, abs(feature.scale.amount(change))
    if unit == UNITS["temperature"]["degC"].label:
        unit, size = shown("temperature").label, size / shown("temperature").factor
    digits = f"{size:.0f}" if size >= WHOLE_FROM else f"{size:.1f}"
    return f"{digits} {unit}" if float(digits) else ""
