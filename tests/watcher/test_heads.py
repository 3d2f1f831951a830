"""Several heads on one pump: a watch for each combination, and one verdict that names the head.

All samples are invented: a steady pump whose jets take the areas that are put in.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from borewarden.base.samples import Samples, rows
from borewarden.diagnose.causes import Belief, Cause
from borewarden.gate.gate import Gate
from borewarden.jewels.jewel import Jewel
from borewarden.physics.orifice import bore_area
from borewarden.physics.pump import Intensifier
from borewarden.show.wording import advice, headline
from borewarden.watcher.bore_watch import BoreWatch
from borewarden.watcher.heads import Merged, gate_of, with_heads
from borewarden.watcher.verdict import HeadBelief, State, Verdict, head_of
from borewarden.watcher.watcher import Learned, Watcher, join
from invented_watch import quiet_watch
from steady import gate_settings, steady_samples

HEADS = ("1", "2")
BORE, C_D = 0.2e-3, 0.65
TURN = 600  # s that a head cuts before the other does
DAY = 9000  # s


def jewels(*heads: str) -> list[Jewel]:
    return [Jewel(bore=BORE, material="ruby", fitted_ns=0, head=head) for head in heads]


def turns(seconds: int, *combinations: int) -> NDArray[np.int64]:
    """Which heads are open, as a sum of bits: each of the combinations for `TURN` s by turns."""
    return np.array(combinations)[np.arange(seconds) // TURN % len(combinations)]


def day(
    pump: Intensifier,
    open_heads: NDArray[np.int64],
    growth: dict[int, float] | None = None,
    leak: float = 0.0,
    at: int = DAY // 2,
    named: bool = True,
) -> Samples:
    """Heads with some difference between them; `growth` by bit and `leak` from second `at` on."""
    late = np.arange(len(open_heads)) >= at
    areas = np.where(late, leak, 0.0)
    for bit, own in enumerate((1.0, 1.03)):
        grown = 1.0 + np.where(late, (growth or {}).get(bit, 0.0), 0.0)
        areas = areas + (open_heads >> bit & 1) * own * grown
    samples = steady_samples(pump, areas * C_D * float(bore_area(BORE)), as_counter=False)
    noise = np.random.default_rng(5).normal(0, 0.01, len(areas))
    samples = samples._replace(rate=samples.rate * (1.0 + noise))
    count = (open_heads & 1) + (open_heads >> 1 & 1)
    signals = {"valve": count.astype(float)}
    return samples._replace(**signals | ({"open_heads": open_heads.astype(float)} if named else {}))


def watcher_of(pump: Intensifier, heads: Sequence[str] = HEADS, named: bool = True) -> Watcher:
    settings = gate_settings(pump, uses_counter=False)
    return Watcher(pump, settings, jewels(*heads), valve_heads=heads if named else ())


@pytest.mark.parametrize("combinations", [(1, 2), (1, 3), (3,), (1, 2, 3)])
def test_heads_that_are_sound_alert_nobody(
    intensifier: Intensifier, combinations: tuple[int, ...]
) -> None:
    watcher = watcher_of(intensifier)
    learned = watcher.learn_many(day(intensifier, turns(DAY, *combinations)))
    assert learned.alerts == []
    assert watcher.verdict().state is State.SOUND
    assert watcher.verdict().heads == ()


@pytest.mark.parametrize("combinations", [(1, 2), (1, 2, 3), (1, 3)])
@pytest.mark.parametrize("bit", [0, 1])
def test_a_chip_is_that_of_its_head(
    intensifier: Intensifier, combinations: tuple[int, ...], bit: int
) -> None:
    watcher = watcher_of(intensifier)
    samples = day(intensifier, turns(DAY, *combinations), {bit: 0.12})
    alerts = watcher.learn_many(samples).alerts
    verdict = watcher.verdict()
    assert alerts[0].time_ns >= DAY // 2 * 10**9
    assert verdict.state is State.OPENED
    assert verdict.head == HEADS[bit]
    assert verdict.reason.startswith(f"head {HEADS[bit]}: ")
    assert all(alert.verdict.head in (None, HEADS[bit]) for alert in alerts)
    assert f"he bore of head {HEADS[bit]}" in headline(verdict)
    assert not any("alone" in line for line in advice(verdict).steps)


def test_each_jewel_has_the_hours_of_its_own_head(intensifier: Intensifier) -> None:
    """Head 1 cuts two thirds of the time, head 2 the rest; its jewel is changed midway."""
    changed = Jewel(bore=BORE, material="ruby", fitted_ns=4500 * 10**9, head="2", jet_hours=7.0)
    used = replace(jewels("1")[0], jet_hours=3.0)
    given = [used, *jewels("2"), changed]
    for named, cut in ((True, DAY), (True, 700), (False, DAY)):
        samples = day(intensifier, turns(DAY, 1, 1, 2), named=named)
        watcher = Watcher(
            intensifier,
            gate_settings(intensifier, uses_counter=False),
            given,
            valve_heads=HEADS if named else (),
        )
        for start in range(0, DAY, cut):
            watcher.learn_many(rows(samples, start, start + cut))
        # without a signal nobody knows whose they are: all are those of the pump
        hours = {"1": 3.0 + (1.667 if named else 2.5), "2": 7.0 + (0.5 if named else 1.25)}
        # a few seconds are needed at each turn until the jet is known to be on
        assert watcher.head_hours == pytest.approx(hours, abs=0.03)


def test_one_head_with_a_valve_signal_of_its_own_has_the_hours_of_the_pump(
    intensifier: Intensifier,
) -> None:
    watcher = watcher_of(intensifier, ("1",))
    watcher.learn_many(day(intensifier, turns(3600, 1), at=3600))
    assert watcher.head_hours["1"] == watcher.jet_hours == pytest.approx(1.0, abs=0.01)


def test_heads_that_only_cut_together_can_not_be_told_apart(intensifier: Intensifier) -> None:
    watcher = watcher_of(intensifier)
    watcher.learn_many(day(intensifier, turns(DAY, 3), {1: 0.2}))
    verdict = watcher.verdict()
    assert (verdict.state, verdict.head) == (State.OPENED, None)
    assert [round(belief.probability, 2) for belief in verdict.heads] == [0.5, 0.5]
    assert "he bore of head 1 or 2" in headline(verdict)
    [check] = [line for line in advice(verdict).steps if "alone" in line]
    assert check.startswith("Cut for two minutes with head 1 alone")


@pytest.mark.parametrize("bit", [0, 1])
def test_two_minutes_with_one_head_alone_settle_it(intensifier: Intensifier, bit: int) -> None:
    open_heads = turns(DAY, 3)
    open_heads[-1200:-1020] = 1  # and some seconds until it is steady
    watcher = watcher_of(intensifier)
    alerts = watcher.learn_many(day(intensifier, open_heads, {bit: 0.15})).alerts
    assert [alert.verdict.head for alert in alerts] == [None, HEADS[bit]]
    assert watcher.verdict().head == HEADS[bit]


def test_a_leak_takes_water_whichever_head_is_open(intensifier: Intensifier) -> None:
    watcher = watcher_of(intensifier)
    watcher.learn_many(day(intensifier, turns(DAY, 1, 2), leak=0.1))
    verdict = watcher.verdict()
    assert verdict.state is not State.SOUND
    assert verdict.state is not State.OPENED
    bore = watcher_of(intensifier)
    bore.learn_many(day(intensifier, turns(DAY, 1, 2), {0: 0.1}))
    assert _of_jets(verdict.causes) < 0.5 < _of_jets(bore.verdict().causes)


def _of_jets(causes: Sequence[object]) -> float:
    return sum(c.probability for c in causes if c.cause.name in ("BORE", "OTHER_BORE"))  # type: ignore[attr-defined]


def test_with_a_count_only_sound_heads_by_turns_alert_nobody(intensifier: Intensifier) -> None:
    watcher = watcher_of(intensifier, named=False)
    learned = watcher.learn_many(day(intensifier, turns(DAY, 1, 2, 3), named=False))
    assert learned.alerts == []
    assert watcher.verdict().state is State.SOUND


def test_with_a_count_only_a_chip_is_of_one_head_or_the_other(intensifier: Intensifier) -> None:
    watcher = watcher_of(intensifier, named=False)
    watcher.learn_many(day(intensifier, turns(DAY, 1, 2, 3), {1: 0.15}, named=False))
    verdict = watcher.verdict()
    assert verdict.state is State.OPENED
    assert verdict.head is None
    assert verdict.suspects == "head 1 or 2"


@pytest.mark.parametrize("count", [True, False])
@pytest.mark.parametrize("bit", [0, 1])
def test_a_chip_of_a_head_that_cuts_by_turns_is_told_without_its_name(
    intensifier: Intensifier, count: bool, bit: int
) -> None:
    """By the number of open heads, or by nothing: one head alone is a jet, too."""
    at = 3720 + bit * TURN
    open_heads = np.where(np.arange(DAY) % TURN < 10, 0, turns(DAY, 1, 2))  # closed between
    samples = day(intensifier, open_heads, {bit: 0.12}, at=at, named=False)
    if not count:
        samples = samples._replace(valve=np.full(DAY, np.nan))
    watcher = watcher_of(intensifier, named=False)
    alerts = watcher.learn_many(samples).alerts
    assert [alert.verdict.state for alert in alerts] == [State.OPENED]
    assert 0 < alerts[0].time_ns / 1e9 - at < 300
    assert watcher.verdict().suspects == "head 1 or 2"  # though the other one has cut since


def test_a_head_that_is_not_sure_is_said_to_be_the_more_probable(intensifier: Intensifier) -> None:
    quiet = watcher_of(intensifier).verdict()
    heads = (HeadBelief("2", 0.71), HeadBelief("1", 0.29))
    told = with_heads(replace(quiet, reason="so"), Merged(State.OPENED, 0, heads))
    assert told.reason == "head 1 or 2, most probably 2 (71 % if it is a jewel): so"
    [check] = [line for line in advice(told).steps if "alone" in line]
    assert check.startswith("Cut for two minutes with head 2 alone")
    alike = (HeadBelief("1", 0.5), HeadBelief("2", 0.5))
    told = with_heads(replace(quiet, reason="so"), Merged(State.OPENED, 0, alike))
    assert told.reason == "head 1 or 2: so"


def test_a_head_without_a_stated_jewel_is_not_judged(intensifier: Intensifier) -> None:
    settings = gate_settings(intensifier, uses_counter=False)
    watcher = Watcher(intensifier, settings, jewels("1"), valve_heads=HEADS)
    learned = watcher.learn_many(day(intensifier, turns(DAY, 1, 2, 3), {1: 0.2}))
    assert learned.alerts == []
    assert watcher.verdict().state is State.SOUND
    assert watcher.verdict().discharge_coefficient == pytest.approx(C_D, rel=5e-3)


@given(cuts=st.lists(st.integers(1, 2 * 3600), max_size=8), named=st.booleans())
@settings(
    max_examples=4,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)
def test_stream_is_block_to_the_last_bit(
    intensifier: Intensifier, cuts: list[int], named: bool
) -> None:
    samples = day(intensifier, turns(DAY, 1, 2, 3), {1: 0.15}, named=named)
    whole, parted = watcher_of(intensifier, named=named), watcher_of(intensifier, named=named)
    at_once = whole.learn_many(samples)
    edges = [0, *sorted(set(cuts)), DAY]
    pieces: list[Learned] = [
        parted.learn_many(rows(samples, start, stop)) for start, stop in pairwise(edges)
    ]
    found = join(pieces)
    assert found.batches.tobytes() == at_once.batches.tobytes()
    assert found.phases.tobytes() == at_once.phases.tobytes()
    assert found.alerts == at_once.alerts
    assert parted.verdict() == whole.verdict()


def test_a_fork_goes_on_by_itself(intensifier: Intensifier) -> None:
    samples = day(intensifier, turns(DAY, 1, 2), {1: 0.15})
    watcher = watcher_of(intensifier)
    watcher.learn_many(rows(samples, 0, DAY // 2))
    other = watcher.bore.fork()
    watcher.learn_many(rows(samples, DAY // 2))
    assert watcher.bore.state is State.OPENED
    assert other.state is State.SOUND


def test_one_head_is_judged_as_by_its_watch_alone(intensifier: Intensifier) -> None:
    """Bit for bit, with a valve signal for that head or without."""
    samples = day(intensifier, turns(DAY, 1), {0: 0.12})
    plain = watcher_of(intensifier, ("1",), named=False)
    named = watcher_of(intensifier, ("1",))
    without = plain.learn_many(samples._replace(open_heads=np.full(DAY, np.nan)))
    found = named.learn_many(samples)
    assert found.batches.tobytes() == without.batches.tobytes()
    gate = Gate(plain.gate.settings, plain.gate.displacement)
    bore = BoreWatch(intensifier, jewels("1"), plain.settings)
    batches, changes = bore.learn_many(gate.learn_many(samples)[1])
    assert batches.tobytes() == found.batches.tobytes()
    assert changes[-1] == found.alerts[-1].verdict
    assert named.verdict().heads == ()


def test_a_head_that_was_not_stated_is_told_once_while_it_comes_and_goes(
    intensifier: Intensifier,
) -> None:
    """The second one opens for 12 min every 24 min; then the first one chips."""
    n = 5 * 3600
    seconds = np.arange(n)
    second = (seconds > 3600) & (seconds // 720 % 2 == 1)
    open_heads = np.where(second, 3, 1)
    samples = day(intensifier, open_heads, {0: 0.12}, at=4 * 3600)
    samples = samples._replace(open_heads=np.full(n, np.nan), valve=np.full(n, np.nan))
    watcher = watcher_of(intensifier, ("1",), named=False)
    alerts = watcher.learn_many(samples).alerts
    states = [alert.verdict.state for alert in alerts]
    assert states == [State.OTHER_FAULT, State.SOUND, State.OPENED]
    assert alerts[0].verdict.reason.startswith("more heads open than you stated: two?")
    assert 4 * 3600 < alerts[2].time_ns / 1e9 < 4.5 * 3600


def test_areas_of_the_heads_go_to_the_bits_of_their_valves(intensifier: Intensifier) -> None:
    plain, displacement = gate_settings(intensifier), intensifier.displacement
    small, _ = jewels("A", "B")
    large = Jewel(bore=2 * BORE, material="ruby", fitted_ns=0, head="B")
    found = gate_of(plain, displacement, [small, large], ("B", "C", "A")).state.open
    assert found.count == 3
    areas = [large.nominal_area, 0.0, small.nominal_area, 0.0]
    assert found.areas[:4].tolist() == areas
    one = gate_of(plain, displacement, [small], ("A",))
    assert one.state.open.count == 1
    assert one.settings.nominal_area == small.nominal_area


def test_one_head_is_named_from_nine_in_ten() -> None:
    assert head_of([HeadBelief("2", 0.9), HeadBelief("1", 0.1)]) == "2"
    assert head_of([HeadBelief("2", 0.89), HeadBelief("1", 0.11)]) is None
    assert head_of([]) is None


def merged(state: State, first: Cause, *heads: float) -> Verdict:
    """A verdict of the leading combination, once all say that this cause comes first."""
    lead = replace(
        quiet_watch().verdict(), state=State.CANNOT_TELL, reason="area up; most probable: a moth"
    )
    beliefs = tuple(HeadBelief(str(k), p) for k, p in enumerate(heads, start=1))
    causes = (Belief(first, 0.8), Belief(Cause.UNKNOWN, 0.2))
    return with_heads(lead, Merged(state, 0, beliefs, causes))


def test_a_fault_of_the_jet_is_that_of_its_head_and_a_fault_of_the_pump_of_none() -> None:
    blocked = merged(State.OTHER_FAULT, Cause.BLOCKED, 0.95, 0.05)
    assert (blocked.state, blocked.head) == (State.OTHER_FAULT, "1")
    assert blocked.reason == f"head 1: area up; most probable: {Cause.BLOCKED.value} (80 %)"
    leak = merged(State.OTHER_FAULT, Cause.LEAK, 0.95, 0.05)
    assert leak.heads == ()
    assert leak.reason == f"area up; most probable: {Cause.LEAK.value} (80 %)"
    assert [belief.cause for belief in leak.causes] == [Cause.LEAK, Cause.UNKNOWN]
    unsure = merged(State.CANNOT_TELL, Cause.LEAK, 0.6, 0.4)
    assert unsure.reason.startswith("head 1 or 2, most probably 1 (60 % if it is a jewel): ")
