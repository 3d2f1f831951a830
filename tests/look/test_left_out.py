"""What behaves like a channel and was not taken is said, with the option that takes it.

Every machine and figure is invented.
"""

from __future__ import annotations

import shlex
from typing import Any

import numpy as np
import pytest

from borewarden.base.errors import BadInput
from borewarden.cli.look import look_command
from borewarden.collect.survey import Place, Survey
from borewarden.look.left_out import LeftOut, left_out
from borewarden.look.network import Heard, heard_at
from borewarden.look.question import PanelQuestion
from borewarden.look.roles import Readings, Told, find_roles

ROWS = 240
SECONDS = 0.5 * np.arange(ROWS)
CHANCE = np.random.default_rng(6)
ON = SECONDS % 30.0 < 20.0
BAR = 3740.0 + CHANCE.normal(0.0, 6.0, ROWS) + 25.0 * ~ON
STEADY = 305.0 + CHANCE.normal(0.0, 0.5, ROWS)  # a crank that never stops
SLOW = 18.0 + 0.1 * np.round(CHANCE.normal(0.0, 1.0, ROWS))
STROKES = np.floor(np.cumsum(ON) * 0.5 * 0.4)


def missed(
    name: str, values: np.ndarray, unit: str = "", scaled: bool = False, **told: Any
) -> LeftOut | None:
    """What is said of one column beside the pressure."""
    units = {"P": "bar"} | ({name: unit} if unit else {})
    readings = Readings("a log", SECONDS, {"P": BAR, name: values}, units)
    roles = find_roles(readings, Told(**told))
    found = left_out(readings, roles, Told(**told), scaled)
    assert len(found) == 1 - (name in {role.column for role in roles}) or not found
    return found[0] if found else None


@pytest.mark.parametrize(
    ("name", "values", "unit", "says", "option"),
    [
        ("pump speed", STEADY, "", "no unit, and was never off",
         "--is 'rate=pump speed' --unit rate=rpm"),
        ("strokes", 24.0 * ON + 0.01 * SECONDS, "furlongs", "'furlongs' is none of strokes",
         "--is rate=strokes --unit rate=strokes/min"),
        ("feed flow", 3.0 + 0.1 * STEADY, "", "no unit", "--unit rate=l/min"),
        ("water temp", 10.0 * SLOW, "", "may be 0.1 degC of water",
         "--is 'temperature=water temp' --unit 'temperature=0.1 degC'"),
        ("water temp", 3.0 * SLOW, "°C", "feed water has", "--is 'temperature=water temp'"),
        ("oil press", BAR / 19.0, "", "no unit", "--is 'oil_pressure=oil press'"),
        ("stroke counter", STROKES * 90.0, "", "strokes are 3 to 200", "--is 'stroke_count=strok"),
        ("jet valve", SECONDS // 7.0 % 2.0, "", "works as much while it is off",
         "--is 'valve=jet val"),
    ],
)  # fmt: skip
def test_a_near_miss_is_said(
    name: str, values: np.ndarray, unit: str, says: str, option: str
) -> None:
    found = missed(name, values, unit, scaled=True)
    assert found is not None
    assert says in found.why
    assert option in found.option


@pytest.mark.parametrize(
    ("name", "values", "unit"),
    [
        ("set point", np.full(ROWS, 3750.0), ""),
        ("motor current", 41.0 * ON, "A"),
        ("oil temp", SLOW + 30.0, "°C"),
        ("ambient", SLOW, ""),
        ("milliseconds", SECONDS * 1000.0, ""),
    ],
)
def test_what_nobody_wants_is_not(name: str, values: np.ndarray, unit: str) -> None:
    assert missed(name, values, unit, scaled=True) is None


def parsed(pair: str) -> dict[str, str]:
    channel, _, value = pair.partition("=")
    return {channel: value}


def test_the_options_take_what_was_left_out() -> None:
    found = missed("pump speed", STEADY)
    assert found is not None
    words = shlex.split(found.option)
    pairs = dict(zip(words[::2], words[1::2], strict=True))
    column = parsed(pairs["--is"])
    unit = parsed(pairs["--unit"])
    readings = Readings("a log", SECONDS, {"P": BAR, "pump speed": STEADY}, {"P": "bar"})
    for told in (Told(column, unit), Told(unit=unit)):  # the name is enough, too
        rate = next(role for role in find_roles(readings, told) if role.channel == "rate")
        assert (rate.column, rate.unit) == ("pump speed", "rpm")


def test_a_channel_that_nothing_finds_by_itself_can_be_told() -> None:
    readings = Readings("a log", SECONDS, {"P": BAR, "M 1": STEADY}, {"P": "bar"})
    roles = find_roles(readings, Told({"motor_speed": "M 1"}, {"motor_speed": "rpm"}))
    assert [role.channel for role in roles] == ["pressure", "motor_speed"]


# -- at an address


def heard(bare: bool = True, **numbers: np.ndarray) -> Heard:
    """A machine that is read by Modbus or, `bare` not, by OPC UA without units."""
    kinds = ({"function": 3, "type": "uint16"}, {"node": "i=1"})
    places = {
        name: Place(dict(kinds[not bare]) | ({"address": 2 * at} if bare else {}), bare=bare)
        for at, name in enumerate(numbers)
    }
    survey = Survey(places)
    for name, values in numbers.items():
        for second, value in zip(SECONDS, values, strict=True):
            survey.take(name, round(second * 1e9) + 10**18, float(value))
    kind = "modbus tcp" if bare else "opc ua"
    return heard_at("address", {"kind": kind, "host": "192.0.2.9", "port": 502}, survey, [])


def test_the_panels_strokes_are_asked_where_a_rate_in_whole_numbers_never_stops() -> None:
    numbers = {"a": np.rint(BAR), "b": np.rint(24.0 + 0.4 * np.sin(SECONDS) + 0.2 * (SECONDS > 60))}
    machine = heard(**numbers)
    pressure = {"pressure": "3,740 bar"}
    with pytest.raises(PanelQuestion, match="strokes, speed or flow: b"):
        machine.told_anew(Told(panel=pressure))
    found = machine.told_anew(Told(panel=pressure | {"rate": "24 strokes/min"}))
    assert {role.channel: role.column for role in found.roles} == {"pressure": "a", "rate": "b"}
    found = machine.told_anew(Told(panel=pressure, column={"rate": "none"}))
    assert [role.channel for role in found.roles] == ["pressure"]


def test_a_rate_without_a_unit_is_asked_in_a_dialogue(monkeypatch: pytest.MonkeyPatch) -> None:
    from borewarden.cli import look

    machine = heard(False, PT1=BAR / 10.0, speed=STEADY)
    told = Told(unit={"pressure": "MPa"})
    seen = machine.told_anew(told)
    assert [role.channel for role in seen.roles] == ["pressure"]
    asked: list[str] = []
    replies = iter(["700 rpm", "305 rpm"])

    def reply(what: str, **_: Any) -> str:
        asked.append(what)
        return next(replies)

    monkeypatch.setattr("typer.prompt", reply)
    seen, _ = look._rate_asked(seen, told)
    assert "strokes a minute, speed or flow on the panel" in asked[0]
    rate = next(role for role in seen.roles if role.channel == "rate")
    assert (rate.column, rate.unit, rate.why) == ("speed", "rpm", "the panel shows 305 rpm")


def test_what_is_refused_of_a_panel_has_the_unit_that_was_typed() -> None:
    machine = heard(a=np.rint(BAR))
    with pytest.raises(BadInput) as bad:
        machine.told_anew(Told(panel={"pressure": "29,000 psi"}))
    assert "is 29,000 psi in any unit" in bad.value.wrong
    with pytest.raises(BadInput, match=r"within 145\.038 to 174045 psi"):
        machine.told_anew(Told(panel={"pressure": "2 psi"}))


def test_a_machine_without_a_name_is_the_pump_at_its_host() -> None:
    machine = heard(a=np.rint(BAR))
    assert machine.usual_name == "pump at 192.0.2.9"


def test_the_panel_is_no_option_of_a_log(tmp_path: Any, capsys: pytest.CaptureFixture[str]) -> None:
    from typer import Exit

    log = tmp_path / "a.csv"
    log.write_text("time,p\n")
    with pytest.raises(Exit):
        look_command([str(log)], tmp_path / "m.toml", True, panel=["pressure=3,700 bar"])
    assert "is of an address" in capsys.readouterr().err
