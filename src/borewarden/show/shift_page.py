"""Two pages: what the next shift needs to know, and how long jewels last. HTML without script."""

from __future__ import annotations

import base64
from collections.abc import Sequence
from pathlib import Path

from borewarden.base.files import write_private
from borewarden.base.times import local_time
from borewarden.inspection.cautions import CAUTIONS
from borewarden.lives.posterior import Posterior
from borewarden.lives.records import conditions_of, records_of, tally
from borewarden.lives.survival import interval, quantile
from borewarden.planning.outlook import Outlook, StockRow
from borewarden.planning.snapshot import ShopSeen
from borewarden.show.curves import survival_svg
from borewarden.show.pages import template_environment
from borewarden.show.plan_words import (
    HEAD_COLUMNS,
    HEAD_LIFE_COLUMNS,
    LIFE_COLUMNS,
    STOCK_COLUMNS,
    Cell,
    effect_words,
    head_cells,
    head_life_cells,
    life_cells,
    missing,
    prior_words,
    stock_cells,
    to_do,
)
from borewarden.watcher.verdict import State


def write_shift(
    seen: ShopSeen,
    outlooks: Sequence[Outlook],
    stock: Sequence[StockRow],
    hours: float,
    path: Path,
) -> None:
    """Write the shift page to `path`. It needs no network and prints on A4."""
    page = (
        template_environment()
        .get_template("shift.html")
        .render(
            title="Shift page",
            heading="What the next shift needs to know",
            subheading=as_of(seen),
            cautions=CAUTIONS,
            to_do=to_do(outlooks, stock, hours),
            head_columns=head_columns(hours),
            heads=[
                {
                    "cells": head_cells(outlook, seen.at_ns),
                    "category": _category(outlook.machine.state),
                    "chance": outlook.chance.chance,
                }
                for outlook in outlooks
            ],
            stock_columns=STOCK_COLUMNS,
            stock=[stock_cells(row) for row in stock],
            stock_note=stock_note(seen),
            missing=missing(seen, outlooks),
            basis=basis(seen),
        )
    )
    write_private(path, page)


def write_lives(
    seen: ShopSeen, outlooks: Sequence[Outlook], posterior: Posterior, hours: float, path: Path
) -> None:
    """Write the page on lives to `path`, with a curve for every material that is or was fitted."""
    records = records_of(seen.jewels)
    fitted = {jewel.fitting.material for jewel in seen.jewels}
    curves = []
    for material in posterior.materials:
        if fitted and material not in fitted:
            continue
        own = [record for record in records if record.material == material]
        lives = posterior.lives(material)
        ended = sum(record.ended for record in own)
        title = f"{material}: {ended} ended, {len(own) - ended} not ended"
        median = interval(quantile(lives, 0.5))
        curves.append(
            {
                "uri": "data:image/svg+xml;base64,"
                + base64.b64encode(survival_svg(own, lives, title)).decode(),
                "alt": f"Survival of {title}; median life {median.middle:.0f} h, 90 %: "
                f"{median.low:.0f} to {median.high:.0f} h.",
            }
        )
    page = (
        template_environment()
        .get_template("life.html")
        .render(
            title="Lives of jewels",
            heading="How long jewels last here",
            subheading=as_of(seen),
            life_columns=LIFE_COLUMNS,
            lives=[life_cells(seen, posterior, material) for material in posterior.materials],
            curves=curves,
            curves_note="Steps: your own jewels without any model (product-limit estimate), "
            "whatever conditions they cut under. A tick marks a jewel last seen sound there. Line "
            "and band: records and starting assumptions together.",
            head_columns=head_life_columns(hours),
            heads=head_lives(outlooks, posterior),
            effects=effect_words(posterior.effects()),
            priors=prior_words(),
            basis=basis(seen),
        )
    )
    write_private(path, page)


def head_lives(outlooks: Sequence[Outlook], posterior: Posterior) -> list[tuple[Cell, ...]]:
    """Rows under `HEAD_LIFE_COLUMNS`, each under the conditions of its own head."""
    rows = []
    for outlook in outlooks:
        fitting = outlook.head.fitting
        lives = posterior.lives(fitting.material, conditions_of(fitting))
        rows.append(
            head_life_cells(outlook, interval(quantile(lives, 0.5)), interval(lives.early_share))
        )
    return rows


def head_columns(hours: float) -> tuple[str, ...]:
    """`HEAD_COLUMNS`, with the length of a shift."""
    return tuple(f"Lasts {hours:g} h more" if c == "Lasts" else c for c in HEAD_COLUMNS)


def head_life_columns(hours: float) -> tuple[str, ...]:
    """`HEAD_LIFE_COLUMNS`, with the length of a shift."""
    return tuple(f"Lasts {hours:g} h more" if c == "Lasts" else c for c in HEAD_LIFE_COLUMNS)


def as_of(seen: ShopSeen) -> str:
    """Which moment the page shows."""
    at = local_time(seen.at_ns, seen.machines[0].time_zone)
    return f"Everything below dates from {at}, from the store and its register."


def stock_note(seen: ShopSeen) -> str:
    """What the stock to hold is good for."""
    stock = seen.shop.stock
    return (
        f"The stock to hold has a {100.0 * stock.service:.0f} % chance of lasting until delivery "
        f"({stock.lead_time:g} weeks). It covers planned changes and failures."
    )


def basis(seen: ShopSeen) -> list[str]:
    """What the chances and plans are based on."""
    materials = {jewel.fitting.material for jewel in seen.jewels}
    counts = [tally(seen.jewels, material) for material in materials]
    ended = sum(count.ended for count in counts)
    going = sum(count.sound + count.fitted + count.lost for count in counts)
    lines = [
        f"Lives: {ended} of {ended + going} jewels have ended, on all machines. They are added to "
        "starting assumptions (common practice, no source). More records make these count less.",
        *(
            [f"Jet hours of {stated} of them are as stated, wholly or in part, not by telemetry."]
            if (stated := sum(count.stated for count in counts))
            else []
        ),
        "Ended: chipped, worn, poor cut quality, plugged or unknown. Planned and mishandled count "
        "as removed in good condition.",
        "A chance based on a jewel's own wear allows for wear that speeds up. It assumes "
        "that a jewel that fails early fails suddenly. A chip gives no warning.",
    ]
    return lines + [f"{line[0].upper()}{line[1:]}." for line in seen.shop.assumed()]


def _category(state: State | None) -> str:
    return "function check" if state is None else state.ne107
