"""A valve signal for each head: in logs, on the live protocols, and in the machine file.

All machines are invented here.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from borewarden.base.errors import BadInput
from borewarden.base.samples import channels_of, with_open_heads
from borewarden.collect.link import Rows
from borewarden.collect.logged import read_log
from borewarden.settings import MachineSettings, load_machine

CONFIG = Path(__file__).parents[2] / "config"
LOGGED = (CONFIG / "north.toml").read_text()
LIVE = {
    "modbus": ((CONFIG / "live" / "north-modbus.toml").read_text(), "function = 1\naddress = {i}"),
    "opcua": ((CONFIG / "live" / "south-opcua.toml").read_text(), 'node = "ns=2;i={i}"'),
    "mqtt": ((CONFIG / "live" / "west-mqtt.toml").read_text(), 'field = "f{i}"'),
}
JEWELS = "".join(
    f'\n[[jewel]]\nfitted = 2026-03-02T06:00:00\nbore = "0.008 in"\nmaterial = "ruby"\n'
    f'head = "{head}"\n'
    for head in ("left", "right")
)


def machine(folder: Path, text: str, sections: str) -> MachineSettings:
    path = folder / "machine.toml"
    text = text[: text.index("\n[[jewel]]")] if "\n[[jewel]]" in text else text
    # a pump whose pressure floats needs a certain bore
    jewels = JEWELS.replace("0.008", "0.009") if "direct drive" in text else JEWELS
    path.write_text(f"{text}\n{sections}\n{jewels}")
    return load_machine(path)


def columns(*heads: str) -> str:
    return "\n".join(f'[log.valve.{head}]\ncolumn = "{head}_open"' for head in heads)


def test_heads_are_bits_in_the_order_of_their_signals() -> None:
    off, on, unknown = 0.0, 1.0, np.nan
    found = with_open_heads(
        {
            "pressure": np.ones(4),
            "valve.left": np.array([off, on, on, unknown]),
            "valve.right": np.array([off, off, on, on]),
        }
    )
    np.testing.assert_array_equal(found["open_heads"], [0.0, 1.0, 3.0, np.nan])
    np.testing.assert_array_equal(found["valve"], [0.0, 1.0, 2.0, np.nan])
    assert set(found) == {"pressure", "open_heads", "valve"}


def test_without_signals_of_heads_nothing_changes() -> None:
    given = {"pressure": np.ones(2), "valve": np.ones(2)}
    assert with_open_heads(given) == given


def test_a_log_with_a_valve_for_each_head(tmp_path: Path) -> None:
    settings = machine(tmp_path, LOGGED, columns("left", "right"))
    assert settings.valve_heads == ("left", "right")
    form = settings.log_format()
    cells = {"pressure": "3800", "stroke_count": "7", "temperature": "14.5"}
    lines = [",".join([form.time_column, *(c.column for c in form.channels.values())])]
    logged = [("0", "false"), ("1", "true"), ("0", "true"), ("1", "")]
    for second, (left, right) in enumerate(logged):
        row = {**cells, "valve.left": left, "valve.right": right}
        time = f"2026-03-03T06:00:0{second}"
        lines.append(",".join([time, *(row[name] for name in form.channels)]))
    log = tmp_path / "day.csv"
    log.write_text("\n".join(lines) + "\n")
    samples = read_log(log, form)
    np.testing.assert_array_equal(samples.open_heads, [0.0, 3.0, 2.0, np.nan])
    np.testing.assert_array_equal(samples.valve, [0.0, 2.0, 1.0, np.nan])
    again = channels_of(samples, form.channels)
    np.testing.assert_array_equal(again["valve.right"], [0.0, 1.0, 1.0, np.nan])


@pytest.mark.parametrize("protocol", list(LIVE))
def test_a_live_source_with_a_valve_for_each_head(tmp_path: Path, protocol: str) -> None:
    text, place = LIVE[protocol]
    points = "\n".join(
        f"[source.valve.{head}]\n{place.format(i=200 + i)}"
        for i, head in enumerate(("left", "right"))
    )
    settings = machine(tmp_path, text, points)
    assert settings.valve_heads == ("left", "right")
    source = settings.live_source()
    assert source is not None
    read = {"modbus": "registers", "opcua": "nodes", "mqtt": "fields"}[protocol]
    places = getattr(source, read)
    assert {"valve.left", "valve.right"} <= set(places)
    made = Rows({name: each.channel for name, each in places.items()})
    row = made.make(1, {"pressure": 1.0, "valve.left": 0.0, "valve.right": 1.0})
    assert row is not None
    assert (row.open_heads[0], row.valve[0]) == (2.0, 1.0)
    row = made.make(2, {"pressure": 1.0, "valve.right": 1.0})
    assert row is not None
    assert np.isnan(row.open_heads[0])


@pytest.mark.parametrize(
    ("sections", "where", "says"),
    [
        ('[log.valve.left]\ncolum = "a"', "log.valve.left.colum", "did you mean 'column'?"),
        ("[log.valve.left]", "log.valve.left.column", "is missing"),
        ('[log.valve]\ncolumn = "n"\n[log.valve.left]\ncolumn = "a"', "log.valve.left", "unknown"),
        (
            columns(*"abcdefghi"),
            "log.valve",
            "9 heads have a valve signal; give 8 at most",
        ),
        (
            '[log.valve.left]\ncolumn = "a"\n[log.valve.right]\ncolumn = "a"',
            "log.valve.right",
            "already has this column",
        ),
    ],
)
def test_what_is_wrong_with_a_valve_is_said(
    tmp_path: Path, sections: str, where: str, says: str
) -> None:
    with pytest.raises(BadInput) as caught:
        machine(tmp_path, LOGGED, sections)
    assert caught.value.where == where
    assert says in str(caught.value)


def test_log_and_source_name_the_heads_alike(tmp_path: Path) -> None:
    text, place = LIVE["modbus"]
    source = text[text.index("[source]") : text.index("[gate]")]
    points = "".join(
        f"[source.valve.{head}]\n{place.format(i=i)}\n"
        for i, head in ((200, "right"), (201, "left"))
    )
    with pytest.raises(BadInput, match=r"the heads are right, left, in \[log\] left, right"):
        machine(tmp_path, LOGGED, columns("left", "right") + "\n" + source + points)


def test_heads_that_cut_by_turns_share_a_small_pump(tmp_path: Path) -> None:
    """What the pump can't feed at once it has to feed one by one, if a signal says which is on."""
    large = JEWELS.replace("0.008", "0.014")
    path = tmp_path / "machine.toml"
    text = LOGGED[: LOGGED.index("\n[[jewel]]")]
    path.write_text(f"{text}\n{large}")
    with pytest.raises(BadInput, match="can't feed it"):
        load_machine(path)
    path.write_text(f"{text}\n{columns('left', 'right')}\n{large}")
    assert len(load_machine(path).jewels()) == 2
    path.write_text(f"{text}\n{columns('left', 'right')}\n{large.replace('0.014', '0.030')}")
    with pytest.raises(BadInput, match="can't feed it"):
        load_machine(path)
