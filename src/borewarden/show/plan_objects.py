"""Heads, stock, lives and costs for other programs: by field, SI, money in the shop's currency.

Hours are jet hours; `stated_hours` are those of them that somebody stated. Times are ns since 1970
UTC, intervals [low, middle, high] that hold 90 %.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import asdict
from typing import Any

from borewarden.lives.posterior import Posterior
from borewarden.lives.records import conditions_of, tally
from borewarden.lives.replacement import Plan
from borewarden.lives.survival import Lives, interval, quantile
from borewarden.planning.outlook import CostRow, Outlook, StockRow
from borewarden.planning.snapshot import MachineSeen, ShopSeen
from borewarden.show.replay_words import alert_object


def head_object(outlook: Outlook) -> dict[str, Any]:
    """One head: its jewel, what the watcher sees, its chance to last, its plan, its next change."""
    head = outlook.head
    return _name(outlook) | {
        "fitting": asdict(head.fitting),
        "recorded": head.recorded,
        "jet_hours": head.age,
        "stated_hours": head.fitting.earlier_hours,
        **_machine(outlook.machine),
        "chance": outlook.chance._asdict(),
        "plan": None if outlook.plan is None else _plan(outlook.plan),
        "change": _change(outlook),
    }


def plan_object(outlook: Outlook) -> dict[str, Any]:
    """One head: the planned age, what it costs and saves, and the next change."""
    head = outlook.head
    return _name(outlook) | {
        "bore": head.fitting.bore,
        "material": head.fitting.material,
        "jet_hours": head.age,
        "stated_hours": head.fitting.earlier_hours,
        "plan": None if outlook.plan is None else _plan(outlook.plan),
        "change": _change(outlook),
    }


def _name(outlook: Outlook) -> dict[str, Any]:
    return {"machine": outlook.machine.name, "head": outlook.head.fitting.head}


def _machine(machine: MachineSeen) -> dict[str, Any]:
    wear = machine.wear
    return {
        "state": machine.state,
        "newest_ns": machine.newest_ns,
        "bore": machine.bore,
        "area_growth": machine.area_growth,
        "slope_per_hour": None if wear is None else wear.line.slope,
        "slope_sd": None if wear is None else wear.line.slope_sd,
        "alert": None if machine.alert is None else alert_object(machine.alert),
        "alarms": [
            {"about": each.about, "state": each.state, "reason": each.reason}
            for each in machine.alarms
        ],
        "hours_a_week": machine.hours_a_week,
    }


def _plan(plan: Plan) -> dict[str, Any]:
    """The age is null if running to failure costs least."""
    return {**plan._asdict(), "age": plan.age, "to_failure": math.isinf(plan.age)}


def _change(outlook: Outlook) -> dict[str, Any]:
    """`hours` from now: null if not known, and at failure, which `at_failure` says."""
    hours = outlook.change.hours
    return {**outlook.change._asdict(), "at_failure": hours is not None and math.isinf(hours)}


def stock_object(row: StockRow) -> dict[str, Any]:
    """Jewels of one kind: how many to hold and to order; `demand` is over the lead time."""
    stock = row.stock
    return {
        "bore": row.kind[0] * 1e-6,
        "material": row.kind[1],
        "heads": row.heads,
        "due": row.due,
        "hold": None if stock is None else stock.hold,
        "demand": None if stock is None else stock.demand,
        "service": None if stock is None else stock.service,
        "on_hand": row.on_hand,
        "on_order": row.on_order,
        "to_order": row.to_order,
        "note": row.note,
    }


def cost_object(row: CostRow) -> dict[str, Any]:
    """What a jet hour of one material costs; `age` is null if run to failure."""
    return {**row._asdict(), "to_failure": math.isinf(row.age)}


def lives_object(
    seen: ShopSeen, outlooks: Sequence[Outlook], posterior: Posterior
) -> dict[str, Any]:
    """How long jewels last: by material on the shop's average, and by head as it cuts."""
    return {
        "at_ns": seen.at_ns,
        "materials": [
            {
                "material": material,
                **tally(seen.jewels, material)._asdict(),
                **_life(posterior.lives(material)),
            }
            for material in posterior.materials
        ],
        "heads": [
            _name(outlook)
            | {
                "jet_hours": outlook.head.age,
                "stated_hours": outlook.head.fitting.earlier_hours,
                "chance": outlook.chance._asdict(),
            }
            | _life(
                posterior.lives(outlook.head.fitting.material, conditions_of(outlook.head.fitting))
            )
            for outlook in outlooks
        ],
        "effects": [
            {"condition": column.field, "kind": column.kind, "factor": factor}
            for column, factor in posterior.effects()
        ],
    }


def _life(lives: Lives) -> dict[str, Any]:
    return {
        "median_life": interval(quantile(lives, 0.5)),
        "early_share": interval(lives.early_share),
    }
