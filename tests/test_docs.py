"""The pages under docs/ say what the program does: settings, stored fields, commands, links."""

from __future__ import annotations

import dataclasses
import re
import shlex
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack, chdir, contextmanager, suppress
from pathlib import Path
from subprocess import DEVNULL, PIPE
from typing import Any

import numpy as np
import pytest
from pydantic import BaseModel
from pydantic.fields import FieldInfo
from typer.main import get_command
from typer.testing import CliRunner

from borewarden.base.samples import Samples, samples_of
from borewarden.base.statistics import Interval
from borewarden.cli import COMMANDS, app, load_command
from borewarden.collect.labels import EVENTS, LABEL_COLUMNS
from borewarden.detect.false_rate import FalseRate
from borewarden.diagnose.causes import Belief, Cause
from borewarden.gate.batch import Phase
from borewarden.gate.gate import GateSettings
from borewarden.jewels.fitting import End, Fitting
from borewarden.jewels.jewel import Jewel
from borewarden.service.disk_room import Room
from borewarden.service.metrics import standing_families
from borewarden.service.own_health import Health, Outage
from borewarden.service.status import MachineStatus
from borewarden.settings import MachineSettings, Unit, load_machine, shop
from borewarden.settings import sections as stated
from borewarden.settings import source as live
from borewarden.settings.service import (
    AlarmSection,
    InfluxSection,
    MailSection,
    OpcUaSection,
    PageSection,
    PublishSection,
    ServiceSettings,
    StoreSection,
)
from borewarden.store.database import SCHEMA_VERSION, open_store
from borewarden.store.influx import (
    alert_lines,
    batch_lines,
    family_lines,
    link_lines,
    sample_lines,
)
from borewarden.store.names import Stated
from borewarden.store.outbox import Backlog
from borewarden.watcher.batch_loop import RESULT
from borewarden.watcher.settings import WatchSettings
from borewarden.watcher.verdict import HeadBelief, State, Verdict
from borewarden.watcher.watcher import Alert
from wire import needs

ROOT = Path(__file__).parents[1]
README = (ROOT / "README.md").read_text()
GLOSSARY = (ROOT / "docs" / "glossary.md").read_text()
SETTINGS = (ROOT / "docs" / "settings.md").read_text()
STORED = (ROOT / "docs" / "stored-fields.md").read_text()


def every_command() -> dict[str, Any]:
    return {name: load_command(name) for name in COMMANDS}


def tables(text: str) -> dict[str, list[list[str]]]:
    """The rows of the table below each heading, without its head."""
    found: dict[str, list[list[str]]] = {}
    heading = ""
    for line in text.splitlines():
        if line.startswith("#"):
            heading = line.lstrip("# ")
        elif line.startswith("|"):
            found.setdefault(heading, []).append([cell.strip() for cell in line[1:-1].split("|")])
    return {heading: rows[2:] for heading, rows in found.items()}


def beside(model: type[BaseModel]) -> set[str]:
    """Fields of a kind of [source] that not every kind has."""
    return set(model.model_fields) - set(live.LiveSource.model_fields)


VALVES = {"valve_heads"}  # in the file, these are tables within `valve`

PAGES: dict[str, tuple[type[BaseModel], set[str]]] = {
    "Top of the file": (MachineSettings, set(MachineSettings.model_fields)),
    "`[source]` of every kind": (live.LiveSource, set(live.LiveSource.model_fields) - VALVES),
    "`[source]` of kind `modbus tcp`": (live.ModbusTcp, beside(live.ModbusTcp)),
    "`[source]` of kind `modbus rtu`": (live.ModbusRtu, beside(live.ModbusRtu)),
    "`[source]` of kind `opc ua`": (live.OpcUa, beside(live.OpcUa)),
    "`[source]` of kind `mqtt`": (live.Mqtt, beside(live.Mqtt)),
    "`[source]` of kind `sparkplug b`": (live.SparkplugB, beside(live.SparkplugB)),
} | {
    heading: (model, set(model.model_fields) - VALVES)
    for heading, model in {
        "`[pump]` of an intensifier": stated.IntensifierPump,
        "`[pump]` of a direct drive": stated.DirectDrivePump,
        "`[log]`": stated.Log,
        "Pressure channel": stated.PressureColumn,
        "Rate channel": stated.RateColumn,
        "Counter channel": stated.CountColumn,
        "Temperature channel": stated.TemperatureColumn,
        "Valve channel": stated.ValveColumn,
        "Time channel": stated.StrokeTimeColumn,
        "Speed channel": stated.SpeedColumn,
        "Torque channel": stated.TorqueColumn,
        "Channel by Modbus": live.RegisterPoint,
        "Channel by OPC UA": live.NodeOf,
        "Channel by MQTT": live.FieldOf,
        "Channel by Sparkplug B": live.MetricOf,
        "`[gate]`": stated.GateOverrides,
        "`[watch]`": stated.WatchOverrides,
        "`[[jewel]]`": stated.FittedJewel,
        "`[page]`": PageSection,
        "`[influx]`": InfluxSection,
        "`[publish]`": PublishSection,
        "`[opc_ua]`": OpcUaSection,
        "`[mail]`": MailSection,
        "`[alarm]`": AlarmSection,
        "`[store]`": StoreSection,
        "`[costs]`": shop.CostSection,
        "`[[jewel_price]]`": shop.JewelPrice,
        "`[stock]`": shop.StockSection,
        "`[[shelf]]`": shop.Shelf,
    }.items()
}


def models_below(model: type[BaseModel]) -> set[type[BaseModel]]:
    """Every section that can stand in a file of this kind."""
    found: set[type[BaseModel]] = set()

    def look(annotation: Any) -> None:
        is_model = isinstance(annotation, type) and issubclass(annotation, BaseModel)
        if is_model and annotation not in found:
            found.add(annotation)
            for field in annotation.model_fields.values():
                look(field.annotation)
        for part in getattr(annotation, "__args__", ()):
            look(part)

    look(model)
    return found


def test_every_section_has_its_table() -> None:
    below = models_below(MachineSettings) | models_below(ServiceSettings)
    known = {model for model, _ in PAGES.values()} | {ServiceSettings}
    assert below <= known
    assert {heading for heading in PAGES if heading not in tables(SETTINGS)} == set()
    sections = {"units", "page", "influx", "mail", "publish", "opc_ua", "alarm", "store"}
    named = set(ServiceSettings.model_fields) - sections
    assert named == {"influx_token", "mail_password", "publish_password"}
    assert named <= {row[0].strip("`") for row in tables(SETTINGS)["Secrets"]}


@pytest.mark.parametrize("heading", PAGES)
def test_every_setting_stands_in_its_table(heading: str) -> None:
    model, names = PAGES[heading]
    rows = tables(SETTINGS)[heading]
    assert [row[0] for row in rows] == list(dict.fromkeys(row[0] for row in rows))
    assert {row[0].strip("`") for row in rows} == names
    for name, kind, default, _ in rows:
        assert kind
        assert_default(heading, model.model_fields[name.strip("`")], name.strip("`"), default)


def test_columns_and_events_of_labels_are_described() -> None:
    assert [row[0].strip("`") for row in tables(SETTINGS)["Labels"]] == list(LABEL_COLUMNS)
    events = SETTINGS[SETTINGS.index("\nEvents: ") :]
    assert tuple(re.findall(r"`([^`]+)`", events)) == EVENTS


OF_RATED = {"working_pressure", "stopped_pressure", "max_pressure", "bypass_pressure"}


def assert_default(heading: str, field: FieldInfo, name: str, said: str) -> None:
    if field.is_required():
        assert said == "needed"
        return
    value = field.default
    if heading == "`[gate]`":  # left out, the gate's own defaults hold
        if name in OF_RATED:
            assert re.fullmatch(r"\d+ % of rated", said)
            return
        value = GateSettings._field_defaults[name]
    elif heading == "`[watch]`":
        own = {"false_alarm_time": "false_alarm_hours", "jewel_life": "jewel_life_hours"}
        value = getattr(WatchSettings(), own.get(name, name))
    elif isinstance(value, BaseModel):
        assert said == "as below"
        return
    for unit in field.metadata:
        if isinstance(unit, Unit):
            assert unit(said) == pytest.approx(value)
            return
    words = {None: "none", True: "true", False: "false"}
    if isinstance(value, str):
        assert said.strip('`"') == value
    elif isinstance(value, list):
        assert said.strip("`").replace('"', "'") == str(value)
    elif value is None or isinstance(value, bool):
        assert said == words[value]
    else:
        unit = unit_within(field)
        assert (unit(said) if unit else float(said)) == pytest.approx(value)


def unit_within(field: FieldInfo) -> Unit | None:
    """The unit of an optional field, which pydantic keeps within the union."""
    for part in getattr(field.annotation, "__args__", ()):
        for unit in getattr(part, "__metadata__", ()):
            if isinstance(unit, Unit):
                return unit
    return None


def test_pressures_of_the_gate_are_the_shares_of_rated_that_the_page_names() -> None:
    north = load_machine(ROOT / "config" / "north.toml")
    bare = north.model_copy(update={"gate": stated.GateOverrides()}).gate_settings()
    said = {row[0].strip("`"): row[2] for row in tables(SETTINGS)["`[gate]`"]}
    rated = north.build_pump().rated_pressure
    for name in OF_RATED - {"bypass_pressure"}:  # an intensifier has none
        assert f"{getattr(bare, name) / rated:.0%}".replace("%", " % of rated") == said[name]


# -- stored fields


def first_cells(heading: str) -> list[str]:
    return [row[0].strip("`") for row in tables(STORED)[heading]]


def test_every_table_of_the_store_is_described(tmp_path: Path) -> None:
    with open_store(tmp_path / "a.db") as connection:
        assert f"now\n{SCHEMA_VERSION}." in STORED
        names = [
            name
            for (name,) in connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'")
            if not name.startswith("sqlite_")
        ]
        assert {f"Table `{name}`" for name in names} == {
            heading for heading in tables(STORED) if heading.startswith("Table")
        }
        for name in names:
            columns = connection.execute(f"PRAGMA table_info({name})").fetchall()
            assert [
                (row[0].strip("`"), row[1].upper()) for row in tables(STORED)[f"Table `{name}`"]
            ] == [(column[1], column[2]) for column in columns]


def test_every_field_within_the_columns_is_described() -> None:
    assert first_cells("Channels of a sample") == list(Samples._fields[1:])
    assert [tuple(row[:2]) for row in tables(STORED)["Phases"]] == [
        (str(phase.value), f"`{phase.name}`") for phase in Phase
    ]
    assert first_cells("Fields of a verdict") == [f.name for f in dataclasses.fields(Verdict)]
    assert first_cells("Fields of a fitting") == [f.name for f in dataclasses.fields(Fitting)]
    ends = next(row[2] for row in tables(STORED)["Fields of a fitting"] if row[0] == "`end`")
    assert ends.endswith(", ".join(end.value for end in End))


def fields_of(line: str) -> set[str]:
    """Names of the fields of one line of line protocol whose texts hold no commas."""
    rest = re.split(r"(?<!\\) ", line, maxsplit=1)[1]
    return set(re.findall(r"(?:^|,)(\w+)=", rest))


def test_every_measurement_is_described() -> None:
    one = {name: np.array([1.0]) for name in Samples._fields[1:]}
    samples = samples_of(np.array([1]), **one)
    batch = np.ones(1, dtype=RESULT)
    verdict = Verdict(
        1, State.OPENED, "why", *(1.0,) * 10, None, 0.9, 7, causes=(Belief(Cause.BORE, 0.9),)
    )
    lines = {
        "borewarden_sample": sample_lines("North", samples, np.array([5], dtype=np.int8)),
        "borewarden": batch_lines("North", batch, Stated(0.08, 2.0)),
        "borewarden_alert": alert_lines("North", [Alert(1, verdict)]),
        "borewarden_link": link_lines("North", 1, True, "found"),
    }
    for measurement, (line,) in lines.items():
        assert line.startswith(f"{measurement},")
        assert fields_of(line) == set(first_cells(f"Measurement `{measurement}`"))
    described = {heading for heading in tables(STORED) if heading.startswith("Measurement")}
    assert described == {f"Measurement `{name}`" for name in lines}


def test_every_figure_of_once_a_minute_is_described() -> None:
    jewel = Jewel(2.54e-4, "ruby", 0)
    pump = load_machine(ROOT / "config" / "north.toml").build_pump()
    left, heads = Interval(1.0, 2.0, 3.0), (HeadBelief("1", 0.9),)
    verdict = Verdict(
        1, State.WEARING, "why", *(1.0,) * 10, None, 0.9, hours_to_limit=left, heads=heads,
        false_rate=FalseRate(1e-4, 1e-3, 1e-2, 1e-3, peaks=9, hours=40.0), judged_ns=1,
    )  # fmt: skip
    status = MachineStatus(
        "North", "UTC", pump, verdict, jewels=[jewel], head_hours={"1": 1.0}, latency_s=[0.1]
    )
    status.last_sample_ns = 1  # and so the age of the newest jet is known
    health = Health(outages={"influx": Outage(0, "away")}, room=[Room(10**9, 1e6)])
    aside = {"influx": Backlog(0, 1, 0, "no")}
    lines = family_lines(standing_families({"North": status}, aside, health), 1, instance="here")
    ours = [line for line in lines if not line.startswith("process,")]
    texts = {"outbox_failure_reason", "outbox_last_aside_reason"}
    assert set().union(*map(fields_of, ours)) - texts == set(first_cells("Once a minute"))


def test_names_in_the_glossary_are_those_of_settings_and_stored_fields() -> None:
    known = {
        name
        for text in (SETTINGS, STORED)
        for heading, rows in tables(text).items()
        for cell in (heading.removeprefix("Table "), *(row[0] for row in rows))
        for name in re.findall(r"`(\w+)`", cell)
    }
    named = [
        name
        for rows in tables(GLOSSARY).values()
        for row in rows
        for name in re.findall(r"`([^`]+)`", row[-1])
    ]
    assert len(named) > 50
    assert set(named) <= known


# -- links and commands

PROSE = sorted(
    page
    for pattern in ("*.md", "docs/*.md", "*/README.md", "deploy/**/README.md")
    for page in ROOT.glob(pattern)
    # a tool's own, as pytest's or npm's, is not ours
    if not page.parent.name.startswith(".") or page.parent == ROOT
    if "node_modules" not in page.parts
)


def commands(page: Path) -> list[str]:
    """The calls of `borewarden` in the sh blocks of a page, without the path of the program."""
    blocks = re.findall(r"(?ms)^\s*```sh\n(.*?)^\s*```", page.read_text())
    lines = [line for block in blocks for line in block.replace("\\\n", " ").splitlines()]
    calls = [re.search(r"(?:^|[\s/])borewarden ([a-z]\w*(?: .*)?)$", line) for line in lines]
    return [call[1] for call in calls if call is not None]


PRINTED = [(page.relative_to(ROOT), line) for page in PROSE for line in commands(page)]
# what ends by itself and needs nothing that is not in the repository
SELF_CONTAINED = sorted(
    {
        line
        for page, line in PRINTED
        if line.startswith(
            ("bores --machine config", "look replay_data", "replay replay_data/west")
        )
    }
)


def test_links_lead_somewhere() -> None:
    for page in PROSE:
        for target in re.findall(r"\]\(([^)#]+)[^)]*\)", page.read_text()):
            if not target.startswith(("http://", "https://", "mailto:")):
                assert (page.parent / target).exists(), f"{page.name}: {target}"


def test_sections_that_links_name_are_there() -> None:
    for page in PROSE:
        for target, section in re.findall(r"\]\(([^)#:]*)#([^)]+)\)", page.read_text()):
            text = (page.parent / target if target else page).read_text()
            headings = re.findall(r"(?m)^#+ (.+)$", text)
            slugs = {re.sub(r"[^\w -]", "", each).lower().replace(" ", "-") for each in headings}
            assert section in slugs, f"{page.name}: {target}#{section}"


def test_pages_are_listed_in_the_readme() -> None:
    for page in (*ROOT.glob("docs/*.md"), ROOT / "DEVELOPERS.md", ROOT / "CHANGELOG.md"):
        assert f"]({page.relative_to(ROOT)})" in README


def test_the_readme_is_one_screen_with_a_small_picture() -> None:
    assert len(README.splitlines()) <= 120
    (picture,) = re.findall(r"!\[[^]]*\]\(([^)]+)\)", README)
    assert (ROOT / picture).read_bytes().startswith(b"\x89PNG")
    assert (ROOT / picture).stat().st_size < 150_000


def test_the_test_command_is_where_the_ci_looks_for_it() -> None:
    (command,) = re.findall(r"<!-- test command -->\n```sh\n([^\n]+)\n```\n", README)
    assert command.endswith("-m pytest")


@pytest.mark.parametrize(("page", "line"), PRINTED, ids=lambda value: str(value)[:40])
def test_printed_commands_have_the_options_that_they_name(page: Path, line: str) -> None:
    name, *words = shlex.split(line)
    command = load_command(name)
    with command.make_context(name, words) as context:
        if not context.params:  # a group: the command is its next word
            inner = command.commands[words[0]]  # type: ignore[attr-defined]
            with inner.make_context(words[0], words[1:]) as context_of_inner:
                assert context_of_inner.params


def options_of(command: Any) -> set[str]:
    return {
        option
        for parameter in command.params
        for option in [*parameter.opts, *parameter.secondary_opts]
    }


def options() -> dict[str, set[str]]:
    """The options of each command; those of a group stand under the inner name."""
    found = {"": options_of(get_command(app))}
    for name, command in every_command().items():
        for inner, one in getattr(command, "commands", {name: command}).items():
            found.setdefault(inner, set()).update(options_of(one))
    return found


def spans(text: str) -> list[str]:
    """What a page sets in `` ` ` ``, blocks of code left out."""
    prose = re.sub(r"(?ms)^\s*```.*?^\s*```", "", text)
    return [" ".join(span.split()) for span in re.findall(r"`([^`]+)`", prose)]


def test_options_named_in_the_text_are_those_of_their_command() -> None:
    known = options()
    checked = 0
    for page in PROSE:
        for span in spans(page.read_text()):
            first, *_ = words = span.removeprefix("borewarden ").split()
            named = {word.rstrip(",") for word in words if word.startswith("--")}
            if first in known:
                assert named <= known[first], f"{page.name}: {span}"
            elif first.startswith("--"):
                assert any(named <= own for own in known.values()), f"{page.name}: {span}"
            checked += bool(named)
    assert checked > 50


def test_options_in_the_table_of_a_command_are_its_own() -> None:
    known = options()
    seen = set()
    for page in PROSE:
        for table in re.findall(r"(?m)^\| option of .*\n(?:\|.*\n)+", page.read_text()):
            head, _, *rows = table.splitlines()
            commands = re.findall(r"`(\w+)`", head)
            assert commands
            for row in rows:
                for option in re.findall(r"`(--[a-z-]+)", row.split("|")[1]):
                    assert all(option in known[name] for name in commands), row
            seen |= set(commands)
    assert seen == {
        "look", "replay", "simulate", "serve", "fleet", "tune", "inspect", "count",
    }  # fmt: skip


def test_every_command_has_its_line() -> None:
    rows = tables((ROOT / "docs" / "commands.md").read_text())["Commands"]
    known = every_command()
    assert sorted(row[0].strip("`") for row in rows) == sorted(known)


def test_files_that_the_pages_name_are_there() -> None:
    within = re.compile(r"(?<![\w/.])(?:config|replay_data|deploy|docs|src|tests)/[\w./-]*\w")
    for page in PROSE:
        text = page.read_text()
        for path in within.findall(text):
            assert (ROOT / path).exists() or (page.parent / path).exists(), f"{page.name}: {path}"
        for bench in re.findall(r"\bbench_\w+\.py", text):
            assert (ROOT / "tests" / "benchmarks" / bench).exists(), f"{page.name}: {bench}"


@pytest.mark.parametrize("line", SELF_CONTAINED)
def test_printed_commands_run_as_they_stand(tmp_path: Path, line: str) -> None:
    for name in ("config", "replay_data"):
        (tmp_path / name).symlink_to(ROOT / name)
    with chdir(tmp_path):
        done = CliRunner().invoke(app, shlex.split(line))
    assert done.exit_code == 0, done.output
    assert len(done.stdout) > 500


FIRST_HOUR = ROOT / "docs" / "first-hour.md"


def test_the_first_hour_runs_as_printed(tmp_path: Path) -> None:
    """The desk's part, in the order of the page."""
    for name in ("config", "replay_data"):
        (tmp_path / name).symlink_to(ROOT / name)
    lines = commands(FIRST_HOUR)
    assert [line.split()[0] for line in lines] == [
        "look", "bores", "replay", *3 * ["serve", "look"], "reach", "watch",
    ]  # fmt: skip
    with chdir(tmp_path):
        said = [CliRunner().invoke(app, shlex.split(line)) for line in lines[:3]]
    assert [done.exit_code for done in said] == [0, 0, 0], [done.output for done in said]
    assert "Guessed in the machine file" in said[1].stdout
    assert "The bore has probably opened up" in said[2].stdout
    assert "Learned: C_d" in said[2].stdout
    machine = (tmp_path / "my-pump.toml").read_text()
    page = FIRST_HOUR.read_text()
    rows = tables(page)["1. Install, and look at a log (5 minutes, at a desk)"]
    assert [row[0] for row in rows[1:3]] == ["guessed, please check", rows[2][0]]
    assert rows[2][0] in machine


def test_the_first_hour_on_the_network_runs_as_printed(tmp_path: Path) -> None:
    """The servers that the page starts are really there, and so is a broker."""
    for name in ("config", "replay_data"):
        (tmp_path / name).symlink_to(ROOT / name)
    (broker,) = re.findall(r"(?m)^/usr/sbin/(mosquitto .*)$", FIRST_HOUR.read_text())
    name, *options = shlex.split(broker)
    ports = 4841, 5020, 1883
    lines = commands(FIRST_HOUR)[3:]
    serves, looks = lines[:6:2], lines[1:6:2]
    with ExitStack() as stack:
        running = stack.enter_context(started([needs(name), *options], tmp_path))
        await_port(1883, running)
        for line, port in zip(serves, ports, strict=True):
            await_port(port, stack.enter_context(started(called(line), tmp_path)))
        # as from second terminals, all at once
        with ThreadPoolExecutor(len(looks)) as terminals:
            said = list(terminals.map(lambda line: looked(line, tmp_path), looks))
        reach = stack.enter_context(started(called(lines[6]), tmp_path))
        proven = reach.communicate(timeout=120)[0].decode()
    assert [done.returncode for done in said] == [0, 0, 0], "\n".join(d.stdout for d in said)
    assert "connected to 127.0.0.1:5020" in proven
    for name in ("south-look", "pump-2", "west-look"):
        source = load_machine(tmp_path / f"{name}.toml").source
        assert source is not None
        assert source.rate or source.stroke_count, name
        assert source.temperature, name


def looked(line: str, folder: Path) -> subprocess.CompletedProcess[str]:
    """A look as printed; again where a busy machine let it hear too little in its few seconds."""
    for _ in range(3):
        done = subprocess.run(
            called(line), cwd=folder, stdin=DEVNULL, capture_output=True, text=True, timeout=240
        )
        if done.returncode == 0:
            break
    return done


def called(line: str) -> list[str]:
    return [sys.executable, "-m", "borewarden", *shlex.split(line)]


@contextmanager
def started(command: list[str], folder: Path) -> Iterator[subprocess.Popen[bytes]]:
    process = subprocess.Popen(
        command, cwd=folder, stdin=DEVNULL, stdout=PIPE, stderr=subprocess.STDOUT
    )
    try:
        yield process
    finally:
        process.terminate()
        process.communicate()


def await_port(port: int, process: subprocess.Popen[bytes]) -> None:
    while True:
        with suppress(OSError), socket.create_connection(("127.0.0.1", port), timeout=60):
            return
        if process.poll() is not None:
            pytest.skip(f"port {port} is taken: {process.communicate()[0].decode()}")
        time.sleep(0.1)


def test_the_readme_shows_what_its_command_prints(tmp_path: Path) -> None:
    (line,) = commands(ROOT / "README.md")
    (answer,) = re.findall(r"(?s)<!-- answer -->\n```text\n(.*?)```", README)
    for name in ("config", "replay_data"):
        (tmp_path / name).symlink_to(ROOT / name)
    with chdir(tmp_path):
        done = CliRunner().invoke(app, shlex.split(line))
    assert done.exit_code == 0, done.output
    said = " ".join(done.stdout.replace("│", " ").split())
    assert len(answer.splitlines()) == 5
    for shown in answer.splitlines():
        assert shown in said
