"""Controllers and gateways that say what can't be so, over a real broker; and restarts meanwhile.

The machines are invented, and so fast that nobody waits for their strokes.
"""

from __future__ import annotations

import asyncio
import json
import math
import time
from collections.abc import Callable, Iterator
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

import aiomqtt
import numpy as np
import pytest

from borewarden.alert.alarm import BLIND, Alarm
from borewarden.base.samples import Samples, rows
from borewarden.collect.link import LinkState
from borewarden.gate.batch import Phase
from borewarden.service import connection_check
from borewarden.service.connection_check import reach_machine
from borewarden.service.health import health_troubles, sight_words
from borewarden.service.machine_view import sample_age
from borewarden.service.own_health import Health
from borewarden.service.status import MachineStatus, SightStatus
from borewarden.service.watch import restore, status_of, watch
from borewarden.settings import load_machine
from borewarden.store.database import judge_anew, open_store, read_table, transaction, write_alarm
from borewarden.store.mails import Undelivered
from borewarden.watcher.verdict import State
from follow_log import paced
from held import Held
from peers import Broker, mosquitto_peer
from steady import steady_samples
from watched import intensifier, watched

NORTH = Path(__file__).parents[2] / "config" / "north.toml"
FASTER = 40.0
PER_SECOND = FASTER / 3.0  # strokes with the jet on
Told = dict[str, Any]

# on a busy machine messages may come too late to repeat anything: no five minutes for that
pytestmark = pytest.mark.timeout(120)


@pytest.fixture(scope="module")
def broker() -> Iterator[Broker]:
    with mosquitto_peer() as peer:
        yield peer


def machine(peer: Broker, flow: str, silence: float = 2.0) -> str:
    quick = intensifier(FASTER).replace('stuck_time = "4 s"', 'stuck_time = "0.5 s"')
    return f"""
{quick}
[source]
kind = "mqtt"
host = "{peer.host}"
port = {peer.port}
topic = "north"
silence = "{silence} s"
blind_after = "1 s"

[source.pressure]
field = "bar"
unit = "bar"

[source.valve]
field = "valve"

{flow}
"""


COUNTER = '[source.stroke_count]\nfield = "count"\n'
RATE = '[source.rate]\nfield = "spm"\nunit = "strokes/min"\n'


def sound(t: float) -> Told:
    """The pump after `t` s: 0.8 s of jet, 0.4 s without, and so on."""
    jet, on = t % 1.2 < 0.8, t // 1.2 * 0.8 + min(t % 1.2, 0.8)
    dip = 60.0 if jet and PER_SECOND * on % 1 < 0.3 else 0.0
    return {
        "bar": 2500.0 + 5.0 * math.sin(40.0 * t) + 3.0 * math.sin(7.3 * t) - dip,
        "count": 100 + int(PER_SECOND * on),
        "spm": (800.0 + 9.0 * math.sin(11.0 * t)) if jet else 0.0,
        "valve": int(jet),
    }


@asynccontextmanager
async def telling(broker: Broker, tell: Callable[[float], Told], every: float = 0.05) -> Any:
    """A gateway that publishes what `tell` makes of the time."""

    async def publish() -> None:
        begun = time.monotonic()
        async with aiomqtt.Client(broker.host, broker.port) as client:
            while True:
                await client.publish("north", json.dumps(tell(time.monotonic() - begun)))
                await asyncio.sleep(every)

    publishing = asyncio.create_task(publish())
    try:
        yield
    finally:
        publishing.cancel()
        await asyncio.wait({publishing})


def looped() -> Callable[[float], Told]:
    """The same second of readings, over and over."""
    kept: list[Told] = [sound(0.05 * i) for i in range(30)]
    places = iter(range(10**9))
    return lambda t: kept[next(places) % 30]


LIES = [
    # what is read, what is told of it; the words
    (RATE, lambda t: {**sound(t), "spm": 810.0}, "Stroke rate: stands still at 810 strokes/min"),
    (COUNTER, lambda t: {**sound(t), "count": sound(t)["count"] % 7}, "Stroke counter: went back"),
]


@pytest.mark.parametrize(("flow", "tell", "words"), LIES)
async def test_what_was_never_sound_is_found(
    broker: Broker, tmp_path: Path, monkeypatch: pytest.MonkeyPatch,
    flow: str, tell: Callable[[float], Told], words: str,
) -> None:  # fmt: skip
    async with telling(broker, tell), watched(tmp_path, machine(broker, flow), monkeypatch) as live:
        await live.is_blind(words)


async def test_a_gateway_that_repeats_itself(
    broker: Broker, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    async with (
        telling(broker, looped()),
        watched(tmp_path, machine(broker, COUNTER), monkeypatch) as live,
    ):
        await live.is_blind("Pressure: repeats the readings of 2 s before, to the last digit")


async def test_readings_that_come_too_seldom(
    broker: Broker, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    text = machine(broker, COUNTER, silence=0.2).replace("[gate]", '[gate]\nmax_gap = "0.1 s"')
    async with telling(broker, sound, 0.5), watched(tmp_path, text, monkeypatch) as live:
        await live.until(
            lambda: "apart are not enough" in live.status.sight.reasons.get("pressure", "")
        )
        await live.is_blind()


async def test_a_rate_that_is_renewed_seldom(
    broker: Broker, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A gateway that asks the controller seldom, and publishes what it has at once and often."""
    text = machine(broker, RATE, silence=0.3).replace("[gate]", '[gate]\nmax_gap = "0.3 s"')
    renewed = 0.9  # s

    def tell(t: float) -> Told:
        return sound(t if renewed == 0.0 else t // renewed * renewed)

    async with telling(broker, tell), watched(tmp_path, text, monkeypatch) as live:
        await live.until(lambda: "pressure" in live.status.sight.doubts)
        await live.is_blind("Pressure: comes ", "apart are not enough")
        renewed = 0.0
        await live.is_seen()


async def test_a_tenth_of_the_pressure_from_the_start_and_later(
    broker: Broker, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    scale = 0.1

    def tell(t: float) -> Told:
        return {**sound(t), "bar": scale * sound(t)["bar"]}

    async with telling(broker, tell), watched(tmp_path, machine(broker, RATE), monkeypatch) as live:
        await live.is_blind("does not fit the strokes: wrong unit, scale")
        scale = 1.0
        await live.is_seen()
        seen = live.status.samples
        await live.until(lambda: live.status.samples > seen + 100)
        scale = 0.1
        await live.is_blind("does not fit the strokes: wrong unit, scale")


async def test_what_nothing_proves_is_said(
    broker: Broker, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A rate that stands may be a rounded one on a long cut: the machine is seen, with a doubt."""

    def tell(t: float) -> Told:
        return {"bar": sound(t)["bar"], "spm": 810.0, "valve": 1}

    async with telling(broker, tell), watched(tmp_path, machine(broker, RATE), monkeypatch) as live:
        await live.until(lambda: "rate" in live.status.sight.doubts)
        await live.is_seen()
        assert "Not proven. Stroke rate: has not changed for" in live.card["doubt"]


# -- what takes minutes, as samples


def strokes(seconds: int = 3000, pressure: float = 370e6) -> tuple[Any, Samples]:
    settings = load_machine(NORTH)
    areas = np.full(seconds, settings.gate_settings().nominal_area)
    pump = settings.build_pump()
    return settings, steady_samples(pump, areas, pressure=pressure, pulsation=0.02)


def seen(settings: Any, samples: Samples) -> dict[str, str]:
    return settings.build_sight().learn_many(samples, settings.gate_settings().nominal_area).faults


def test_pressure_in_kpsi_that_is_read_as_mpa_from_the_start() -> None:
    settings, samples = strokes(900)
    wrong = samples._replace(pressure=samples.pressure / 6.894757)
    assert "does not fit the strokes" in seen(settings, wrong)["pressure"]


def test_a_counter_of_seconds_or_one_that_never_counted() -> None:
    settings, samples = strokes()
    clock = samples._replace(stroke_count=np.arange(3000.0))
    assert "a clock in place of strokes?" in seen(settings, clock)["stroke_count"]
    stands = samples._replace(stroke_count=np.full(3000, 4711.0))
    assert "shows no strokes" in seen(settings, stands)["stroke_count"]


@pytest.mark.parametrize("factor", [0.5, 0.84, 1.19, 2.0, 2.38])
def test_a_wrong_plate_does_not_stop_the_watch(factor: float) -> None:
    """Plungers of 24 for 22 mm, two strokes a count for one, and both at once."""
    for pressure in (370e6, 110e6):
        settings, samples = strokes(1800, pressure)
        counts = np.floor(samples.stroke_count * factor)
        assert seen(settings, samples._replace(stroke_count=counts)) == {}


def test_a_counter_that_begins_anew_for_each_job_is_seen() -> None:
    settings, samples = strokes()
    assert seen(settings, samples._replace(stroke_count=samples.stroke_count % 60.0)) == {}


# -- restarts


def sound_and_then_tenfold(settings: Any) -> Samples:
    """Twenty minutes of a sound jet, and ten of a counter that gains ten at a time."""
    samples = steady_samples(
        settings.build_pump(),
        np.full(1800, settings.gate_settings().nominal_area),
        pressure=370e6,
        pulsation=0.02,
    )
    counts = samples.stroke_count.copy()
    counts[1200:] = counts[1199] + 20.0 * (counts[1200:] - counts[1199])
    return samples._replace(stroke_count=counts)


async def test_unusable_samples_are_not_judged_by_a_restart_either(tmp_path: Path) -> None:
    settings = load_machine(NORTH)
    samples, store, held = sound_and_then_tenfold(settings), tmp_path / "b.db", Held()
    await watch([settings], store, {settings.name: paced(samples, 7)}, held)
    live = held.statuses[settings.name]
    assert "jumps" in live.sight.reasons["stroke_count"]
    assert live.verdict.state is State.SOUND
    with open_store(store) as connection:
        phases = read_table(connection, "sample", settings.name)["phase"]
        found = phases == Phase.UNUSABLE
        assert found[1200:].mean() > 0.9
        assert not found[:1200].any()
        again = restore(settings, connection)
        assert repr(again.watcher.verdict()) == repr(live.verdict)
        # as a correction of the register would have it
        with transaction(connection):
            fresh = settings.build_watcher()
            for _ in judge_anew(connection, settings.name, 0, fresh.learn_many):
                pass
        assert repr(fresh.verdict()) == repr(live.verdict)
        assert (read_table(connection, "sample", settings.name)["phase"] == phases).all()
        assert len(read_table(connection, "alert", settings.name)) == 0


async def test_a_restart_forgets_neither_blindness_nor_when_it_began(tmp_path: Path) -> None:
    """The alarm still stood when the watcher was killed, though the newest readings were well."""
    settings = load_machine(NORTH)
    samples, store = sound_and_then_tenfold(settings), tmp_path / "b.db"
    counts = samples.stroke_count.copy()
    counts[1400:] = counts[1399] + (counts[1400:] - counts[1399]) / 20.0
    samples = samples._replace(stroke_count=counts)
    await watch([settings], store, {settings.name: paced(samples, 7)})
    newest_ns = int(samples.time_ns[-1])
    later = rows(samples, 1790)._replace(time_ns=samples.time_ns[1790:] + 20 * 10**9)
    area = settings.gate_settings().nominal_area
    with open_store(store) as connection:
        again = restore(settings, connection)
        assert again.usable_ns == newest_ns
        assert again.sight.learn_many(later, area).faults == {}
        alarm = Alarm(settings.name, about="sight", condition=BLIND, raised_ns=1300 * 10**9)
        with transaction(connection):
            write_alarm(connection, settings.name, "sight", alarm.to_json())
        again = restore(settings, connection)
        faults = again.sight.learn_many(later, area).faults
        assert "was unusable before the watcher was restarted" in faults["pressure"]
        status = status_of(settings, again)
        assert sight_words(status).startswith("No usable reading since 1970-01-01 01:30 CET")


def begun(settings: Any, **changes: Any) -> dict[str, MachineStatus]:
    watcher = settings.build_watcher()
    status = MachineStatus("North", "UTC", watcher.pump, watcher.verdict(), **changes)
    return {"North": status}


def test_health_waits_for_a_first_reading_unless_something_is_wrong() -> None:
    settings, age = load_machine(NORTH), sample_age()
    now_ns = time.time_ns()
    assert health_troubles(begun(settings), age, now_ns) == {}
    down = LinkState(now_ns, False, "no route")
    late = SightStatus(begun=time.monotonic() - 61.0)
    wrong = SightStatus(faults={"pressure": "no value"})
    for reason in ({"link": down}, {"sight": late}, {"sight": wrong}):
        assert set(health_troubles(begun(settings, **reason), age, now_ns)) == {"North"}
    # it was not seen before the restart
    before = begun(settings, alarm="normal; sight: unacknowledged")
    assert set(health_troubles(before, age, now_ns)) == {"North"}


def test_a_mail_about_the_watcher_itself_has_a_name_for_it() -> None:
    own = Health(undelivered={1: Undelivered("", "store", 0, "550 unknown")})
    assert own.troubles()["mail"].startswith("The watcher itself: A mail about the watcher itself")
    assert own.undelivered_words("").startswith("A mail about the watcher itself was not delivered")
    assert own.undelivered_words("North") == ""


def test_streamed_samples_are_unusable_where_those_of_a_block_are() -> None:
    settings = load_machine(NORTH)
    samples, area = sound_and_then_tenfold(settings), settings.gate_settings().nominal_area
    whole = settings.build_sight().learn_many(samples, area).unusable
    one, alone = settings.build_sight(), []
    for i in range(len(samples.time_ns)):
        row = Samples._make(channel[i : i + 1] for channel in samples)
        alone.append(one.learn_many(row, area).unusable[0])
    assert whole.any()
    assert (np.array(alone) == whole).all()


# -- reach


@pytest.mark.parametrize(
    ("flow", "tell", "part", "words"),
    [
        (COUNTER, lambda t: {**sound(t), "count": 100 + int(2.0 * t)}, "stroke count", "too few"),
        (RATE, lambda t: {**sound(t), "spm": 810.0}, "rate", "stood still to the last digit"),
    ],
)
async def test_reach_says_what_it_did_not_prove(
    broker: Broker, tmp_path: Path, monkeypatch: pytest.MonkeyPatch,
    flow: str, tell: Callable[[float], Told], part: str, words: str,
) -> None:  # fmt: skip
    monkeypatch.setattr(connection_check, "SPAN", 0.6)
    monkeypatch.setattr(connection_check, "LONGEST", 0.9)
    path = tmp_path / "machine.toml"
    # so slow to be taken for stuck that only the look of a second counts
    path.write_text(machine(broker, flow).replace('stuck_time = "0.5 s"', 'stuck_time = "60 s"'))
    async with telling(broker, tell):
        answers = {each.part: each for each in await reach_machine(load_machine(path))}
    assert answers[part].answer == "not proven"
    assert words in answers[part].words
