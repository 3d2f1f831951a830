"""P(answer | cause) for each step of an inspection.

A misaligned jet loads the pump no more than a straight one, so it is not a cause of what the pump
shows. But a spread stream, a bad cut and a teardrop at the tube's exit may each come from it. So
some steps have a row that holds while the jet is misaligned, whatever the cause.

All figures are invented, dimensionless, and each row sums to 1. Which way they point is common
practice, no source.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple

from borewarden.diagnose.causes import Cause

PRIOR_MISALIGNED = 0.1  # P(jet misaligned) at any time; invented


class Likelihoods(NamedTuple):
    """P(answer | cause) of one step, each row in the order of `answers`.

    Parameters
    ----------
    answers
        The answers that count as evidence.
    usual
        Row of each cause that has none of its own.
    given
        Rows of the causes that the step tells from the others.
    points
        The cause that an answer is a finding of, not merely more likely under.
    misaligned
        Row while the jet is misaligned, whatever the cause; None: alignment has no say.

    """

    answers: tuple[str, ...]
    usual: tuple[float, ...]
    given: Mapping[Cause, tuple[float, ...]]
    points: Mapping[str, Cause] = {}
    misaligned: tuple[float, ...] | None = None


EVIDENCE = {
    "second-head": Likelihoods(
        ("no", "yes"),
        (0.98, 0.02),
        {Cause.SECOND_HEAD: (0.03, 0.97)},
        {"yes": Cause.SECOND_HEAD},
    ),
    "jewel-changed": Likelihoods(
        ("no", "same bore", "other bore"),
        (0.85, 0.14, 0.01),
        {Cause.OTHER_BORE: (0.2, 0.2, 0.6)},
        {"other bore": Cause.OTHER_BORE},
    ),
    "cut": Likelihoods(
        ("good", "bad"),
        (0.85, 0.15),
        {Cause.BORE: (0.3, 0.7), Cause.BLOCKED: (0.5, 0.5), Cause.FEED: (0.5, 0.5)},
        misaligned=(0.2, 0.8),
    ),
    "oil-pressure": Likelihoods(
        ("agree", "disagree"),
        (0.97, 0.03),
        {Cause.TRANSDUCER: (0.1, 0.9)},
        {"disagree": Cause.TRANSDUCER},
    ),
    "zero": Likelihoods(
        ("zero", "not zero"),
        (0.97, 0.03),
        {Cause.TRANSDUCER: (0.5, 0.5)},  # one whose gain alone drifts shows zero
        {"not zero": Cause.TRANSDUCER},
    ),
    "feed": Likelihoods(
        ("as usual", "low"),
        (0.95, 0.05),
        {Cause.FEED: (0.1, 0.9)},
        {"low": Cause.FEED},
    ),
    "dead-head": Likelihoods(
        ("stops", "goes on"),
        (0.95, 0.05),
        {Cause.LEAK: (0.15, 0.85), Cause.SECOND_HEAD: (0.6, 0.4)},
        {"goes on": Cause.LEAK},
    ),
    # That it was made tells nothing: the watcher weighs how quickly the line emptied.
    "stop-with-jet": Likelihoods(
        ("made",),
        (1.0,),
        {Cause.LEAK: (1.0,), Cause.FEED: (1.0,), Cause.TRANSDUCER: (1.0,)},
    ),
    "weep": Likelihoods(
        ("cool", "hot"),
        (0.97, 0.03),
        {Cause.LEAK: (0.5, 0.5)},  # a leaking check valve's water stays inside
        {"hot": Cause.LEAK},
    ),
    "check-valves": Likelihoods(
        ("alike", "hot"),
        (0.97, 0.03),
        {Cause.LEAK: (0.5, 0.5)},  # a leaking seal's water leaves by the weep line
        {"hot": Cause.LEAK},
    ),
    "bypass-line": Likelihoods(
        ("cool", "hot"),
        (0.97, 0.03),
        {Cause.BYPASS: (0.1, 0.9)},
        {"hot": Cause.BYPASS},
    ),
    "speed": Likelihoods(
        ("agree", "slower"),
        (0.98, 0.02),
        {Cause.SLIP: (0.1, 0.9)},
        {"slower": Cause.SLIP},
    ),
    "stream": Likelihoods(
        ("tight", "spread"),
        (0.96, 0.04),
        {Cause.BORE: (0.15, 0.85), Cause.BLOCKED: (0.5, 0.5)},
        misaligned=(0.1, 0.9),
    ),
    "tube": Likelihoods(
        ("round", "tear-drop"),
        (0.95, 0.05),
        {Cause.BORE: (0.8, 0.2)},
        misaligned=(0.3, 0.7),
    ),
    "rim": Likelihoods(
        ("sound", "doubtful", "chipped", "worn", "plugged"),
        (0.86, 0.07, 0.01, 0.03, 0.03),
        {
            Cause.BORE: (0.02, 0.08, 0.6, 0.28, 0.02),
            Cause.BLOCKED: (0.45, 0.05, 0.01, 0.03, 0.46),
        },
        {"chipped": Cause.BORE, "worn": Cause.BORE, "plugged": Cause.BLOCKED},
    ),
}
