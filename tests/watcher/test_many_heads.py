"""Two to six heads on one pump, and a pump that feeds two machines: naming, register, hours.

All samples are invented: a steady pump whose jets take the areas that are put in.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from borewarden.base.samples import Samples
from borewarden.jewels.fitting import Fitting
from borewarden.physics.orifice import bore_area
from borewarden.planning.snapshot import counting_of
from borewarden.settings import MachineSettings, load_machine
from borewarden.store.database import open_store, transaction, write_learned
from borewarden.store.jet_times import jet_times
from borewarden.store.register import fittings, record
from borewarden.watcher.verdict import State
from borewarden.watcher.watcher import Learned
from steady import steady_samples

NS = 10**9
BORE, C_D = 0.1524e-3, 0.65  # m: 0.006 in, three of which the pump feeds at a time
TURN, ROUNDS = 600, 4  # s that some heads cut before others do, and how often each of them do
FITTED = 1_772_517_600  # s, 2026-03-03 06:00 UTC, an invented day
BEGAN = FITTED + 3600
HOUR = 3600.0


def machine(folder: Path, heads: Sequence[str]) -> MachineSettings:
    """North with a valve signal for each head, invented."""
    text = (Path(__file__).parents[2] / "config" / "north.toml").read_text()
    before, _, _ = text.partition("[[jewel]]")
    signals = "".join(f'\n[log.valve."{head}"]\ncolumn = "{head}"\n' for head in heads)
    fitted = "".join(
        f'[[jewel]]\nfitted = 2026-03-03T06:00:00Z\nbore = "0.006 in"\nmaterial = "ruby"\n'
        f'head = "{head}"\n'
        for head in heads
    )
    path = folder / "north.toml"
    path.write_text(before + signals + fitted)
    return load_machine(path)


def day(
    settings: MachineSettings, combinations: Sequence[int], chipped: int, growth: float
) -> tuple[Samples, NDArray[np.int64]]:
    """Samples and the bits of the open heads: each of the `combinations` cuts by turns.

    From half the day on, the jewel of the head with the bit `chipped` passes `growth` more.
    """
    seconds = np.arange(TURN * ROUNDS * len(combinations))
    bits = np.array(combinations)[seconds // TURN % len(combinations)]
    areas = np.zeros(len(seconds))
    for bit in range(len(settings.valve_heads)):
        late = (seconds >= len(seconds) // 2) & (bit == chipped)
        areas += (bits >> bit & 1) * (1.0 + 0.005 * bit) * (1.0 + growth * late)
    pump = settings.build_pump()
    samples = steady_samples(pump, areas * C_D * float(bore_area(BORE)))
    samples = samples._replace(
        time_ns=(BEGAN + seconds) * NS,
        open_heads=bits.astype(float),
        valve=np.bitwise_count(bits).astype(float),
    )
    return samples, bits


def hours_of(bits: NDArray[np.int64], heads: Sequence[str]) -> dict[str, float]:
    return {head: float(np.sum(bits >> k & 1)) / HOUR for k, head in enumerate(heads)}


def told(learned: Learned) -> list[tuple[State, str | None]]:
    return [(alert.verdict.state, alert.verdict.head) for alert in learned.alerts]


@pytest.mark.parametrize("count", [2, 3, 4, 6])
def test_a_chip_is_that_of_its_head_however_many_cut_in_pairs(tmp_path: Path, count: int) -> None:
    """Neighbours cut together, so that a chip is first one of two, and then of one."""
    heads = [str(k + 1) for k in range(count)]
    settings = machine(tmp_path, heads)
    pairs = [1 << k | 1 << (k + 1) % count for k in range(count)] if count > 2 else [1, 3]
    samples, bits = day(settings, pairs, chipped=1, growth=0.0)
    sound = settings.build_watcher()
    assert sound.learn_many(samples).alerts == []
    assert sound.head_hours == pytest.approx(hours_of(bits, heads), abs=0.03)
    watcher = settings.build_watcher()
    learned = watcher.learn_many(day(settings, pairs, chipped=1, growth=0.15)[0])
    assert {head for _, head in told(learned)} <= {None, "2"}
    assert told(learned)[-1] == (State.OPENED, "2")
    assert watcher.verdict().head == "2"


MACHINES = ["left 1", "left 2", "right"]  # two tables, the left one with two heads


@pytest.mark.parametrize(("chipped", "suspects"), [(0, "head left 1 or left 2"), (2, "head right")])
def test_one_pump_that_feeds_two_machines(tmp_path: Path, chipped: int, suspects: str) -> None:
    """Each cuts by itself, and both at times; the heads of one machine always cut together."""
    settings = machine(tmp_path, MACHINES)
    samples, bits = day(settings, [0b011, 0b100, 0b111], chipped, 0.15)
    watcher = settings.build_watcher()
    learned = watcher.learn_many(samples)
    assert watcher.verdict().state is State.OPENED
    assert watcher.verdict().suspects == suspects
    assert {head for _, head in told(learned)} <= {None, watcher.verdict().head}
    # the register counts the same hours of each head
    hours = hours_of(bits, MACHINES)
    assert watcher.head_hours == pytest.approx(hours, abs=0.03)
    with open_store(tmp_path / "one.db") as connection:
        with transaction(connection):
            for head in MACHINES:
                record(connection, Fitting("North", head, FITTED * NS, BORE, "ruby"), "Eva", "")
            write_learned(connection, "North", samples, learned)
        held = fittings(connection)
        times = jet_times(connection, held, counting_of([settings]))
    counted = {fitting.head: times[n].jet_hours for n, fitting in held.items()}
    assert counted == pytest.approx(watcher.head_hours, abs=0.002)
