"""Machine files: what comes out in SI, and that whatever is wrong is said with field and hint.

All machines are invented here.
"""

from __future__ import annotations

import math
import os
import re
from contextlib import suppress
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from borewarden.base.errors import BadInput
from borewarden.gate.gate import GateSettings
from borewarden.jewels.fitting import Fitting
from borewarden.physics.pump import DirectDrive, Intensifier, event_rate
from borewarden.settings import load_machine
from borewarden.watcher.settings import WatchSettings

CONFIG = Path(__file__).parents[2] / "config"
NORTH = """\
name = "North"
time_zone = "Europe/Vienna"

[pump]
kind = "intensifier"
rated_pressure = "400 MPa"
rated_power = "37 kW"
plunger_diameter = "22 mm"
stroke = "200 mm"
dead_volume = "8 cm^3"
max_stroke_rate = "60 strokes/min"
intensification_ratio = 20
volumetric_efficiency = "97 %"

[log]
time = "time"
[log.pressure]
column = "pressure_bar"
unit = "bar"
[log.stroke_count]
column = "strokes"
strokes_per_count = 1
[log.temperature]
column = "water_c"
unit = "degC"

[gate]
working_pressure = "250 MPa"

[watch]
limit = "8 %"

[[jewel]]
fitted = 2026-03-02T06:00:00
bore = "0.010 in"
material = "ruby"
"""
SOUTH = """\
name = "South"
time_zone = "Europe/Vienna"

[pump]
kind = "direct drive"
rated_pressure = "410 MPa"
rated_power = "22 kW"
plungers = 3
plunger_diameter = "10 mm"
stroke = "40 mm"
dead_volume = "1.0 cm^3"
crank_speed = "305 rpm"
volumetric_efficiency = "93 %"
regulation = "none"

[log]
time = "time"
[log.pressure]
column = "pressure_mpa"
unit = "MPa"
[log.rate]
column = "crank_rpm"
unit = "rpm"
[log.temperature]
column = "water_c"
unit = "degC"

[gate]
working_pressure = "250 MPa"

[[jewel]]
fitted = 2026-03-02T06:00:00
bore = "0.012 in"
material = "diamond"
"""
SIX = 1_772_427_600 * 10**9  # 2026-03-02 06:00 in Vienna


@pytest.fixture(autouse=True)
def _clean_environment(monkeypatch: pytest.MonkeyPatch) -> None:
    for name in [name for name in os.environ if name.startswith("BOREWARDEN_")]:
        monkeypatch.delenv(name)


def machine_file(folder: Path, text: str) -> Path:
    path = folder / "machine.toml"
    path.write_text(text, encoding="utf-8")
    return path


def changed(text: str, pattern: str, replacement: str) -> str:
    """`text` with the one line that `pattern` starts replaced."""
    new, count = re.subn(rf"(?m)^{pattern}.*$", replacement, text, count=1)
    assert count == 1, pattern
    return new


# -- the machines that come with the project


@pytest.mark.parametrize("name", ["north", "south", "west"])
def test_shipped_machines_load_and_are_marked_invented(name: str) -> None:
    machine = load_machine(CONFIG / f"{name}.toml")
    assert machine.jewels()[0].fitted_ns == SIX
    text = (CONFIG / f"{name}.toml").read_text()
    assert "Lindgrat Wasserschnitt. Invented" in text.splitlines()[0]


def test_north_in_si(tmp_path: Path) -> None:
    machine = load_machine(str(machine_file(tmp_path, NORTH)))
    pump = machine.build_pump()
    assert isinstance(pump, Intensifier)
    assert pump == Intensifier(
        plunger_diameter=pytest.approx(0.022),
        stroke=pytest.approx(0.2),
        dead_volume=pytest.approx(8e-6),
        intensification_ratio=20.0,
        max_stroke_rate=pytest.approx(1.0),
        rated_pressure=pytest.approx(400e6),
        rated_power=pytest.approx(37e3),
        volumetric_efficiency=pytest.approx(0.97),
    )
    gate = machine.gate_settings()
    assert gate.uses_counter
    assert gate.flow_shows_jet
    assert gate.working_pressure == pytest.approx(250e6)
    assert gate.max_pressure == pytest.approx(520e6)
    assert gate.stopped_pressure == pytest.approx(20e6)
    assert gate.bypass_pressure == math.inf
    assert gate.batch_time == GateSettings._field_defaults["batch_time"]
    assert machine.watch_settings() == WatchSettings(limit=0.08)
    assert machine.jewels()[0].bore == pytest.approx(0.254e-3, rel=1e-12)
    # leaves the pump a quarter of its strokes to spare
    rate = event_rate(pump.displacement, gate.nominal_area, pump.rated_pressure, 293.15)
    assert rate <= 0.75 * pump.max_rate
    form = machine.log_format()
    assert set(form.channels) == {"pressure", "stroke_count", "temperature"}
    assert form.channels["pressure"].scale == 1e5
    assert form.channels["temperature"].offset == 273.15
    assert form.constant_rate is None


def test_south_floats_near_its_rated_pressure() -> None:
    machine = load_machine(CONFIG / "south.toml")
    pump = machine.build_pump()
    assert isinstance(pump, DirectDrive)
    gate = machine.gate_settings()
    assert not gate.flow_shows_jet
    assert not gate.uses_counter
    assert gate.rate_resolution == pytest.approx(1 / 60)
    reached = pump.expected_pressure(gate.nominal_area, 293.15, pump.crank_speed)
    assert 370e6 < reached < 380e6
    assert machine.log_format().channels["rate"].scale == pytest.approx(1 / 60)


def test_crank_speed_that_is_not_logged_is_constant(tmp_path: Path) -> None:
    text = SOUTH[: SOUTH.index("[log.rate]")] + SOUTH[SOUTH.index("[log.temperature]") :]
    form = load_machine(machine_file(tmp_path, text)).log_format()
    assert form.constant_rate == pytest.approx(305 / 60)
    assert "rate" not in form.channels


def test_bypass_spills_just_below_the_rated_pressure(tmp_path: Path) -> None:
    text = changed(SOUTH, "regulation", 'regulation = "bypass"')
    gate = load_machine(machine_file(tmp_path, text)).gate_settings()
    assert gate.bypass_pressure == pytest.approx(0.99 * 410e6)


def test_overrides_offsets_and_two_heads(tmp_path: Path) -> None:
    text = NORTH.replace("0.010 in", "0.008 in").replace(
        "[watch]",
        'batch_time = "0.5 min"\nsteady_band = 0.05\n[watch]\njewel_life = "80 h"\n'
        'false_alarm_time = "2000 h"\nbaseline_time = "5 min"',
    )
    text += (
        '[[jewel]]\nfitted = 2026-03-02T05:00:00Z\nbore = "0.2 mm"\nmaterial = "diamond"\n'
        'head = 2\ndischarge_coefficient = 0.71\njet_hours = "90 min"\n'
    )
    machine = load_machine(machine_file(tmp_path, text))
    assert machine.gate_settings().batch_time == 30.0
    assert machine.gate_settings().steady_band == 0.05
    watch = machine.watch_settings()
    assert (watch.jewel_life_hours, watch.false_alarm_hours) == (80.0, 2000.0)
    assert watch.baseline_time == 300.0
    first, second = machine.jewels()
    assert (second.head, second.fitted_ns) == ("2", SIX)
    assert (second.discharge_coefficient, second.jet_hours) == (0.71, 1.5)
    total = first.nominal_area + second.nominal_area
    assert machine.gate_settings().nominal_area == pytest.approx(total)


def test_count_of_double_strokes(tmp_path: Path) -> None:
    text = changed(NORTH, "strokes_per_count", "strokes_per_count = 2")
    assert load_machine(machine_file(tmp_path, text)).log_format().channels[
        "stroke_count"
    ].scale == pytest.approx(2.0)


# -- the environment


def test_environment_beats_file(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("BOREWARDEN_PUMP__STROKE", "8 in")
    monkeypatch.setenv("BOREWARDEN_PUMP__INTENSIFICATION_RATIO", "22")
    monkeypatch.setenv("BOREWARDEN_GATE__WORKING_PRESSURE", "200 MPa")
    monkeypatch.setenv("BOREWARDEN_LOG__PRESSURE__UNIT", "MPa")
    monkeypatch.setenv("BOREWARDEN_NAME", "Elsewhere")
    monkeypatch.setenv("BOREWARDEN_SERVICE_PAGE__PORT", "1")
    machine = load_machine(CONFIG / "north.toml")
    pump = machine.build_pump()
    assert isinstance(pump, Intensifier)
    assert pump.stroke == pytest.approx(0.2032)
    assert pump.intensification_ratio == 22.0
    assert pump.plunger_diameter == pytest.approx(0.022)
    assert machine.gate_settings().working_pressure == pytest.approx(200e6)
    assert machine.log_format().channels["pressure"].scale == 1e6
    assert machine.name == "Elsewhere"


@pytest.mark.parametrize(
    ("variable", "value", "where", "says"),
    [
        (
            "BOREWARDEN_PUMP__STROKE",
            "8 bar",
            "pump.stroke (from BOREWARDEN_PUMP__STROKE)",
            ["is a unit of something else", "200 mm"],
        ),
        (
            "BOREWARDEN_PUMP__STROK",
            "8 in",
            "pump.strok (from BOREWARDEN_PUMP__STROK)",
            ["mean 'stroke'"],
        ),
        (
            "BOREWARDEN_PUMP__PLUNGERS",
            "3",
            "pump.plungers (from BOREWARDEN_PUMP__PLUNGERS)",
            ['field of kind = "direct drive"'],
        ),
        ("BOREWARDEN_JEWEL", "not json", "BOREWARDEN_JEWEL", ["is not JSON", "single fields"]),
        ("BOREWARDEN_TIME_ZONE", "Europe/Wien", "time_zone (from BOREWARDEN_TIME_ZONE)", ["zone"]),
    ],
)
def test_mistakes_in_the_environment(
    monkeypatch: pytest.MonkeyPatch, variable: str, value: str, where: str, says: list[str]
) -> None:
    monkeypatch.setenv(variable, value)
    assert_bad(CONFIG / "north.toml", where, says)


# -- mistakes


def assert_bad(path: Path, where: str, says: list[str]) -> None:
    with pytest.raises(BadInput) as caught:
        load_machine(path)
    assert caught.value.file in (str(path), "environment")
    assert caught.value.where == where
    for words in says:
        assert words in str(caught.value)
    assert caught.value.right


NORTH_MISTAKES = [
    ("rated_pressure", "rated_pressure = 400", "pump.rated_pressure", ["no unit", '"400 MPa"']),
    ("rated_pressure", 'rated_pressure = "400"', "pump.rated_pressure", ["no unit", '"60 kpsi"']),
    ("rated_pressure", 'rated_pressure = "400 mPa"', "pump.rated_pressure", ["out of range"]),
    (
        "rated_pressure",
        'rated_pressure = "4 GPa"',
        "pump.rated_pressure",
        ["out of range", "1.2 GPa"],
    ),
    ("rated_pressure", 'rated_pressure = "1e999 Pa"', "pump.rated_pressure", ["out of range"]),
    (
        "rated_pressure",
        'rated_pressure = "a lot"',
        "pump.rated_pressure",
        ["is not a number with a unit"],
    ),
    (
        "rated_pressure",
        "rated_pressure = true",
        "pump.rated_pressure",
        ["True", "is not a quantity"],
    ),
    ("rated_pressure", "rated_pressure = [4]", "pump.rated_pressure", ["is not a quantity"]),
    ("rated_pressure", "", "pump.rated_pressure", ["is missing", '"400 MPa"']),
    (
        "stroke",
        'stroke = "200 kg"',
        "pump.stroke",
        ["'kg' is a unit of something else", '"200 mm"'],
    ),
    ("stroke", 'stroke = "200 mmm"', "pump.stroke", ["'mmm' is not a unit", '"200 mm"']),
    ("stroke", 'stroke = "200 mm/"', "pump.stroke", ["is not a unit", '"200 mm"']),
    ("stroke", 'strok = "200 mm"', "pump.strok", ["unknown field", "mean 'stroke'"]),
    ("stroke", 'stroke = "-200 mm"', "pump.stroke", ["out of range"]),
    (
        "rated_power",
        'rated_power = "46 dBm"',
        "pump.rated_power",
        ["can't be used as a unit", '"37 kW"'],
    ),
    ("rated_power", 'rated_power = "37 kN"', "pump.rated_power", ['"37 kW" or "50 hp"']),
    (
        "volumetric_efficiency",
        'volumetric_efficiency = "97"',
        "pump.volumetric_efficiency",
        ["out of range", '"97 %"'],
    ),
    (
        "intensification_ratio",
        'intensification_ratio = "20 m"',
        "pump.intensification_ratio",
        ["is a unit of something else"],
    ),
    ("max_stroke_rate", 'max_stroke_rate = "60 min"', "pump.max_stroke_rate", ["strokes/min"]),
    ("kind", 'kind = "steam"', "pump.kind", ["'steam' is not a kind of pump", '"direct drive"']),
    ("kind", "", "pump.kind", ["is missing", '"intensifier"']),
    ("time_zone", 'time_zone = "Europe/Viena"', "time_zone", ["mean 'Europe/Vienna'"]),
    ("time_zone", 'time_zone = "Europe"', "time_zone", ["is not a known time zone"]),
    ("time_zone", 'time_zone = "../../etc/passwd"', "time_zone", ["is not a known time zone"]),
    ("time_zone", "time_zone = 1", "time_zone", ["string"]),
    ("name", 'name = ""', "name", ["is empty", '"North"']),
    ("unit = .bar", 'unit = "baar"', "log.pressure.unit", ["'baar' is not a unit", '"bar"']),
    ("unit = .degC", 'unit = "bar"', "log.temperature.unit", ['"degC"']),
    ("unit = .bar", "", "log.pressure.unit", ["missing", '"bar"']),
    ("column", "", "log.pressure.column", ["missing", "column"]),
    (
        "strokes_per_count",
        "strokes_per_count = 0",
        "log.stroke_count.strokes_per_count",
        ["greater than 0"],
    ),
    (
        "working_pressure",
        'working_presure = "2 bar"',
        "gate.working_presure",
        ["'working_pressure'"],
    ),
    (
        "working_pressure",
        'working_pressure = "2 bar"',
        "gate.working_pressure",
        ["rise in that order"],
    ),
    (
        "working_pressure",
        'batch_time = "20 m"',
        "gate.batch_time",
        ["a unit of something else", '"20 s"'],
    ),
    ("limit", 'limit = "8 MPa"', "watch.limit", ["is a unit of something else", '"8 %"']),
    ("limit", "limit = 8", "watch.limit", ["out of range", '"8 %"']),
    ("limit", "wear = 8", "watch.wear", ["unknown field", "wear_notice"]),
    (
        "material",
        'material = "rubby"',
        "jewel[1].material",
        ["is not a known material", "mean 'ruby'"],
    ),
    ("material", 'material = "x"', "jewel[1].material", ["diamond, man-made, ruby, sapphire"]),
    ("bore", 'bore = "10 in"', "jewel[1].bore", ["out of range", '"0.010 in"']),
    ("bore", "bore = 0.254", "jewel[1].bore", ["no unit", '"0.25 mm"']),
    ("bore", 'bore = "0.018 in"', "jewel[1].bore", ["can't feed it", "strokes/min", "0.015 in"]),
    ("rated_power", 'rated_power = "9.5 kW"', "jewel[1].bore", ["11.4 kW at 400 MPa", "0.009 in"]),
    ("fitted", "", "jewel[1].fitted", ["is missing", "2026-03-02T06:00:00"]),
    ("fitted", 'fitted = "lately"', "jewel[1].fitted", ["lately"]),
    ("fitted", "fitted = 2026-03-29T02:30:00", "jewel[1].fitted", ["skipped", "the clock showed"]),
    ("fitted", "fitted = 1926-03-29T02:30:00", "jewel[1].fitted", ["outside 2000 to 2100"]),
    ("fitted", "fitted = 2026-03-02T", "line", ["broken TOML"]),
    ("name", "name = North", "line", ["broken TOML"]),
    ("name", 'name = "North"\nname = "N"', "line", ["broken TOML"]),
    ("name", 'name = "North"\ncolour = "red"', "colour", ["unknown field", "known here: "]),
    (r"\[pump\]", "[[pump]]", "pump", ["is not a section", "as in the machine files"]),
    (r"\[log\]", 'log = "x"\n[logg]', "pump.log", ["unknown field"]),
]


@pytest.mark.parametrize(("pattern", "replacement", "where", "says"), NORTH_MISTAKES)
def test_mistakes_of_an_intensifier(
    tmp_path: Path, pattern: str, replacement: str, where: str, says: list[str]
) -> None:
    path = machine_file(tmp_path, changed(NORTH, pattern, replacement))
    if where.startswith("line"):
        with pytest.raises(BadInput, match=r"line \d+: broken TOML"):
            load_machine(path)
    else:
        assert_bad(path, where, says)


SOUTH_MISTAKES = [
    ("crank_speed", 'crank_speed = "305"', "pump.crank_speed", ["no unit", '"275 rpm"']),
    ("crank_speed", 'crank_speed = "305 mm"', "pump.crank_speed", ['"275 rpm"']),
    ("crank_speed", 'crank_speed = "100 rpm"', "jewel[1].bore", ["reaches", "working pressure"]),
    ("bore", 'bore = "0.015 in"', "jewel[1].bore", ["305 rpm it reaches", "0.013 in"]),
    ("bore", 'bore = "0.008 in"', "jewel[1].bore", ["too small", "0.011 in"]),
    ("rated_power", 'rated_power = "8 kW"', "jewel[1].bore", ["kW at 374 MPa"]),
    ("plungers", "plungers = 0", "pump.plungers", ["greater than or equal to 1"]),
    ("plungers", "plungers = 3.5", "pump.plungers", ["integer"]),
    ("regulation", 'regulation = "luck"', "pump.regulation", ["'luck'", "'bypass'"]),
    (
        "plungers",
        "intensification_ratio = 20",
        "pump.intensification_ratio",
        ['field of kind = "intensifier"', "correct the kind"],
    ),
]


@pytest.mark.parametrize(("pattern", "replacement", "where", "says"), SOUTH_MISTAKES)
def test_mistakes_of_a_crank_pump(
    tmp_path: Path, pattern: str, replacement: str, where: str, says: list[str]
) -> None:
    assert_bad(machine_file(tmp_path, changed(SOUTH, pattern, replacement)), where, says)


def without(text: str, start: str, stop: str) -> str:
    return text[: text.index(start)] + (text[text.index(stop) :] if stop else "")


@pytest.mark.parametrize(
    ("text", "where", "says"),
    [
        (without(NORTH, "[log.stroke_count]", "[log.temp"), "log", ["[log.stroke_count] or"]),
        (without(NORTH, "[log.pressure]", "[log.stroke"), "log.pressure", ["is missing"]),
        (without(NORTH, "[log]", "[gate]"), "log", ["is missing", "[log]"]),
        (without(NORTH, "[pump]", "[log]"), "pump", ["is missing", "[pump]"]),
        (without(NORTH, "[[jewel]]", ""), "jewel", ["is missing", "[[jewel]]"]),
        (
            "jewel = []\n" + without(NORTH, "[[jewel]]", ""),
            "jewel",
            ["no jewel is stated", "[[jewel]]"],
        ),
        (
            changed(
                without(SOUTH, "[log.rate]", "[log.temp"), "regulation", 'regulation = "speed"'
            ),
            "log.rate",
            ["speed is not logged", "add [log.rate]"],
        ),
        ("", "name", ["is missing", '"North"']),
        (
            NORTH + '[[jewel]]\nfitted = 2026-03-03T06:00:00\nbore = "0.014 in"\n'
            'material = "ruby"\nhead = "2"\n',
            "jewel[2].bore",
            ["can't feed it", "0.012 in"],
        ),
    ],
)
def test_sections_missing_or_not_fitting(
    tmp_path: Path, text: str, where: str, says: list[str]
) -> None:
    assert_bad(machine_file(tmp_path, text), where, says)


def test_files_that_are_no_machine(tmp_path: Path) -> None:
    assert_bad(tmp_path / "none.toml", "file", ["there is no such file"])
    assert_bad(tmp_path, "file", ["directory"])
    path = tmp_path / "latin.toml"
    path.write_bytes('name = "Süd"'.encode("latin-1"))
    assert_bad(path, "byte 10", ["UTF-8"])
    path.write_text("a = " + "[" * 100_000)
    assert_bad(path, "end of file", ["broken TOML"])


def test_byte_order_mark_is_no_mistake(tmp_path: Path) -> None:
    assert load_machine(machine_file(tmp_path, "\ufeff" + NORTH)).name == "North"


FUZZ = settings(
    max_examples=150,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)


@FUZZ
@given(content=st.binary(max_size=200))
def test_random_bytes_raise_nothing_but_bad_input(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "m.toml"
    path.write_bytes(content)
    with pytest.raises(BadInput):
        load_machine(path)


LINES = [i for i, line in enumerate(NORTH.splitlines()) if "=" in line]
VALUES = st.one_of(
    st.integers().map(str),
    st.floats().map(repr),
    st.sampled_from(
        ['""', "[]", "{}", "true", '"%"', '"1 %%"', '"1 {x}"', '"1 kPa"', '"1e-3 in"',
         '"1 in**9999"',
         "1979-05-27", "07:32:00", "2026-03-02T06:00:00", '"1 2"', '"1 ("', '"nan m"', '"\\u0000"',
         '"1 degC"', '"1 dB"', '"1 dBm"']
    ),
    st.text(max_size=8).map(lambda text: f"'''{text}'''"),
)  # fmt: skip


@FUZZ
@given(changes=st.lists(st.tuples(st.sampled_from(LINES), VALUES), min_size=1, max_size=3))
def test_changed_values_raise_nothing_but_bad_input(
    tmp_path: Path, changes: list[tuple[int, str]]
) -> None:
    lines = NORTH.splitlines()
    for i, value in changes:
        lines[i] = f"{lines[i].split('=')[0]} = {value}"
    path = tmp_path / "m.toml"
    path.write_text("\n".join(lines), encoding="utf-8", errors="replace", newline="")
    with suppress(BadInput):
        machine = load_machine(path)
        machine.gate_settings()
        machine.watch_settings()
        machine.log_format()
        machine.jewels()


def test_what_the_file_calls_guessed_is_known_until_somebody_states_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    text = (CONFIG / "north.toml").read_text()
    for line, comment in (
        ('stroke = "200 mm"', "not known: watched relative to the learned level"),
        ('rated_power = "37 kW"', "guessed, please check: enough for the jet"),
    ):
        text = text.replace(line, f"{line}  # {comment};")
    first, jewel, second = text.rpartition("[[jewel]]")
    text = (
        first
        + jewel
        + second.replace('bore = "0.010 in"', 'bore = "0.010 in" # guessed, please check')
    )
    path = tmp_path / "north.toml"
    path.write_text(text)
    machine = load_machine(path)
    old, new = machine.jewels()
    assert (old.guessed, new.guessed) == ((), ("bore",))
    assert machine.guessed_of([old]) == ("rated_power", "stroke")
    assert machine.guessed_of([new]) == ("rated_power", "stroke", "bore")
    recorded = Fitting("North", "1", new.fitted_ns, 0.25e-3, "ruby")
    assert [jewel.guessed for jewel in machine.jewels([recorded])] == [(), ()]
    monkeypatch.setenv("BOREWARDEN_PUMP__STROKE", "190 mm")
    assert load_machine(path).guessed_of([old]) == ("rated_power",)
    assert load_machine(CONFIG / "north.toml").guessed_of([old]) == ()
