"""What a few seconds of readings prove of a machine. The readings are invented."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pytest

from borewarden.base.samples import Samples, samples_of
from borewarden.collect.modbus import Register, decode, encode
from borewarden.service.readings import Finding, judge, needed_channels
from borewarden.settings import MachineSettings, load_machine

LIVE = Path(__file__).parents[2] / "config" / "live"
NORTH = (LIVE / "north-modbus.toml").read_text()  # an intensifier of 400 MPa, 0.010 in
N = 17
TIME_NS = np.arange(N, dtype=np.int64) * 500_000_000  # 8 s
RIPPLE = 250e6 + 4e6 * np.sin(np.arange(N))  # Pa
COUNT = 1040.0 + np.floor(np.arange(N) / 6.0)  # 20 strokes/min
REST = 0.1e6 + 1e4 * np.sin(np.arange(N))


def machine(folder: Path, text: str = NORTH) -> MachineSettings:
    path = folder / "machine.toml"
    path.write_text(text)
    return load_machine(path)


def found(settings: MachineSettings, wrong: dict[str, str] | None = None, **channels) -> dict:
    rows = samples_of(TIME_NS, **channels)
    source = settings.live_source()
    assert source is not None
    return judge(settings, source, rows, wrong or {})


def of(answers: dict[str, Finding], name: str) -> tuple[str, str]:
    return answers[name].answer, answers[name].words


def test_a_pump_that_cuts(tmp_path: Path) -> None:
    answers = found(
        machine(tmp_path), pressure=RIPPLE, stroke_count=COUNT, temperature=np.full(N, 291.0)
    )
    assert answers["pressure"].answer == answers["temperature"].answer == "yes"
    assert answers["pressure"].words == "246.0 to 254.0 MPa (register 0, in bar)"
    assert of(answers, "stroke_count") == (
        "not proven",
        "1040 to 1042 (register 1): it counts, 2 in 8 s; too few to prove it: run this again while "
        "the pump cuts",
    )
    assert answers["temperature"].words == "17.9 °C (register 3, in degC)"


def test_a_pump_at_rest(tmp_path: Path) -> None:
    answers = found(machine(tmp_path), pressure=REST, stroke_count=np.full(N, 1040.0))
    assert answers["pressure"].answer == "yes"
    assert of(answers, "stroke_count") == (
        "yes",
        "1040 (register 1): it stands still, as it does without pressure",
    )
    assert answers["temperature"].answer == "no"  # missing, and the watch can do without


def test_what_stands_still_is_not_proven(tmp_path: Path) -> None:
    stands = {"pressure": np.full(N, 250e6), "stroke_count": np.full(N, 7.0)}
    answers = found(machine(tmp_path), **stands)
    for name in stands:
        answer, words = of(answers, name)
        assert answer == "not proven"
        assert "run this again while the pump cuts" in words


def test_what_stands_still_although_the_pump_works_is_no(tmp_path: Path) -> None:
    answer, words = of(
        found(machine(tmp_path), pressure=np.full(N, 250.3e6), stroke_count=COUNT), "pressure"
    )
    assert answer == "NO"
    assert "stood still to the last digit for 2 strokes; it may be the set point" in words
    text = NORTH.replace("[gate]", "[source.valve]\nfunction = 2\naddress = 0\n[gate]\n", 1)
    shut = found(
        machine(tmp_path, text),
        pressure=RIPPLE,
        stroke_count=np.full(N, 7.0),
        valve=np.zeros(N),
    )
    is_open = found(
        machine(tmp_path, text), pressure=RIPPLE, stroke_count=np.full(N, 7.0), valve=np.ones(N)
    )
    assert shut["stroke_count"].answer == "not proven"
    assert of(is_open, "stroke_count")[0] == "NO"


def test_a_steady_cut_may_stand_on_a_gauge_of_large_steps(tmp_path: Path) -> None:
    cut = found(machine(tmp_path), pressure=np.full(N, 250e6), stroke_count=COUNT)
    answer, words = of(cut, "pressure")
    assert answer == "not proven"
    assert "as a steady cut may on a gauge of such large steps" in words


def test_a_counter_that_is_wrong_is_not_held_against_the_pressure(tmp_path: Path) -> None:
    answers = found(machine(tmp_path), pressure=RIPPLE, stroke_count=COUNT * 65536.0)
    assert of(answers, "stroke_count")[0] == "NO"
    answer, words = of(answers, "pressure")
    assert answer == "not proven"
    assert "the stroke count can't be right, so it shows nothing" in words


@pytest.mark.parametrize(
    ("channels", "name", "words"),
    [
        ({"pressure": RIPPLE * 2.0}, "pressure", "the plate says 400.0 MPa"),
        ({"pressure": RIPPLE * 14.5038}, "pressure", 'unit = "psi" it would be 246.0 to 254.0'),
        ({"pressure": -RIPPLE}, "pressure", "far below zero"),
        ({"pressure": REST * 1e-40}, "pressure", "which is no pressure; check word and byte order"),
        ({"pressure": REST, "stroke_count": COUNT * 2.0}, "pressure", "too little for the 4 st"),
        ({"stroke_count": COUNT[::-1]}, "stroke_count", "counts backwards"),
        ({"stroke_count": COUNT * 256.0}, "stroke_count", "which no pump of this plate does"),
        ({"stroke_count": np.full(N, 3.0 * 65536.0)}, "stroke_count", "check word_order"),
        ({"pressure": REST, "stroke_count": COUNT * 2.0}, "stroke_count", "4 in 8 s, but"),
    ],
)
def test_what_can_not_be(tmp_path: Path, channels: dict, name: str, words: str) -> None:
    given = {"pressure": RIPPLE, "stroke_count": COUNT, **channels}
    answer, said = of(found(machine(tmp_path), **given), name)
    assert answer == "NO", said
    assert words in said
    assert ";" in said


@pytest.mark.parametrize("kind", ["float32", "float64", "int32", "uint32"])
@pytest.mark.parametrize("words", ["big", "little"])
@pytest.mark.parametrize("order", ["big", "little"])
def test_the_right_order_of_a_register_is_named(
    tmp_path: Path, kind: str, words: str, order: str
) -> None:
    """The pressure as a controller sends it, read in the order that the file says by mistake."""
    text = NORTH.replace('type = "uint16"', f'type = "{kind}"', 1).replace(
        "address = 0", "address = 100", 1
    )
    settings = machine(tmp_path, text)
    source = settings.live_source()
    stated = source.registers["pressure"]
    true = Register(stated.channel, 4, 100, kind, words, order)
    raw = [decode(stated, encode(true, bar * 10.0)) for bar in (RIPPLE / 1e5).tolist()]
    with np.errstate(over="ignore"):
        pressure = np.array(raw) * stated.channel.scale
    pressure[~np.isfinite(pressure)] = np.nan
    answer, said = of(found(settings, pressure=pressure, stroke_count=COUNT), "pressure")
    if (words, order) == ("big", "big"):
        assert answer == "yes"
        return
    assert answer == "NO", said
    if kind != "float64" or np.isfinite(pressure[-1]):
        for setting, value in (("word_order", words), ("byte_order", order)):
            assert (f'{setting} = "{value}"' in said) == (value == "little"), said


def test_a_signed_register_read_as_unsigned_is_named(tmp_path: Path) -> None:
    register = machine(tmp_path).live_source().registers["pressure"]
    raw = np.array([decode(register, encode(register, v)) for v in (-3.0, -2.0, -1.0) * 6])[:N]
    answers = found(
        machine(tmp_path), pressure=raw * register.channel.scale, stroke_count=np.full(N, 7.0)
    )
    answer, said = of(answers, "pressure")
    assert answer == "NO"
    assert 'with type = "int16" it would be -0.0 MPa' in said


def test_each_channels_own_reason(tmp_path: Path) -> None:
    wrong = {
        "pressure": "input register 0: illegal data address",
        "temperature": "input register 3: device failure",
    }
    answers = found(machine(tmp_path), wrong, stroke_count=COUNT)
    answer, said = of(answers, "pressure")
    assert answer == "NO"
    assert "illegal data address; the controller has nothing there" in said
    answer, said = of(answers, "temperature")
    assert answer == "no"
    assert "device failure; look at the sensor" in said


def test_gaps_are_said(tmp_path: Path) -> None:
    gaps = np.where(np.arange(N) % 4 == 1, np.nan, RIPPLE)
    answer, said = of(found(machine(tmp_path), pressure=gaps, stroke_count=COUNT), "pressure")
    assert answer == "not proven"
    assert re.search(r"in 13 of 17 readings", said)
    gaps = np.where(np.arange(N) < 12, np.nan, RIPPLE)
    answer, said = of(found(machine(tmp_path), pressure=gaps, stroke_count=COUNT), "pressure")
    assert answer == "NO"


def test_rates_and_what_is_needed(tmp_path: Path) -> None:
    south = load_machine(LIVE / "south-opcua.toml")  # a crank pump, 305 turns/min
    assert needed_channels(south) == {"pressure", "rate"}
    assert needed_channels(machine(tmp_path)) == {"pressure", "stroke_count"}
    turning = np.full(N, 305.0 / 60.0)
    answers = found(south, pressure=RIPPLE, rate=turning)
    assert of(answers, "rate") == ("yes", "305.0 /min (ns=2;s=Pump.CrankSpeed, in rpm)")
    answers = found(south, pressure=RIPPLE, rate=turning * 60.0)
    assert of(answers, "rate")[0] == "NO"
    assert "305.0 /min at most; check unit" in answers["rate"].words
    answers = found(south, pressure=RIPPLE, rate=np.zeros(N))
    assert answers["rate"].answer in ("not proven", "NO")


RATE = '[source.rate]\nfunction = 4\naddress = 9\ntype = "float32"\nunit = "strokes/min"\n[gate]\n'


def test_strokes_that_do_not_fit_are_told(tmp_path: Path) -> None:
    both = machine(tmp_path, NORTH.replace("[gate]", RATE, 1))
    stands = np.full(N, 7.0)
    answers = found(both, pressure=RIPPLE, stroke_count=stands, rate=np.full(N, 22.7 / 60.0))
    answer, said = of(answers, "stroke_count")
    assert answer == "NO"
    assert "though the rate says 3.0 meanwhile" in said
    low = found(machine(tmp_path), pressure=RIPPLE / 50.0, stroke_count=COUNT)
    assert of(low, "pressure")[0] == "NO"
    alone = NORTH.split("[source.stroke_count]")
    assert len(alone) == 2
    rest = alone[1][alone[1].index("[") :]
    by_rate = machine(tmp_path, (alone[0] + rest).replace("[gate]", RATE, 1))
    slow = found(by_rate, pressure=RIPPLE + 100e6, rate=np.full(N, 22.7 / 3600.0))
    assert slow["rate"].answer == "not proven"
    assert "but the stated bore takes" in slow["rate"].words


def test_one_reading_is_enough_to_look_at(tmp_path: Path) -> None:
    settings = machine(tmp_path)
    rows: Samples = samples_of(TIME_NS[:1], pressure=RIPPLE[:1], stroke_count=COUNT[:1])
    answers = judge(settings, settings.live_source(), rows, {})
    assert answers["pressure"].answer == "yes"
    assert answers["stroke_count"].answer == "not proven"
