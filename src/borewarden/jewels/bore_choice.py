"""Which bore a pump feeds with room to spare, and which material costs least per jet hour.

For bores: flow, power, stroke rate and the margin of each, for every usual stock bore, on one head
or on several with the same bore, by the physics of `borewarden.physics`. For materials: what a jet
hour costs, with everything that a failing jewel ruins, and the price or life at which one material
costs as much as another, in closed form.

Heads that cut the same part side by side have equal bores, so pairs of unequal ones are left out.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np

from borewarden.base.errors import BadInput
from borewarden.base.shown import shown
from borewarden.physics.orifice import (
    DISCHARGE_COEFFICIENTS,
    STOCK_BORES_INCH,
    bore_area,
    hydraulic_power,
    jet_speed,
)
from borewarden.physics.pump import (
    DirectDrive,
    Intensifier,
    Pump,
    cycle_work,
    event_rate,
    overstroke_margin,
)

STOCK_BORES = tuple(inch * 0.0254 for inch in STOCK_BORES_INCH)  # m
METRIC_BORES = (
    0.15e-3,
    0.20e-3,
    0.25e-3,
    0.30e-3,
    0.35e-3,
    0.40e-3,
)  # m; common practice, no source
SAME_BORE = 0.005  # apart, and two bores are one; 0.25 mm and 0.010 in are not

# Usual bores of focusing tubes, m. Common practice, no source.
TUBE_BORES = (0.51e-3, 0.64e-3, 0.76e-3, 0.89e-3, 1.02e-3, 1.14e-3, 1.27e-3)
TUBE_TO_BORE = 3.0  # focusing tube to orifice; common practice, no source

# Motor to oil, or motor to crank. Common practice, no source; a public table of pumps (50 hp feed
# 1.1 gpm at 60,000 psi) agrees with it, see the tests.
DRIVE_EFFICIENCY = 0.9

PLACE = "choice of bore"  # named in a BadInput

LOWEST_TEMPERATURE, HIGHEST_TEMPERATURE = 278.0, 333.5  # K; the water's state equation
HIGHEST_PRESSURE = 620e6  # Pa; likewise


@dataclass(frozen=True)
class BoreOption:
    """What a pump does with one bore, m, on each of `heads` heads that are open together.

    `pressure` is what the jets get, Pa: the wanted one, or what a crank pump reaches if it can't
    hold that (inf above 620 MPa; flow, powers and drop are then nan). An intensifier short of
    strokes is shown at the wanted pressure, with its rate beyond the limit. `flow`, m³/s at
    atmospheric pressure, and `hydraulic_power`, W, are those of all jets together. `input_power`,
    W, is what the oil or the crank supplies, including what a bypass spills. `rate` is in strokes
    or turns per second, Hz.

    `rate_margin` is 1 - f/f_max with the rate f that would hold the wanted pressure: the
    overstroke margin of an intensifier, the spare speed (or spilled share) of a crank pump.
    `power_margin` is the share of the motor's power that is left. `growth_to_limit` is the growth
    of the effective area (0.08: +8 %) that uses up the rate margin: an intensifier then
    overstrokes, a crank pump loses the wanted pressure. `pressure_drop` is the share of the jet's
    pressure that a crank pump loses when the area grows by `growth`; None for an intensifier.
    `tube`, m, is the usual focusing tube nearest to three bores, `tube_ratio` its bore over the
    orifice's.
    """

    bore: float
    heads: int
    pressure: float
    flow: float
    hydraulic_power: float
    input_power: float
    rate: float
    rate_margin: float
    power_margin: float
    growth_to_limit: float
    growth: float
    pressure_drop: float | None
    tube: float
    tube_ratio: float
    rated_pressure: float

    @property
    def area(self) -> float:
        """Geometric area of all bores together, m²."""
        return self.heads * float(bore_area(self.bore))


def bore_options(
    pump: Pump,
    pressure: float,
    temperature: float,
    material: str,
    bores: Iterable[float] = STOCK_BORES,
    heads: Iterable[int] = (1, 2),
    growth: float = 0.08,
    drive_efficiency: float = DRIVE_EFFICIENCY,
) -> list[BoreOption]:
    """One row per number of heads and bore, in that order.

    `pressure` is the wanted one in Pa gauge, `temperature` that of the water in K, `material` that
    of the jewel (its typical C_d is used), `bores` are in m, `growth` is the growth of effective
    area for which to give the pressure drop, `drive_efficiency` that from motor to oil or crank.
    Raises BadInput for a pressure beyond the pump's rating, water outside the state equation's
    range, or an unknown material.
    """
    _check(pump, pressure, temperature, material, growth, drive_efficiency)
    bores, heads = tuple(bores), tuple(heads)
    for bore in bores:
        if not 0.0 < bore < 5e-3:
            raise BadInput(PLACE, "bore", f"{bore:g} m is impossible", "give 0 to 5 mm")
    for n in heads:
        if n < 1:
            raise BadInput(PLACE, "heads", f"{n} is impossible", "give 1 or more")
    return [
        _option(pump, pressure, temperature, material, bore, n, growth, drive_efficiency)
        for n in heads
        for bore in bores
    ]


def shortcomings(
    option: BoreOption, least_rate_margin: float, least_power_margin: float
) -> tuple[str, ...]:
    """Why `option` does not leave the stated margins (shares, 0.1: 10 %); empty if it does."""
    found = []
    if not option.rate_margin >= least_rate_margin:
        found.append(
            f"rate margin {100.0 * option.rate_margin:.1f} %, at least "
            f"{100.0 * least_rate_margin:.1f} % wanted"
        )
    if option.pressure > option.rated_pressure * (1.0 + 1e-9):
        found.append(
            "too small: the pressure would pass the pump's rated "
            f"{shown('pressure').brief(option.rated_pressure)}"
        )
    elif not option.power_margin >= least_power_margin:
        found.append(
            f"power margin {100.0 * option.power_margin:.1f} %, at least "
            f"{100.0 * least_power_margin:.1f} % wanted"
        )
    return tuple(found)


def bores_to_compare(fitted: Iterable[float]) -> tuple[float, ...]:
    """The stock bores in inches, beside those that are `fitted`, m, from the smallest up.

    Where a metric one is fitted, the usual metric bores come with it.
    """
    others = [bore for bore in fitted if not _is_among(bore, STOCK_BORES)]
    metric = METRIC_BORES if any(_is_among(bore, METRIC_BORES) for bore in others) else ()
    own = [bore for bore in others if not _is_among(bore, metric)]
    return tuple(sorted({*STOCK_BORES, *metric, *own}))


def _is_among(bore: float, bores: Iterable[float]) -> bool:
    return any(abs(bore / other - 1.0) < SAME_BORE for other in bores)


def largest_option(
    options: Iterable[BoreOption],
    least_rate_margin: float,
    least_power_margin: float,
    heads: int | None = None,
) -> BoreOption | None:
    """The option with the most area that leaves both margins; of `heads` heads only, if given.

    Margins are shares (0.1: 10 %). None if not even the smallest bore leaves them.
    """
    fitting = [
        option
        for option in options
        if heads in (None, option.heads)
        and not shortcomings(option, least_rate_margin, least_power_margin)
    ]
    return max(fitting, key=lambda option: option.area, default=None)


def match_tube(bore: float, tubes: Sequence[float] = TUBE_BORES) -> float:
    """The focusing tube of `tubes`, m, nearest in ratio to three times `bore`, m."""
    return min(tubes, key=lambda tube: abs(math.log(tube / (TUBE_TO_BORE * bore))))


def _option(
    pump: Pump,
    wanted: float,
    temperature: float,
    material: str,
    bore: float,
    heads: int,
    growth: float,
    drive_efficiency: float,
) -> BoreOption:
    area = heads * float(bore_area(bore)) * DISCHARGE_COEFFICIENTS[material].typical
    needed = float(event_rate(pump.displacement, area, wanted, temperature))
    drop = None
    if isinstance(pump, Intensifier):
        pressure, rate = wanted, needed
        input_power = float(pump.oil_power(pressure, rate))
    else:
        pressure = _crank_pressure(pump, area, wanted, temperature)
        known = pressure if math.isfinite(pressure) else math.nan
        drop = 1.0 - _crank_pressure(pump, area * (1.0 + growth), wanted, temperature) / known
        rate = min(needed, pump.crank_speed) if pump.regulation == "speed" else pump.crank_speed
        # leaks and the bypass's water cost power too
        input_power = rate * float(cycle_work(pump.displacement, known, temperature))
    flow = area * float(jet_speed(pressure, temperature)) if math.isfinite(pressure) else math.nan
    tube = match_tube(bore)
    return BoreOption(
        bore=bore,
        heads=heads,
        pressure=pressure,
        flow=flow,
        hydraulic_power=float(hydraulic_power(pressure, flow)),
        input_power=input_power,
        rate=rate,
        rate_margin=float(overstroke_margin(needed, pump.max_rate)),
        power_margin=1.0 - input_power / (drive_efficiency * pump.rated_power),
        growth_to_limit=pump.max_rate / needed - 1.0,
        growth=growth,
        pressure_drop=drop,
        tube=tube,
        tube_ratio=tube / bore,
        rated_pressure=pump.rated_pressure,
    )


def _crank_pressure(pump: DirectDrive, area: float, wanted: float, temperature: float) -> float:
    """The pressure that the jets get, Pa: floating, or as far as the regulation lets it rise."""
    floating = replace(pump, regulation="none")
    top = float(event_rate(pump.displacement, area, HIGHEST_PRESSURE, temperature))
    if 0.0 < top < pump.crank_speed:
        reached = math.inf
    else:
        reached = float(floating.expected_pressure(area, temperature, pump.crank_speed))
    return reached if pump.floats else min(wanted, reached)


def _check(
    pump: Pump,
    pressure: float,
    temperature: float,
    material: str,
    growth: float,
    drive_efficiency: float,
) -> None:
    if not 0.0 < pressure <= pump.rated_pressure:
        raise BadInput(
            PLACE,
            "pressure",
            f"this pump can't give {shown('pressure').brief(pressure)}",
            "give more than 0 and at most its rated "
            f"{shown('pressure').brief(pump.rated_pressure)}",
        )
    if not LOWEST_TEMPERATURE <= temperature <= HIGHEST_TEMPERATURE:
        raise BadInput(
            PLACE,
            "temperature",
            f"{shown('temperature').brief(temperature)} is outside the range of the water's state "
            "equation",
            "give 5 to 60 °C, in K",
        )
    if material not in DISCHARGE_COEFFICIENTS:
        raise BadInput(
            PLACE,
            "material",
            f"{material!r} is not known",
            f"give one of {', '.join(DISCHARGE_COEFFICIENTS)}",
        )
    if not growth >= 0.0:
        raise BadInput(
            PLACE, "growth", f"{growth:g} is not a growth", "give 0 or more; 0.08 is +8 %"
        )
    if not 0.0 < drive_efficiency <= 1.0:
        raise BadInput(
            PLACE,
            "drive efficiency",
            f"{drive_efficiency:g} is impossible",
            "give more than 0 and at most 1",
        )


# --- what a jet hour costs


@dataclass(frozen=True)
class JewelCost:
    """One material of jewel: price, life, and how it ends.

    `price` is in the shop's currency, `life_hours` the mean jet hours in use, `failed_share`
    (0 to 1) the share of jewels that fail during a cut instead of being changed in time.
    `mixing_chamber_hours` and `focusing_tube_hours` are the mean jet hours of those two behind
    this material: a straighter jet wears them less.
    """

    price: float
    life_hours: float
    failed_share: float
    mixing_chamber_hours: float
    focusing_tube_hours: float
    source: str = "stated by the shop"


@dataclass(frozen=True)
class ShopCost:
    """All other costs, in the shop's currency.

    `mixing_chamber` and `focusing_tube` are for one piece, `scrap` for the spoilt part and
    whatever else a failure during a cut ruins. `planned_stop_hours` and `unplanned_stop_hours` are
    for one change of jewel, `machine_hour` is the cost of an hour's standstill. `chambers_lost` and
    `tubes_lost` are the pieces that one failure ruins (0 to 1 each).
    """

    mixing_chamber: float
    focusing_tube: float
    scrap: float
    planned_stop_hours: float
    unplanned_stop_hours: float
    machine_hour: float
    chambers_lost: float = 0.5
    tubes_lost: float = 0.5
    source: str = "stated by the shop"


# Prices in US$, only good for a first table: enter your own.
JEWEL_COSTS: dict[str, JewelCost] = {
    "ruby": JewelCost(
        16.0,
        40.0,
        0.5,
        400.0,
        80.0,
        "price 12-20 and life: common practice, no source; rest invented",
    ),
    "sapphire": JewelCost(
        16.0,
        40.0,
        0.5,
        400.0,
        80.0,
        "price 12-20 and life: common practice, no source; rest invented",
    ),
    "man-made": JewelCost(60.0, 120.0, 0.4, 400.0, 90.0, "invented"),
    "diamond": JewelCost(
        400.0,
        800.0,
        0.2,
        600.0,
        100.0,
        "price and life: common practice, no source; rest invented",
    ),
}
SHOP_COST = ShopCost(180.0, 110.0, 120.0, 0.15, 0.5, 60.0, source="invented")


class FailureCost(NamedTuple):
    """What one failure during a cut costs besides the jewel, in the shop's currency."""

    stop: float
    scrap: float
    ruined: float  # mixing chamber and focusing tube, as much of them as was left


def planned_cost(shop: ShopCost) -> float:
    """What one change in good time costs besides the jewel, in the shop's currency."""
    return shop.planned_stop_hours * shop.machine_hour


def failure_cost(shop: ShopCost) -> FailureCost:
    """What one failure costs besides the jewel: the only place where that is added up."""
    return FailureCost(
        shop.unplanned_stop_hours * shop.machine_hour,
        shop.scrap,
        shop.chambers_lost * shop.mixing_chamber + shop.tubes_lost * shop.focusing_tube,
    )


class HourlyCost(NamedTuple):
    """Cost per jet hour, in the shop's currency, by what it goes to."""

    jewel: float
    planned_stops: float
    unplanned_stops: float
    scrap: float
    ruined_by_failures: float
    mixing_chamber: float
    focusing_tube: float

    @property
    def total(self) -> float:
        """All of it."""
        return sum(self)


def hourly_cost(jewel: JewelCost, shop: ShopCost) -> HourlyCost:
    """Cost per jet hour of a material, by renewal: cost of one life over its mean length.

    The mean cost rate of a renewal reward process (Ross 1996, "Stochastic Processes", theorem
    3.6.1; the number from memory) needs only means, so no law of life enters. Chamber and tube wear
    by their own lives; what failures ruin before that comes on top. Raises BadInput for a life that
    is not positive, a share outside 0 to 1, or a negative cost.
    """
    _check_costs(jewel, shop)
    failed, failure = jewel.failed_share / jewel.life_hours, failure_cost(shop)
    return HourlyCost(
        jewel=jewel.price / jewel.life_hours,
        planned_stops=(1.0 - jewel.failed_share) * planned_cost(shop) / jewel.life_hours,
        unplanned_stops=failed * failure.stop,
        scrap=failed * failure.scrap,
        ruined_by_failures=failed * failure.ruined,
        mixing_chamber=shop.mixing_chamber / jewel.mixing_chamber_hours,
        focusing_tube=shop.focusing_tube / jewel.focusing_tube_hours,
    )


def break_even_price(jewel: JewelCost, other: JewelCost, shop: ShopCost) -> float:
    """The price at which `jewel` costs as much per jet hour as `other`.

    In the shop's currency; below it, `jewel` is worth buying. Negative if `jewel` costs more even
    if free. The total is linear in the price, so p* = p + L (C_other - C).
    """
    gap = hourly_cost(other, shop).total - hourly_cost(jewel, shop).total
    return jewel.price + jewel.life_hours * gap


def break_even_life(jewel: JewelCost, other: JewelCost, shop: ShopCost) -> float:
    """The mean jet hours at which `jewel`, at its price, costs as much per jet hour as `other`.

    inf if the wear downstream of `jewel` alone costs as much as all of `other`. It is the cost of
    one life over what `other` leaves for it: L* = K / (C_other - d).
    """
    cost, target = hourly_cost(jewel, shop), hourly_cost(other, shop).total
    downstream = cost.mixing_chamber + cost.focusing_tube
    if target <= downstream:
        return math.inf
    return (cost.total - downstream) * jewel.life_hours / (target - downstream)


def _check_costs(jewel: JewelCost, shop: ShopCost) -> None:
    place = "cost per jet hour"
    for field in ("life_hours", "mixing_chamber_hours", "focusing_tube_hours"):
        hours = getattr(jewel, field)
        if not (hours > 0.0 and np.isfinite(hours)):
            raise BadInput(place, field, f"{hours:g} is not a life", "give more than 0 jet hours")
    if not 0.0 <= jewel.failed_share <= 1.0:
        raise BadInput(
            place, "failed_share", f"{jewel.failed_share:g} is not a share", "give 0 to 1"
        )
    costs = {"price": jewel.price} | {k: v for k, v in vars(shop).items() if k != "source"}
    for field, cost in costs.items():
        if not (cost >= 0.0 and np.isfinite(cost)):
            raise BadInput(place, field, f"{cost:g} is impossible", "give 0 or more")
