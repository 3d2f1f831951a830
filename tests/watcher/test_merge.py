"""What the watches of all combinations of heads say together, against Bayes' rule by SciPy."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import stats

from borewarden.diagnose.causes import Cause
from borewarden.jewels.jewel import stated_area
from borewarden.watcher.bore_watch import BoreWatch
from borewarden.watcher.events import StepEvent, Watching, changed
from borewarden.watcher.heads import (
    LIKELY_SIZE,
    OF_A_JET,
    OF_ALL_ALIKE,
    OF_THE_PUMP,
    UNLEARNED,
    UNSURE,
    Merged,
    Part,
    merge,
)
from borewarden.watcher.levels import Combination
from borewarden.watcher.settings import WatchSettings
from borewarden.watcher.verdict import State
from invented_watch import FIRST, PUMP, RUBY, batches

JEWELS = [replace(RUBY, bore=0.2e-3, head="1"), replace(RUBY, bore=0.15e-3, head="2")]
BEFORE, AFTER = 60, 12  # batches on either side of a step


def part(
    heads: str,
    growth: NDArray[np.float64],
    hours: float = 1.0,
    late: int = 0,
    first: float = 0.0,
    start: int = 0,
) -> Part:
    """The watch of these `heads` after a baseline and batches of this growth, in log area.

    With so many times the `hours`; `late` leaves out the first batches, `first` is how far the
    baseline is off the stated area.
    """
    own = [jewel for jewel in JEWELS if jewel.head in heads]
    rows = batches(np.concatenate([np.full(FIRST, first), growth]), start=start)[late:]
    rows["area"] *= stated_area(own) / stated_area([RUBY])
    rows["jet_seconds"] *= hours
    watch = BoreWatch(PUMP, own, WatchSettings())
    watch.learn_many(rows)
    return Part(Combination((frozenset(heads),)), watch.monitor, watch.ring)


def stepped(size: float) -> NDArray[np.float64]:
    return np.where(np.arange(BEFORE + AFTER) < BEFORE, 0.0, size)


def moved(one: Part) -> tuple[float, float, float]:
    """Log area after the step less that before, its standard uncertainty, and the area before."""
    monitor = one.monitor
    assert isinstance(monitor, Watching)
    rows = one.ring[: monitor.running.taken]
    logs = np.log(rows["area"])
    before, after = logs[-AFTER - BEFORE : -AFTER], logs[-AFTER:]
    noise = np.hypot(monitor.detector.sigma, rows["resolution"][0])
    sd = np.sqrt(noise**2 / len(before) + noise**2 / len(after) + UNSURE**2)
    return float(after.mean() - before.mean()), float(sd), float(np.exp(before.mean()))


def likelihood(
    seen: list[tuple[float, float, float]], lead: int, shape: NDArray[np.float64]
) -> float:
    """Of what the others show given the lead, if all move in proportion to `shape`."""
    by, sd, _ = np.array(seen).T
    covariance = np.diag(sd**2) + LIKELY_SIZE**2 * np.outer(shape, shape)
    together = stats.multivariate_normal.pdf(by, np.zeros(len(by)), covariance)
    return float(together / stats.norm.pdf(by[lead], 0.0, covariance[lead, lead] ** 0.5))


@pytest.mark.parametrize(
    ("combinations", "sizes"),
    [
        (("1", "2"), (0.1, 0.0)),
        (("1", "2"), (0.1, 0.04)),
        (("12", "1"), (0.1, 0.02)),
        (("12", "1", "2"), (0.1, 0.08, 0.03)),
    ],
)
def test_heads_and_causes_are_weighed_by_what_all_combinations_show(
    combinations: tuple[str, ...], sizes: tuple[float, ...]
) -> None:
    """A jewel adds the same area wherever its head is open, a leak with any heads open, and a wrong
    pressure the same share of all."""
    parts = [part(h, stepped(s)) for h, s in zip(combinations, sizes, strict=True)]
    found = merge(parts, JEWELS, State.SOUND)
    lead = parts[found.lead].monitor
    assert sizes[1] > 0.03 or found.state is State.OPENED
    assert isinstance(lead, Watching)
    assert isinstance(lead.event, StepEvent)
    seen = [moved(one) for one in parts]
    area = np.array([before for _, _, before in seen])
    likely = {
        head: likelihood(
            seen, found.lead, np.array([head in c for c in combinations]) * area.mean() / area
        )
        for head in combinations[found.lead]
    }
    total = sum(likely.values())
    told = {belief.head: belief.probability for belief in found.heads}
    for head, value in likely.items():
        assert told[head] == pytest.approx(value / total, rel=1e-6, abs=1e-9)
    assert sum(told.values()) == pytest.approx(1.0)
    assert list(told.values()) == sorted(told.values(), reverse=True)
    weight = dict.fromkeys(OF_A_JET, total / len(combinations[found.lead]))
    weight |= dict.fromkeys(OF_ALL_ALIKE, likelihood(seen, found.lead, np.ones(len(seen))))
    weight |= dict.fromkeys(OF_THE_PUMP, likelihood(seen, found.lead, area.mean() / area))
    weight[Cause.UNKNOWN] = min(weight.values())
    assert lead.event.weighed is not None
    odds = {b.cause: b.probability * weight[b.cause] for b in lead.event.weighed.beliefs}
    for belief in found.causes:
        expected = odds[belief.cause] / sum(odds.values())
        assert belief.probability == pytest.approx(expected, rel=1e-6, abs=1e-9)


def named(*parts: Part) -> Merged:
    return merge(parts, JEWELS, State.SOUND)


def probable(found: Merged) -> dict[str, float]:
    return {belief.head: belief.probability for belief in found.heads}


def worn(growth: float) -> NDArray[np.float64]:
    return np.linspace(0.0, growth, 200)


def test_a_head_that_wears_is_told_from_one_that_does_not() -> None:
    own = named(part("1", worn(0.06), hours=20.0), part("2", worn(0.0), hours=20.0))
    assert own.state is State.WEARING
    assert probable(own)["1"] > 0.99
    other = named(part("12", worn(0.06), hours=20.0), part("1", worn(0.0), hours=20.0))
    assert probable(other)["2"] > 0.99
    # of one that was only watched at the end, nothing is known that would clear it
    late = named(part("12", worn(0.06), hours=20.0), part("1", worn(0.0), hours=20.0, late=190))
    assert 0.2 < probable(late)["2"] < 0.8


def test_what_goes_slowly_where_one_combination_has_cut_names_no_head_while_it_is_open() -> None:
    """The pump may do that, too, and the other head has shown nothing yet."""
    wears = part("1", worn(0.06), hours=20.0)
    assert probable(named(wears))["1"] > 0.99
    for told in (State.CANNOT_TELL, State.OTHER_FAULT):
        unsure = wears._replace(monitor=changed(wears.monitor, told=told))
        assert named(unsure) == Merged(told, 0)


@pytest.mark.parametrize(("own", "whose"), [((0.8, 0.0), "1"), ((0.0, 0.8), "2")])
def test_what_does_not_fit_is_the_jewel_of_its_head(own: tuple[float, float], whose: str) -> None:
    """Areas of open heads add, stated ones and those that were fitted."""
    stated = np.array([jewel.nominal_area for jewel in JEWELS])
    fitted = stated * np.exp(own)
    both = float(np.log(fitted.sum() / stated.sum()))
    parts = part("12", np.full(5, both), first=both), part("1", np.full(5, own[0]), first=own[0])
    found = named(*parts)
    assert found.state is State.NOT_STATED_BORE
    assert probable(found)[whose] > 0.99


def test_while_all_is_sound_no_head_is_named() -> None:
    assert named(part("1", np.zeros(3)), part("2", np.zeros(3))) == Merged(State.SOUND, 0)


def seen_since(heads: str, growth: float) -> Part:
    """A combination that nobody has opened before the step."""
    return part(heads, np.full(AFTER, growth), late=FIRST, start=BEFORE)


def test_a_combination_that_was_never_open_before_is_compared_by_its_stated_area() -> None:
    """That of the lead says by how much the pump's figures are off; jewels differ by some 5 %."""
    lead = part("12", stepped(0.1))
    assert isinstance(lead.monitor, Watching)
    ratio = JEWELS[0].nominal_area / sum(jewel.nominal_area for jewel in JEWELS)
    own = float(np.log(lead.monitor.reference.area * ratio))
    for growth in (0.0, 0.1, 0.15):
        other = seen_since("1", growth)
        logs = np.log(other.ring["area"][:AFTER])
        sd = np.sqrt(np.var(logs) / AFTER + UNSURE**2 + UNLEARNED**2)
        seen = [moved(lead), (float(logs.mean()) - own, float(sd), float(np.exp(own)))]
        area = np.array([seen[0][2], seen[1][2]])
        first = likelihood(seen, 0, area.mean() / area)
        second = likelihood(seen, 0, np.array([1.0, 0.0]) * area.mean() / area)
        told = probable(named(lead, other))
        assert told["1"] == pytest.approx(first / (first + second), rel=1e-6)


def test_a_baseline_that_was_learned_after_the_step_does_not_say_that_nothing_moved() -> None:
    """Head 1, first opened after the chip, takes more than it should from the start."""
    chipped = float(
        np.log(1.0 + 0.1 * sum(j.nominal_area for j in JEWELS) / JEWELS[0].nominal_area)
    )
    lead = part("12", np.concatenate([stepped(float(np.log(1.1))), np.full(30, np.log(1.1))]))
    own = part("1", np.full(8, chipped), first=chipped, start=FIRST + BEFORE)
    assert isinstance(own.monitor, Watching)
    assert probable(named(lead, own))["1"] > 0.9


def test_where_nobody_knows_which_head_leads_a_new_combination_says_nothing() -> None:
    one, other = part("1", stepped(0.1)), seen_since("12", 0.0)
    either = Combination((frozenset("1"), frozenset("2")))
    found = named(one._replace(combination=either), other)
    assert found.state is State.OPENED
    assert probable(found) == {"1": 0.5, "2": 0.5}
