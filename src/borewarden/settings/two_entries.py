"""Where machine file and register say different things of what may be one jewel."""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple

from borewarden.jewels.fitting import Fitting
from borewarden.jewels.jewel import Jewel
from borewarden.settings.machine import SAME_NS, MachineSettings


class TwoEntries(NamedTuple):
    """A fitting of the register, by its number, and a jewel of the machine file that disagree.

    The register's counts where `dates_agree`, else the later of the two.
    """

    number: int
    fitting: Fitting
    jewel: Jewel
    dates_agree: bool


def two_entries(settings: MachineSettings, held: Mapping[int, Fitting]) -> list[TwoEntries]:
    """Entries of one head that contradict each other; `held` is what the register holds.

    Two of one date do if bore, material or hours differ. Two of different dates do if they may be
    one jewel: the register calls the earlier one still fitted, or the later one has hours from
    before; and somebody stated hours, or the machine file only guesses the date.
    """
    own = {n: fitting for n, fitting in held.items() if fitting.machine == settings.name}
    stated = settings.jewels()
    found = []
    for jewel in stated:
        on_head = {n: f for n, f in own.items() if f.head == jewel.head}
        same = [n for n, f in on_head.items() if _one_date(f, jewel)]
        if same:
            fitting = on_head[same[0]]
            if _differ(fitting, jewel):
                found.append(TwoEntries(same[0], fitting, jewel, True))
            continue
        for number, fitting in on_head.items():
            in_file = any(fitting.head == j.head and _one_date(fitting, j) for j in stated)
            if not in_file and _may_be_one(fitting, jewel):
                found.append(TwoEntries(number, fitting, jewel, False))
    return found


def _one_date(fitting: Fitting, jewel: Jewel) -> bool:
    return abs(fitting.fitted_ns - jewel.fitted_ns) <= SAME_NS


def _differ(fitting: Fitting, jewel: Jewel) -> bool:
    """Whether what was stated of a jewel of one date differs."""
    told = {"bore": fitting.bore != jewel.bore, "material": fitting.material != jewel.material}
    hours = jewel.jet_hours > 0.0 and jewel.jet_hours != fitting.earlier_hours
    return hours or any(differs and name not in jewel.guessed for name, differs in told.items())


def _may_be_one(fitting: Fitting, jewel: Jewel) -> bool:
    """Whether a fitting and a jewel of different dates may well be one."""
    if fitting.out_ns is not None:
        return False
    if fitting.fitted_ns < jewel.fitted_ns:
        stated = fitting.earlier_hours > 0.0 or jewel.jet_hours > 0.0
        return stated or "fitted" in jewel.guessed
    alike = (fitting.bore, fitting.material) == (jewel.bore, jewel.material)
    return fitting.earlier_hours > 0.0 and (alike or "bore" in jewel.guessed)
