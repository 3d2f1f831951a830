"""The two stores that commands take where none is named, and what is in the other one."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable
from pathlib import Path
from typing import NamedTuple

from borewarden.cli.terminal import typed
from borewarden.store.database import open_to_read
from borewarden.store.queries import with_telemetry
from borewarden.store.register import fittings

WATCHED = Path("borewarden.db")
REPLAYED = Path("replay.db")  # never the watch's own: a logged day is not to mix with live ones


class _Holds(NamedTuple):
    telemetry: set[str]  # names of machines
    jewels: set[str]


def elsewhere(store: Path, machines: Iterable[str]) -> list[str]:
    """What the other one of the two usual stores knows of `machines`, and `store` does not."""
    other = {WATCHED: REPLAYED, REPLAYED: WATCHED}.get(store)
    if other is None or not other.exists():
        return []
    here, there = _held(store), _held(other)
    lines = []
    for name in machines:
        telemetry = name in there.telemetry - here.telemetry
        jewels = name in there.jewels - here.jewels
        if telemetry and name in here.jewels - there.jewels:
            lines.append(_apart(name, store, other))
        elif jewels and name in here.telemetry - there.telemetry:
            lines.append(_apart(name, other, store))
        elif telemetry or jewels:
            what = " and ".join(["telemetry"] * telemetry + ["jewels"] * jewels)
            lines.append(f"{store} has no {what} of {name}, {other} has: add --store {other}")
    return lines


def _apart(name: str, jewels: Path, telemetry: Path) -> str:
    taken = typed("register", "export", "jewels.csv", "--store", jewels)
    given = typed("register", "import", "jewels.csv", "--store", telemetry, "--by", "YOU")
    return (
        f"the jewels of {name} are in {jewels}, its jet hours in {telemetry}. To bring them "
        f"together: {taken}, then {given}; after that, add --store {telemetry}"
    )


def _held(store: Path) -> _Holds:
    if not store.exists():
        return _Holds(set(), set())
    try:
        with open_to_read(store) as connection:
            jewels = {fitting.machine for fitting in fittings(connection).values()}
            return _Holds(with_telemetry(connection), jewels)
    except sqlite3.Error:  # no store, or one that cannot be read now: nothing to say of it
        return _Holds(set(), set())
