"""The sample loop, figure by figure: days so plain that every number can be worked out by hand."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from borewarden.base.samples import Samples, samples_of
from borewarden.gate.batch import SIGNALS, BatchKind, Phase
from borewarden.gate.gate import Gate
from borewarden.gate.gate_loop import _decile, _follow_paces, _restart, _smooth
from borewarden.gate.lag import flow_lag
from borewarden.gate.state import STATE, GateSettings
from borewarden.physics.orifice import mass_flux
from borewarden.physics.pump import (
    DirectDrive,
    Intensifier,
    area_of_rate,
    delivered_mass,
    event_rate,
)
from steady import gate_settings

Numbers = NDArray[np.float64]

PRESSURE = 370e6  # Pa
ROOM = 293.15  # K, the default
NS = 10**9


def almost(pressure: Numbers | float, n: int) -> Numbers:
    """That pressure, its last digits never the same twice, so that it is not stuck."""
    return pressure * (1.0 + 1e-9 * np.sin(np.arange(n)))


def counted(strokes: Numbers, until: float, every: float = 1.0, **channels: Numbers) -> Samples:
    """A counter that is read each `every` s until `until`; `strokes` are their times, s."""
    time = np.arange(0.0, until + 0.5 * every, every)
    count = np.searchsorted(strokes, time + 1e-6).astype(float)
    pressure = channels.pop("pressure", almost(PRESSURE, len(time)))
    time_ns = (time * NS).astype(np.int64)
    return samples_of(time_ns, pressure=pressure, stroke_count=count, **channels)


def flowing(rate: Numbers, **channels: Numbers) -> Samples:
    """A stroke rate (Hz) at 1 Hz."""
    pressure = channels.pop("pressure", almost(PRESSURE, len(rate)))
    time_ns = np.arange(len(rate), dtype=np.int64) * NS
    return samples_of(time_ns, pressure=pressure, rate=rate, **channels)


def gate_of(
    pump: Intensifier | DirectDrive, rate: float, strokes: int = 5, **changes: object
) -> Gate:
    """A gate whose stated bore takes `rate` (Hz), and whose batches are over after `strokes`."""
    made: GateSettings = gate_settings(
        pump,
        nominal_area=float(area_of_rate(pump.displacement, rate, PRESSURE, ROOM)),
        batch_time=(strokes - 0.5) / rate,
        **changes,
    )
    return Gate(made, pump.displacement)


def of_kind(kind: BatchKind, batches: NDArray[np.void]) -> NDArray[np.void]:
    return batches[batches["kind"] == kind]


def ends(batches: NDArray[np.void]) -> list[float]:
    """s, of the ends of `batches`."""
    return (batches["end_ns"] / NS).tolist()


# -- count edges


def test_batches_of_a_counter_go_from_edge_to_edge(intensifier: Intensifier) -> None:
    """A stroke in 4 s: both ends of a run are timed to 1 s, of a uniform error (GUM 4.3.7)."""
    gate = gate_of(intensifier, 0.25)
    _, batches = gate.learn_many(counted(np.arange(4.0, 200.0, 4.0), 200.0))
    assert len(batches) >= 8
    assert set(batches["kind"]) == {BatchKind.STEADY}
    assert batches["time"] == pytest.approx(20.0)
    assert np.array_equal(batches["end_ns"] - batches["start_ns"], np.full(len(batches), 20 * NS))
    assert np.array_equal(batches["start_ns"][1:], batches["end_ns"][:-1])
    assert batches["rate"] == pytest.approx(0.25)
    assert batches["area"] == pytest.approx(gate.settings.nominal_area)
    assert batches["pressure"] == pytest.approx(PRESSURE)
    assert batches["timing"] == pytest.approx(2.0 / 12.0)
    assert batches["shared"] == pytest.approx([0.0, *[1.0 / 12.0] * (len(batches) - 1)])
    assert batches["resolution"] == pytest.approx((2.0 / 12.0) ** 0.5 / 20.0)


def test_of_several_counts_to_a_look_one_is_what_an_edge_is_timed_to(
    intensifier: Intensifier,
) -> None:
    """Four counts in 5 s: an end is off by less than one count."""
    gate = gate_of(intensifier, 0.8, 16)
    _, batches = gate.learn_many(counted(np.arange(1.25, 400.0, 1.25), 400.0, every=5.0))
    assert len(batches) > 10
    assert batches["time"] == pytest.approx(20.0)
    assert batches["timing"] == pytest.approx(2.0 * 1.25**2 / 12.0)
    assert batches["shared"][1:] == pytest.approx(1.25**2 / 12.0)
    assert batches["area"] == pytest.approx(gate.settings.nominal_area)


def cuts(strokes: Numbers, length: float, pause: float, times: int) -> tuple[Numbers, float]:
    """These strokes of one cut, that cut so many times with a pause between; and the end."""
    starts = np.arange(times) * (length + pause)
    return np.concatenate([start + strokes for start in starts]), float(times * (length + pause))


def test_first_edge_of_a_run_is_seen_late(intensifier: Intensifier) -> None:
    """A stroke in 2.5 s has m + f = 2 + 0.5 looks: f (1 - f) / (2 (m + f)) = 0.05 s, of the first
    batch of a cut alone."""
    strokes, until = cuts(np.arange(2.5, 200.0, 2.5), 200.0, 90.0, 2)
    gate = gate_of(intensifier, 0.4, 4)
    _, batches = gate.learn_many(counted(strokes, until))
    second = of_kind(BatchKind.STEADY, batches[batches["start_ns"] > 200 * NS])
    assert len(second) > 10
    # its lag is that of the usual count, which is followed
    assert second["time"][0] == pytest.approx(10.05, abs=5e-3)
    assert second["time"][1:] == pytest.approx(10.0)
    assert second["area"][0] == pytest.approx(gate.settings.nominal_area / 1.005, rel=5e-4)
    assert second["pressure"][0] == pytest.approx(PRESSURE, rel=1e-6)
    assert second["shared"][0] == 0.0


def test_first_batches_of_cuts_are_right_on_average(intensifier: Intensifier) -> None:
    """300 cuts of 20 s, each begun at another moment of a look: 1.4 % too much without it."""
    rng = np.random.default_rng(3)
    period, n = 1.55, 300
    strokes = [40.0 * k + rng.uniform(0.0, 1.0) + np.arange(period, 20.0, period) for k in range(n)]
    gate = gate_of(intensifier, 1.0 / period, 3)
    _, batches = gate.learn_many(counted(np.concatenate(strokes), 40.0 * n))
    batches = of_kind(BatchKind.STEADY, batches)
    first = np.flatnonzero(np.diff(batches["start_ns"] // (40 * NS), prepend=-1))
    assert len(first) > 250
    off = np.log(batches["area"][first] / gate.settings.nominal_area)
    assert np.mean(off) == pytest.approx(0.0, abs=3.0 * np.std(off) / len(off) ** 0.5 + 1e-3)


def test_stroke_that_waits_for_a_closed_jet_is_in_no_batch(intensifier: Intensifier) -> None:
    """1.05 usual counts and a look, 5.2 s here, are the longest; a jet of 6 s is still one."""
    for wait, taken in ((5.0, True), (6.0, False)):
        strokes = np.arange(4.0, 400.0, 4.0)
        strokes[50:] += wait - 4.0
        gate = gate_of(intensifier, 0.25)
        phases, batches = gate.learn_many(counted(strokes, 400.0))
        assert set(phases[20:]) == {Phase.STEADY}
        assert (len(set(np.round(batches["time"]))) == 2) is taken
        assert np.all(np.isclose(batches["area"], gate.settings.nominal_area)) is not taken
        # and where it was left out, another run of counts begins
        assert np.count_nonzero(batches["timing"] > 2.5 / 12.0) == (0 if taken else 1)
        assert np.count_nonzero(batches["shared"] == 0.0) == 1


def test_strokes_that_stay_slow_are_believed_after_a_while(intensifier: Intensifier) -> None:
    """A jewel that plugs by a third, as seen by a counter: 6 s in place of 4."""
    strokes = np.concatenate([np.arange(4.0, 200.0, 4.0), np.arange(200.0, 2600.0, 6.0)])
    gate = gate_of(intensifier, 0.25)
    phases, batches = gate.learn_many(counted(strokes, 2600.0))
    assert Phase.JET_OFF not in phases[10:]
    slow = batches[batches["start_ns"] > 210 * NS]
    assert slow["area"][1:] == pytest.approx(gate.settings.nominal_area * 4.0 / 6.0)
    # the usual count goes from 4 s to 4.76 s by 0.2 % of what it lacks of 6 s: 240 strokes
    assert slow["start_ns"][0] / NS == pytest.approx(200.0 + 240.0 * 6.0, abs=24.0)


@pytest.mark.parametrize("pattern", [[14, 11], [14, 14, 11], [14]])
def test_of_a_coarse_log_three_looks_in_a_row_have_to_be_alike(
    intensifier: Intensifier, pattern: list[int]
) -> None:
    """Pauses between two looks take from one and not from the next."""
    looks = pattern * 12
    strokes = np.concatenate(
        [20.0 * k + 20.0 * np.arange(1, n + 1) / n for k, n in enumerate(looks)]
    )
    gate = gate_of(intensifier, 0.7, 14)
    _, batches = gate.learn_many(counted(strokes, 20.0 * len(looks), every=20.0))
    if len(pattern) > 1:
        assert len(batches) == 0
        return
    assert len(batches) >= 5
    assert batches["area"] == pytest.approx(gate.settings.nominal_area)
    assert batches["time"][0] == pytest.approx(60.0)
    assert batches["time"][1:] == pytest.approx(20.0)
    # and from then on one run: each begins with the count with which the one before ended
    edge = (20.0 / 14.0) ** 2 / 12.0
    assert batches["timing"] == pytest.approx(2.0 * edge)
    assert batches["shared"][1:] == pytest.approx(edge)
    assert batches["shared"][0] == 0.0


@pytest.mark.parametrize("pattern", [[1.0, 0.8], [1.0, 1.0, 0.97], [1.0]])
def test_looks_at_a_rate_of_a_coarse_log_have_to_be_alike_too(
    intensifier: Intensifier, pattern: list[float]
) -> None:
    """A controller's mean over short pauses is now more, now less."""
    samples = flowing(0.7 * np.array(pattern * 12))
    gate = gate_of(intensifier, 0.7, 14, uses_counter=False)
    _, batches = gate.learn_many(samples._replace(time_ns=20 * samples.time_ns))
    if len(pattern) > 1:
        assert len(batches) == 0
        return
    assert len(batches) >= 5
    assert batches["area"] == pytest.approx(gate.settings.nominal_area)
    assert batches["interval"] == pytest.approx(20.0)


def test_slower_strokes_at_a_lower_pressure_are_no_pauses(intensifier: Intensifier) -> None:
    """Each is seen as 3 or 4 s; without those of 4 s the area would look 8 % larger."""
    pump, area = (
        intensifier.displacement,
        float(area_of_rate(intensifier.displacement, 1.0 / 2.6, PRESSURE, ROOM)),
    )
    lower = 0.68 * PRESSURE
    later = 1.0 / float(event_rate(pump, area, lower, ROOM))
    strokes = np.concatenate([np.arange(2.6, 600.0, 2.6), 600.0 + np.arange(later, 300.0, later)])
    pressure = np.where(np.arange(901) <= 600, 1.0, 0.68) * almost(PRESSURE, 901)
    gate = gate_of(intensifier, 1.0 / 2.6)
    _, batches = gate.learn_many(counted(strokes, 900.0, pressure=pressure))
    after = batches[batches["start_ns"] > 600 * NS]
    assert 3.1 < later < 3.3
    assert len(after) > 10
    assert np.average(after["area"], weights=after["time"]) == pytest.approx(area, rel=0.02)
    assert after["time"].sum() > 240.0


@pytest.mark.parametrize(("dip", "is_leak"), [(1.0, True), (0.98, False)])
def test_counts_with_a_dip_of_the_pressure_are_of_short_jets(
    intensifier: Intensifier, dip: float, is_leak: bool
) -> None:
    """One count in 15 s, through a leak or in jets of 3 s: a closed jet holds its pressure."""
    strokes = np.concatenate([np.arange(2.0, 120.5, 2.0), np.arange(135.0, 1200.0, 15.0)])
    time = np.arange(1201)
    in_jet = (time >= 130) & ((time - 133) % 15 < 3)
    pressure = np.where(in_jet, dip, 1.0) * almost(PRESSURE, 1201)
    gate = gate_of(intensifier, 0.5)
    idle = of_kind(
        BatchKind.DEAD_HEAD, gate.learn_many(counted(strokes, 1200.0, pressure=pressure))[1]
    )
    passed = idle["area"] / gate.settings.nominal_area
    if is_leak:
        assert len(idle) > 10
        assert passed == pytest.approx(2.0 / 15.0, abs=0.04)
    else:
        assert np.all(passed < 0.02)


@pytest.mark.parametrize(("pause", "joined"), [(40.0, True), (49.0, True), (51.0, False)])
def test_a_batch_goes_on_after_a_pause_that_is_not_too_long(
    intensifier: Intensifier, pause: float, joined: bool
) -> None:
    """Cuts of 30 s, their first 10 s to settle, and batches of 40 s: a minute at most between."""
    strokes, until = cuts(np.arange(2.0, 30.5, 2.0), 30.0, pause, 4)
    gate = gate_of(intensifier, 0.5, 20)
    batches = of_kind(BatchKind.STEADY, gate.learn_many(counted(strokes, until))[1])
    assert len(batches) == (2 if joined else 0)
    if joined:
        assert batches["time"] == pytest.approx(40.0)
        assert batches["area"] == pytest.approx(gate.settings.nominal_area)
        assert np.all(batches["end_ns"] - batches["start_ns"] > (40 + pause) * NS)
        # two ends of each run: of two cuts; then of the rest of one, all of one and half of one
        assert batches["timing"] == pytest.approx([4.0 / 12.0, 6.0 / 12.0])
        assert batches["shared"] == pytest.approx([0.0, 1.0 / 12.0])


# -- the counter itself


def test_a_jet_is_on_from_its_second_stroke_until_one_is_due(intensifier: Intensifier) -> None:
    """0.6 of the stated 0.5 Hz, so 3.3 s without one; twice that for a counter that goes by two."""
    for step, waits in ((1.0, 3), (2.0, 6)):
        strokes = np.arange(10.0, 101.0, 2.0 * step)
        samples = counted(strokes, 130.0)
        gate = gate_of(intensifier, 0.5)
        phases, _ = gate.learn_many(samples._replace(stroke_count=step * samples.stroke_count))
        on = np.flatnonzero(phases != Phase.JET_OFF)
        assert on.tolist() == list(range(int(strokes[1]), int(strokes[-1]) + waits + 1))


def test_a_stroke_that_waits_while_the_pressure_rises_is_in_no_batch(
    intensifier: Intensifier,
) -> None:
    """A jet that closes for a moment: a quarter of a per cent, where all is quiet."""
    for spike, runs in ((2.5e-3, 2), (-2.5e-3, 1)):
        samples = counted(np.arange(4.0, 2000.0, 4.0), 2000.0)
        samples.pressure[1802] *= 1.0 + spike
        gate = gate_of(intensifier, 0.25)
        phases, batches = gate.learn_many(samples)
        assert set(phases[20:]) == {Phase.STEADY}
        late = batches[batches["end_ns"] > 1000 * NS]
        assert np.sum(late["timing"] - 2.0 / 12.0) * 6.0 == pytest.approx(runs - 1.0)


def test_a_counter_that_is_reset_between_edges_begins_anew_at_an_edge(
    intensifier: Intensifier,
) -> None:
    samples = counted(np.arange(4.0, 400.0, 4.0), 400.0)
    count = samples.stroke_count.copy()
    count[202:] -= count[202]
    gate = gate_of(intensifier, 0.25)
    _, batches = gate.learn_many(samples._replace(stroke_count=count))
    assert len(batches) > 15
    assert batches["area"] == pytest.approx(gate.settings.nominal_area)
    begun = batches[batches["end_ns"] > 202 * NS][0]
    assert begun["timing"] == pytest.approx(4.0 / 12.0)  # the ends of two runs


def test_flow_of_a_coarse_counter_is_a_share_of_what_the_stated_bore_takes(
    intensifier: Intensifier,
) -> None:
    gate = gate_of(intensifier, 0.8)
    gate.learn_many(counted(np.arange(1.25, 601.0, 1.25), 600.0, every=20.0))
    assert gate.state.flow.now == pytest.approx(1.0)
    gate.learn_many(
        counted(np.arange(2.5, 601.0, 2.5), 600.0, every=20.0)._replace(
            time_ns=np.arange(31, 62, dtype=np.int64) * 20 * NS
        )
    )
    assert gate.state.flow.now == pytest.approx(0.5)


def test_a_jump_by_more_than_the_pump_can_make_is_a_reset(intensifier: Intensifier) -> None:
    """At most 1 Hz, 10 s after an edge: three times 11 and 2 are believed, one more is not."""
    for jump, area in ((35, 35.0), (36, 0.0)):
        strokes = np.arange(2.0, 100.0, 2.0)
        count = np.searchsorted(strokes, np.arange(400.0) + 1e-6).astype(float)
        count[200] += 1.0
        count[201:] += 1.0
        count[211:] += jump
        samples = samples_of(
            np.arange(400, dtype=np.int64) * NS, pressure=almost(PRESSURE, 400), stroke_count=count
        )
        gate = gate_of(intensifier, 0.5, jet_on_fraction=1e9)  # all of it is dead-headed
        _, batches = gate.learn_many(samples)
        dead = of_kind(BatchKind.DEAD_HEAD, batches)
        jumped = dead[(dead["start_ns"] < 211 * NS) & (dead["end_ns"] >= 211 * NS)]
        assert len(jumped) == 1
        got = jumped["area"][0] * jumped["time"][0] / gate.settings.nominal_area * 0.5
        assert got == pytest.approx(area, abs=1.0)


def test_a_counter_that_goes_in_larger_steps_is_followed(intensifier: Intensifier) -> None:
    """From one by one to two by two: 2 % an edge, 35 edges of it."""
    count = np.concatenate([np.arange(20.0), 19.0 + 2.0 * np.arange(1.0, 61.0)])
    made = np.repeat(count, 3)
    for edges, step in ((34, 1.02**34), (36, 2.0)):
        gate = gate_of(intensifier, 0.5)
        n = 3 * (20 + edges)
        gate.learn_many(
            samples_of(
                np.arange(n, dtype=np.int64) * NS,
                pressure=almost(PRESSURE, n),
                stroke_count=made[:n],
            )
        )
        assert gate.state.counter.step == pytest.approx(step)


# -- rate readings


@pytest.mark.parametrize(("seconds", "full"), [(73, 2), (74, 3), (79, 3)])
def test_batches_of_a_rate_are_pieces_that_have_waited_for_the_next(
    intensifier: Intensifier, seconds: int, full: int
) -> None:
    """Pieces of 4 s, five of them a batch; the last piece before the jet closes is in none.

    Three batches and another piece take 64 s from the 9th one on.
    """
    rate = np.repeat([0.0, 0.5, 0.0], [30, seconds, 41])
    gate = gate_of(intensifier, 0.5, 10, uses_counter=False, rate_resolution=0.01)
    phases, batches = gate.learn_many(flowing(rate))
    steady = of_kind(BatchKind.STEADY, batches)
    first = int(np.flatnonzero(phases == Phase.STEADY)[0])
    # opened within a second, so its lag is 2.5 s; then `settle_time`
    assert first == 30 + 9
    assert steady["start_ns"][0] == first * NS
    assert steady["time"] == pytest.approx([20.0] * full)
    assert ends(steady) == [first + 20.0 * (k + 1) for k in range(full)]
    assert np.array_equal(steady["start_ns"][1:], steady["end_ns"][:-1])
    assert steady["area"] == pytest.approx(gate.settings.nominal_area)
    assert steady["rate"] == pytest.approx(0.5)
    # a reading that goes in steps of 0.01 Hz: uniform within one (GUM 4.3.7)
    assert steady["resolution"] == pytest.approx(0.01 / 0.5 / 12.0**0.5)
    assert not np.any(steady["timing"])


def test_a_rate_goes_on_over_a_moment_of_more_pressure(intensifier: Intensifier) -> None:
    """It is a counter's next stroke that would wait."""
    n = 1200
    samples = flowing(np.full(n, 0.5))
    samples.pressure[1002] *= 1.0025
    gate = gate_of(intensifier, 0.5, uses_counter=False)
    phases, batches = gate.learn_many(samples)
    assert set(phases[50:]) == {Phase.STEADY}
    late = batches[batches["end_ns"] > 900 * NS]
    assert len(late) > 10
    assert np.array_equal(late["start_ns"][1:], late["end_ns"][:-1])


def test_noise_of_a_rate_is_learned_from_its_second_differences(intensifier: Intensifier) -> None:
    """Also where it drifts, in which these are nothing."""
    n = 3000
    noise = 0.01 * np.random.default_rng(9).standard_normal(n)
    drift = 1.0 + 0.02 * np.abs((np.arange(n) / 500.0) % 2.0 - 1.0)
    gate = gate_of(intensifier, 0.5, uses_counter=False)
    learned = []
    for k in range(0, n, 50):
        rate = 0.5 * (drift + noise)
        samples = flowing(rate)
        gate.learn_many(Samples._make(c[k : k + 50] for c in samples))
        learned.append(float(gate.state.flow.noise))
    assert np.median(learned[20:]) == pytest.approx(0.01, rel=0.1)


def test_a_noisy_rate_is_steady_by_its_own_noise(intensifier: Intensifier) -> None:
    """4 % from reading to reading are no pause of the jet."""
    n = 3000
    noise = 0.04 * np.random.default_rng(9).standard_normal(n)
    gate = gate_of(intensifier, 0.5, uses_counter=False)
    phases, batches = gate.learn_many(flowing(0.5 * (1.0 + noise)))
    assert np.mean(phases[500:] == Phase.STEADY) > 0.95
    assert np.mean(batches["area"]) == pytest.approx(gate.settings.nominal_area, rel=5e-3)


@pytest.mark.parametrize("window", [5, 15])
def test_lag_of_a_crank_that_turns_on_is_learned_as_the_jet_closes(
    direct_drive: DirectDrive, window: int
) -> None:
    """From 1 to 0.3 of the jet's flow, as a mean over W s: by 0.7 / W a second at most. Half the
    jet's flow at that pace takes W / 1.4; the lag is 2.5 times as much."""
    speed = np.tile(np.repeat([8.0, 2.4], [60, 60]), 4)
    sums = np.cumsum(np.concatenate([np.full(window, 8.0), speed]))
    shown = (sums[window:] - sums[:-window]) / window
    gate = gate_of(direct_drive, 8.0, flow_shows_jet=True, turns_on=True, uses_counter=False)
    phases, _ = gate.learn_many(flowing(shown))
    assert flow_lag(gate.state.flow) == pytest.approx(2.5 * window / 1.4, rel=0.02)
    assert Phase.JET_OFF in phases


def test_a_little_less_flow_says_nothing_of_the_lag(direct_drive: DirectDrive) -> None:
    """Falls by a fifth, in a second, are no closing jet; by three tenths, they are."""
    for least, lag in ((0.8, 30.0), (0.7, 2.5 * 0.5 / 0.3)):
        speed = np.tile(np.repeat([8.0, 8.0 * least], [60, 60]), 4)
        gate = gate_of(direct_drive, 8.0, flow_shows_jet=True, turns_on=True, uses_counter=False)
        gate.learn_many(flowing(speed))
        assert flow_lag(gate.state.flow) == pytest.approx(lag, rel=0.02)


@pytest.mark.parametrize(("looks", "lag"), [(1, 2.5 * 12.0), (3, 2.5 * 40.0)])
def test_a_coarse_log_sees_an_opening_no_sooner_than_a_look_before(
    intensifier: Intensifier, looks: int, lag: float
) -> None:
    """Every 20 s: a rise within one look may have been of any length; three were 40 s at least."""
    rise = 0.5 * np.arange(1, looks) / (2.0 * looks)
    rate = np.tile(np.concatenate([np.zeros(9), rise, np.full(9, 0.5)]), 7)
    gate = gate_of(intensifier, 0.5, uses_counter=False)
    samples = flowing(rate)
    gate.learn_many(samples._replace(time_ns=20 * samples.time_ns))
    assert flow_lag(gate.state.flow) == pytest.approx(lag)


def test_a_pump_that_starts_up_shows_no_opening(intensifier: Intensifier) -> None:
    pressure = np.concatenate([np.full(30, 1e6), almost(PRESSURE, 60)])
    gate = gate_of(intensifier, 0.5, uses_counter=False)
    gate.learn_many(flowing(np.repeat([0.0, 0.5], [30, 60]), pressure=pressure))
    assert flow_lag(gate.state.flow) == 30.0


def test_openings_are_forgotten_after_eight_more(intensifier: Intensifier) -> None:
    """Two within a second, then slow ones: of 6 s, in a line."""
    quick = np.repeat([0.0, 0.5], [20, 40])
    slow = np.concatenate([np.zeros(20), 0.05 * np.arange(0.5, 10.0), np.full(40, 0.5)])
    for openings, lag in ((6, 2.5), (7, 2.5 * 6.0)):
        gate = gate_of(intensifier, 0.5, uses_counter=False)
        gate.learn_many(flowing(np.concatenate([quick, quick, *[slow] * openings])))
        assert flow_lag(gate.state.flow) == pytest.approx(lag)


# -- closed jets and stopped pumps


def test_stretches_of_a_closed_jet_each_begin_within_a_stroke(intensifier: Intensifier) -> None:
    """Four of them, each held back by 8 s: half a stroke off each, uncorrelated."""
    strokes = np.arange(2.0, 2000.0, 2.0)
    gate = gate_of(intensifier, 0.5)
    # jets of 40 s, closed for 30 s, of which 10 s settle and two times 8 s count
    rest = [s for s in strokes if s % 70.0 < 40.0]
    _, batches = gate.learn_many(counted(np.array(rest), 700.0))
    dead = of_kind(BatchKind.DEAD_HEAD, batches)
    assert len(dead) == 2
    assert dead["time"] == pytest.approx(64.0)
    assert dead["area"] == pytest.approx(0.0)
    flux = float(mass_flux(PRESSURE, ROOM))
    stroke = float(delivered_mass(intensifier.displacement, PRESSURE, ROOM))
    assert dead["resolution"] == pytest.approx(0.5 * 4.0**0.5 * stroke / (64.0 * flux))
    # begins 8 s before the first of it is known to be, and ends with the last sample
    assert dead["end_ns"][0] - dead["start_ns"][0] == pytest.approx((3 * 70 + 16) * NS, abs=1)


def test_a_leak_that_begins_might_be_a_jet_whose_reading_lags(intensifier: Intensifier) -> None:
    """Closed for 100 s without any flow, then a fifth of the jet's, while the lag is not known.

    6 + 4 + 30 s settle, and seven times 8 s make 56 s; the next 8 s begin 30 s after the last look
    at next to nothing.
    """
    rate = np.repeat([0.0, 0.1], [100, 100])
    gate = gate_of(intensifier, 0.5, uses_counter=False)
    phases, batches = gate.learn_many(flowing(rate))
    assert set(phases) == {Phase.JET_OFF}
    first = of_kind(BatchKind.DEAD_HEAD, batches)[0]
    assert first["time"] == pytest.approx(64.0)
    assert first["area"] == pytest.approx(0.2 * 8.0 / 64.0 * gate.settings.nominal_area)
    assert ends(batches[:1])[0] == pytest.approx(99.0 + 30.0 + 8.0, abs=1.0)


def test_only_at_working_pressure_a_closed_jet_says_something(intensifier: Intensifier) -> None:
    for pressure, some in ((PRESSURE, True), (150e6, False)):
        gate = gate_of(intensifier, 0.5, uses_counter=False)
        samples = flowing(np.zeros(300), pressure=almost(pressure, 300))
        phases, batches = gate.learn_many(samples)
        assert set(phases) == {Phase.JET_OFF}
        assert (len(of_kind(BatchKind.DEAD_HEAD, batches)) > 0) is some


def test_a_closed_jet_whose_flow_still_moves_says_nothing(intensifier: Intensifier) -> None:
    """By half a per cent of the jet's from one look to the next, as the mean of a controller."""
    for wobble, some in ((0.004, True), (0.006, False)):
        flow = 0.05 + wobble * (np.arange(300) % 2)
        gate = gate_of(intensifier, 0.5, uses_counter=False)
        phases, batches = gate.learn_many(flowing(0.5 * flow))
        assert set(phases) == {Phase.JET_OFF}
        assert (len(of_kind(BatchKind.DEAD_HEAD, batches)) > 0) is some


def test_no_batch_goes_on_over_a_stop(intensifier: Intensifier) -> None:
    """What is fitted meanwhile starts a batch of its own; stops are counted."""
    jet = np.repeat([0.5, 0.0, 0.5], [60, 20, 60])
    pressure = np.where(np.repeat([1, 0, 1], [60, 20, 60]), almost(PRESSURE, 140), 1e6)
    for stated, spans in ((pressure, False), (almost(PRESSURE, 140), True)):
        gate = gate_of(intensifier, 0.5, 20, uses_counter=False)
        _, batches = gate.learn_many(flowing(jet, pressure=stated))
        steady = of_kind(BatchKind.STEADY, batches)
        assert len(steady) == (1 if spans else 0)
        assert gate.state.stops == (0 if spans else 1)


def test_batches_of_a_stopped_pump_follow_one_another(intensifier: Intensifier) -> None:
    """From 60 s after it stopped on."""
    n = 1000
    pressure = almost(PRESSURE, n)
    pressure[100:] = 3e6 + np.arange(n - 100) * 1e2
    rate = np.repeat([0.5, 0.0], [100, n - 100])
    gate = gate_of(intensifier, 0.5, uses_counter=False)
    phases, batches = gate.learn_many(flowing(rate, pressure=pressure))
    stopped = of_kind(BatchKind.STOPPED, batches)
    first = int(np.flatnonzero(phases == Phase.STOPPED)[0])
    assert 100 < first < 120
    assert (stopped["start_ns"] / NS).tolist() == [first + 61.0, first + 361.0]
    assert ends(stopped) == [first + 360.0, first + 660.0]
    assert stopped["pressure"] == pytest.approx(
        [3e6 + 1e2 * (end - 100.0 - 149.5) for end in ends(stopped)]
    )
    assert not np.any(stopped["rate"])
    assert np.all(np.isnan(stopped["resolution"]))


def test_an_intensifier_that_strokes_without_pressure_is_stopped(intensifier: Intensifier) -> None:
    gate = gate_of(intensifier, 0.5, uses_counter=False)
    phases, _ = gate.learn_many(flowing(np.full(50, 0.5), pressure=almost(1e6, 50)))
    assert set(phases) == {Phase.STOPPED}


# -- smoothed readings


def smoothed_at(values: Numbers, interval: float = 1.0) -> np.recarray:
    """Two smoothed readings after these values, one each `interval` s."""
    state = np.zeros(1, STATE).view(np.recarray)[0]
    state.interval = interval
    settings = GateSettings(*[0.0] * 5, uses_counter=False, flow_shows_jet=False)
    _restart(state.smoothed, values[0])
    _follow_paces(state, settings, interval)
    for value in values[1:]:
        _smooth(state.smoothed, state.paces, value, interval)
    return state.smoothed


def test_smoothed_readings_begin_with_the_mean_of_what_came() -> None:
    """The slow one for 4 s; from then on both follow a step as exponentials of 2 s and 20 s."""
    begin = np.array([1.0, 3.0, 2.0, 7.0, 2.0])
    assert smoothed_at(begin).slow == pytest.approx(np.mean(begin))
    assert smoothed_at(begin[:2]).fast == pytest.approx(2.0)
    for t in (1, 5, 30):
        made = smoothed_at(np.concatenate([begin, np.full(t, 5.0)]))
        assert made.slow == pytest.approx(5.0 + (3.0 - 5.0) * np.exp(-t / 20.0))
        stepped = smoothed_at(np.repeat([1.0, 5.0], [100, t]))
        assert stepped.fast == pytest.approx(5.0 - 4.0 * np.exp(-t / 2.0))
        assert stepped.slow == pytest.approx(5.0 - 4.0 * np.exp(-t / 20.0))
        assert stepped.since == 99.0 + t
    # a log of 30 s is smoothed over four of its intervals
    coarse = smoothed_at(np.repeat([1.0, 5.0], [100, 3]), 30.0)
    assert coarse.slow == pytest.approx(5.0 - 4.0 * np.exp(-90.0 / 120.0))


def test_smoothed_readings_say_for_how_long_they_are_apart() -> None:
    """By their sign; and how far they have been of late: a mean over 5 s of their difference."""
    rises = smoothed_at(np.repeat([1.0, 5.0], [100, 12]))
    assert rises.side == 1.0
    assert rises.one_sided == 11.0
    falls = smoothed_at(np.repeat([1.0, 5.0, 3.0], [100, 30, 20]))
    assert falls.side == -1.0
    assert 10.0 < falls.one_sided < 20.0
    apart = 4.0 * (np.exp(-np.arange(1, 13) / 20.0) - np.exp(-np.arange(1, 13) / 2.0))
    weights = (1.0 - np.exp(-0.2)) * np.exp(-0.2 * np.arange(12)[::-1])
    assert rises.apart == pytest.approx(weights @ apart)


def test_a_pressure_that_goes_to_and_fro_is_none_to_learn_scatter_from(
    intensifier: Intensifier,
) -> None:
    """10 % in 16 s, for 2 min: at a tenth of 3 % a second, by 38 % at most."""
    n = 420
    pressure = almost(PRESSURE, n) * (1.0 + 2e-3 * np.random.default_rng(4).standard_normal(n))
    gate = gate_of(intensifier, 0.5, uses_counter=False)
    gate.learn_many(flowing(np.full(300, 0.5), pressure=pressure[:300]))
    before = float(gate.state.smoothed.spread)
    pressure[300:] *= 1.0 + 0.1 * np.sin(np.arange(120) * 2.0 * np.pi / 16.0)
    wander = flowing(np.full(n, 0.5), pressure=pressure)
    gate.learn_many(Samples._make(c[300:] for c in wander))
    assert 1.0 < gate.state.smoothed.spread / before < 1.6


@pytest.mark.parametrize("change", [-0.05, 0.05])
def test_a_quiet_rate_that_moves_by_a_twentieth_is_not_steady(
    intensifier: Intensifier, change: float
) -> None:
    rate = 0.5 * np.repeat([1.0, 1.0 + change], [200, 100])
    gate = gate_of(intensifier, 0.5, uses_counter=False)
    phases, _ = gate.learn_many(flowing(rate))
    assert set(phases[100:200]) == {Phase.STEADY}
    assert Phase.RAMP in phases[200:210]
    # it waits for the lag that is not known, after a fall; a rise is no pause of the jet
    lag = 30.0 if change < 0.0 else 0.0
    settled = 201 + int(np.flatnonzero(phases[201:] == Phase.STEADY)[0])
    assert settled == pytest.approx(206 + lag, abs=3.0)


# -- which readings count


def test_the_last_known_temperature_of_the_water_counts(intensifier: Intensifier) -> None:
    warm = 313.15
    rate = float(event_rate(intensifier.displacement, 3e-8, PRESSURE, warm))
    temperature = np.full(300, np.nan)
    temperature[2] = warm
    gate = gate_of(intensifier, 0.5, uses_counter=False)
    _, batches = gate.learn_many(flowing(np.full(300, rate), temperature=temperature))
    assert batches["area"] == pytest.approx(3e-8)
    assert batches["temperature"] == pytest.approx(warm)


def test_usual_interval_is_followed_by_a_twentieth(intensifier: Intensifier) -> None:
    """Up to 60 s: what is longer is a gap in any log."""
    for first, then, n, interval in (
        (1.0, 2.0, 10, 1.05**10),
        (1.0, 2.0, 20, 2.0),
        (2.0, 1.0, 10, 2.0 * 0.95**10),
        (2.0, 1.0, 20, 1.0),
        (59.5, 59.5, 5, 59.5),
        (60.5, 60.5, 5, 0.0),
    ):
        time = np.cumsum(np.repeat([first, then], [50, n]))
        samples = flowing(np.full(50 + n, 0.5))._replace(time_ns=(time * NS).astype(np.int64))
        gate = gate_of(intensifier, 0.5, uses_counter=False)
        gate.learn_many(samples)
        assert gate.state.interval == pytest.approx(interval)


def test_upper_decile_is_what_one_of_ten_exceeds() -> None:
    """Of readings that are up to 2 % off, all alike; between 0.02 and 5 % whatever comes."""
    off = np.random.default_rng(2).uniform(0.0, 0.02, 20_000)
    usual, seen = 0.002, []
    for each in off:
        usual = _decile(usual, 0.01, float(each))
        seen.append(usual)
    assert np.mean(seen[5000:]) == pytest.approx(0.018, rel=0.02)
    for each, limit in ((0.0, 2e-4), (1.0, 0.05)):
        for _ in range(10_000):
            usual = _decile(usual, 0.01, each)
        assert usual == pytest.approx(limit)


def test_a_shut_line_that_leaks_away_is_no_jet(direct_drive: DirectDrive) -> None:
    """0.3 % a second, for longer than 10 s; at once by 6 %, it is a jet at another pressure."""
    t = np.arange(200)
    for fall, off in ((0.003 * np.maximum(t - 100, 0), True), (0.06 * (t >= 100), False)):
        gate = gate_of(direct_drive, 8.0)
        pressure = almost(PRESSURE, 200) * np.exp(-fall)
        phases, _ = gate.learn_many(flowing(np.full(200, 8.0), pressure=pressure))
        assert set(phases[20:100]) == {Phase.STEADY}
        assert (Phase.JET_OFF in phases) is off
        if off:
            assert np.flatnonzero(phases == Phase.JET_OFF)[0] == pytest.approx(111, abs=3)
        else:
            assert set(phases[120:]) == {Phase.STEADY}


def test_a_second_row_of_one_moment_says_nothing(intensifier: Intensifier) -> None:
    samples = flowing(np.full(200, 0.5))
    twice = Samples._make(np.insert(c, 100, c[99]) for c in samples)
    twice.pressure[100], twice.rate[100] = 1e8, 0.1
    states = []
    for each in (samples, twice):
        gate = gate_of(intensifier, 0.5, uses_counter=False)
        phases, _ = gate.learn_many(each)
        states.append(gate.state.tobytes())
    assert states[0] == states[1]
    assert phases[100] == Phase.STEADY


def test_a_clock_that_is_set_back_by_a_second_is_a_gap(intensifier: Intensifier) -> None:
    samples = flowing(np.full(200, 0.5))
    time_ns = samples.time_ns.copy()
    time_ns[100:] -= 2 * NS
    gate = gate_of(intensifier, 0.5, uses_counter=False)
    phases, batches = gate.learn_many(samples._replace(time_ns=time_ns))
    assert phases[100] == Phase.RAMP
    assert np.all(batches["end_ns"] > batches["start_ns"])
    assert not np.any((batches["start_ns"] < 97 * NS) & (batches["end_ns"] > 99 * NS))
    assert gate.missed_hours == 0.0


@pytest.mark.parametrize(
    ("pressure", "is_used"),
    [(520e6, True), (520.1e6, False), (-20e6, True), (-20.1e6, False), (np.nan, False)],
)
def test_limits_of_what_a_transducer_may_show(
    intensifier: Intensifier, pressure: float, is_used: bool
) -> None:
    """A zero that is off by as much as a stopped pump shows, and 1.3 times the rated pressure."""
    shown = almost(PRESSURE, 50)
    shown[40:] = pressure
    gate = gate_of(intensifier, 0.5, uses_counter=False)
    phases, _ = gate.learn_many(flowing(np.full(50, 0.5), pressure=shown))
    assert (phases[49] == Phase.NO_DATA) is not is_used


@pytest.mark.parametrize(("known", "seconds"), [(4, 120), (1000, 17)])
def test_a_pressure_is_stuck_after_two_minutes_and_soon_sooner(
    intensifier: Intensifier, known: int, seconds: int
) -> None:
    """The first guess of what is usual is worth 50 changes: 120 s 50 / 1050, three times that."""
    n = known + 200
    pressure = almost(PRESSURE, n)
    pressure[known:] = pressure[known]
    gate = gate_of(intensifier, 0.5, uses_counter=False)
    phases, _ = gate.learn_many(flowing(np.full(n, 0.5), pressure=pressure))
    stuck = np.flatnonzero(phases == Phase.NO_DATA)
    assert stuck.tolist() == list(range(known + seconds + 1, n))


def test_a_pressure_that_comes_to_stand_still_for_long_is_heard_again(
    intensifier: Intensifier,
) -> None:
    """What was noisy and then is the same for a minute again and again is not stuck for ever."""
    n = 3000
    pressure = almost(PRESSURE, n)
    pressure[1000:] = PRESSURE + 1e6 * (np.arange(2000) // 60 % 2)
    gate = gate_of(intensifier, 0.5, uses_counter=False)
    phases, _ = gate.learn_many(flowing(np.full(n, 0.5), pressure=pressure))
    stuck = np.flatnonzero(phases == Phase.NO_DATA)
    assert stuck[0] > 1000
    assert stuck[-1] < 1400


def test_a_noisy_pressure_is_stuck_sooner_once_it_is_known(intensifier: Intensifier) -> None:
    """A day without a repeat: then three times the longest, or ten samples, are enough."""
    n = 40_000
    pressure = almost(PRESSURE, n)
    pressure[n - 60 :] = pressure[n - 60]
    gate = gate_of(intensifier, 0.5, uses_counter=False)
    phases, _ = gate.learn_many(flowing(np.full(n, 0.5), pressure=pressure))
    stuck = np.flatnonzero(phases == Phase.NO_DATA)
    assert gate.state.same.longest < 3.0
    assert stuck.tolist() == list(range(n - 49, n))


def test_a_pressure_that_often_stands_still_is_not_stuck(intensifier: Intensifier) -> None:
    """A coarse reading that stays for half a minute now and then may do so again."""
    n = 40_000
    pressure = np.round(almost(PRESSURE, n) / 1e6) * 1e6 + 1e6 * (np.arange(n) // 35 % 2)
    gate = gate_of(intensifier, 0.5, uses_counter=False)
    phases, _ = gate.learn_many(flowing(np.full(n, 0.5), pressure=pressure))
    assert gate.state.same.longest >= 34.0
    assert Phase.NO_DATA not in phases


def test_only_silences_with_the_jet_on_are_missed(intensifier: Intensifier) -> None:
    """More than 10 s: 11 s of a jet are, 10 s are not, and none of a closed one."""
    for rate, silence, missed in ((0.5, 11, 11.0), (0.5, 10, 0.0), (0.0, 11, 0.0)):
        samples = flowing(np.full(200, rate))
        kept = np.r_[0:100, 99 + silence : 200]
        gate = gate_of(intensifier, 0.5, uses_counter=False)
        gate.learn_many(Samples._make(c[kept] for c in samples))
        assert gate.missed_hours * 3600 == pytest.approx(missed)
        on = 199.0 - missed if rate > 0.0 else 0.0
        assert gate.jet_hours * 3600 == pytest.approx(on)


def test_nothing_is_timed_over_a_gap(intensifier: Intensifier) -> None:
    """Neither an opening of the jet, nor for how long a pressure has stood still."""
    rate = np.repeat([0.0, 0.5], [100, 100])
    samples = flowing(rate, pressure=np.full(200, PRESSURE))
    later = samples.time_ns + np.where(np.arange(200) < 100, 0, 15 * NS)
    gate = gate_of(intensifier, 0.5, uses_counter=False)
    phases, _ = gate.learn_many(samples._replace(time_ns=later))
    assert flow_lag(gate.state.flow) == 30.0
    assert Phase.NO_DATA not in phases
    assert phases[-1] == Phase.STEADY


# -- further channels


def signals_of(gate: Gate, samples: Samples) -> dict[str, float]:
    """Means over all steady batches."""
    batches = of_kind(BatchKind.STEADY, gate.learn_many(samples)[1])
    assert len(batches) > 3
    return dict(zip(SIGNALS, np.mean(batches["signals"][1:-1], axis=0), strict=True))


def test_scatter_is_that_of_new_stroke_times_alone(intensifier: Intensifier) -> None:
    """Each side against itself, when it shows another time: ln 1.02 and ln 1.01 by turns."""
    n = 400
    left = 0.9 * 1.02 ** (np.arange(n) // 4 % 2)
    right = 1.1 * 1.01 ** (np.arange(n) // 4 % 2)
    gate = gate_of(intensifier, 0.5, 20, uses_counter=False)
    rate = 0.5 * np.where(np.arange(n) % 2, 1.003, 1.0)
    shown = signals_of(gate, flowing(rate, left_stroke_time=left, right_stroke_time=right))
    both = 0.5 * (np.log(1.02) ** 2 + np.log(1.01) ** 2)
    assert shown["scatter"] == pytest.approx(0.5 * np.log(0.5 * both + 1e-8))
    assert shown["side_ratio"] == pytest.approx(np.log(0.9 / 1.1) + 0.5 * np.log(1.02 / 1.01))
    # a time that is not there for once is none to compare with
    for times in (left, right):
        times[3::8] = 0.0
        gate = gate_of(intensifier, 0.5, 20, uses_counter=False)
        shown = signals_of(gate, flowing(rate, left_stroke_time=left, right_stroke_time=right))
        assert shown["scatter"] < np.log(0.1)
        assert shown["side_ratio"] == pytest.approx(np.log(0.9 / 1.1), abs=0.02)
    # of one side alone nothing can be said, and the rate stands in, if it is no mean over many
    gate = gate_of(intensifier, 0.5, 20, uses_counter=False)
    shown = signals_of(gate, flowing(rate, left_stroke_time=left))
    assert np.isnan(shown["side_ratio"])
    assert np.isnan(shown["scatter"])
    gate = gate_of(intensifier, 0.5, 20, uses_counter=False)
    gate.state.flow.rises[:] = 1.0
    shown = signals_of(gate, flowing(rate, left_stroke_time=left))
    assert shown["scatter"] == pytest.approx(0.5 * np.log(0.5 * np.log(1.003) ** 2 + 1e-8))


def test_load_is_that_of_the_oil_where_both_are_known(intensifier: Intensifier) -> None:
    n = 300
    gate = gate_of(intensifier, 0.5, uses_counter=False)
    both = flowing(
        np.full(n, 0.5),
        oil_pressure=np.full(n, PRESSURE / 20.0),
        motor_torque=np.full(n, PRESSURE / 7.0),
    )
    assert signals_of(gate, both)["load_ratio"] == pytest.approx(np.log(20.0))
    # and a reading of nought is none; feed water below 1 Pa counts as 1 Pa
    gate = gate_of(intensifier, 0.5, uses_counter=False)
    none = flowing(np.full(n, 0.5), oil_pressure=np.zeros(n), boost_pressure=np.zeros(n))
    shown = signals_of(gate, none)
    assert np.isnan(shown["load_ratio"])
    assert shown["boost"] == 0.0


# -- several heads


def heads_gate(pump: Intensifier, areas: tuple[float, ...], **changes: object) -> Gate:
    made = gate_settings(pump, nominal_area=sum(areas), **changes)
    return Gate(made, pump.displacement, len(areas), areas)


def test_jet_time_of_each_head_is_that_of_its_signal(intensifier: Intensifier) -> None:
    """Of all of them while nobody says which."""
    bits = np.repeat([1.0, 2.0, 3.0, 4.0, np.nan], [50, 60, 70, 80, 90])
    strokes = np.arange(0.5, 350.0, 2.0)
    samples = counted(strokes, 349.0, open_heads=bits)
    gate = heads_gate(intensifier, (2e-8, 2e-8, 2e-8), jet_on_fraction=0.01)
    gate.learn_many(samples)
    on = gate.jet_hours * 3600
    assert on == pytest.approx(349.0, abs=2.0)
    late = 349.0 - on  # of the first one
    hours = [3600.0 * hours for hours in gate.head_hours[:4]]
    assert hours == pytest.approx([209.0 - late, 220.0, 170.0, 90.0])
    # one head takes whatever there is
    one = gate_of(intensifier, 0.5)
    one.learn_many(samples)
    assert one.head_hours[1:] == [0.0] * (len(one.head_hours) - 1)


@pytest.mark.parametrize(("other", "gathers"), [(2, True), (9, False)])
def test_batches_wait_for_their_heads_in_eight_places(
    intensifier: Intensifier, other: int, gathers: bool
) -> None:
    """Heads 1 and 4 take the place of head 1 alone: a stretch of 15 s ends no batch then."""
    areas = (2e-8, 3e-8, 4e-8, 5e-8)
    bits = np.tile(np.repeat([1, other], 15), 40)
    area = sum(((bits >> k) & 1) * each for k, each in enumerate(areas))
    pressure = almost(np.where(np.arange(1200) < 600, PRESSURE, 150e6), 1200)
    flow = area * np.asarray(mass_flux(pressure, ROOM))
    rate = flow / np.asarray(delivered_mass(intensifier.displacement, pressure, ROOM))
    samples = flowing(rate, pressure=pressure, open_heads=bits.astype(float), valve=np.ones(1200))
    gate = heads_gate(intensifier, areas, uses_counter=False, flow_shows_jet=False)
    _, batches = gate.learn_many(samples)
    for kind in (BatchKind.STEADY, BatchKind.LOW):
        of_jet = of_kind(kind, batches)
        if not gathers:
            assert len(of_jet) == 0
            continue
        assert set(of_jet["open_heads"]) == {1, other}
        stated = np.where(of_jet["open_heads"] == 1, areas[0], areas[1])
        assert of_jet["area"] == pytest.approx(stated, rel=1e-6)
        assert np.all(of_jet["end_ns"] - of_jet["start_ns"] > 30 * NS)


def test_a_count_of_heads_takes_its_share_of_the_stated_bores(intensifier: Intensifier) -> None:
    """Two of three, by their number alone: a batch is over with the water of two thirds."""
    areas = (2e-8, 2e-8, 2e-8)
    rate = float(event_rate(intensifier.displacement, 4e-8, PRESSURE, ROOM))
    gate = heads_gate(intensifier, areas, uses_counter=False, batch_time=18.0)
    _, batches = gate.learn_many(flowing(np.full(300, rate), valve=np.full(300, 2.0)))
    assert set(batches["open_heads"]) == {-2}
    assert batches["time"] == pytest.approx(20.0)
    assert batches["area"] == pytest.approx(4e-8)


def test_other_heads_take_other_strokes(intensifier: Intensifier) -> None:
    """8 s to a stroke are no pause for the small head, though 2 s were usual for both."""
    small, large = (
        float(area_of_rate(intensifier.displacement, rate, PRESSURE, ROOM))
        for rate in (1.0 / 8.0, 3.0 / 8.0)
    )
    strokes = np.concatenate([np.arange(2.0, 200.0, 2.0), np.arange(200.0, 401.0, 8.0)])
    bits = np.repeat([3.0, 1.0], [200, 201])
    gate = heads_gate(intensifier, (small, large), batch_time=30.0)
    _, batches = gate.learn_many(counted(strokes, 400.0, open_heads=bits))
    alone = batches[batches["open_heads"] == 1]
    assert alone["area"] == pytest.approx(small)
    assert alone["start_ns"][0] == pytest.approx(216 * NS, abs=8 * NS)
    assert len(alone) == 6


@pytest.mark.parametrize("read", [0.0, -1e-12])
def test_counts_at_a_pressure_of_none_are_of_no_jet(intensifier: Intensifier, read: float) -> None:
    """A sensor that fails as the jet opens: what is smoothed comes down to it by and by."""
    time = np.arange(0.1, 32.0, 0.1)
    pressure = np.where(time < 1.8, almost(PRESSURE, len(time)), read)
    settings = gate_settings(intensifier, settle_time=3.0)
    gate = Gate(settings, intensifier.displacement)
    phases, batches = gate.learn_many(
        counted(np.arange(0.0, 32.0, 0.2), 31.9, 0.1, pressure=np.append(pressure[0], pressure))
    )
    assert Phase.PIERCE in phases  # so it seems for a moment
    assert set(batches["kind"]) <= {BatchKind.STOPPED}
