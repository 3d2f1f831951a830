"""Shops whose cuts are so short, and whose rate is so slow a mean, that no jet ever settles."""

from __future__ import annotations

import numpy as np
import pytest

from borewarden import Watcher
from borewarden.jewels.jewel import Jewel
from borewarden.physics.pump import Intensifier
from borewarden.show.learned_words import learned_lines
from cuts import FULL, cuts_of, day
from steady import gate_settings

SECOND = 10**9  # ns


def lengths(n: int, longest: int) -> list[float]:
    return [float(s) for s in np.random.default_rng(7).integers(10, longest, n)]


@pytest.mark.parametrize("valve", [False, True])
def test_a_chip_is_told_though_no_jet_ever_settles(
    intensifier: Intensifier, ruby: Jewel, valve: bool
) -> None:
    cuts, closed = lengths(450, 30), 4
    sound, chipped = cuts_of(cuts[:300]), cuts_of(cuts[300:], 1.09)
    samples = day(intensifier, sound + chipped, pause=closed, closed=FULL)
    if valve:
        opened = [(1.0,) * round(length) + (0.0,) * closed for length in cuts]
        on = np.concatenate([np.zeros(20), *opened])
        samples = samples._replace(valve=on)
    settings = gate_settings(intensifier, uses_counter=False)
    watcher = Watcher(intensifier, settings, [ruby])
    chip_s = 20 + sum(cuts[:300]) + 300 * closed
    alerts = watcher.learn_many(samples).alerts
    assert [alert.verdict.state.name for alert in alerts] == ["OPENED"]
    assert 0.0 < alerts[0].time_ns / SECOND - chip_s < 300.0
    assert watcher.verdict().area_ratio == pytest.approx(1.09, abs=0.01)


def test_it_is_said_that_the_rate_is_a_mean_for_longer_than_cuts_last(
    intensifier: Intensifier, ruby: Jewel
) -> None:
    watcher = Watcher(intensifier, gate_settings(intensifier, uses_counter=False), [ruby])
    watcher.learn_many(day(intensifier, cuts_of(lengths(300, 14)), pause=4.0, closed=FULL))
    (known,) = watcher.known()
    assert known.steady == 0.0
    assert known.mean_time == pytest.approx(12.0, abs=3.0)
    line = learned_lines([known], intensifier, "UTC")[0]
    assert "reads as a mean over up to 1" in line
    assert line.endswith("in place of the rate would help; a valve signal alone would not")
