"""Three months of an invented shop, as its store holds them: register entries and telemetry.

Nothing here comes from a real shop. Six machines of one head each, whose jewels live as those of
`invented_shop` do; a week without telemetry on every machine, jewels with earlier hours, jewels
removed in good condition, ends that nobody explained, conditions that nobody wrote down.
"""

from __future__ import annotations

import sqlite3
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from borewarden.jewels.fitting import End, Fitting
from borewarden.lives.posterior import Conditions
from borewarden.store.database import open_store, transaction
from borewarden.store.register import record
from invented_shop import HEADS, TRUTHS, WEEKS, stretch

ROOT = Path(__file__).parents[2]
EXAMPLE = ROOT / "config" / "live" / "shop.toml"
START_NS = 1_767_571_200 * 10**9  # 2026-01-05 00:00 UTC, a Monday
WEEK_NS = 7 * 86_400 * 10**9
END_NS = START_NS + round(WEEKS * WEEK_NS)
AT = "2026-04-06T02:00"  # the same moment as Vienna's clocks show it
BORES = {"ruby": 0.254e-3, "man-made": 0.254e-3, "diamond": 0.254e-3}


@dataclass(frozen=True)
class InventedHead:
    """One machine of one head, and how much it cuts."""

    machine: str
    material: str
    hours_a_week: float

    def time_ns(self, jet_hours: float) -> int:
        """When so many jet hours of the three months were cut; evenly, night and day."""
        return START_NS + round(jet_hours / self.hours_a_week * WEEK_NS)


SHOP = [
    InventedHead(f"M{number}", material, hours)
    for number, (material, hours) in enumerate(HEADS, start=1)
]


def write_machines(folder: Path, names: list[tuple[str, str]] | None = None) -> None:
    """A machine file for each (name, material), with a jewel that was fitted long before."""
    north = (ROOT / "config" / "north.toml").read_text(encoding="utf-8")
    head, _, _ = north.partition("\n[[jewel]]")
    for name, material in names or [(head.machine, head.material) for head in SHOP]:
        text = head.replace('name = "North"', f'name = "{name}"')
        jewel = (
            "\n[[jewel]]\nfitted = 2025-06-02T06:00:00\n"
            f'bore = "0.010 in"\nmaterial = "{material}"\n'
        )
        (folder / f"{name.lower()}.toml").write_text(text + jewel, encoding="utf-8")


def write_shop(store: Path, seed: int, every: float = 0.2) -> list[Fitting]:
    """The three months in a new store, with a batch all `every` jet hours; the fittings."""
    rng = np.random.default_rng(seed)
    fitted = []
    with open_store(store) as connection, transaction(connection):
        for head in SHOP:
            gap = float(rng.uniform(2.0, WEEKS - 3.0)) * head.hours_a_week
            for fitting, hours, slope in _jewels(head, rng):
                record(connection, fitting, by="invented")
                fitted.append(fitting)
                first = (fitting.fitted_ns - START_NS) / WEEK_NS * head.hours_a_week
                _write_batches(connection, head, fitting, first, hours, slope, gap, every)
    return fitted


def _jewels(head: InventedHead, rng: np.random.Generator) -> list[tuple[Fitting, float, float]]:
    """Each jewel of a head in turn, its jet hours within the three months, and its wear.

    Wear is the growth of log area a jet hour: to +8 % at the end, but for those that go early.
    """
    truth, end, clock = TRUTHS[head.material], WEEKS * head.hours_a_week, 0.0
    jewels = []
    earlier = float(rng.uniform(0.0, 0.3) * truth.scale)
    while clock < end:
        conditions = Conditions(
            tds_ppm=float(rng.choice([60.0, 120.0, 250.0])),
            low_pressure_start=head.machine in ("M1", "M3", "M5"),
        )
        life = 0.0
        while life <= earlier:
            life = float(truth.draw(rng, 1)[0]) * stretch(conditions)
        off = earlier + float(rng.exponential(10.0 * truth.scale))
        hours = min(life, off) - earlier
        why: End | None = End.PLANNED if rng.random() < 0.7 else End.MISHANDLED
        if life <= off:
            early = life < 0.3 * truth.scale
            why = End.CHIPPED if early else End.WORN
            why = End.PLUGGED if early and rng.random() < 0.2 else why
            why = End.UNKNOWN if rng.random() < 0.1 else why
        out = clock + hours < end
        jewels.append(
            (
                Fitting(
                    head.machine,
                    "1",
                    head.time_ns(clock),
                    BORES[head.material],
                    head.material,
                    out_ns=head.time_ns(clock + hours) if out else None,
                    end=why if out else None,
                    earlier_hours=earlier,
                    tds_ppm=None if rng.random() < 0.1 else conditions.tds_ppm,
                    low_pressure_start=conditions.low_pressure_start,
                ),
                min(hours, end - clock),
                0.0 if life < 0.3 * truth.scale else float(np.log(1.08)) / life,
            )
        )
        clock += hours
        earlier = float(rng.uniform(0.1, 0.3) * truth.scale) if rng.random() < 0.1 else 0.0
    return jewels


def _write_batches(
    connection: sqlite3.Connection,
    head: InventedHead,
    fitting: Fitting,
    first: float,
    hours: float,
    slope: float,
    gap: float,
    every: float,
) -> None:
    """Batches of a jewel that wears by `slope`, none in the week that begins at `gap`.

    That is in jet hours of the machine. What the watcher does not see, it does not count.
    """
    since = np.append(np.arange(every, hours, every), hours)
    at = first + since
    seen = (at < gap) | (at > gap + head.hours_a_week)
    unseen = np.maximum(np.minimum(at, gap + head.hours_a_week) - max(first, gap), 0.0)
    ratio = slope * since + np.random.default_rng(len(since)).normal(0.0, 0.004, len(since))
    for state, rows in (
        ("sound", seen & (slope * since <= 0.02)),
        ("wearing", seen & (slope * since > 0.02)),
    ):
        write_batches(
            connection,
            head.machine,
            [head.time_ns(float(x)) for x in at[rows]],
            (fitting.earlier_hours + since - unseen)[rows],
            ratio[rows],
            fitting.bore,
            state,
        )


def write_batches(
    connection: sqlite3.Connection,
    machine: str,
    end_ns: list[int],
    jet_hours: np.ndarray,
    log_ratio: np.ndarray,
    bore: float,
    state: str = "sound",
) -> None:
    """Rows of batches as the watcher would have kept them."""
    connection.executemany(
        "INSERT OR REPLACE INTO batch (machine, start_ns, end_ns, jet_hours, bore, log_ratio, "
        "state) VALUES (?, ?, ?, ?, ?, ?, ?)",
        [
            (machine, time_ns - 20 * 10**9, time_ns, float(h), bore * float(np.exp(r / 2)),
             float(r), state)
            for time_ns, h, r in zip(end_ns, jet_hours, log_ratio, strict=True)
        ],
    )  # fmt: skip
