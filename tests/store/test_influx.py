"""Line protocol, and its way to a real server: Debian's victoria-metrics on loopback."""

from __future__ import annotations

import asyncio
import time
from collections.abc import AsyncIterator, Iterator
from contextlib import asynccontextmanager
from dataclasses import replace
from email.utils import formatdate
from functools import partial
from pathlib import Path

import numpy as np
import pytest
from aiohttp import web
from numpy.typing import NDArray
from prometheus_client.core import GaugeMetricFamily, InfoMetricFamily
from pydantic import SecretStr

from borewarden.diagnose.causes import Belief, Cause
from borewarden.store.database import open_store
from borewarden.store.influx import (
    SINK,
    InfluxSettings,
    alert_lines,
    batch_lines,
    family_lines,
    link_lines,
    sample_lines,
)
from borewarden.store.names import Stated
from borewarden.store.outbox import backlogs, take
from borewarden.watcher.batch_loop import RESULT
from borewarden.watcher.verdict import STATES, HeadBelief, State, Verdict
from borewarden.watcher.watcher import Alert
from forward import TOKEN, forwarding, influx_settings, queue, recent, samples, until_empty
from influxd import influxd, query
from victoria import Server

NAN = float("nan")


def batch(end_ns: int = 20) -> NDArray[np.void]:
    """A table of one batch."""
    row = (
        0, end_ns, 1.5, 370e6, NAN, 0.8, 0.79, 3.3e-8, 2.54e-4, 1e-7, NAN, NAN, 0.0, 9.5, 0.25,
        STATES.index(State.OPENED),
    )  # fmt: skip
    return np.array([row], dtype=RESULT)


def alert(reason: str = "stepped up", onset_ns: int | None = 17 * 10**9) -> Alert:
    verdict = Verdict(
        30, State.OPENED, reason, 1.0, 2.54e-4, *(NAN,) * 8, 0.1, 0.99, onset_ns, step=0.08
    )
    return Alert(33, verdict)


# -- lines


def test_a_sample_is_one_line_without_what_is_not_known() -> None:
    lines = sample_lines("North", samples(2, 5), np.array([5, 0], dtype=np.int8))
    assert lines == [
        "borewarden_sample,machine=North phase=5i,pressure_pascals=370000000.0,strokes_total=0.0,"
        "heads_on=1.0 5",
        "borewarden_sample,machine=North phase=0i,pressure_pascals=370000001.5,strokes_total=1.0,"
        "heads_on=1.0 1000000005",
    ]
    assert sample_lines("North", samples(0), np.empty(0, dtype=np.int8)) == []


def test_names_are_escaped_as_line_protocol_wants() -> None:
    (line,) = sample_lines("Halle 2, Jet=A", samples(1), np.array([5]))
    assert line.startswith(r"borewarden_sample,machine=Halle\ 2\,\ Jet\=A phase=5i,")
    (line,) = link_lines("Halle 2", 7, False, 'he said "no"\nand \\ left')
    head = r"borewarden_link,machine=Halle\ 2"
    assert line == head + r' connected=false,reason="he said \"no\" and \\ left" 7'


def test_a_batch() -> None:
    (line,) = batch_lines("North", batch(), Stated(0.08, 1.0))
    head, rest = line.split(" ", 1)
    fields, time_ns = rest.rsplit(" ", 1)
    assert (head, time_ns) == ("borewarden,machine=North", "20")
    assert set(fields.split(",")) == {
        "jet_seconds_total=5400", "pressure_pascals=370000000", "rate_hertz=0.8",
        "rate_expected_hertz=0.79", "effective_area_square_meters=3.3e-08",
        "effective_bore_meters=0.000254", "effective_bore_uncertainty_meters=1e-07",
        "area_limit_ratio=1.08", "step_statistic=0", "step_threshold=9.5",
        "opened_probability=0.25", "verdict_code=3",
        f"overstroke_margin_ratio={1 - 0.8}", 'state="probably opened up"',
    }  # fmt: skip
    assert "overstroke" not in batch_lines("South", batch(), Stated(0.08))[0]
    assert batch_lines("South", batch()[:0], Stated(0.08)) == []


def test_an_alert() -> None:
    (line,) = alert_lines("North", [alert()])
    assert line == (
        r"borewarden_alert,machine=North,state=probably\ opened\ up "
        'ne107="failure",onset_timestamp_seconds=17,opened_probability=0.99,reason="stepped up",'
        "step_ratio=0.08,verdict_code=3 33"
    )
    assert "onset" not in alert_lines("North", [alert(onset_ns=None)])[0]


def test_an_alert_names_its_most_probable_cause_and_what_looks_the_same() -> None:
    causes = (Belief(Cause.BORE, 0.83, alike=(Cause.LEAK,)), Belief(Cause.LEAK, 0.17))
    told = Alert(33, replace(alert().verdict, causes=causes))
    (line,) = alert_lines("North", [told])
    both = "bore opened up or plunger seal or check valve leaking"
    assert (
        f' cause="bore opened up",cause_probability=0.83,causes="{both}",ne107="failure",' in line
    )
    assert "cause" not in alert_lines("North", [alert()])[0]


def test_each_head_that_an_alert_weighs_is_a_line() -> None:
    heads = (HeadBelief("1", 0.9), HeadBelief("2", 0.1))
    told = Alert(33, replace(alert().verdict, heads=heads))
    assert alert_lines("North", [told])[1:] == [
        "borewarden,head=1,machine=North head_opened_probability=0.9 33",
        "borewarden,head=2,machine=North head_opened_probability=0.1 33",
    ]


def test_a_metric_has_the_same_name_as_a_row() -> None:
    free = GaugeMetricFamily("borewarden_disk_free_bytes", "Free", value=7.0)
    sight = GaugeMetricFamily("borewarden_sight", "Seen", labels=["machine"])
    sight.add_metric(["North"], 1.0)
    why = InfoMetricFamily("borewarden_outbox_failure", "Why", labels=["sink"])
    why.add_metric(["influx"], {"reason": 'no "db"'})
    assert family_lines([free, sight, why], 5, instance="a computer") == [
        r"borewarden,instance=a\ computer disk_free_bytes=7 5",
        "borewarden,machine=North sight=1 5",
        r"borewarden,instance=a\ computer,sink=influx "
        r'outbox_failure_info=1,outbox_failure_reason="no \"db\"" 5',
    ]


def test_a_token_does_not_show() -> None:
    assert TOKEN not in repr(InfluxSettings("http://a", "o", "b", SecretStr(TOKEN)))


# -- a real server


@pytest.fixture
def server(tmp_path: Path) -> Iterator[Server]:
    server = Server(tmp_path / "victoria")
    try:
        yield server
    finally:
        server.stop(kill=True)


async def test_rows_are_read_back_from_the_server(tmp_path: Path, server: Server) -> None:
    store, rows = tmp_path / "a.db", recent(500)
    server.start()
    ends = rows.time_ns[::20].tolist()
    queue(store, "sample", sample_lines("Halle 2, A", rows, np.full(500, 5)), every=10)
    batches = np.concatenate([batch(end) for end in ends])
    queue(store, "batch", batch_lines("Halle 2, A", batches, Stated(0.08, 1.0)))
    queue(store, "alert", alert_lines("Halle 2, A", [Alert(ends[3], alert().verdict)]))
    queue(store, "link", link_lines("Halle 2, A", ends[0], True, "connected"))
    async with forwarding(store, server.url):
        await until_empty(store)
    expected = [
        (t // 10**6, p) for t, p in zip(rows.time_ns.tolist(), rows.pressure.tolist(), strict=True)
    ]
    assert server.series("borewarden_sample_pressure_pascals") == {"Halle 2, A": expected}
    assert server.series("borewarden_sample_rate_hertz") == {}
    assert [v for _, v in server.series("borewarden_sample_phase")["Halle 2, A"]] == [5.0] * 500
    assert server.series("borewarden_effective_bore_meters")["Halle 2, A"] == [
        (t // 10**6, 2.54e-4) for t in ends
    ]
    assert server.series("borewarden_alert_step_ratio")["Halle 2, A"] == [(ends[3] // 10**6, 0.08)]
    assert server.series("borewarden_link_connected")["Halle 2, A"] == [(ends[0] // 10**6, 1.0)]


async def test_server_down_then_back_nothing_lost_nothing_doubled(
    tmp_path: Path, server: Server, caplog: pytest.LogCaptureFixture
) -> None:
    """A simulated day at 1 Hz while the server is away, stopped once more in the midst of it."""
    store, n = tmp_path / "a.db", 86_400
    rows = recent(n)
    lines = sample_lines("North", rows, np.full(n, 5))
    reports: list[str | None] = []
    queue(store, "sample", lines, every=10)
    async with forwarding(store, server.url, limit=500, report=reports.append):
        while len(reports) < 3:
            await asyncio.sleep(0.01)
        assert None not in reports
        await asyncio.to_thread(server.start)
        while None not in reports:
            await asyncio.sleep(0.001)
        await asyncio.to_thread(server.stop)
        queue(store, "sample", lines[-1000:], every=10)  # as after a crash: sent once more
        await asyncio.to_thread(server.start)
        await until_empty(store)
    points = server.series("borewarden_sample_pressure_pascals")["North"]
    assert points == [
        (t // 10**6, p) for t, p in zip(rows.time_ns.tolist(), rows.pressure.tolist(), strict=True)
    ]
    assert "Traceback" not in caplog.text
    assert TOKEN not in caplog.text


class Answering:
    """An HTTP server of our own, for answers that no real one gives when asked to.

    It refuses lines with "bad" in them with `status`, and all of them with each of `first` before.
    """

    def __init__(self, status: int = 400, first: list[tuple[int, dict[str, str]]] = ()) -> None:
        self.status, self.first = status, list(first)
        self.taken: list[str] = []
        self.times: list[float] = []
        self.headers: list[str | None] = []
        self.queries: list[dict[str, str]] = []

    async def _write(self, request: web.Request) -> web.Response:
        body = (await request.read()).decode()
        self.times.append(time.monotonic())
        self.headers.append(request.headers.get("Authorization"))
        self.queries.append(dict(request.query))
        if self.first:
            status, headers = self.first.pop(0)
            return web.json_response({"message": "not now"}, status=status, headers=headers)
        if "bad" in body:
            return web.json_response({"code": "x", "message": "y\ny"}, status=self.status)
        self.taken.extend(body.splitlines())
        return web.Response(status=204)

    @asynccontextmanager
    async def running(self) -> AsyncIterator[str]:
        application = web.Application()
        application.router.add_post("/api/v2/write", self._write)
        runner = web.AppRunner(application)
        await runner.setup()
        await web.TCPSite(runner, "127.0.0.1", 0).start()
        try:
            yield f"http://127.0.0.1:{runner.addresses[0][1]}"
        finally:
            await runner.cleanup()


@pytest.mark.parametrize(("status", "kept"), [(401, True), (503, True), (400, False), (422, False)])
async def test_answers_of_a_server(tmp_path: Path, status: int, kept: bool) -> None:
    """What is wrong with us or the server passes; a bad line never becomes a good one."""
    store = tmp_path / "a.db"
    queue(store, "alert", ["good a=1 1", "bad a=1 2", "good a=1 3"])
    server = Answering(status)
    taken = server.taken
    reports: list[str | None] = []
    refused: list[int] = []
    async with server.running() as url:
        options = {"limit": 1 if kept else 100, "report": reports.append}
        async with forwarding(store, url, refused=refused.append, **options):
            while (len(reports) < 4 and kept) or len(taken) < (1 if kept else 2):
                await asyncio.sleep(0.01)
            await asyncio.sleep(0.05)
    assert set(server.headers) == {f"Token {TOKEN}"}
    assert server.queries[0] == {"org": "shop", "bucket": "pumps", "precision": "ns"}
    with open_store(store) as connection:
        left = [p.content for p in take(connection, SINK, 9)]
        aside = backlogs(connection)[SINK]
    if kept:
        assert taken == ["good a=1 1"]
        assert left == [b"bad a=1 2", b"good a=1 3"]
        assert str(status) in str(reports[-1])
        assert refused == []
    else:
        assert taken == ["good a=1 1", "good a=1 3"]
        assert left == []
        assert refused == [1]
        assert aside.last_reason.endswith(f"(HTTP {status} y y)")


@pytest.mark.parametrize("form", ["seconds", "date"])
async def test_retry_after_is_honoured(tmp_path: Path, form: str) -> None:
    """RFC 9110 10.2.3: seconds, or a date."""
    store = tmp_path / "a.db"
    queue(store, "alert", ["good a=1 1"])
    in_two = formatdate(time.time() + 2.0, usegmt=True)
    after = {"seconds": "1", "date": in_two}[form]
    server = Answering(first=[(503, {"Retry-After": after}), (429, {"Retry-After": "nonsense"})])
    async with server.running() as url, forwarding(store, url):
        while not server.taken:
            await asyncio.sleep(0.01)
    # a date has whole seconds: it is one to two seconds ahead
    assert server.times[1] - server.times[0] >= 0.99
    assert len(server.times) == 3  # and what is no time is no reason to wait for


async def test_a_token_that_is_refused_is_said_at_once_also_after_another_failure(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    store = tmp_path / "a.db"
    queue(store, "alert", ["good a=1 1"])
    server = Answering(first=[(500, {}), (500, {}), (401, {}), (403, {}), (404, {})])
    reports: list[str | None] = []
    async with server.running() as url, forwarding(store, url, report=reports.append):
        await until_empty(store)
        while reports[-1] is not None:
            await asyncio.sleep(0.01)
    said = [record.getMessage() for record in caplog.records if record.levelname == "WARNING"]
    assert len(said) == 4  # the second 500 is no news
    for line, words in zip(
        said,
        (
            "HTTP 500 not now",
            "the server does not accept the token; put the right one into "
            "BOREWARDEN_SERVICE_INFLUX_TOKEN, or into its file influx_token (HTTP 401 not now)",
            "the token may not do that; "
            "give it the right to write to the bucket (HTTP 403 not now)",
            "there is no InfluxDB 2 write API at this address; check url",
        ),
        strict=True,
    ):
        assert words in line
    assert [str(report)[-18:] for report in reports[2:5]] == [
        "(HTTP 401 not now)", "(HTTP 403 not now)", "(HTTP 404 not now)",
    ]  # fmt: skip
    assert TOKEN not in caplog.text


# -- InfluxDB 1


def v1(url: str, **changes) -> InfluxSettings:
    return replace(influx_settings(url), api="v1", org="", **changes)


async def test_influxdb_1_takes_rows_once_database_and_password_are_right(tmp_path: Path) -> None:
    store, rows = tmp_path / "a.db", recent(50)
    queue(store, "sample", sample_lines("North", rows, np.full(50, 5)), every=10)
    reports: list[str | None] = []

    async def until_said(words: str) -> None:
        while not reports or words not in str(reports[-1]):
            await asyncio.sleep(0.01)

    with influxd(tmp_path, auth=True) as url:
        query(url, f"CREATE USER borewarden WITH PASSWORD '{TOKEN}' WITH ALL PRIVILEGES")
        asked = partial(query, url, user="borewarden", password=TOKEN)
        good = v1(url, user="borewarden", bucket="pumps/week")
        wrong = replace(good, token=SecretStr("wrong"))
        async with forwarding(store, wrong, report=reports.append):
            await until_said("the server does not accept this user with this password")
            assert "HTTP 401" in str(reports[-1])
        async with forwarding(store, good, report=reports.append):
            await until_said("the server has no such database; create it there")
            assert "database not found" in str(reports[-1])
            asked("CREATE DATABASE pumps WITH DURATION 7d NAME week")
            await until_empty(store)
        [series] = asked(
            "SELECT pressure_pascals FROM week.borewarden_sample", db="pumps", epoch="ns"
        )
        asked("CREATE USER reader WITH PASSWORD 'invented'")
        asked("GRANT READ ON pumps TO reader")
        queue(store, "alert", ["alert a=1 1"])
        reader = replace(good, user="reader", token=SecretStr("invented"))
        async with forwarding(store, reader, report=reports.append):
            await until_said("this user may not do that; give it the right to write")
    assert series["values"] == [
        list(row) for row in zip(rows.time_ns.tolist(), rows.pressure.tolist(), strict=True)
    ]


async def test_influxdb_1_refuses_rows_of_another_type_and_takes_the_rest(tmp_path: Path) -> None:
    store = tmp_path / "a.db"
    now_ns = time.time_ns()
    queue(store, "batch", [f"batch,machine=North a={i} {now_ns + i}" for i in range(4)])
    queue(store, "batch", [f'batch,machine=North a="text" {now_ns + 9}'])
    queue(store, "batch", [f"batch,machine=North a=9 {now_ns + 10}"])
    refused: list[int] = []
    with influxd(tmp_path) as url:
        query(url, "CREATE DATABASE pumps")
        async with forwarding(store, v1(url), limit=10, refused=refused.append):
            with open_store(store) as connection:
                while backlogs(connection)[SINK].waiting:
                    await asyncio.sleep(0.02)
                aside = backlogs(connection)[SINK]
        [series] = query(url, "SELECT a FROM batch", db="pumps")
    assert [value for _, value in series["values"]] == [0, 1, 2, 3, 9]
    assert (aside.refused, refused) == (1, [1])
    assert "field type conflict" in aside.last_reason


async def test_the_same_api_of_another_server(tmp_path: Path, server: Server) -> None:
    store, rows = tmp_path / "a.db", recent(50)
    queue(store, "sample", sample_lines("North", rows, np.full(50, 5)), every=10)
    server.start()
    async with forwarding(store, v1(server.url)):
        await until_empty(store)
    series = server.series("borewarden_sample_pressure_pascals")
    assert [value for _, value in series["North"]] == rows.pressure.tolist()
