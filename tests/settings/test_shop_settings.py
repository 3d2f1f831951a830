"""The shop's costs and lead times: read, converted, defaulted with a source, refused."""

from __future__ import annotations

from pathlib import Path

import pytest

from borewarden.base.errors import BadInput
from borewarden.jewels.bore_choice import JEWEL_COSTS, SHOP_COST
from borewarden.settings import load_shop
from borewarden.settings.service import load_machines

EXAMPLE = Path(__file__).parents[2] / "config" / "live" / "shop.toml"


def shop(tmp_path: Path, text: str):
    file = tmp_path / "shop.toml"
    file.write_text(text, encoding="utf-8")
    return load_shop(file)


def test_the_example_is_read_and_marked_as_invented() -> None:
    example = load_shop(EXAMPLE)
    assert "INVENTED" in EXAMPLE.read_text(encoding="utf-8")
    assert (example.currency, example.stock.lead_time, example.stock.service) == (
        "EUR",
        3.0,
        pytest.approx(0.95),
    )
    assert example.costs.planned_stop == pytest.approx(0.15)
    assert example.shelf[0].bore == pytest.approx(0.254e-3)
    assert example.states_costs
    assert example.states_stock


def test_it_is_no_machine_file() -> None:
    names = {machine.name for machine in load_machines(EXAMPLE.parent).values()}
    assert names == {"North live", "North edge", "South live", "West live"}


def test_ends_cost_what_they_take_with_them(tmp_path: Path) -> None:
    """Written out: 15 + 9 min x 60; 15 + 0.5 h x 60 + 120 + half a chamber + half a tube."""
    costs = load_shop(EXAMPLE).end_costs("ruby")
    assert costs.planned == pytest.approx(15.0 + 0.15 * 60.0)
    assert costs.failed == pytest.approx(15.0 + 0.5 * 60.0 + 120.0 + 90.0 + 55.0)
    whole = shop(tmp_path, "[costs]\nchambers_lost = 1\ntubes_lost = 0\n").end_costs("ruby")
    assert whole.failed == pytest.approx(16.0 + 0.5 * 60.0 + 120.0 + 180.0)


def test_lead_time_may_be_days_and_jet_hours_are_per_week(tmp_path: Path) -> None:
    text = '[stock]\nlead_time = "10 days"\n[jet_hours_per_week]\nSouth = "5 h/day"\n'
    found = shop(tmp_path, text)
    assert found.stock.lead_time == pytest.approx(10.0 / 7.0)
    assert found.jet_hours_per_week["South"] == pytest.approx(35.0)


def test_what_is_not_stated_is_usual_and_says_so(tmp_path: Path) -> None:
    nothing = load_shop(tmp_path / "shop.toml")
    assert not nothing.states_costs
    assert not nothing.states_stock
    assert nothing.shop_cost().scrap == SHOP_COST.scrap
    said = "\n".join(nothing.assumed())
    assert "ruby 16" in said
    assert "12-20" in said
    assert "common practice, no source" in said
    assert "lead time (3 weeks)" in said
    for material in JEWEL_COSTS:
        assert f"price of {material}" in said
    stated = shop(tmp_path, '[[jewel_price]]\nmaterial = "ruby"\nprice = 14\n')
    assert "price of ruby" not in "\n".join(stated.assumed())
    assert stated.jewel_cost("ruby", 40.0, 0.5).price == 14.0


def test_environment_beats_the_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("BOREWARDEN_SHOP_COSTS__SCRAP", "300")
    assert shop(tmp_path, "[costs]\nscrap = 1\n").costs.scrap == 300.0


@pytest.mark.parametrize(
    ("text", "where", "said"),
    [
        ("[cost]\n", "cost", "did you mean 'costs'"),
        ("[costs]\nmachine_hours = 3\n", "costs.machine_hours", "did you mean 'machine_hour'"),
        ("[costs]\nscrap = -1\n", "costs.scrap", "greater than or equal to 0"),
        ("[costs]\nscrap = nan\n", "costs.scrap", "nan"),
        ('[costs]\nplanned_stop = "9 kg"\n', "costs.planned_stop", "is a unit of something else"),
        ('[stock]\nlead_time = "3"\n', "stock.lead_time", "has no unit"),
        ("[stock]\nservice = 1.2\n", "stock.service", "out of range"),
        ('[[jewel_price]]\nmaterial = "rubi"\nprice = 3\n', "jewel_price[1].material", "'ruby'"),
        ('[[shelf]]\nbore = "0.010 in"\nmaterial = "ruby"\n', "shelf[1].on_hand", "is missing"),
        (2 * '[[jewel_price]]\nmaterial = "ruby"\nprice = 3\n', "jewel_price[2]", "twice"),
        (
            2 * '[[shelf]]\nbore = "0.010 in"\nmaterial = "ruby"\non_hand = 1\n',
            "shelf[2]",
            "twice",
        ),
        (
            '[costs]\nscrap = 0\nmixing_chamber = 0\nfocusing_tube = 0\nunplanned_stop = "0 min"\n',
            "costs",
            "can't cost less than a planned change",
        ),
        ('[jet_hours_per_week]\nNorth = "200 h/week"\n', "jet_hours_per_week.North", "range"),
    ],
)
def test_mistakes_are_named_with_what_would_be_right(
    tmp_path: Path, text: str, where: str, said: str
) -> None:
    with pytest.raises(BadInput) as refused:
        shop(tmp_path, text)
    assert refused.value.where == where
    assert said in f"{refused.value.wrong}; {refused.value.right}"
