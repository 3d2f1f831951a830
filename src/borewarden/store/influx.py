"""Rows of the embedded store as InfluxDB line protocol, and their way to such a server.

| measurement        | tags           | time          | fields                                    |
| ------------------ | -------------- | ------------- | ----------------------------------------- |
| `borewarden_sample`| machine        | of the sample | `SAMPLE_FIGURES`; `phase`, integer        |
| `borewarden`       | machine        | end of batch  | `BATCH_FIGURES`; `state`, text            |
| `borewarden_alert` | machine, state | of the alert  | `ALERT_FIGURES`; `ne107`, `cause`,        |
|                    |                |               | `reason`, text                            |
| `borewarden`       | machine, head  | of the alert  | `head_opened_probability`                 |
| `borewarden_link`  | machine        | of the change | `connected`, boolean; `reason`, text      |
| `borewarden`       | as in          | once a minute | what `/metrics` has of the machines, and, |
|                    | `/metrics`     |               | with the tag `instance`, of the watcher   |

The names are those of `/metrics`: see `names`. Fields are in base units, times ns since 1970 UTC;
what is not known is left out. The same measurement, tags and time overwrite each other on the
server, so sending a row twice does no harm.
"""

from __future__ import annotations

import email.utils
import gzip
import json
import math
import time
from base64 import b64encode
from collections.abc import AsyncIterator, Callable, Iterable, Mapping
from contextlib import asynccontextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

import aiohttp
import numpy as np
from influxdb_client import InfluxDBClient, Point
from influxdb_client.rest import ApiException
from numpy.typing import NDArray
from prometheus_client.core import Metric
from pydantic import SecretStr
from urllib3.exceptions import HTTPError

from borewarden.base.plain_errors import plain_answer, plain_reason
from borewarden.base.samples import Samples, samples_of
from borewarden.diagnose.groups import named_with
from borewarden.store import outbox
from borewarden.store.names import (
    ALERT,
    LINK,
    MACHINE,
    OLD_SAMPLE,
    PHASE,
    SAMPLE,
    SAMPLE_FIGURES,
    Stated,
    batch_values,
    step_values,
)
from borewarden.watcher.batch_loop import RESULT
from borewarden.watcher.verdict import STATES
from borewarden.watcher.watcher import Alert

SINK = "influx"

SAMPLE_FIELDS = tuple(SAMPLE_FIGURES[channel].name for channel in Samples._fields[1:])
DAY_NS = 86_400 * 10**9

# answers that are about the data themselves; all others may well change (token, bucket, load)
_REFUSED = {400, 413, 422}


LONGEST_RETRY_AFTER = 3600.0  # s that a server can put us off for
LONGEST_SAID = 200  # characters of what a server says


@dataclass(frozen=True)
class InfluxSettings:
    """Where to send to; `timeout` in s.

    `api` is "v2" (`/api/v2/write`), or "v1" for InfluxDB 1 (`/write`): `bucket` then is a database,
    or `database/retention policy`, and `token` the password of `user`, where there is one.
    """

    url: str
    org: str
    bucket: str
    token: SecretStr
    timeout: float = 30.0
    api: Literal["v1", "v2"] = "v2"
    user: str = ""


def sample_lines(machine: str, samples: Samples, phases: NDArray[Any]) -> list[str]:
    """A line for each sample."""
    # written by hand: a Point for each of 1,000 samples a second would take a core of its own
    head = Point(SAMPLE).tag("machine", machine).field(PHASE.name, 0).to_line_protocol()[:-2]
    lines = []
    channels = zip(*(channel.tolist() for channel in (*samples[1:], phases)), strict=True)
    for time_ns, (*values, phase) in zip(samples.time_ns.tolist(), channels, strict=True):
        fields = "".join(
            f",{name}={value!r}"
            for name, value in zip(SAMPLE_FIELDS, values, strict=True)
            if math.isfinite(value)
        )
        lines.append(f"{head}{phase}i{fields} {time_ns}")
    return lines


def batch_lines(machine: str, batches: NDArray[np.void], stated: Stated) -> list[str]:
    """A line for each of `batches`, dtype `RESULT`."""
    lines = []
    for batch in batches:
        values = batch_values({name: batch[name] for name in RESULT.names or ()}, stated)
        point = _point(MACHINE, {"machine": machine}, int(batch["end_ns"]), values)
        lines.append(point.field("state", STATES[batch["state"]].value).to_line_protocol())
    return lines


def alert_lines(machine: str, alerts: Iterable[Alert]) -> list[str]:
    """A line for each alert, and one for each head that it weighs."""
    lines = []
    for alert in alerts:
        verdict = alert.verdict
        tags = {"machine": machine, "state": verdict.state.value}
        point = _point(ALERT, tags, alert.time_ns, step_values(verdict))
        point.field("ne107", verdict.state.ne107).field("reason", _one_line(verdict.reason))
        if verdict.causes:
            causes = (verdict.causes[0].cause, *named_with(verdict.causes))
            point.field("cause", causes[0].value)
            point.field("causes", " or ".join(cause.value for cause in causes))
        lines.append(point.to_line_protocol())
        for head in verdict.heads:
            tags = {"machine": machine, "head": head.head}
            values = {"head_opened_probability": head.probability}
            lines.append(_point(MACHINE, tags, alert.time_ns, values).to_line_protocol())
    return lines


def family_lines(families: Iterable[Metric], time_ns: int, **tags: str) -> list[str]:
    """What `/metrics` has, as lines: the labels become tags, a reason becomes a text.

    `tags` are added where no machine is named: two watchers may send to one server.
    """
    points: dict[tuple[str, tuple[tuple[str, str], ...]], Any] = {}
    for sample in (sample for family in families for sample in family.samples):
        # `borewarden_NAME` is the field NAME of the measurement `borewarden`
        measurement, _, name = sample.name.partition("_")
        labels = dict(sample.labels)
        reason = labels.pop("reason", None)
        if "machine" not in labels:
            labels |= tags
        key = measurement, tuple(sorted(labels.items()))
        if key not in points:
            points[key] = _point(measurement, labels, time_ns, {})
        points[key].field(name, float(sample.value))
        if reason is not None:
            points[key].field(name.removesuffix("_info") + "_reason", _one_line(reason))
    return [line for point in points.values() if (line := point.to_line_protocol())]


def link_lines(machine: str, time_ns: int, connected: bool, reason: str) -> list[str]:
    """The line of a connection made or lost."""
    point = _point(LINK, {"machine": machine}, time_ns, {}).field("connected", connected)
    return [point.field("reason", _one_line(reason)).to_line_protocol()]


def _point(
    measurement: str, tags: Mapping[str, str], time_ns: int, fields: Mapping[str, float]
) -> Any:
    point = Point(measurement).time(time_ns)
    for name, text in tags.items():
        point.tag(name, text)
    for name, value in fields.items():
        point.field(name, float(value))  # what is not finite is left out by to_line_protocol
    return point


def _one_line(text: str) -> str:
    """Outbox and some servers take a line break for the end of a row."""
    return " ".join(text.split())


async def forward(
    store_path: Path,
    settings: InfluxSettings,
    *,
    limit: int = 1000,
    idle: float = 1.0,
    first_pause: float = 1.0,
    longest_pause: float = 300.0,
    report: Callable[[str | None], None] | None = None,
    refused: Callable[[int], None] | None = None,
) -> None:
    """Send the lines queued for `SINK`, forever; cancel it to stop. See `outbox.drain`."""
    async with writing(settings) as deliver:
        await outbox.drain(
            store_path,
            SINK,
            deliver,
            limit=limit,
            idle=idle,
            first_pause=first_pause,
            longest_pause=longest_pause,
            report=report,
            refused=refused,
        )


@asynccontextmanager
async def writing(settings: InfluxSettings) -> AsyncIterator[outbox.Deliver]:
    """What sends lines to the server, as an outbox wants it."""
    url, asked, headers = _write_api(settings)
    timeout = aiohttp.ClientTimeout(total=settings.timeout)
    async with aiohttp.ClientSession(timeout=timeout, headers=headers) as session:

        async def deliver(payloads: list[bytes]) -> str | None:
            body = gzip.compress(b"\n".join(payloads), compresslevel=1)
            try:
                async with session.post(url, params=asked, data=body) as answer:
                    if answer.status < 300:
                        return None
                    said = _said(await answer.content.read(4 * LONGEST_SAID))
            except (aiohttp.ClientError, TimeoutError) as error:
                raise ConnectionError(plain_reason(error)) from None
            words = plain_answer(settings.api, answer.status, said or answer.reason or "")
            if answer.status in _REFUSED:
                return words
            after = _retry_after(answer.headers.get("Retry-After", ""))
            raise ConnectionError(words) if after is None else outbox.NotNow(words, after)

        yield deliver


def _write_api(settings: InfluxSettings) -> tuple[str, dict[str, str], dict[str, str]]:
    """Address, query and headers of a write.

    From the manuals: InfluxDB v2 API, "Write data"; InfluxDB 1.8, "InfluxDB API reference, /write".
    """
    plain = {"Content-Type": "text/plain; charset=utf-8", "Content-Encoding": "gzip"}
    headers = plain | authorization(settings)
    url = settings.url.rstrip("/")
    if settings.api == "v2":
        asked = {"org": settings.org, "bucket": settings.bucket, "precision": "ns"}
        return f"{url}/api/v2/write", asked, headers
    return f"{url}/write", {"precision": "ns"} | database(settings), headers


def authorization(settings: InfluxSettings) -> dict[str, str]:
    """The header that says who we are."""
    token = settings.token.get_secret_value()
    if settings.api == "v2":
        return {"Authorization": f"Token {token}"}
    if not settings.user:
        return {}
    known_by = b64encode(f"{settings.user}:{token}".encode()).decode()
    return {"Authorization": f"Basic {known_by}"}


def database(settings: InfluxSettings) -> dict[str, str]:
    """What names database and retention policy in a query to InfluxDB 1."""
    name, _, policy = settings.bucket.partition("/")
    return {"db": name} | ({"rp": policy} if policy else {})


def _said(body: bytes) -> str:
    """What a server says of a failure: InfluxDB in JSON, others as text."""
    text = body.decode("utf-8", "replace")
    with suppress(ValueError):
        told = json.loads(text)
        if isinstance(told, dict):
            text = str(told.get("message") or told.get("error") or "")
    return _one_line(text)[:LONGEST_SAID]


def _retry_after(text: str) -> float | None:
    """Seconds of a Retry-After: a number or a date (RFC 9110 10.2.3); None if there is none."""
    try:
        seconds = float(text)
    except ValueError:
        try:
            seconds = email.utils.parsedate_to_datetime(text).timestamp() - time.time()
        except ValueError:
            return None
    return min(max(seconds, 0.0), LONGEST_RETRY_AFTER) if math.isfinite(seconds) else None


def read_samples(settings: InfluxSettings, machine: str, first_ns: int, last_ns: int) -> Samples:
    """The samples of `machine` from `first_ns` to `last_ns`, as `sample_lines` wrote them.

    Samples that were written under their old names, up to version 0.1, are read too. Asks by
    InfluxQL, which InfluxDB 1 has and InfluxDB 2 too, beside Flux, for a bucket that is mapped to a
    database of its own name (its manual: "InfluxDB 1.x compatibility API"). Raises ConnectionError
    if the server can't be asked or refuses.
    """
    name = machine.replace("\\", "\\\\").replace("'", "\\'")
    channels = Samples._fields[1:]
    rows: dict[int, list[float | None]] = {}  # by time: a new name counts more
    client = InfluxDBClient(
        settings.url,
        token=settings.token.get_secret_value(),
        org=settings.org,
        timeout=round(settings.timeout * 1e3),
    )
    with client:
        for start in range(first_ns, last_ns + 1, DAY_NS):  # an answer is never more than a day
            end = min(start + DAY_NS - 1, last_ns)
            for measurement, names in ((OLD_SAMPLE, channels), (SAMPLE, SAMPLE_FIELDS)):
                fields = ", ".join(f'"{field}"' for field in names)
                query = (
                    f'SELECT {fields} FROM "{measurement}" '
                    f"WHERE \"machine\" = '{name}' AND time >= {start} AND time <= {end}"
                )
                rows.update(
                    (int(row[0] or 0), row) for row in _rows(_asked(client, settings, query))
                )
    times = np.array(sorted(rows), dtype=np.int64)
    # None, where a field is not known, becomes NaN
    values = np.array([rows[at][1:] for at in sorted(rows)], dtype=np.float64).reshape(
        -1, len(channels)
    )
    return samples_of(times, **dict(zip(channels, values.T, strict=True)))


def _asked(client: InfluxDBClient, settings: InfluxSettings, query: str) -> bytes:
    """The answer to a query in InfluxQL. Raises ConnectionError."""
    try:
        answer: bytes = client.api_client.call_api(
            "/query",
            "GET",
            query_params=[
                ("db", settings.bucket),
                ("epoch", "ns"),
                ("chunked", "true"),  # else no more than 10,000 rows come
                ("q", query),
            ],
            # not CSV, in which this server leaves out what went wrong
            header_params={"Accept": "application/json"},
            auth_settings=[],
            _preload_content=False,
        )[0].data
    except ApiException as error:
        raise ConnectionError(f"HTTP {error.status} {error.reason or ''}".strip()) from None
    except HTTPError as error:
        raise ConnectionError(f"{settings.url}: {error}") from None
    return answer


def _rows(answer: bytes) -> list[list[float | None]]:
    """Time and fields of each sample in an answer to InfluxQL. Raises ConnectionError."""
    rows: list[list[float | None]] = []
    more = False
    for chunk in map(json.loads, answer.splitlines()):
        results = chunk.get("results", [])
        for part in (chunk, *results):
            if "error" in part:
                raise ConnectionError(part["error"])
            for series in part.get("series", []):
                rows += series["values"]
        more = any(part.get("partial") for part in results)
    if more:
        raise ConnectionError("the server's answer ended before its last rows")
    return rows
