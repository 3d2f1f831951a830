"""Costs and lead times: `shop.toml` beside the machine files.

All of it is optional. What a shop does not state comes from `jewels.bore_choice`, whose figures are
common practice or invented, and `assumed` says so.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Annotated

from pydantic import Field
from pydantic_settings import SettingsConfigDict

from borewarden.base.units import Unit
from borewarden.jewels.bore_choice import (
    JEWEL_COSTS,
    SHOP_COST,
    JewelCost,
    ShopCost,
    failure_cost,
    planned_cost,
)
from borewarden.lives.replacement import Costs
from borewarden.settings.sections import FileSettings, Section
from borewarden.settings.units import Bore, Material

SHOP_FILE = "shop.toml"

Money = Annotated[float, Field(ge=0.0, le=1e7, allow_inf_nan=False)]
Pieces = Annotated[int, Field(ge=0, le=100_000)]
PerWeek = Annotated[float, Unit("hour/week", 0.0, 168.0, '"40 h/week"')]
LifeTime = Annotated[float, Unit("hour", 1.0, 1e5, '"400 h"')]
StopTime = Annotated[float, Unit("hour", 0.0, 1000.0, '"9 min" or "0.5 h"')]
LeadTime = Annotated[float, Unit("week", 0.0, 104.0, '"3 weeks" or "10 days"')]
Service = Annotated[float, Unit("", 0.5, 0.999, '"95 %" or 0.95')]


class CostSection(Section):
    """[costs] in the shop's currency; stops in h. See `jewels.bore_choice.ShopCost`.

    `scrap` is the part that a failure spoils. `chambers_lost` and `tubes_lost` are the pieces that
    one failure ruins: half of one each unless stated, since on average half of its life was left.
    """

    machine_hour: Money = SHOP_COST.machine_hour
    planned_stop: StopTime = SHOP_COST.planned_stop_hours
    unplanned_stop: StopTime = SHOP_COST.unplanned_stop_hours
    scrap: Money = SHOP_COST.scrap
    mixing_chamber: Money = SHOP_COST.mixing_chamber
    focusing_tube: Money = SHOP_COST.focusing_tube
    chambers_lost: Annotated[float, Field(ge=0.0, le=1.0)] = SHOP_COST.chambers_lost
    tubes_lost: Annotated[float, Field(ge=0.0, le=1.0)] = SHOP_COST.tubes_lost


class JewelPrice(Section):
    """One [[jewel_price]]: a material's price, and the lives in h of chamber and tube behind it."""

    material: Material
    price: Money
    mixing_chamber_life: LifeTime | None = None
    focusing_tube_life: LifeTime | None = None


class StockSection(Section):
    """[stock]: weeks until delivery, and the chance with which the stock has to last until then."""

    lead_time: LeadTime = 3.0
    service: Service = 0.95


class Shelf(Section):
    """One [[shelf]]: jewels of one kind on hand, and those on order."""

    bore: Bore
    material: Material
    on_hand: Pieces
    on_order: Pieces = 0


class ShopSettings(FileSettings):
    """All of `shop.toml`. `jet_hours_per_week` is for machines without telemetry, by name."""

    model_config = SettingsConfigDict(
        extra="forbid",
        frozen=True,
        env_prefix="BOREWARDEN_SHOP_",
        env_nested_delimiter="__",
    )
    currency: Annotated[str, Field(min_length=1, max_length=20)] = "US$"
    costs: CostSection = CostSection()
    jewel_price: list[JewelPrice] = Field(default_factory=list)
    stock: StockSection = StockSection()
    shelf: list[Shelf] = Field(default_factory=list)
    jet_hours_per_week: dict[str, PerWeek] = Field(default_factory=dict)

    @property
    def states_costs(self) -> bool:
        """Whether the shop has stated any cost at all."""
        return bool({"costs", "jewel_price"} & self.model_fields_set)

    @property
    def states_stock(self) -> bool:
        """Whether the shop has stated its lead time."""
        return "lead_time" in self.stock.model_fields_set

    def shop_cost(self) -> ShopCost:
        """All costs besides the jewel, for the cost of a jet hour."""
        c = self.costs
        return ShopCost(
            mixing_chamber=c.mixing_chamber,
            focusing_tube=c.focusing_tube,
            scrap=c.scrap,
            planned_stop_hours=c.planned_stop,
            unplanned_stop_hours=c.unplanned_stop,
            machine_hour=c.machine_hour,
            chambers_lost=c.chambers_lost,
            tubes_lost=c.tubes_lost,
        )

    def jewel_cost(self, material: str, life_hours: float, failed_share: float) -> JewelCost:
        """A jewel of `material`: its mean life in jet hours, and the share that fails in a cut."""
        usual, stated = JEWEL_COSTS[material], self._price(material)
        if stated is None:
            return replace(usual, life_hours=life_hours, failed_share=failed_share)
        return JewelCost(
            stated.price,
            life_hours,
            failed_share,
            stated.mixing_chamber_life or usual.mixing_chamber_hours,
            stated.focusing_tube_life or usual.focusing_tube_hours,
        )

    def end_costs(self, material: str) -> Costs:
        """What a planned change and a failure of one jewel cost, for `lives.replacement`."""
        shop, price = self.shop_cost(), self.jewel_cost(material, 1.0, 0.0).price
        return Costs(
            planned=price + planned_cost(shop),
            failed=price + sum(failure_cost(shop)),
        )

    def assumed(self) -> list[str]:
        """What the shop has not stated, in words, with its source."""
        missing = [
            name.replace("_", " ")
            for name in CostSection.model_fields
            if name not in self.costs.model_fields_set
        ]
        lines = [f"costs not stated, invented: {', '.join(missing)}"] if missing else []
        for material, usual in JEWEL_COSTS.items():
            if self._price(material) is None:
                lines.append(f"price of {material} {usual.price:g}, not stated: {usual.source}")
            lines += self._assumed_lives(material)
        missing = [
            f"{name.replace('_', ' ')} ({value})"
            for name, value in (("lead_time", "3 weeks"), ("service", "95 %"))
            if name not in self.stock.model_fields_set
        ]
        return lines + ([f"stock, not stated, invented: {', '.join(missing)}"] if missing else [])

    def _assumed_lives(self, material: str) -> list[str]:
        """Lives of chamber and tube that stand in for what the shop has not stated."""
        usual, stated = JEWEL_COSTS[material], self._price(material)
        lives = [
            f"{words} {hours:g} h"
            for words, hours, own in (
                (
                    "mixing chamber",
                    usual.mixing_chamber_hours,
                    stated and stated.mixing_chamber_life,
                ),
                ("focusing tube", usual.focusing_tube_hours, stated and stated.focusing_tube_life),
            )
            if own is None
        ]
        if not lives:
            return []
        return [f"lives behind a {material} jewel, not stated, invented: {', '.join(lives)}"]

    def _price(self, material: str) -> JewelPrice | None:
        return next((p for p in self.jewel_price if p.material == material), None)
