"""A watch for each combination of open heads: whose batches and hours are whose."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from borewarden import load_machine, read_log
from borewarden.diagnose.causes import Cause
from borewarden.gate.batch import BatchKind
from borewarden.watcher.heads_watch import LOG_THE_HEADS, TO_AND_FRO, WHICH_HEADS, HeadsWatch
from borewarden.watcher.settings import WatchSettings
from borewarden.watcher.verdict import STATES, State
from borewarden.watcher.watcher import Alert, Watcher
from invented_watch import FIRST, PUMP, RUBY, batches
from second_plant import day, write

JEWELS = [replace(RUBY, head="1", jet_hours=3.0), replace(RUBY, head="2")]
RUN = 5  # batches that a head cuts before the other does
HOUR = 3600.0


def by_turns(
    count: int, growth: float = 0.0, start: int = 0, bits: tuple[int, ...] = (1, 2)
) -> NDArray[np.void]:
    """Batches of 20 s of steady jet in 25 s; what is open takes turns, head 1 has grown."""
    number = start + np.arange(count)
    open_heads = np.array(bits)[number // RUN % len(bits)]
    off = np.select([open_heads == 1, open_heads == 3], [growth, np.log(2.0)], 0.0)
    rows = batches(off, start=start)
    rows["open_heads"] = open_heads
    rows["jet_seconds"] = (number + 1) * 25.0
    return rows


def watch_of(valve_heads: tuple[str, ...] = ("1", "2")) -> HeadsWatch:
    return HeadsWatch(PUMP, JEWELS, WatchSettings(), valve_heads)


def test_each_head_has_the_batches_and_the_hours_of_its_own() -> None:
    watch = watch_of()
    rows, _ = watch.learn_many(by_turns(8 * RUN))
    known = {each.heads: each for each in watch.known()}
    assert set(known) == {"head 1", "head 2"}
    for each in known.values():
        assert each.batches == 4 * RUN
        # where another head was open before, what it took until the jet was steady is not known
        assert each.jet_hours == pytest.approx(4 * (20 + 25 * (RUN - 1)) / HOUR)
    # those of a row and of the verdict are the pump's, and the hours that the jewel had before
    assert rows["jet_hours"] == pytest.approx(3.0 + 25.0 * np.arange(1, 8 * RUN + 1) / HOUR)
    assert watch.verdict().jet_hours == pytest.approx(3.0 + 25.0 * 8 * RUN / HOUR)


def test_a_chip_is_told_once_and_again_when_the_head_is_known() -> None:
    watch = watch_of()
    assert watch.learn_many(by_turns(4 * FIRST))[1][-1].state is State.SOUND
    assert watch.habits.keys() <= {"head 1", "head 2"}
    rows, told = watch.learn_many(by_turns(8 * RUN, 0.1, 4 * FIRST))
    assert {verdict.state for verdict in told} == {State.OPENED}
    assert told[-1].head == "1"
    assert len(told) <= 2
    assert "head 1: effective area up" in watch.reason
    assert STATES[rows["state"][-1]] is watch.state is State.OPENED
    # another chip of the same head is no news, and after the all-clear it is
    back = watch.learn_many(by_turns(16 * RUN, 0.0, 4 * FIRST + 8 * RUN))[1]
    assert [verdict.state for verdict in back] == [State.SOUND]
    again = watch.learn_many(by_turns(8 * RUN, 0.13, 4 * FIRST + 24 * RUN))[1]
    assert again[-1].head == "1"


def test_heads_without_a_stated_jewel_make_rows_and_no_watch() -> None:
    watch = HeadsWatch(PUMP, JEWELS[:1], WatchSettings(), ("1", "2"))
    rows, told = watch.learn_many(by_turns(40, bits=(2, 3)))
    assert (len(rows), told) == (40, [])
    assert len(watch.known()) == 1
    assert watch.state is State.LEARNING
    assert {STATES[k] for k in rows["state"]} == {State.LEARNING}


def test_all_heads_counted_open_are_the_combination_of_all() -> None:
    """A count of open heads, written as less than nothing, names none; all of them it does."""
    watch = watch_of(())
    rows = by_turns(10, bits=(3,))
    rows["open_heads"] = -2
    watch.learn_many(rows)
    assert [each.heads for each in watch.known()] == ["head 1 and 2"]


def test_a_closed_jet_is_heard_by_all_combinations() -> None:
    watch = watch_of()
    watch.learn_many(by_turns(2 * RUN))
    watch.learn_many(batches([0.0] * 3, BatchKind.DEAD_HEAD, 2 * RUN))
    assert [each.dead_headed for each in watch.known()] == [3, 3]


def test_a_head_goes_by_what_another_has_shown_of_the_pump() -> None:
    """Noise and wander are the pump's: a third of the time is enough for another head's level."""
    watch = watch_of()
    watch.learn_many(by_turns(3 * FIRST, bits=(1,)))
    watch.learn_many(by_turns(FIRST // 3, start=3 * FIRST, bits=(2,)))
    first, second = watch.known()
    assert (first.wanted, second.wanted) == (600.0, 200.0)
    assert second.steady >= second.wanted
    assert np.isfinite(second.noise)
    told = watch.learn_many(by_turns(3, 0.0, 4 * FIRST, bits=(2,)))[1]
    assert told == []
    rows = by_turns(6, 0.0, 4 * FIRST + 3, bits=(2,))
    rows["area"] *= 1.12
    assert watch.learn_many(rows)[1][-1].head == "2"


def test_jewels_that_nothing_tells_apart_may_differ_by_a_little() -> None:
    """By turns and with their number only, two jewels near to each other share a watch."""

    def told(bits: tuple[int, ...], growth: float) -> list[State]:
        watch = watch_of(("1", "2") if bits[0] > 0 else ())
        watch.learn_many(by_turns(6 * FIRST, bits=bits))
        rows = by_turns(40, 0.0, 6 * FIRST, bits=bits)
        rows["area"] *= np.exp(growth)
        return [verdict.state for verdict in watch.learn_many(rows)[1]]

    assert told((1,), 0.028) == [State.OPENED]
    assert told((-1,), 0.028) == []


def uncounted(count: int, area: float, start: int) -> NDArray[np.void]:
    """Batches of which nothing says how many heads are open; `area` in that of one."""
    rows = by_turns(count, start=start, bits=(1,))
    rows["open_heads"] = 0
    rows["area"] *= area
    return rows


def test_that_it_cannot_tell_which_heads_are_open_is_told_once() -> None:
    """Areas by turns that no set of heads takes; what none but a chip explains stays told."""
    watch, n = watch_of(()), 3 * FIRST
    told = watch.learn_many(uncounted(n, 1.0, 0))[1]
    for turn in range(1, 7):
        told += watch.learn_many(uncounted(n, (1.0, 0.7)[turn % 2], turn * n))[1]
    assert [(v.state, v.reason) for v in told[1:]] == [(State.CANNOT_TELL, WHICH_HEADS)]
    assert told[0].state is State.SOUND
    assert (watch.state, watch.reason) == (State.CANNOT_TELL, WHICH_HEADS)
    chip = watch.learn_many(uncounted(n, 1.12, 7 * n))[1]
    assert [verdict.state for verdict in chip] == [State.OPENED]


def test_areas_that_fit_no_stated_head_are_not_told_as_another_bore() -> None:
    """As where the pump turns on at its least speed while the jet is shut."""
    watch = watch_of(())
    rows = watch.learn_many(uncounted(6 * FIRST, 0.6, 0))
    assert [verdict.reason for verdict in rows[1]] == [WHICH_HEADS]
    assert not rows[1][0].causes
    assert STATES[rows[0]["state"][-1]] is State.CANNOT_TELL


def test_a_level_learned_of_other_heads_tells_nothing() -> None:
    """A watch whose baseline no stated bore explains tells of no step either."""
    watch = watch_of(())
    low = watch.learn_many(uncounted(4 * FIRST, 1.35, 0))[1]
    high = watch.learn_many(uncounted(2 * FIRST, 1.48, 4 * FIRST))[1]
    assert [verdict.reason for verdict in low + high] == [WHICH_HEADS]
    assert np.isnan(watch.verdict().discharge_coefficient)
    assert watch.verdict().onset_ns is None


def test_batches_one_by_one_tell_the_same_where_nothing_counts_the_heads() -> None:
    parts = [(1.0, 4 * FIRST), (0.7, 40), (1.0, 20), (1.12, 20)]
    starts = np.cumsum([0, *(count for _, count in parts)])[:-1].tolist()
    rows = np.concatenate(
        [uncounted(n, area, k) for (area, n), k in zip(parts, starts, strict=True)]
    )
    whole, single = watch_of(()), watch_of(())
    results, told = whole.learn_many(rows)
    pairs = [single.learn_many(rows[k : k + 1]) for k in range(len(rows))]
    assert np.concatenate([result for result, _ in pairs]).tobytes() == results.tobytes()
    assert [v.reason for _, verdicts in pairs for v in verdicts] == [v.reason for v in told]
    assert WHICH_HEADS in {verdict.reason for verdict in told}


# -- days of two heads that cut by turns, of which nothing is logged (second plant, invented)


def replayed(folder: Path, kind: str, seed: int) -> tuple[Watcher, list[Alert]]:
    """A day with a chip of 10 % in the second head, and what is told of it."""
    valves = ("valve", "valve_1", "valve_2")
    made = day(kind, seed, signals=("pressure", "rate", *valves), heads=2, mode="turns",
               fault="chip", size=0.10, head=1)  # fmt: skip
    channels = {name: made.channels[name] for name in ("pressure", "rate")}
    log, machine_file, _ = write(replace(made, channels=channels), folder)
    machine = load_machine(machine_file)
    watcher = machine.build_watcher()
    return watcher, watcher.learn_many(read_log(log, machine.log_format())).alerts


def test_a_chip_stays_told_when_the_other_head_cuts(tmp_path: Path) -> None:
    """The old area is the other jewel's, and no all-clear."""
    watcher, alerts = replayed(tmp_path, "intensifier", 71_001)
    assert [alert.verdict.state for alert in alerts] == [State.OPENED]
    verdict = watcher.verdict()
    assert verdict.state is State.OPENED
    shares = {each.cause: each.probability for each in verdict.causes}
    assert verdict.probability <= shares[Cause.BORE] + 1e-9
    heads = [each.heads for each in watcher.known()]
    assert heads == [f"head 1 or head 2, the one with the {word} area"
                     for word in ("larger", "smaller")]  # fmt: skip


def test_an_area_that_comes_and_goes_is_said_once_with_what_would_settle_it(
    tmp_path: Path,
) -> None:
    watcher, alerts = replayed(tmp_path, "regulated", 71_005)
    assert [alert.verdict.state for alert in alerts] == [State.CANNOT_TELL] * 2
    last = alerts[-1].verdict
    assert (last.reason, last.check) == (TO_AND_FRO, LOG_THE_HEADS)
    assert watcher.verdict().state is State.CANNOT_TELL
