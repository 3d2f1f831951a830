"""What a watch has learned, how it is set by that, and what it is not given to learn from."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import stats

from borewarden.base.samples import Samples, samples_of
from borewarden.detect.step import WINDOW, threshold
from borewarden.diagnose.causes import ONLY_DIRECT_DRIVE, PRIOR, Cause
from borewarden.gate.batch import HEADS, SIGNALS, BatchKind, Phase
from borewarden.watcher.bore_watch import BoreWatch
from borewarden.watcher.events import LowPressureEvent, Watching
from borewarden.watcher.heads import LIKELY_SIZE, _evidence, _Seen
from borewarden.watcher.learning import before_a_step
from borewarden.watcher.monitor import RECENT
from borewarden.watcher.settings import WatchSettings
from borewarden.watcher.usable import learn_usable
from borewarden.watcher.verdict import STATES, State
from borewarden.watcher.watcher import Learned
from invented_watch import AREA, BATCH_TIME, FIRST, PRESSURE, PUMP, RUBY, batches, quiet_watch


def test_while_it_learns_only_time_is_known() -> None:
    watch = BoreWatch(PUMP, [RUBY], WatchSettings())
    watch.learn_many(batches(np.zeros(5)))
    known = watch.known("1")
    assert (known.heads, known.batches, known.steady, known.wanted) == ("1", 5, 100.0, 600.0)
    assert known.jet_hours == pytest.approx(5 * BATCH_TIME / 3600.0)
    assert np.isnan([known.coefficient, known.coefficient_sd, known.noise]).all()
    assert watch.verdict().bore == pytest.approx(RUBY.bore, rel=0.01)  # as if C_d were usual


def test_what_was_learned_is_as_sure_as_its_batches_and_its_level() -> None:
    watch = quiet_watch(level_uncertainty=0.004, noise_floor=0.006)
    watch.learn_many(batches([0.01, 0.02], BatchKind.DEAD_HEAD, FIRST))
    known = watch.known()
    assert (known.batches, known.steady) == (FIRST, FIRST * BATCH_TIME)
    assert known.coefficient == pytest.approx(0.65, rel=2e-3)
    assert known.noise == 0.006
    assert known.coefficient_sd == pytest.approx(math.hypot(0.006 / FIRST**0.5, 0.004))
    assert known.dead_headed == 2
    verdict = watch.verdict()
    relative = math.hypot(0.006 / RECENT**0.5, 0.004)  # of the newest ones
    assert verdict.bore_sd == pytest.approx(0.5 * verdict.bore * relative)  # area goes as bore²


@pytest.mark.parametrize("count", [1, 2, 12])
def test_bore_is_as_unsure_as_the_first_batches_which_are_timed_badly(count: int) -> None:
    watch = BoreWatch(PUMP, [RUBY], WatchSettings(level_uncertainty=0.004))
    rows = batches(np.zeros(count))
    rows["resolution"] = 0.02
    watch.learn_many(rows)
    verdict = watch.verdict()
    relative = math.hypot(0.02 / count**0.5, 0.004)
    assert verdict.bore_sd == pytest.approx(0.5 * verdict.bore * relative)


def test_detector_is_set_by_the_false_alarms_and_the_life_that_are_stated() -> None:
    """Alarms of either sign share what is allowed; a step is as likely in each second of a life."""
    state = quiet_watch(false_alarm_hours=200.0, jewel_life_hours=40.0, smallest_step=0.05).monitor
    assert isinstance(state, Watching)
    assert state.run_length == 2 * 200 * 3600 / BATCH_TIME
    freedom = np.clip(state.baseline.noise.effective_count - 1.0, 20.0, 50.0)
    assert state.detector.h == pytest.approx(threshold(72_000.0, round(freedom)))
    assert state.detector.hazard == pytest.approx(BATCH_TIME / (40 * 3600))
    assert state.detector.smallest == pytest.approx(math.log(1.05))
    others = sum(odds for cause, odds in PRIOR.items() if cause not in ONLY_DIRECT_DRIVE)
    assert state.detector.share == pytest.approx(PRIOR[Cause.BORE] / others)
    assert state.detector.timing == pytest.approx(0.02 / BATCH_TIME**2)


def test_what_is_usual_is_that_of_the_first_batches() -> None:
    """Mean of each signal, and three of its own spread beside its limit of 15 K."""
    watch = BoreWatch(PUMP, [RUBY], WatchSettings())
    rows = batches(np.zeros(FIRST), weep_rise=5.0)
    weep = SIGNALS.index("weep_rise")
    rows["signals"][:, weep] += np.tile([-2.0, 2.0], FIRST // 2)
    rows["pressure"][: FIRST // 2] *= 0.9
    watch.learn_many(rows)
    state = watch.monitor
    assert isinstance(state, Watching)
    assert state.signals.base[weep] == pytest.approx(5.0)
    assert state.signals.limit[weep] == pytest.approx(15.0 + 3.0 * 2.0)
    assert np.isnan(state.signals.base[SIGNALS.index("boost")])
    assert state.reference.pressure == pytest.approx(0.9**0.5 * PRESSURE)
    assert state.reference.heads == 1.0


@pytest.mark.parametrize("place", [8, 15, 25])
def test_a_step_among_the_first_batches_is_found_where_it_is(place: int) -> None:
    """The batch before it may hold the step itself; six are needed."""
    rows = batches(np.where(np.arange(FIRST) < place, 0.0, 0.08))
    assert before_a_step(rows, WatchSettings()) == place - 1
    small = batches(np.where(np.arange(FIRST) < place, 0.0, 0.015))  # under half of 4 %
    assert before_a_step(small, WatchSettings()) == FIRST
    assert before_a_step(batches(np.zeros(FIRST)), WatchSettings()) == FIRST


def test_noise_alone_makes_hardly_ever_a_step_among_the_first_batches() -> None:
    """Less than once in some hundred such baselines, however noisy the pump."""
    found = 0
    for seed in range(60):
        rows = batches(np.random.default_rng(seed).normal(0.0, 0.03, FIRST))
        found += before_a_step(rows, WatchSettings()) < FIRST
    assert found <= 3


def test_unusable_samples_are_learned_without_their_pressure_and_named_so() -> None:
    seen: list[Samples] = []

    def learn(samples: Samples) -> Learned:
        seen.append(samples)
        empty = batches([])
        return Learned(np.full(4, Phase.STEADY, np.int8), empty, [])

    samples = samples_of(np.arange(4) * 10**9, pressure=np.full(4, 3e8), rate=np.full(4, 0.5))
    unusable = np.array([False, True, True, False])
    learned = learn_usable(learn, samples, unusable)
    assert np.isnan(seen[0].pressure).tolist() == unusable.tolist()
    assert not np.isnan(seen[0].rate).any()
    assert (learned.phases == Phase.UNUSABLE).tolist() == unusable.tolist()
    assert learned.phases[0] == Phase.STEADY
    assert not np.isnan(samples.pressure).any()  # they are kept as they came
    assert learn_usable(learn, samples, np.zeros(4, np.bool_)).phases.tolist() == [Phase.STEADY] * 4
    assert seen[1] is samples


@pytest.mark.parametrize("shape", [(1.0, 1.0), (1.0, 0.0), (0.7, 1.3)])
def test_evidence_of_another_combination_is_its_density_given_the_lead(
    shape: tuple[float, float],
) -> None:
    """Conditional normal law (Bishop 2006, eq. 2.81 and 2.82; from memory)."""
    moved, sd = np.array([0.09, 0.02]), np.array([0.01, 0.02])
    seen = _Seen([3, 5], moved, sd, np.ones(2))
    var = (LIKELY_SIZE * np.array(shape)) ** 2 + sd**2
    shared = LIKELY_SIZE**2 * shape[0] * shape[1]
    mean = shared / var[0] * moved[0]
    spread = (var[1] - shared**2 / var[0]) ** 0.5
    expected = stats.norm.pdf(moved[1], mean, spread)
    assert _evidence(seen, 3, np.array(shape)) == pytest.approx(expected)


# -- what it follows, and what it takes for a matter


@pytest.mark.parametrize(("noise", "followed"), [(0.0005, 0.5), (0.0022, None), (0.012, 2.0)])
def test_noise_is_followed_from_half_to_twice_that_of_the_baseline(
    noise: float, followed: float | None
) -> None:
    """No fault is learned as normal, and no quiet hour makes a hair trigger."""
    watch = BoreWatch(PUMP, [RUBY], WatchSettings(noise_floor=0.0005))
    learned = batches(np.zeros(FIRST), weep_rise=5.0)
    later = batches(np.zeros(900), start=FIRST, noise=noise, weep_rise=5.0)
    for each in (learned, later):
        each["shared"] = 0.0  # no edge is, so nothing of the noise cancels
        watch.learn_many(each)
    state = watch.monitor
    assert isinstance(state, Watching)
    first = state.baseline.noise.sigma
    if followed is not None:
        assert state.noise.sigma == pytest.approx(followed * first)
    else:
        assert first < state.noise.sigma < 2.0 * first
    assert state.detector.sigma == state.noise.sigma
    assert state.noise.effective_count == 50.0
    assert state.detector.h == pytest.approx(threshold(state.run_length, 49.0))


@pytest.mark.parametrize(("size", "jumps"), [(0.030, 0), (0.042, 1), (-0.042, 1)])
def test_a_batch_by_itself_that_chance_does_not_make_is_a_jump(size: float, jumps: int) -> None:
    """4.5 standard deviations: of noise 0.003, and of 0.02 s² of timing in 20 s, 0.035."""
    growth = np.where(np.arange(WINDOW) == WINDOW - 50, size, 0.0)  # half a window is looked at
    watch = quiet_watch()
    watch.learn_many(batches(growth, start=FIRST, weep_rise=5.0, load_ratio=3.0))
    state = watch.monitor
    assert isinstance(state, Watching)
    assert state.detector.jumps == jumps


@pytest.mark.parametrize(("growth", "matters"), [(0.097, False), (0.103, True)])
def test_two_jets_at_low_pressure_that_surely_take_a_tenth_more_are_a_matter(
    growth: float, matters: bool
) -> None:
    """Beyond ln 1.1 = 0.0953 by four standard uncertainties of 0.001."""
    watch = quiet_watch()
    watch.learn_many(batches(np.zeros(5), start=FIRST, weep_rise=5.0, load_ratio=3.0))
    for number, expected in ((FIRST + 5, False), (FIRST + 6, matters)):
        watch.learn_many(batches([growth], BatchKind.LOW, number, noise=0.0, weep_rise=5.0))
        state = watch.monitor
        assert isinstance(state, Watching)
        assert isinstance(state.event, LowPressureEvent) == expected
    if matters:
        assert state.event.step.size == pytest.approx(growth, abs=5e-4)


def test_row_of_the_batch_at_which_something_is_told_says_so_itself() -> None:
    watch = quiet_watch()
    growth = np.where(np.arange(60) < 20, 0.0, 0.1)
    rows, changes = watch.learn_many(batches(growth, start=FIRST, weep_rise=5.0, load_ratio=3.0))
    assert changes
    for verdict in changes:
        (row,) = rows[rows["end_ns"] == verdict.time_ns]
        assert STATES[row["state"]] is verdict.state
        assert row["probability"] == verdict.probability


@pytest.mark.parametrize(("later", "area"), [(0.05, 1.0513), (0.02, None), (-0.05, None)])
def test_a_baseline_far_noisier_than_what_follows_is_learned_anew_where_it_is_smaller(
    later: float, area: float | None
) -> None:
    """Pauses too short to be seen take from some of the first batches, and by turns."""
    watch = BoreWatch(PUMP, [RUBY], WatchSettings())
    watch.learn_many(batches(np.random.default_rng(0).normal(0.0, 0.03, FIRST)))
    noisy = watch.baseline
    assert noisy is not None
    assert noisy.noise.sigma > 0.02
    _, changes = watch.learn_many(batches(np.full(60, later), start=FIRST))
    assert changes == []
    assert watch.baseline is not None
    if area is None:  # no larger than by what may be wear, or blocked
        assert watch.baseline == noisy
    else:
        assert watch.baseline.area == pytest.approx(area * AREA, rel=1e-3)
        assert watch.baseline.noise.sigma == 0.003  # the least that is believed


def of_counter(growth: NDArray[np.float64], whole: bool, start: int = 0) -> NDArray[np.void]:
    """Batches of a stroke counter: of one run each that joins the one before, or of two runs."""
    rows = batches(growth, start=start)
    rows["shared"] = 1.0 / 12.0
    rows["timing"] = (2.0 if whole else 4.0) * rows["shared"]
    rows["resolution"] = np.sqrt(rows["timing"]) / rows["time"]
    rows["signals"][:, HEADS] = np.nan  # no valve signal
    return rows


@pytest.mark.parametrize(
    ("whole_first", "later", "area"),
    [(False, 0.03, 1.0305), (False, 0.09, None), (True, 0.03, None)],
)
def test_a_baseline_of_short_cuts_is_learned_anew_of_long_jets(
    whole_first: bool, later: float, area: float | None
) -> None:
    """Pauses that no count shows are in the first of them; what only a chip does stays one."""
    watch = BoreWatch(PUMP, [RUBY], WatchSettings())
    watch.learn_many(of_counter(np.zeros(FIRST), whole_first))
    first = watch.baseline
    assert first is not None
    _, changes = watch.learn_many(of_counter(np.full(60, later), True, FIRST))
    raised = {change.state for change in changes}
    assert watch.baseline is not None
    if area is None:
        assert watch.baseline == first
        assert bool(raised) == (later > 0.04)
    else:
        assert watch.baseline.area == pytest.approx(area * AREA, rel=1e-3)
        assert not raised


def test_growth_that_pauses_in_a_baseline_of_short_cuts_may_make_is_no_wear() -> None:
    """So it is once the baseline is of long jets, or by more than pauses take."""
    told = {}
    for whole in (True, False):
        watch = BoreWatch(PUMP, [RUBY], WatchSettings())
        watch.learn_many(of_counter(np.zeros(FIRST), whole))
        _, changes = watch.learn_many(of_counter(np.linspace(0.0, 0.06, 1500), False, FIRST))
        told[whole] = {change.state for change in changes}
    assert State.WEARING in told[True]
    assert State.WEARING not in told[False]


def test_no_baseline_is_learned_of_first_batches_that_differ_by_more_than_a_jet_does() -> None:
    """Pauses too short to be seen take from most of them; what follows is steady, and larger."""
    watch = BoreWatch(PUMP, [RUBY], WatchSettings())
    short = np.random.default_rng(0).normal(-0.15, 0.1, FIRST)
    watch.learn_many(batches(short))
    assert watch.baseline is None
    assert "not steady yet" in watch.reason
    _, changes = watch.learn_many(batches(np.zeros(2 * FIRST), start=FIRST))
    assert [change.state for change in changes] == [State.SOUND]  # which is no news
    assert watch.baseline is not None
    assert watch.baseline.area == pytest.approx(AREA, rel=0.02)


@pytest.mark.parametrize(("interval", "learns"), [(1.0, True), (30.0, False)])
@pytest.mark.parametrize(("level", "scatter"), [(-0.1, 0.02), (-0.25, 0.0)])
def test_a_coarse_log_has_to_show_a_jet_that_is_alike_and_takes_what_its_bore_may(
    interval: float, learns: bool, level: float, scatter: float
) -> None:
    """Pauses shorter than that hide between two looks, and make the area smaller."""
    watch = BoreWatch(PUMP, [RUBY], WatchSettings())
    first = batches(np.random.default_rng(0).normal(level, scatter, FIRST))
    first["interval"] = interval
    watch.learn_many(first)
    assert (watch.baseline is not None) == learns
    whole = batches(np.zeros(2 * FIRST), start=FIRST)
    whole["interval"] = interval
    _, changes = watch.learn_many(whole)
    raised = {change.state for change in changes} & {State.OPENED, State.OTHER_FAULT}
    assert bool(raised) == learns
    assert watch.baseline is not None
    assert watch.baseline.area == pytest.approx(AREA, rel=0.02) or learns


def test_after_hours_of_unsteady_cuts_they_are_what_is_learned() -> None:
    watch = BoreWatch(PUMP, [RUBY], WatchSettings())
    n = 4 * FIRST
    rows = batches(np.random.default_rng(0).normal(0.0, 0.1, n))
    watch.learn_many(rows)
    assert watch.baseline is None
    later = batches(np.random.default_rng(1).normal(0.0, 0.1, 1), start=n)
    later["jet_seconds"] = 4.0 * 3600.0 + 60.0
    watch.learn_many(later)
    assert watch.baseline is not None


@pytest.mark.parametrize(
    ("given", "first", "later", "growth"),
    [(True, 0.03, 0.0, 0.05), (False, 0.03, 0.03, 0.0), (False, 0.012, 0.0, 0.05)],
)
def test_a_baseline_stays_if_given_or_steady_or_as_noisy_as_what_follows(
    given: bool, first: float, later: float, growth: float
) -> None:
    jewel = replace(RUBY, discharge_coefficient=0.65) if given else RUBY
    watch = BoreWatch(PUMP, [jewel], WatchSettings())
    rng = np.random.default_rng(0)
    watch.learn_many(batches(rng.normal(0.0, first, FIRST)))
    before = watch.baseline
    watch.learn_many(batches(growth + rng.normal(0.0, later, 60), start=FIRST))
    assert watch.baseline == before


def test_a_chip_among_first_batches_of_few_counts_is_found() -> None:
    """Areas of six or seven counts lie on two lines, so that most neighbours are one count apart.

    The median of their differences then says twice the noise that there is.
    """
    n = 56
    rows = batches(np.zeros(n), noise=0.0)
    lumps = np.where(np.arange(n) % 7 < 5, np.arange(n) % 2, 0.0) * 0.09
    rows["area"] *= np.exp(lumps + np.where(np.arange(n) < 25, 0.0, np.log(1.1)))
    rows["timing"], rows["shared"] = 0.02 * 16.0, 0.01 * 16.0
    rows["resolution"] = 0.028
    assert 22 <= before_a_step(rows, WatchSettings()) <= 26


def test_a_chip_among_first_batches_is_found_where_their_shared_edges_make_all_the_noise() -> None:
    """Each edge is wrong by up to a second: 3 % of a batch, and next to nothing of twenty."""
    n, chip_at, found = 60, 40, []
    for seed in range(20):
        edges = np.random.default_rng(seed).uniform(-1.0, 1.0, n + 1)
        chip = np.where(np.arange(n) < chip_at, 0.0, 0.03)
        rows = batches(chip + np.diff(edges) / BATCH_TIME, noise=0.0)
        # s²: a third, the variance of a uniform error (JCGM 100:2008, 4.3.7), for each edge
        rows["timing"], rows["shared"] = 2.0 / 3.0, 1.0 / 3.0
        found.append(before_a_step(rows, WatchSettings()))
    assert sum(abs(kept - (chip_at - 1)) <= 2 for kept in found) >= 12


def test_whole_counts_that_alternate_are_no_unsteady_baseline() -> None:
    """Ten or eleven counts, at any moment of each cut: two in ten eleven, with a chip nine in ten.

    Two ends that fall anywhere make a variance of a sixth of a count squared.
    """

    def counted(growth: NDArray[np.float64], start: int) -> NDArray[np.void]:
        made = batches(growth, start=start, noise=0.0)
        made["timing"], made["shared"] = (BATCH_TIME / 10.2) ** 2 / 6.0, 0.0
        made["resolution"] = 0.03
        return made

    rng = np.random.default_rng(0)
    before = np.log(np.where(rng.random(2 * FIRST) < 0.8, 10, 11) / 10.2)
    after = np.log(np.where(rng.random(300) < 0.1, 10, 11) / 10.2)
    watch = BoreWatch(PUMP, [RUBY], WatchSettings())
    watch.learn_many(counted(before, 0))
    learned = watch.baseline
    _, changes = watch.learn_many(counted(after, len(before)))
    assert watch.baseline == learned
    assert changes
