"""The channels that tell causes apart: each as a column of a log and on each live protocol.

All machines are invented here.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from borewarden.base.errors import BadInput
from borewarden.base.samples import SI_UNITS, Samples
from borewarden.collect.logged import read_log
from borewarden.physics.pump import DirectDrive
from borewarden.settings import load_machine

CONFIG = Path(__file__).parents[2] / "config"
LOGGED = (CONFIG / "north.toml").read_text()
CRANK = (CONFIG / "south.toml").read_text()
LIVE = {
    "modbus": (CONFIG / "live" / "north-modbus.toml").read_text(),
    "opcua": (CONFIG / "live" / "south-opcua.toml").read_text(),
    "mqtt": (CONFIG / "live" / "west-mqtt.toml").read_text(),
}
PLACE = {
    "modbus": 'function = 3\naddress = {i}\ntype = "float32"',
    "opcua": 'node = "ns=2;i={i}"',
    "mqtt": 'field = "f{i}"',
}
# name, unit, a value in it, the same in SI: NIST SP 811 (2008) appendix B.8 for psi and degF
FURTHER = [
    ("oil_pressure", "psi", 2900.0, 19.994795e6),
    ("boost_pressure", "bar", 6.0, 6e5),
    ("weep_temperature", "degF", 122.0, 323.15),
    ("bypass_temperature", "degC", 40.0, 313.15),
    ("left_stroke_time", "ms", 1450.0, 1.45),
    ("right_stroke_time", "s", 1.5, 1.5),
    ("motor_speed", "rpm", 1480.0, 1480.0 / 60.0),
]
NOT_OF_A_CRANK = {"oil_pressure", "left_stroke_time", "right_stroke_time"}


def machine(folder: Path, text: str) -> Path:
    path = folder / "machine.toml"
    path.write_text(text)
    return path


def with_sections(text: str, sections: str) -> str:
    return text.replace("[gate]", f"{sections}\n[gate]", 1)


def columns(changes: dict[str, str] | None = None) -> str:
    units = {name: unit for name, unit, _, _ in FURTHER} | (changes or {})
    return "\n".join(
        f'[log.{name}]\ncolumn = "{name}"\n' + (f'unit = "{unit}"' if unit else "")
        for name, unit in units.items()
    )


def points(protocol: str, names: list[str], units: dict[str, str] | None = None) -> str:
    stated = {name: unit for name, unit, _, _ in FURTHER} | (units or {})
    return "\n".join(
        f"[source.{name}]\n{PLACE[protocol].format(i=100 + 2 * i)}\n"
        + (f'unit = "{stated[name]}"' if stated[name] else "")
        for i, name in enumerate(names)
    )


def test_each_channel_of_a_sample_has_a_unit() -> None:
    assert tuple(SI_UNITS) == Samples._fields[1:]


def test_a_log_with_all_channels(tmp_path: Path) -> None:
    text = with_sections(LOGGED, columns() + '\n[log.valve]\ncolumn = "heads_on"')
    form = load_machine(machine(tmp_path, text)).log_format()
    header = [form.time_column, *(channel.column for channel in form.channels.values())]
    first = {name: str(value) for name, _, value, _ in FURTHER}
    usual = {"pressure": "3800", "stroke_count": "7", "temperature": "14.5", "valve": "1"}
    cells = [(usual | first)[name] for name in form.channels]
    log = tmp_path / "day.csv"
    log.write_text(
        "\n".join(
            [
                ",".join(header),
                ",".join(["2026-03-03T06:00:00", *cells]),
                ",".join(["2026-03-03T06:00:01", *cells]).replace(",122.0", ",2000"),
                ",".join(["2026-03-03T06:00:02", *cells]).replace(",40.0", ","),
            ]
        )
    )
    samples = read_log(log, form)
    for name, _, _, si in FURTHER:
        assert getattr(samples, name)[0] == pytest.approx(si, rel=1e-6)
    # a sensor that is torn off says nothing, whichever temperature it is of
    np.testing.assert_array_equal(np.isnan(samples.weep_temperature), [False, True, False])
    np.testing.assert_array_equal(np.isnan(samples.bypass_temperature), [False, False, True])
    assert samples.valve[0] == 1.0


def test_the_valve_is_the_number_of_heads(tmp_path: Path) -> None:
    def heads(*names: str) -> float:
        jewels = "".join(
            f'[[jewel]]\nfitted = 2026-03-02T06:00:00\nbore = "0.006 in"\nmaterial = "ruby"\n'
            f'head = "{name}"\n'
            for name in names
        )
        text = with_sections(LOGGED, '[log.valve]\ncolumn = "v"')
        text = text[: text.index("\n[[jewel]]") + 1] + jewels
        return load_machine(machine(tmp_path, text)).log_format().channels["valve"].high

    assert heads("1") == 1.0
    assert heads("1", "2") == 2.0


@pytest.mark.parametrize("protocol", list(LIVE))
def test_a_live_source_with_all_channels(tmp_path: Path, protocol: str) -> None:
    names = [name for name, *_ in FURTHER if protocol != "opcua" or name not in NOT_OF_A_CRANK]
    text = with_sections(LIVE[protocol], points(protocol, names))
    source = load_machine(machine(tmp_path, text)).live_source()
    places = {"modbus": "registers", "opcua": "nodes", "mqtt": "fields"}
    read = getattr(source, places[protocol])
    for name, _, value, si in FURTHER:
        assert (name in read) == (name in names)
        if name in names:
            channel = read[name].channel
            assert value * channel.scale + channel.offset == pytest.approx(si, rel=1e-6)
            assert channel.low < si < channel.high


@pytest.mark.parametrize(
    ("name", "unit", "says"),
    [
        ("oil_pressure", "degC", ["is a unit of something else", '"bar"']),
        ("boost_pressure", "baar", ["'baar' is not a unit", '"bar"']),
        ("boost_pressure", "", ["is missing", '"bar"']),
        ("weep_temperature", "bar", ["is a unit of something else", '"degC"']),
        ("bypass_temperature", "", ["is missing", '"degC"']),
        ("left_stroke_time", "rpm", ["is a unit of something else", '"s"']),
        ("right_stroke_time", "", ["is missing", '"s"']),
        ("motor_speed", "s", ["is a unit of something else", '"rpm"']),
        ("motor_speed", "", ["is missing", '"rpm"']),
    ],
)
@pytest.mark.parametrize("where", ["log", *LIVE])
def test_a_wrong_unit_is_said(
    tmp_path: Path, where: str, name: str, unit: str, says: list[str]
) -> None:
    if where == "opcua" and name in NOT_OF_A_CRANK:
        names, text = [name], LIVE["mqtt"]  # an intensifier
        where = "mqtt"
    if where == "log":
        text = with_sections(LOGGED, columns({name: unit}))
    else:
        names, text = [name], LIVE[where]
        text = with_sections(text, points(where, names, {name: unit}))
    with pytest.raises(BadInput) as caught:
        load_machine(machine(tmp_path, text))
    place = "log" if where == "log" else "source"
    assert caught.value.where == f"{place}.{name}.unit"
    for words in says:
        assert words in str(caught.value)


def test_a_log_in_another_unit_than_it_is_said_to_be_in(tmp_path: Path) -> None:
    text = with_sections(LOGGED, '[log.boost_pressure]\ncolumn = "feed"\nunit = "MPa"')
    form = load_machine(machine(tmp_path, text)).log_format()
    header = [form.time_column, *(channel.column for channel in form.channels.values())]
    cells = {"pressure": "3800", "stroke_count": "7", "temperature": "14.5", "boost_pressure": "90"}
    log = tmp_path / "day.csv"
    row = ",".join(["2026-03-03T06:00:00", *(cells[name] for name in form.channels)])
    log.write_text(f"{','.join(header)}\n{row}\n")
    with pytest.raises(BadInput, match=r"'feed': reaches 90 MPa read as MPa.*-0.1 MPa to 10 MPa"):
        read_log(log, form)


@pytest.mark.parametrize("name", sorted(NOT_OF_A_CRANK))
def test_a_crank_pump_has_no_oil_side(tmp_path: Path, name: str) -> None:
    unit = {n: u for n, u, _, _ in FURTHER}[name]
    text = with_sections(CRANK, f'[log.{name}]\ncolumn = "c"\nunit = "{unit}"')
    with pytest.raises(BadInput, match=rf"log.{name}: only intensifiers have this signal"):
        load_machine(machine(tmp_path, text))


def test_the_drive_ratio_of_a_crank_pump(tmp_path: Path) -> None:
    pump = load_machine(machine(tmp_path, CRANK)).build_pump()
    assert isinstance(pump, DirectDrive)
    assert pump.drive_ratio is None
    text = CRANK.replace('kind = "direct drive"', 'kind = "direct drive"\ndrive_ratio = 0.2', 1)
    text = with_sections(text, '[log.motor_speed]\ncolumn = "motor"\nunit = "rpm"')
    settings = load_machine(machine(tmp_path, text))
    pump = settings.build_pump()
    assert isinstance(pump, DirectDrive)
    assert pump.drive_ratio == 0.2
    # the motor turns five times as fast as the crank: half as fast again is no motor of this pump
    high = settings.log_format().channels["motor_speed"].high
    assert high == pytest.approx(1.5 * 5.0 * pump.crank_speed)
    for bad in ('"0.2 rpm"', "0", '"belt"'):
        with pytest.raises(BadInput, match=r"pump.drive_ratio"):
            load_machine(
                machine(tmp_path, text.replace("drive_ratio = 0.2", f"drive_ratio = {bad}"))
            )
