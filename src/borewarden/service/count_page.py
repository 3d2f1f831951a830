"""The page for counts by hand: the form, the answer, and every pump's trend. It has no script."""

from __future__ import annotations

import asyncio
import sqlite3
import time
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, NamedTuple

from starlette.requests import Request
from starlette.responses import HTMLResponse, Response
from starlette.routing import Route

from borewarden.base.errors import BadInput
from borewarden.base.shown import show_in
from borewarden.base.times import computer_zone
from borewarden.counts.count import HandCount
from borewarden.counts.plate import plate_of
from borewarden.counts.series import Judged, judge_all
from borewarden.diagnose.causes import DIRECT_DRIVE, INTENSIFIER
from borewarden.inspection.cautions import CAUTIONS
from borewarden.jewels.fitting import FittedSet
from borewarden.physics.orifice import DISCHARGE_COEFFICIENTS
from borewarden.service.doors import read_form
from borewarden.service.status import MachineStatus
from borewarden.settings import MachineSettings
from borewarden.settings.count_form import (
    BORE,
    BYPASSES,
    COUNTED,
    FIELDS,
    PLATE,
    Known,
    keep_count,
    known_by_file,
)
from borewarden.show.count_report import pump_views
from borewarden.show.count_words import answer_lines, count_headline, doubt_rows, what_next
from borewarden.show.pages import template_environment
from borewarden.store.accounts import Account, Step, note
from borewarden.store.counts import hand_counts
from borewarden.store.database import open_store, open_to_read, transaction
from borewarden.store.register import fittings

LONGEST_NAME = 80  # characters
FORM_LABELS = {"name": "Pump", "by": "Your name", "at": "When, if not now"}

Statuses = Mapping[str, MachineStatus]


class Shop(NamedTuple):
    """The store, the machines that are watched, and those that are only counted, by name.

    `account` is who asks.
    """

    store: Path
    statuses: Statuses
    files: Mapping[str, MachineSettings]
    account: Account | None = None


def count_routes(
    store: Path, statuses: Statuses, by_hand: Sequence[MachineSettings]
) -> list[Route]:
    """The form, and what it posts to.

    `statuses` are the machines that are watched, `by_hand` those that are only counted.
    """
    shop = Shop(store, statuses, {settings.name: settings for settings in by_hand})
    # a pump that has no file is shown as those that have one
    chosen = [each.units for each in statuses.values()] + [each.shown_units for each in by_hand]
    units = chosen[0] if chosen and all(each == chosen[0] for each in chosen) else None

    def asked_by(request: Request) -> Shop:
        return shop._replace(account=request.state.account)

    async def show(request: Request) -> Response:
        show_in(units)  # of this request
        return await asyncio.to_thread(_page, asked_by(request), {}, "", None)

    async def take(request: Request) -> Response:
        texts = await read_form(request)
        show_in(units)
        return await asyncio.to_thread(_taken, asked_by(request), texts)

    return [
        Route("/count", show, methods=["GET"]),
        Route("/count", take, methods=["POST"]),
    ]


def known_now(status: MachineStatus) -> Known:
    """What the service knows of a machine that it watches."""
    since_ns = max((jewel.fitted_ns for jewel in status.jewels), default=0)
    sets = [FittedSet(since_ns, list(status.jewels))] if status.jewels else []
    return Known(status.name, status.time_zone, plate_of(status.pump), sets, status.limit)


def _taken(shop: Shop, texts: dict[str, str]) -> Response:
    """Keep what was posted, and answer; or say on the form what is wrong with it."""
    name, by = texts.get("name", "").strip(), texts.get("by", "").strip()
    for field, text in (("name", name), ("by", by)):
        if not text or len(text) > LONGEST_NAME or not text.isprintable():
            wrong = f"{FORM_LABELS[field]}: give it, {LONGEST_NAME} characters at most."
            return _page(shop, texts, wrong, None, 422)
    known = (
        known_now(shop.statuses[name]) if name in shop.statuses else Known(name, computer_zone())
    )
    try:
        with open_store(shop.store) as connection, transaction(connection):
            if name in shop.files:
                known = known_by_file(shop.files[name], fittings(connection, name).values())
            judged, number = keep_count(connection, texts, known, time.time_ns(), _label)
            words = f"count {number}"
            step = Step(time.time_ns(), by, shop.account is not None, "", "counted", name, words)
            note(connection, step)
    except BadInput as bad:
        return _page(shop, texts, f"{bad.where}: {bad.wrong}; {bad.right}.", None, 422)
    except sqlite3.Error as error:
        wrong = f"Not kept: the store can't be written ({error}). Try again."
        return _page(shop, texts, wrong, None, 503)
    return _page(shop, {}, "", judged)


def _label(name: str) -> str:
    return FIELDS[name].label if name in FIELDS else FORM_LABELS.get(name, name.capitalize())


def _page(
    shop: Shop,
    texts: Mapping[str, str],
    wrong: str,
    judged: Judged | None,
    status_code: int = 200,
) -> Response:
    """The page; with the answer to a count that was just kept, or with what is `wrong`."""
    zones = {name: status.time_zone for name, status in shop.statuses.items()}
    zones |= {name: settings.time_zone for name, settings in shop.files.items()}
    answer: dict[str, Any] | None = None
    if judged is not None:
        name = judged.count.machine
        answer = {
            "headline": count_headline(judged, zones.get(name) or computer_zone()),
            "lines": answer_lines(judged),
            "doubts": doubt_rows(judged),
            "next": what_next(judged).steps,
        }
    held, problem = _stored(shop.store)
    counts = judge_all(list(held.values()))
    numbers = {id(count): number for number, count in held.items()}
    text = (
        template_environment()
        .get_template("count_page.html")
        .render(
            account=shop.account,
            may_act=shop.account is None or shop.account.may("act"),
            cautions=CAUTIONS,
            machines=sorted(
                {*shop.statuses, *shop.files, *(each.count.machine for each in counts)}
            ),
            counted=COUNTED,
            plate={**PLATE, "bore": BORE},
            kinds=(INTENSIFIER, DIRECT_DRIVE),
            regulations=BYPASSES,
            materials=tuple(DISCHARGE_COEFFICIENTS),
            texts=texts,
            wrong=" ".join(part for part in (wrong, problem) if part),
            answer=answer,
            pumps=pump_views(counts, zones, numbers),
        )
    )
    headers = {"cache-control": "no-store"}
    return HTMLResponse(text, status_code, headers)


def _stored(store: Path) -> tuple[dict[int, HandCount], str]:
    """Every count by number, and what is wrong with the store."""
    try:
        with open_to_read(store) as connection:
            return hand_counts(connection), ""
    except sqlite3.Error as error:
        return {}, f"The store can't be read: {error}."
