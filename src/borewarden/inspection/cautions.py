"""The cautions that come before every instruction to a person at the machine."""

from __future__ import annotations

from collections.abc import Iterable
from typing import NamedTuple

CAUTIONS: tuple[str, ...] = (
    "Only people who are qualified and authorised for this pump may work on it. The pump maker's "
    "manual, local codes and the rules of your site come before anything said here.",
    "Before opening anything: stop the pump, lock it out and tag it, bleed the pressure down, and "
    "verify zero pressure. A stopped pump can still hold full pressure.",
    "Never put a hand or any other part of the body near the jet, and never feel for leaks: a "
    "leak too fine to see cuts through gloves and skin.",
    "An injection injury is an emergency, even if the wound looks small and hardly hurts: go to "
    "hospital at once and tell them it is a high-pressure injection.",
    "borewarden only reads and estimates. It is not a safety device, and its verdict does not say "
    "that the machine is safe.",
)


class Guarded(NamedTuple):
    """Instructions to people and the cautions that stand before them: neither goes out alone."""

    cautions: tuple[str, ...]
    steps: tuple[str, ...]

    @property
    def lines(self) -> list[str]:
        """All of it in order."""
        return [*self.cautions, *self.steps]


def guarded(*steps: str) -> Guarded:
    """What to do at the machine, behind the cautions: how every instruction goes out to people."""
    return Guarded(CAUTIONS, steps)


def caution_lines(cautions: Iterable[str] = CAUTIONS) -> list[str]:
    """The cautions as a terminal shows them."""
    return [f"! {caution}" for caution in cautions]
