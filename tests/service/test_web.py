"""The live page over real HTTP, and as a real browser shows it."""

import asyncio
import datetime as dt
import http.client
import json
import re
import socket
import sqlite3
import subprocess
import threading
import time
from dataclasses import replace
from urllib.parse import urlencode

import numpy as np
import pytest
from prometheus_client.parser import text_string_to_metric_families
from selenium.webdriver.common.keys import Keys

from borewarden.alert.alarm import AlarmSettings
from borewarden.base.samples import rows, samples_of
from borewarden.base.shown import US
from borewarden.base.text import span_words
from borewarden.base.times import local_time
from borewarden.collect.link import LinkState
from borewarden.detect.second_opinion import Opinion
from borewarden.diagnose.causes import Belief, Cause
from borewarden.gate.gate import GateSettings
from borewarden.inspection.cautions import CAUTIONS
from borewarden.jewels.jewel import Jewel
from borewarden.physics.pump import DirectDrive, Intensifier, event_rate
from borewarden.service.health import health_troubles
from borewarden.service.listening import serve_page, serve_when_free
from borewarden.service.machine_view import (
    MOST_POINTS,
    card,
    history,
    newest_alert_rows,
    sample_age,
)
from borewarden.service.own_health import Health
from borewarden.service.status import MachineStatus, SightStatus
from borewarden.service.web import page_app
from borewarden.settings.service import PageSection
from borewarden.show.learned_words import HEAD_COLUMNS
from borewarden.store import outbox
from borewarden.store.database import open_store, open_to_read, transaction, write_learned
from borewarden.store.mails import Undelivered
from borewarden.store.queries import newest_batch
from borewarden.store.verdicts import verdict_of
from borewarden.watcher.verdict import HeadBelief, State
from borewarden.watcher.watcher import Watcher
from browsing import machine_card, see, severe, text
from wire import needs

JEWEL_BORE = 0.254e-3
AS_LEARNED = "The bore has probably not changed since it was learned"
SECONDS, STEP_AT = 5400, 3600
INTENSIFIER = Intensifier(0.022, 0.2, 1e-5, 20.0, 1.1, 400e6, 37e3)
CRANK = DirectDrive(3, 0.0127, 0.05, 1.5e-6, 1.9, 380e6, 22e3)
NORTH, ODD = "North", "Table 2 <b>odd</b>"


class Machine:
    """A machine, invented, whose bore opens by a tenth an hour after the start; told by halves."""

    def __init__(self, name, pump, growth=0.10):
        self.name = name
        rng = np.random.default_rng(7)
        start_ns = time.time_ns() - STEP_AT * 10**9
        jewel = Jewel(JEWEL_BORE, "sapphire", start_ns)
        second = np.arange(SECONDS)
        area = jewel.nominal_area * np.where(second < STEP_AT, 1.0, 1.0 + growth)
        counts = isinstance(pump, Intensifier)
        if counts:
            pressure = 380e6 + rng.normal(0.0, 0.5e6, SECONDS)
            rate = np.asarray(event_rate(pump.displacement, area, 380e6, 293.15))
        else:
            both = jewel.nominal_area * np.array([1.0, 1.0 + growth])
            sound, opened = pump.expected_pressure(both, 293.15, 1.9)
            pressure = np.where(second < STEP_AT, sound, opened)
            pressure = pressure + rng.normal(0.0, 0.5e6, SECONDS)
            rate = 1.9 + rng.normal(0.0, 0.002, SECONDS)
        flow = {"stroke_count": np.floor(np.cumsum(rate))} if counts else {"rate": rate}
        self.samples = samples_of(
            start_ns + second * 10**9,
            pressure=pressure,
            temperature=np.full(SECONDS, 293.15),
            **flow,
        )
        gate = GateSettings(0.0, pump.max_rate, 620e6, 250e6, 20e6, counts, counts)
        self.watcher = Watcher(pump, gate, [jewel])
        self.status = MachineStatus(
            name=name,
            time_zone="Europe/Vienna",
            pump=pump,
            verdict=self.watcher.verdict(),
            link=LinkState(time.time_ns(), True, "connected"),
            blind_after=86400.0,
        )

    def learn(self, store, start, stop):
        """What the service does: learn, keep, bring the status up to date."""
        samples = rows(self.samples, start, stop)
        learned = self.watcher.learn_many(samples)
        with open_store(store) as connection, transaction(connection):
            write_learned(connection, self.name, samples, learned)
        self.status.verdict = self.watcher.verdict()
        self.status.samples += stop - start
        self.status.last_sample_ns = time.time_ns()
        self.status.sight = SightStatus(usable=time.monotonic())
        self.status.phase = "steady"
        self.status.latency_s += [0.010, 0.020, 0.030]


class Shop:
    """The page of some machines, served by a loop of its own on a free port of loopback."""

    def __init__(self, folder):
        self.store = folder / "borewarden.db"
        self.machines = [Machine(NORTH, INTENSIFIER), Machine(ODD, CRANK)]
        self.statuses = {machine.name: machine.status for machine in self.machines}
        self.acknowledged = []
        self.shelved = []
        self.is_stuck = False  # the disk
        for machine in self.machines:
            machine.learn(self.store, 0, STEP_AT)
        with socket.create_server(("127.0.0.1", 0)) as free:
            self.port = free.getsockname()[1]
        self.loop = asyncio.new_event_loop()
        self.health = Health()
        self.app = page_app(
            self.store, self.statuses, self.acknowledge, self.shelve, health=self.health
        )
        self.thread = threading.Thread(target=self.loop.run_forever, daemon=True)
        self.thread.start()
        self.serving = None
        self.open()

    async def acknowledge(self, machine, who):
        if self.is_stuck:
            raise TimeoutError
        if "unacknowledged" not in self.statuses[machine].alarm:
            return False
        self.acknowledged.append((machine, who.name))
        self.statuses[machine].alarm = "acknowledged"
        return True

    async def shelve(self, machine, who, until_ns):
        status = self.statuses[machine]
        if until_ns is not None:
            AlarmSettings().check_shelving(time.time_ns(), until_ns)
        elif status.shelved_until_ns is None:
            return False
        self.shelved.append((machine, who.name, until_ns))
        status.alarm = "normal" if until_ns is None else "shelved"
        status.shelved_until_ns, status.shelved_by = until_ns, who.name
        return True

    def in_loop(self, work):
        return asyncio.run_coroutine_threadsafe(work, self.loop).result(30.0)

    def open(self):
        async def begin():
            return asyncio.create_task(serve_page(self.app, PageSection(port=self.port)))

        self.serving = self.in_loop(begin())
        wait_for(self.answers)

    def answers(self):
        with socket.socket() as there:
            return there.connect_ex(("127.0.0.1", self.port)) == 0

    def close(self):
        """End serving; returns once all of it has ended. A closed port alone does not say so."""

        async def end():
            self.serving.cancel()
            await asyncio.wait({self.serving})
            return asyncio.all_tasks() - {asyncio.current_task()}

        left = self.in_loop(end())
        assert not self.answers()
        assert left == set()

    def end(self):
        self.close()
        self.in_loop(self.loop.shutdown_default_executor())
        self.loop.call_soon_threadsafe(self.loop.stop)
        self.thread.join(30.0)
        self.loop.close()

    def ask(self, method, path, body=None, **headers):
        """Status, headers and body of one answer."""
        connection = http.client.HTTPConnection("127.0.0.1", self.port, timeout=30)
        connection.request(
            method, path, body, {name.replace("_", "-"): text for name, text in headers.items()}
        )
        answer = connection.getresponse()
        told = answer.status, answer.headers, answer.read()
        connection.close()
        return told

    def post(self, machine, by="Ada", path="/acknowledge", until=None, **headers):
        return self.post_and_read(machine, by, path, until, **headers)[0]

    def post_and_read(self, machine, by="Ada", path="/acknowledge", until=None, **headers):
        """Code and words of the answer to a form."""
        fields = {"machine": machine, "by": by, "until": until}
        form = urlencode({name: text for name, text in fields.items() if text is not None})
        headers = {
            "Origin": f"http://127.0.0.1:{self.port}",
            "Content_Type": "application/x-www-form-urlencoded",
            **headers,
        }
        code, _, body = self.ask("POST", path, form, **headers)
        return code, body.decode()


def wait_for(condition, seconds=30.0):
    until = time.monotonic() + seconds
    while not condition():
        assert time.monotonic() < until, "waited in vain"
        time.sleep(0.05)


@pytest.fixture
def shop(tmp_path):
    shop = Shop(tmp_path)
    yield shop
    shop.end()


def everything(store):
    """All of the store, to compare."""
    with open_to_read(store) as connection:
        return list(connection.iterdump())


# -- over HTTP


def test_status_holds_everything_and_finite_numbers_only(shop):
    code, headers, body = shop.ask("GET", "/status")
    assert code == 200
    assert headers["content-type"] == "application/json"
    assert b"NaN" not in body
    assert b"Infinity" not in body
    machines = json.loads(body)["machines"]
    assert set(machines) == {NORTH, ODD}
    north = machines[NORTH]
    assert north["verdict"]["state"] == "sound"
    assert north["verdict"]["ne107"] == "good"
    assert north["verdict"]["bore"] == pytest.approx(JEWEL_BORE, rel=0.01)
    assert north["link"]["connected"] is True
    assert north["samples"] == STEP_AT
    assert north["latency_s"]["p50"] == pytest.approx(0.020)
    assert north["pump"]["max_stroke_rate"] == pytest.approx(1.1)
    assert machines[ODD]["verdict"]["overstroke_margin"] is None


def test_machines_that_are_seen_are_healthy_whatever_their_bores(shop):
    code, _, body = shop.ask("GET", "/healthz")
    assert (code, json.loads(body)) == (
        200, {"healthy": True, "troubles": {}, "service": {}},
    )  # fmt: skip


def test_what_ails_the_watcher():
    now = time.time_ns()
    status = replace(Machine(NORTH, INTENSIFIER).status, blind_after=60.0)
    up, down = (LinkState(now, is_up, "no answer") for is_up in (True, False))

    def trouble(sight, link=up):
        told = replace(status, sight=sight, link=link)
        return health_troubles({NORTH: told}, sample_age(), now).get(NORTH)

    here = time.monotonic()
    since = local_time(now, "Europe/Vienna")
    lately, before = (SightStatus(usable=here - age, usable_ns=now) for age in (30.0, 90.0))
    assert trouble(lately) is None
    assert trouble(lately, down) is None  # for as long as it may be a glitch
    assert trouble(before) == f"No usable reading since {since}. Nothing comes in."
    assert trouble(before, down) == f"No usable reading since {since}. Link down: no answer."
    assert trouble(SightStatus(usable_ns=now), None) is None  # a first one may yet come
    assert trouble(SightStatus(begun=here - 61.0, usable_ns=now), None) == (
        f"No usable reading yet; watching since {since}. Nothing comes in."
    )
    faults = {"stroke_count": "jumps", "pressure": "no value", "rate": "no value"}
    told = replace(before, faults=faults, told={"pressure": "BadSensorFailure"})
    assert trouble(told) == (
        f"No usable reading since {since}. Pressure: BadSensorFailure. Stroke rate: no value. "
        "Stroke counter: jumps."
    )
    age, seen = sample_age(), {NORTH: replace(status, sight=lately, link=up)}
    assert health_troubles(seen, age, now) == {}
    later = health_troubles(seen, age, now + 120 * 10**9)  # and no sample more was kept
    assert later == {NORTH: "Readings come in, but none is stored."}
    assert set(health_troubles({}, sample_age(), now)) == {""}


def test_age_goes_by_arrival_whatever_the_controllers_clock_says():
    now, second = time.time_ns(), 10**9
    status = Machine(NORTH, INTENSIFIER).status
    for wrong in (-36_000, 36_000):  # s
        age = sample_age()
        status.last_sample_ns = now + wrong * second
        assert age(status, now) == max(-wrong, 0.0)
        status.samples += 1
        assert age(status, now + second) == 0.0
        assert age(status, now + 91 * second) == pytest.approx(90.0)


def test_ill_watcher_answers_503(shop):
    shop.statuses["West"] = replace(
        shop.statuses[NORTH], name="West", sight=SightStatus(faults={"pressure": "no value"})
    )
    code, _, body = shop.ask("GET", "/healthz")
    assert code == 503
    assert json.loads(body)["healthy"] is False
    assert set(json.loads(body)["troubles"]) == {"West"}


def test_what_ails_store_and_mail_and_servers_is_told_to_programs(shop):
    health = shop.health
    health.undelivered[7] = Undelivered(NORTH, "alarm", 1, "lead@shop.example: 550 no")
    health.keeping.failed, health.keeping.since_ns = "database or disk is full", time.time_ns()
    health.keeping.samples, health.keeping.lost = 12, 3
    health.report("influx")("HTTP 500")
    health.refused("influx")(5)
    code, _, body = shop.ask("GET", "/healthz")
    told = json.loads(body)
    assert (code, told["healthy"], told["troubles"]) == (503, False, {})
    assert set(told["service"]) == {"store", "mail"}
    assert "free some space" in told["service"]["store"]
    assert "550 no" in told["service"]["mail"]
    service = json.loads(shop.ask("GET", "/status")[2])["service"]
    assert service["outages"]["influx"]["reason"] == "HTTP 500"
    assert service["undelivered_mails"][0]["reason"] == "lead@shop.example: 550 no"
    text = shop.ask("GET", "/metrics")[2].decode()
    for line in (
        'borewarden_service_healthy{part="store"} 0.0',
        'borewarden_service_healthy{part="mail"} 0.0',
        "borewarden_samples_not_stored 12.0",
        "borewarden_samples_lost_total 3.0",
        f'borewarden_mails_undelivered{{machine="{NORTH}"}} 1.0',
        'borewarden_outbox_failing{sink="influx"} 1.0',
        'borewarden_outbox_failing{sink="mail"} 0.0',
        'borewarden_outbox_failure_info{reason="HTTP 500",sink="influx"} 1.0',
        'borewarden_outbox_refused_rows_total{sink="influx"} 5.0',
    ):
        assert line in text.splitlines()
    # a time-series server that is down is no illness: nobody waits for it to be told
    health.undelivered.clear()
    health.keeping.failed = ""
    assert shop.ask("GET", "/healthz")[0] == 200


def test_metrics_can_be_parsed_and_hold_the_numbers(shop):
    shop.statuses[ODD].alarm = "returned to normal, unacknowledged"
    code, headers, body = shop.ask("GET", "/metrics")
    assert code == 200
    assert headers["content-type"].startswith("text/plain; version=0.0.4")
    families = {family.name: family for family in text_string_to_metric_families(body.decode())}

    def value(name, machine, **labels):
        labels = {"machine": machine, **labels}
        (found,) = [s for s in families[name].samples if s.labels == labels]
        return found.value

    with open_to_read(shop.store) as connection:
        newest = newest_batch(connection, NORTH)
    verdict = shop.statuses[NORTH].verdict
    assert value("borewarden_effective_bore_meters", NORTH) == newest["bore"]
    assert newest["bore"] == pytest.approx(verdict.bore, rel=0.06)  # one count more or less
    assert value("borewarden_stated_bore_meters", NORTH) == pytest.approx(JEWEL_BORE)
    assert value("borewarden_effective_area_ratio", NORTH) == pytest.approx(1.0, abs=0.12)
    assert value("borewarden_step_statistic", NORTH) == newest["statistic"]
    assert value("borewarden_step_threshold", NORTH) == newest["threshold"]
    assert value("borewarden_overstroke_margin_ratio", NORTH) == pytest.approx(
        verdict.overstroke_margin, abs=0.04
    )
    assert value("borewarden_jet_seconds", NORTH) == pytest.approx(3600.0, abs=72.0)
    assert value("borewarden_verdict_code", NORTH) == 1.0
    assert value("borewarden_link_connected", NORTH) == 1.0
    assert value("borewarden_sight", NORTH) == 1.0
    assert value("borewarden_samples", NORTH) == STEP_AT
    assert value("borewarden_alerts_told", NORTH) == 0.0
    rate = verdict.false_rate
    assert value("borewarden_false_alerts_at_most_hertz", NORTH) == rate.high / 3600.0
    assert rate.is_bound  # in an hour of jet
    assert families["borewarden_false_alerts_believed_hertz"].samples == []
    assert value("borewarden_alarm_unacknowledged", NORTH) == 0.0
    assert value("borewarden_alarm_unacknowledged", ODD) == 1.0
    assert value("borewarden_verdict", NORTH, state="sound") == 1.0
    assert value("borewarden_verdict", NORTH, state="probably opened up") == 0.0
    kept = "borewarden_sample_to_kept_seconds"
    assert value(kept, NORTH, quantile="0.5") == pytest.approx(0.020)
    # a crank pump has no overstroke: no number at all, rather than a wrong one
    margins = families["borewarden_overstroke_margin_ratio"].samples
    assert {sample.labels["machine"] for sample in margins} == {NORTH}


def test_promtool_finds_nothing_to_say_of_the_metrics(shop):
    """Names, units, help texts and suffixes, by Prometheus' own checker."""
    north = shop.statuses[NORTH]
    north.newest_sample = {"pressure": 370e6, "stroke_count": 9.0, "phase": 5.0}
    north.latency_s, north.latency_sum_s, north.latency_count = [0.02], 0.02, 1
    text = shop.ask("GET", "/metrics")[2]
    for name in (b"build_info", b"sample_strokes_total", b"sample_to_kept_seconds_count"):
        assert b"borewarden_" + name in text
    assert b"\nprocess_resident_memory_bytes " in text
    checked = subprocess.run(
        [needs("promtool", "prometheus"), "check", "metrics"],
        input=text,
        capture_output=True,
        check=False,
    )
    assert (checked.returncode, checked.stdout, checked.stderr) == (0, b"", b"")


def test_history_gives_batches_in_si_and_checks_what_is_asked(shop):
    code, _, body = shop.ask("GET", "/history?" + urlencode({"machine": ODD, "hours": 0.5}))
    assert code == 200
    told = json.loads(body)
    batches = told["batches"]
    assert told["machine"] == ODD
    assert 120 < len(batches["end_ns"]) < 240
    assert batches["end_ns"] == sorted(batches["end_ns"])
    assert {len(column) for column in batches.values()} == {len(batches["end_ns"])}
    assert np.median(batches["bore"]) == pytest.approx(JEWEL_BORE, rel=0.01)
    assert batches["pressure_expected"] == pytest.approx(batches["pressure"], rel=0.02)
    ahead = (batches["local_ms"][0] - batches["end_ns"][0] / 1e6) / 3.6e6
    assert ahead == pytest.approx(1.0, abs=1e-3) or ahead == pytest.approx(2.0, abs=1e-3)  # Vienna
    assert shop.ask("GET", "/history?machine=nobody&hours=1")[0] == 404
    for hours in ("-1", "0", "nan", "inf", "many"):
        assert shop.ask("GET", f"/history?machine={NORTH}&hours={hours}")[0] == 400


def test_long_history_is_thinned_and_keeps_the_newest(shop):
    north = shop.statuses[NORTH]
    with open_store(shop.store) as connection:
        newest = newest_batch(connection, NORTH)
        with transaction(connection):
            for number in range(2 * MOST_POINTS):
                row = {**newest, "end_ns": newest["end_ns"] - (number + 1) * 10**9}
                marks = ", ".join("?" * len(row))
                connection.execute(f"INSERT OR IGNORE INTO batch VALUES ({marks})", [*row.values()])
        told = history(connection, north, 8.0)
    assert told["every"] == 3
    assert MOST_POINTS / 2 < len(told["batches"]["end_ns"]) <= MOST_POINTS
    assert told["batches"]["end_ns"][-1] == newest["end_ns"]


def test_acknowledgement_calls_back_once(shop):
    shop.statuses[NORTH].alarm = "unacknowledged"
    assert shop.post(NORTH, " Ada ") == 200
    assert shop.acknowledged == [(NORTH, "Ada")]
    assert shop.post(NORTH) == 409
    assert shop.post("nobody") == 404
    assert shop.post(NORTH, "") == 422
    assert shop.post(NORTH, "x" * 81) == 422
    assert shop.post(NORTH, "x" * 5000) == 413
    assert shop.post(NORTH, Content_Type="text/plain") == 415
    assert shop.acknowledged == [(NORTH, "Ada")]


def test_what_the_disk_does_not_take_in_time_is_not_called_done(shop):
    shop.statuses[NORTH].alarm, shop.is_stuck = "unacknowledged", True
    code, words = shop.post_and_read(NORTH)
    assert (code, words) == (503, "the disk has not taken it yet; this page shows it once it has")


def in_hours(hours):
    return (dt.datetime.now(dt.UTC) + dt.timedelta(hours=hours)).isoformat()


def test_shelving_calls_back_and_wants_an_end_that_can_be(shop):
    def shelve(machine=NORTH, by="Ada", until=None, **headers):
        return shop.post_and_read(machine, by, "/shelve", until or in_hours(8), **headers)

    assert shop.post_and_read(NORTH, path="/unshelve") == (409, "this machine is not shelved")
    assert shelve(until="2099-01-01T00:00Z") == (422, "an alarm can be shelved for at most 168 h")
    assert shelve(until=in_hours(-1)) == (422, "shelving must end in the future")
    for until in ("tomorrow", "2026-03-05T14:00", "", "9" * 40):
        code, words = shop.post_and_read(NORTH, path="/shelve", until=until)
        assert code == 422
        assert words == (
            f'{until!r} is not a time with a zone; give one such as "2026-03-05T14:00+01:00"'
        )
    assert shelve("nobody") == (404, f"no machine 'nobody'; known: {NORTH}, {ODD}")
    assert shelve(by=" ") == (422, "enter your name, at most 80 characters")
    assert shelve(by="x" * 5000)[0] == 413
    assert shelve(Content_Type="text/plain")[0] == 415
    assert shop.ask("GET", f"/shelve?machine={NORTH}&by=Ada")[0] == 405
    assert shop.shelved == []

    end = dt.datetime.now(dt.timezone(dt.timedelta(hours=-5))) + dt.timedelta(hours=8)
    assert shelve(by=" Ada ", until=f" {end.isoformat()} ")[0] == 200
    until_ns = int(end.timestamp()) * 10**9
    assert shop.shelved == [(NORTH, "Ada", until_ns)]
    north = json.loads(shop.ask("GET", "/status")[2])["machines"][NORTH]
    assert (north["alarm"], north["shelved_until_ns"], north["shelved_by"]) == (
        "shelved", until_ns, "Ada",
    )  # fmt: skip
    assert f'alarm_shelved_until_timestamp_seconds{{machine="{NORTH}"}} ' in (
        shop.ask("GET", "/metrics")[2].decode()
    )
    assert shop.post(NORTH, "Grace", "/unshelve") == 200
    assert shop.shelved[1:] == [(NORTH, "Grace", None)]


@pytest.mark.parametrize("path", ["/acknowledge", "/shelve", "/unshelve"])
def test_other_origins_and_hosts_are_refused(shop, path):
    shop.statuses[NORTH].alarm = "unacknowledged"

    def post(**headers):
        return shop.post(NORTH, "Ada", path, in_hours(1), **headers)

    for origin in ("http://example.org", "null", "", "http://127.0.0.1", "http://localhost:1"):
        assert post(Origin=origin) == 403
    # an attacker's name that resolves to this computer is its own origin, but not our host
    rebound = f"rebound.example:{shop.port}"
    assert post(Host=rebound, Origin=f"http://{rebound}") == 400
    assert shop.ask("GET", "/status", Host=rebound)[0] == 400
    assert shop.ask("GET", "/status", Host=f"[::1]:{shop.port}")[0] == 200
    assert shop.acknowledged == shop.shelved == []


def test_what_was_set_aside_unsent_is_counted_and_its_reason_told(shop):
    with open_store(shop.store) as connection, transaction(connection):
        for i in range(5):
            outbox.put(connection, "mail", "alarm", i, "a mail")
        ids = [payload.id for payload in outbox.take(connection, "mail", 5)]
        outbox.refuse(connection, "mail", ids[:2], "554 looks like spam")
        outbox.refuse(connection, "mail", ids[2:3], f"{outbox.EXPIRED}not sent within 7 d")
        outbox.put(connection, "influx", "sample", 1, "a line")
    told = json.loads(shop.ask("GET", "/status")[2])["outbox"]
    last = "expired: not sent within 7 d"
    assert told == {
        "influx": {"waiting": 1, "refused": 0, "expired": 0, "last_reason": ""},
        "mail": {"waiting": 2, "refused": 2, "expired": 1, "last_reason": last},
    }
    text = shop.ask("GET", "/metrics")[2].decode()
    families = {family.name: family for family in text_string_to_metric_families(text)}
    for name in ("waiting", "refused", "expired"):
        values = {s.labels["sink"]: s.value for s in families[f"borewarden_outbox_{name}"].samples}
        assert values == {sink: each[name] for sink, each in told.items()}
    (why,) = families["borewarden_outbox_last_aside_info"].samples
    assert why.labels == {"sink": "mail", "reason": last}


def test_reading_writes_nothing(shop):
    shop.statuses[NORTH].alarm = "unacknowledged"
    before = everything(shop.store)
    paths = ("/", "/status", "/healthz", "/metrics", f"/history?machine={NORTH}&hours=8")
    for path in paths:
        assert shop.ask("GET", path)[0] == 200
        assert shop.ask("POST", path)[0] == 405
    assert shop.ask("GET", f"/acknowledge?machine={NORTH}&by=Ada")[0] == 405
    assert shop.acknowledged == []
    assert everything(shop.store) == before
    with open_to_read(shop.store) as connection, pytest.raises(sqlite3.OperationalError):
        connection.execute("DELETE FROM batch")


def test_every_answer_keeps_the_browser_at_home(shop):
    for path in ("/", "/status", "/nowhere", "/static/page.js", "/plotly.min.js"):
        headers = shop.ask("GET", path)[1]
        policy = headers["content-security-policy"]
        assert "default-src 'none'" in policy
        assert "unsafe" not in policy
        assert "http" not in policy
        assert headers["x-content-type-options"] == "nosniff"


def test_no_store_yet_is_said_and_harms_nothing(shop, tmp_path):
    for file in tmp_path.glob("borewarden.db*"):
        file.unlink()
    assert shop.ask("GET", f"/history?machine={NORTH}&hours=8")[0] == 503
    assert shop.ask("GET", "/metrics")[0] == 200
    assert json.loads(shop.ask("GET", "/status")[2])["outbox"] == {}
    assert not shop.store.exists()
    connection = http.client.HTTPConnection("127.0.0.1", shop.port, timeout=30)
    connection.request("GET", "/events")
    stream = connection.getresponse()
    line = b""
    while not line.startswith(b"data: "):
        line = stream.readline()
    told = json.loads(line[6:])
    assert "store can't be read" in told["problem"]
    assert [card["name"] for card in told["cards"]] == [NORTH, ODD]
    # cancelling ends open streams too, and soon
    shop.close()
    assert stream.read().count(b"event: cards") < 10
    connection.close()


async def test_a_taken_port_is_an_error_of_this_task_only(shop):
    app = page_app(shop.store, {}, shop.acknowledge, shop.shelve)
    with pytest.raises(OSError, match="in use"):
        await serve_page(app, PageSection(port=shop.port))


async def test_page_appears_once_its_port_is_free(shop):
    with socket.socket() as other:
        other.bind(("127.0.0.1", 0))
        other.listen()
        port = other.getsockname()[1]
        serving = asyncio.create_task(serve_when_free(shop.app, PageSection(port=port), wait=0.02))
        await asyncio.sleep(0.1)
        assert not serving.done()
    async with asyncio.timeout(30.0):
        while True:
            try:
                _, writer = await asyncio.open_connection("127.0.0.1", port)
                break
            except ConnectionRefusedError:
                await asyncio.sleep(0.02)
    writer.close()
    serving.cancel()
    with pytest.raises(asyncio.CancelledError):
        await serving


@pytest.mark.parametrize(
    ("pump", "load", "margin"),
    [
        (INTENSIFIER, ("Stroke rate", "strokes/min"), ("Overstroke margin", "strokes/min")),
        (CRANK, ("Pressure", "MPa"), ("Crank speed", "turns/min")),
        (replace(CRANK, regulation="speed"), ("Crank speed", "turns/min"), ("Pressure", "MPa")),
    ],
)
def test_each_pump_shows_what_a_larger_bore_changes(pump, load, margin):
    status = Machine(NORTH, pump).status
    words = card(status, 0.0)
    assert (words["load_title"], words["load_unit"]) == load
    assert (words["margin_title"], words["margin_unit"]) == margin
    assert words["bore"] == words["load"] == words["margin"] == "–"  # nothing seen yet
    assert words["bore_note"] == "stated 0.254 mm (0.0100 in)"
    assert words["blind"].startswith("Not seeing the machine. No usable reading yet;")
    assert (words["headline"], words["category"]) == ("No verdict", "Not seen")  # not: learning
    assert card(replace(status, link=None), 0.0)["link"] == "Link: not known yet"


def test_card_says_where_the_second_opinion_differs_or_has_differed():
    status = Machine(NORTH, INTENSIFIER).status

    def said(opinion: Opinion | None, state: State = State.SOUND) -> str:
        verdict = replace(status.verdict, state=state, second_opinion=opinion)
        return card(replace(status, verdict=verdict), 0.0)["second_opinion"]

    assert said(None) == said(Opinion()) == said(Opinion(5, both=1), State.OPENED) == ""
    assert "(Page-Hinkley) sees no change in the area." in said(Opinion(), State.OPENED)
    differs = said(Opinion(5, only_detector=1))
    assert "sees a change in the area since 1970-01-01" in differs
    assert differs.endswith("1 only by the second opinion.")
    assert "agrees. Changes on this jewel so far: 2 only by" in said(Opinion(only_watcher=2))


def test_age_in_words():
    assert [span_words(s) for s in (-3.0, 4.4, 119.0, 120.0, 7200.0, 180000.0)] == [
        "0 s", "4 s", "119 s", "2 min", "2 h", "2 d",
    ]  # fmt: skip


# -- in a browser


def open_page(browser, shop, width=1280):
    browser.execute_cdp_cmd(
        "Emulation.setDeviceMetricsOverride",
        {"width": width, "height": 900, "deviceScaleFactor": 1, "mobile": False},
    )
    browser.get_log("browser")
    browser.get(f"http://127.0.0.1:{shop.port}/")
    browser.execute_script("window.sameVisit = true")
    see(browser, lambda: browser.execute_script(
        "return document.querySelectorAll('.plot .main-svg .scatterlayer .js-line').length"
    ) >= 2 * 4)  # fmt: skip


def last_bore(browser):
    """The right end of the mean line in the first bore plot, mm."""
    return browser.execute_script(
        "return document.querySelector('[data-plot=bore]').data[1].y.at(-1)"
    )


@pytest.mark.parametrize("width", [400, 1280])
def test_page_shows_all_machines_without_errors_or_overflow(browser, shop, width):
    open_page(browser, shop, width)
    assert [text(machine_card(browser, n), "h2") for n in (0, 1)] == [NORTH, ODD]
    north, odd = machine_card(browser, 0), machine_card(browser, 1)
    assert text(north, ".headline") == AS_LEARNED
    assert text(north, ".category") == "Device status: good (NE 107)"
    assert text(north, ".link") == "Link: connected"
    assert "0.254 mm" in text(north, ".figures")
    assert "strokes/min" in text(north, ".figures")
    assert "Overstroke margin" in text(north, ".figures")
    assert "MPa" in text(odd, ".figures")
    assert text(north, ".no-alerts") == "None so far."
    assert not north.find_element("css selector", "form").is_displayed()
    assert browser.find_element("id", "summary").text == "2 machines: 2 good"
    page = browser.find_element("tag name", "body").text
    for caution in CAUTIONS:
        assert caution in page
    assert page.index(CAUTIONS[0]) < page.index("what to check first")
    below = browser.execute_script(
        "return document.querySelector('.strip').getBoundingClientRect().bottom - innerHeight"
    )
    assert below <= 1.0  # the short caution never leaves the window
    assert browser.execute_script("return document.documentElement.scrollWidth") <= width
    assert browser.execute_script("return document.documentElement.lang") == "en"
    foreign = browser.execute_script(
        "return performance.getEntriesByType('resource').map(entry => entry.name)"
        ".filter(name => new URL(name).protocol !== 'data:' && new URL(name).origin !== origin)"
    )
    assert foreign == []
    assert severe(browser) == []


def test_a_chip_shows_up_without_a_reload_and_is_acknowledged(browser, shop):
    open_page(browser, shop)
    north = machine_card(browser)
    assert last_bore(browser) == pytest.approx(0.254, rel=0.01)
    assert north.find_element("css selector", ".verdict").get_attribute("aria-live") == "polite"
    shop.machines[0].learn(shop.store, STEP_AT, SECONDS)
    assert shop.statuses[NORTH].verdict.state is State.OPENED
    shop.statuses[NORTH].alarm = "unacknowledged"

    see(browser, lambda: text(north, ".headline").startswith("Probably the bore, or a leak"))
    assert text(north, ".category") == "Device status: failure (NE 107)"
    assert north.get_attribute("data-sign") == "failure"
    assert "Since about" in text(north, ".since")
    see(browser, lambda: last_bore(browser) > 0.254 * 1.04)
    see(browser, lambda: browser.execute_script(
        "return document.querySelector('[data-plot=bore] .annotation-text')?.textContent"
    ) == "onset found")  # fmt: skip
    alerts = r"Probably opened up, or a leak[a-z ]* \(failure\)"
    see(browser, lambda: re.search(alerts, text(north, ".alerts tbody")))
    assert "2 machines: 1 failure, 1 good" in browser.find_element("id", "summary").text
    assert browser.title.startswith("1 failure")

    form = north.find_element("css selector", "form")
    see(browser, form.is_displayed)
    assert text(north, ".alarm-state") == "Alarm: unacknowledged"
    form.find_element("css selector", "input").send_keys("Ada Löv", Keys.TAB)
    assert browser.switch_to.active_element.text == "Acknowledge"
    browser.switch_to.active_element.send_keys(Keys.ENTER)
    see(browser, lambda: text(north, ".alarm-state") == "Alarm: acknowledged")
    assert shop.acknowledged == [(NORTH, "Ada Löv")]
    assert not form.is_displayed()
    found = north.find_element("css selector", ".inspection")
    assert not found.is_displayed()
    words = "Inspected by Ada Löv, 2026-03-05 14:00 CET: confirmed: <b>bore</b> opened up"
    shop.statuses[NORTH].inspection = words
    see(browser, lambda: found.is_displayed() and found.text == words)
    assert browser.execute_script("return window.sameVisit")
    assert severe(browser) == []


@pytest.mark.parametrize("width", [360, 1280])
def test_probable_causes_show_with_their_share_and_go_again(browser, shop, width):
    open_page(browser, shop, width)
    north = machine_card(browser)
    place = north.find_element("css selector", ".causes")
    assert not place.is_displayed()
    sound = shop.statuses[NORTH].verdict
    causes = (
        Belief(Cause.LEAK, 0.75),
        Belief(Cause.BORE, 0.2),
        Belief(Cause.FEED, 0.04),
    )
    shop.statuses[NORTH].verdict = replace(
        sound, state=State.OTHER_FAULT, causes=causes, check="look at the weep lines"
    )
    see(browser, place.is_displayed)
    assert text(north, ".headline") == (
        "Probably another fault: plunger seal or check valve leaking"
    )
    rows = place.find_elements("css selector", "li")
    assert [row.text.split("\n") for row in rows] == [
        ["plunger seal or check valve leaking", "75 %"],
        ["bore opened up", "20 %"],
    ]
    bars = browser.execute_script(
        "return [...document.querySelectorAll('.causes i')].map(bar => "
        "parseFloat(getComputedStyle(bar).backgroundSize) / 100)"
    )
    assert bars == pytest.approx([0.75, 0.2])
    assert "can't rule out other causes" in place.find_element("css selector", "p").text
    assert browser.execute_script("return document.documentElement.scrollWidth") <= width
    assert browser.find_element("css selector", "#checks li").text.startswith(
        "Look at the weep lines."
    )
    shop.statuses[NORTH].verdict = sound
    see(browser, lambda: not place.is_displayed())
    assert severe(browser) == []


def test_causes_of_a_kept_alert_come_back_as_they_were(shop):
    shop.machines[0].learn(shop.store, STEP_AT, SECONDS)
    with open_to_read(shop.store) as connection:
        (kept,) = connection.execute(
            "SELECT verdict FROM alert WHERE machine = ?", (NORTH,)
        ).fetchone()
        (row,) = newest_alert_rows(connection, shop.statuses[NORTH])
    told = json.loads(kept)
    verdict = verdict_of(told)
    assert verdict.causes[0].cause is Cause.BORE
    assert [belief.cause.value for belief in verdict.causes] == [c["cause"] for c in told["causes"]]
    assert verdict.check == told["check"]
    assert "bore opened up" in row[-1]
    del told["causes"], told["check"]  # as kept by an older version
    assert verdict_of(told).causes == ()


@pytest.mark.parametrize("width", [360, 1280])
def test_levels_of_several_heads_show_and_go_again(browser, shop, width):
    open_page(browser, shop, width)
    status, north = shop.statuses[NORTH], machine_card(browser)
    place = north.find_element("css selector", ".heads")
    assert not place.is_displayed()
    sound = status.verdict
    (one,) = shop.machines[0].watcher.known()
    status.known = tuple(
        replace(one, heads=heads, area_ratio=ratio, rate_now=ratio * one.rate)
        for heads, ratio in (("head 1", 1.0), ("head 1 and 2", 1.05), ("head 2", 1.1))
    )
    causes = (Belief(Cause.BORE, 0.95), Belief(Cause.LEAK, 0.05))
    status.verdict = replace(
        sound, state=State.OPENED, open_heads="head 1 and 2", jewels=2, causes=causes,
        heads=(HeadBelief("2", 0.8), HeadBelief("1", 0.2)),
    )  # fmt: skip
    see(browser, place.is_displayed)
    rows = [row.text for row in place.find_elements("css selector", "tbody tr")]
    assert [row.partition(" %")[0].replace("\n", " ") for row in rows] == [
        "head 1 +0.0", "heads 1 and 2 +5.0", "head 2 +10.0",
    ]  # fmt: skip
    for row in rows:
        assert re.search(r"[0-9.]+ strokes/min at [0-9.]+ MPa", row)
        assert re.search(r"[0-9.]+ at that pressure, seen until ", row)
    names = [cell.get_attribute("data-name") for cell in place.find_elements("css selector", "td")]
    assert names[:5] == [*HEAD_COLUMNS]
    assert text(north, ".which-head") == "Which head, if it is a jewel: head 2 80 %, head 1 20 %."
    assert text(north, "[data-text=level_title]") == "as learned"
    assert text(north, "[data-text=bore_note]").endswith("heads 1 and 2 as one hole")
    assert browser.execute_script("return document.documentElement.scrollWidth") <= width
    status.verdict, status.known = sound, ()
    see(browser, lambda: not place.is_displayed())
    assert severe(browser) == []


def test_keyboard_shelves_until_a_stated_time_and_takes_off_again(browser, shop):
    open_page(browser, shop)
    north = machine_card(browser)
    summary = north.find_element("css selector", ".shelve summary")
    assert not north.find_element("css selector", ".shelve input").is_displayed()
    browser.execute_script("arguments[0].focus()", summary)

    def press(*keys):
        browser.switch_to.active_element.send_keys(*keys)

    press(Keys.ENTER)
    press(Keys.TAB)
    press("Ada", Keys.TAB)
    offered = [option.text for option in north.find_elements("css selector", ".shelve option")]
    assert offered == ["60 min", "4 h", "8 h", "24 h", "3 d", "7 d"]
    press("8", Keys.TAB)
    assert browser.switch_to.active_element.text == "Shelve"
    assert not north.find_element("css selector", ".unshelve").is_displayed()
    press(Keys.ENTER)
    see(browser, lambda: text(north, ".alarm-state").startswith("Alarm: shelved until "))
    [(machine, by, until_ns)] = shop.shelved
    assert (machine, by) == (NORTH, "Ada")
    assert until_ns * 1e-9 - time.time() == pytest.approx(8 * 3600, abs=60)
    until = local_time(until_ns, "Europe/Vienna")
    assert text(north, ".alarm-state") == f"Alarm: shelved until {until}, by Ada"
    assert browser.find_element("id", "summary").text == "2 machines: 2 good – 1 shelved"
    assert browser.switch_to.active_element == summary

    press(Keys.ENTER)
    press(Keys.TAB)
    press("Grace", Keys.TAB, Keys.TAB)
    press(Keys.TAB)
    assert browser.switch_to.active_element.text == "End shelving"
    press(Keys.ENTER)
    see(browser, lambda: text(north, ".alarm-state") == "Alarm: normal")
    assert shop.shelved[1:] == [(NORTH, "Grace", None)]
    assert browser.execute_script("return window.sameVisit")
    assert severe(browser) == []


def test_what_could_not_be_done_is_said_where_it_was_asked_for(browser, shop):
    open_page(browser, shop)
    north = machine_card(browser)
    browser.execute_script(
        "document.querySelector('.shelve').open = true;"
        "document.querySelector('.shelve option').value = 30 * 86400;"  # s
    )
    north.find_element("css selector", ".shelve input").send_keys("Ada", Keys.ENTER)
    said = "Not done (Shelve): an alarm can be shelved for at most 168 h"
    see(browser, lambda: text(north, ".shelve output") == said)
    assert shop.shelved == []


def test_what_was_set_aside_unsent_stands_at_the_foot_of_the_page(browser, shop):
    open_page(browser, shop)
    aside = browser.find_element("id", "aside")
    assert not aside.is_displayed()
    with open_store(shop.store) as connection, transaction(connection):
        outbox.put(connection, "mail", "alarm", 1, "a mail")
        (payload,) = outbox.take(connection, "mail", 1)
        outbox.refuse(connection, "mail", [payload.id], "554 <b>spam</b>")
    see(browser, aside.is_displayed)
    assert aside.text == (
        "Mail: 1 refused, 0 expired; kept in the store but not sent. Last reason: 554 <b>spam</b>."
    )


def test_what_is_not_stored_or_not_delivered_stands_on_the_page(browser, shop):
    open_page(browser, shop)
    health, north = shop.health, machine_card(browser)
    problem, aside = (browser.find_element("id", name) for name in ("problem", "aside"))
    assert not problem.is_displayed()
    assert not north.find_element("css selector", ".acknowledge button").is_displayed()
    health.undelivered[7] = Undelivered(NORTH, "alarm", 1, "lead@shop.example: 550 <b>no</b>")
    see(browser, lambda: "550 <b>no</b>. Acknowledge once" in text(north, ".undelivered"))
    see(browser, north.find_element("css selector", ".acknowledge button").is_displayed)
    health.keeping.failed, health.keeping.since_ns = "database or disk is full", time.time_ns()
    see(browser, problem.is_displayed)
    assert "the disk is full (database or disk is full). To do: free some space" in problem.text
    see(browser, lambda: "(not stored)" in text(north, ".alarm-state"))
    health.report("influx")("the server does not accept the token (HTTP 401)")
    see(browser, aside.is_displayed)
    assert aside.text.startswith("Time-series server: nothing taken since")
    assert "does not accept the token (HTTP 401). Rows wait." in aside.text
    health.keeping.failed = ""
    health.report("influx")(None)
    health.undelivered.clear()
    see(browser, lambda: not problem.is_displayed() and not aside.is_displayed())
    see(browser, lambda: text(north, ".undelivered") == "")
    assert severe(browser) == []


def test_links_samples_and_hostile_names(browser, shop):
    open_page(browser, shop)
    shop.statuses[ODD].link = LinkState(time.time_ns(), False, "no answer within the time-out")
    odd = machine_card(browser, 1)
    see(browser, lambda: "Link: down since" in text(odd, ".link"))
    assert "no answer within the time-out" in text(odd, ".link")
    assert odd.find_elements("css selector", "h2 b") == []
    # another set of machines after a restart of the service
    sight = SightStatus(usable=time.monotonic() - 300.0)
    shop.statuses["West"] = replace(
        shop.statuses[NORTH], name="West", sight=sight, blind_after=60.0
    )
    see(browser, lambda: len(browser.find_elements("css selector", ".card")) == 3)
    see(browser, lambda: "No usable reading since" in text(machine_card(browser, 2), ".blind"))
    assert text(machine_card(browser, 0), ".blind") == ""
    assert severe(browser) == []


def test_a_machine_that_is_not_seen_has_a_grey_verdict_with_its_age(browser, shop):
    open_page(browser, shop)
    north, odd = machine_card(browser, 0), machine_card(browser, 1)
    colour = lambda: north.find_element("css selector", ".headline").value_of_css_property("color")  # noqa: E731
    believed = colour()
    assert text(north, ".blind") == ""
    status = shop.statuses[NORTH]
    status.blind_after = 60.0
    status.sight = SightStatus(
        usable=time.monotonic() - 600.0,
        usable_ns=time.time_ns() - 600 * 10**9,
        told={"pressure": "BadSensorFailure"},
    )
    see(browser, lambda: text(north, ".blind").startswith("Not seeing the machine. No usable "))
    assert text(north, ".blind").endswith("Pressure: BadSensorFailure.")
    assert text(north, ".headline") == f"10 min ago: {AS_LEARNED}"
    assert text(north, ".category") == "Not seen"
    assert colour() != believed
    assert "grayscale" in north.find_element("css selector", ".verdict").value_of_css_property(
        "filter"
    )
    assert "1 not seen, 1 good" in browser.find_element("id", "summary").text
    assert text(odd, ".headline") == AS_LEARNED
    code, _, body = shop.ask("GET", "/healthz")
    assert (code, set(json.loads(body)["troubles"])) == (503, {NORTH})
    north_status = json.loads(shop.ask("GET", "/status")[2])["machines"][NORTH]["sight"]
    assert north_status["is_seen"] is False
    assert north_status["reasons"] == {"pressure": "BadSensorFailure"}
    status.sight = SightStatus(usable=time.monotonic())
    see(browser, lambda: text(north, ".headline") == AS_LEARNED)
    assert severe(browser) == []


def test_loss_of_the_stream_is_said_and_mended(browser, shop):
    open_page(browser, shop)
    banner = browser.find_element("id", "lost")
    assert not banner.is_displayed()
    shop.close()
    see(browser, banner.is_displayed)
    assert banner.text.startswith("Connection to borewarden lost.")
    assert banner.get_attribute("role") == "alert"
    shop.machines[0].learn(shop.store, STEP_AT, SECONDS)  # while nobody was looking
    shop.open()
    see(browser, lambda: not banner.is_displayed())
    see(browser, lambda: last_bore(browser) > 0.254 * 1.04)
    assert browser.execute_script("return window.sameVisit")


def test_keyboard_chooses_how_far_back_the_plots_go(browser, shop):
    open_page(browser, shop)
    count = "return document.querySelector('[data-plot=bore]').data[0].x.length"
    whole = browser.execute_script(count)
    for _ in range(20):
        browser.switch_to.active_element.send_keys(Keys.TAB)
        if browser.switch_to.active_element.get_attribute("data-hours") == "1":
            break
    browser.switch_to.active_element.send_keys(Keys.SPACE)
    assert browser.switch_to.active_element.get_attribute("aria-pressed") == "true"
    shop.machines[0].learn(shop.store, STEP_AT, SECONDS)
    see(browser, lambda: browser.execute_script(
        "return Math.max(...document.querySelector('[data-plot=bore]').data[0].y)"
    ) > 0.26)  # fmt: skip
    shown = browser.execute_script(
        "const x = document.querySelector('[data-plot=bore]').data[0].x; return x.at(-1) - x[0]"
    )
    assert shown <= 3.6e6
    assert whole > 100


def test_units_that_a_shop_chose_hold_on_cards_and_plots(browser, shop):
    for status in shop.statuses.values():
        status.units = US
    open_page(browser, shop)
    page = browser.find_element("tag name", "body").text
    assert "MPa" not in page
    assert " mm" not in page
    assert re.search(r"0\.010\d\sin", page.replace("\u00a0", " "))
    assert "Pressure, psi" in page
    bores = browser.execute_script("return document.querySelector('[data-plot=bore]').data[0].y")
    assert 0.009 < max(bores) < 0.011
    odd = "return document.querySelectorAll('[data-plot=load]')[1].data[0].y.at(-1)"
    assert 40_000 < browser.execute_script(odd) < 90_000
