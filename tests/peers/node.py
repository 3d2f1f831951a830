"""The servers that run in Node.js, with the orders that `control.js` carries out."""

from __future__ import annotations

import csv
import email
import email.message
import email.policy
import json
import select
import shutil
import tempfile
import time
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from datetime import datetime
from pathlib import Path
from typing import Any, Literal

from .certificates import self_signed
from .process import PATIENCE, Peer, unavailable

HERE = Path(__file__).parent


def node() -> str:
    """Path of node, with the packages of the lock file beside it."""
    path = shutil.which("node")
    if path is None:
        unavailable("needs Node.js")
    installed = HERE / "node_modules" / ".installed-lock"
    lock = HERE / "package-lock.json"
    if not installed.exists() or installed.read_bytes() != lock.read_bytes():
        unavailable("the npm packages of tests/peers are not installed")
    return path


class NodePeer(Peer):
    """A script of this folder. `options` go with its order to start."""

    def __init__(self, script: str, folder: Path, options: Mapping[str, Any]) -> None:
        super().__init__(folder)
        self._command = [node(), str(HERE / script), str(folder / "log.jsonl")]
        self._options = options
        self.told: dict[str, Any] = {}  # by the server when it started

    def _start(self) -> None:
        if self._process is None:
            self._process = self._run(*self._command)
        options = {**self._options, "port": self.port, "faults": self._faults}
        self.told = self._ask("start", **options) or {}

    def _stop(self) -> None:
        # the process stays: loading node-opcua anew costs two seconds of a processor
        self._ask("stop")

    def _apply(self, faults: list[dict[str, Any]]) -> None:
        self._ask("faults", faults=faults)

    def _ask(self, order: str, **given: Any) -> Any:
        assert self._process is not None
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        line = ""
        with suppress(BrokenPipeError):
            text = json.dumps({"order": order, **given}, allow_nan=False)
            print(text, file=self._process.stdin, flush=True)
            if select.select([self._process.stdout], [], [], PATIENCE)[0]:
                line = self._process.stdout.readline()
        if not line:
            raise self._complaint(f"no answer to {order!r}")
        answer = json.loads(line)
        if "error" in answer:
            raise ValueError(answer["error"])
        return answer["ok"]

    def log(self) -> list[dict[str, Any]]:
        """What the server has noted since its first start: objects with `at`, s since 1970."""
        path = self.folder / "log.jsonl"
        return [json.loads(line) for line in path.read_text().splitlines()] if path.exists() else []


class OpcUa(NodePeer):
    """The controller of an intensifier, by OPC UA."""

    @property
    def url(self) -> str:
        return f"opc.tcp://{self.host}:{self.port}/"

    @property
    def certificate(self) -> Path:
        """The server's own, PEM."""
        return Path(self.told["certificate"])


class Modbus(NodePeer):
    """The controller of an intensifier, by Modbus TCP."""

    @property
    def functions(self) -> list[int]:
        """Function codes of all requests so far, also of those that got no answer."""
        return [entry["function"] for entry in self.log()]


Metrics = Sequence[Mapping[str, Any]]


class EdgeNode(NodePeer):
    """An edge node of Sparkplug B."""

    def births(self, births: Mapping[str, Metrics]) -> None:
        """Publishes births, with other metrics than before."""
        self._ask("births", births=births)

    def data(self, device: str, *metrics: Mapping[str, Any]) -> None:
        """Publishes data of a device, "" for the node itself."""
        self._ask("data", device=device, metrics=metrics)

    def death(self, device: str) -> None:
        """Publishes the death of a device."""
        self._ask("death", device=device)

    def skip(self) -> None:
        """Leaves out one message, but not its number."""
        self._ask("skip")

    @property
    def commands(self) -> list[str]:
        """Names of the metrics that it was told to set."""
        return [metric["name"] for entry in self.log() for metric in entry["metrics"]]


class MailServer(NodePeer):
    """The shop's mail server."""

    def __init__(self, folder: Path, options: Mapping[str, Any]) -> None:
        self.mails = folder / "mails"
        self.mails.mkdir()
        super().__init__("smtp.js", folder, {**options, "folder": str(self.mails)})
        self.certificate = options["certificate"]

    def messages(self) -> list[email.message.EmailMessage]:
        """The messages that were kept, oldest first."""
        return [
            email.message_from_bytes(path.read_bytes(), policy=email.policy.default)
            for path in sorted(self.mails.glob("*.eml"))
        ]


Rows = Sequence[tuple[float, Mapping[str, float]]]


def rows_of(log: Path, **columns: str) -> list[tuple[float, dict[str, float]]]:
    """Rows of a logged day (CSV with an ISO 8601 `time`), for a pump that plays it.

    `columns` says in which column each channel is, such as `pressure="pressure_bar"`. Times are
    in seconds since the first row. Where a cell is empty the value before it stays.
    """
    with log.open(newline="") as lines:
        table = list(csv.DictReader(lines))
    first = datetime.fromisoformat(table[0]["time"])
    values = dict.fromkeys(columns, 0.0)
    rows = []
    for row in table:
        given = {channel: row[column] for channel, column in columns.items() if row[column]}
        values = {**values, **{channel: float(text) for channel, text in given.items()}}
        rows.append(((datetime.fromisoformat(row["time"]) - first).total_seconds(), values))
    return sorted(rows, key=lambda row: row[0])


def _day(
    *,
    speed: float = 1.0,
    start: float | None = None,
    step: float = 0.5,
    jet: tuple[float, float] = (50.0, 10.0),
    chip: tuple[float, float] | None = None,
    first_count: int = 0,
    rows: Rows | None = None,
) -> dict[str, Any]:
    """What pump.js wants to know of a day: see `opcua_peer`."""
    origin = time.time()
    return {
        "origin": origin,
        "start": origin if start is None else start,
        "speed": speed,
        "step": step,
        "jet": jet,
        "chip": None if chip is None else {"at": chip[0], "size": chip[1]},
        "first_count": first_count,
        "rows": rows,
    }


@contextmanager
def own_folder() -> Iterator[Path]:
    with tempfile.TemporaryDirectory(prefix="peer-") as folder:
        yield Path(folder)


@contextmanager
def opcua_peer(
    *, users: Mapping[str, str] | None = None, anonymous: bool = True, **day: Any
) -> Iterator[OpcUa]:
    """node-opcua: ns=2;s=Pump.Pressure, .StrokeCount, .StrokeRate, .JetValve, .WaterTemperature.

    Security None and Basic256Sha256 SignAndEncrypt; any client certificate is trusted until the
    fault "untrusted". The pump's day begins with the server, runs `speed` times as fast as ours,
    and goes on over a restart; timestamps are the day's. `start`: what the pump's clock shows
    then (s since 1970; now if not said). `step`: s of the day between two readings. `jet`: s that
    it is on and off in turn. `chip`: when (s of the day) and by what share the bore opens.
    `first_count`: of the stroke counter. `rows`: a logged day in place of the invented one, as
    `rows_of` has it.
    """
    with own_folder() as folder:
        options = {
            "pki_folder": str(folder / "pki"),
            "users": dict(users or {}),
            "anonymous": anonymous,
            "day": _day(**day),
        }
        with OpcUa("opcua.js", folder, options) as peer:
            yield peer


@contextmanager
def modbus_peer(*, unit_id: int = 1, **day: Any) -> Iterator[Modbus]:
    """modbus-serial, with the registers that `told["registers"]` and modbus.js say.

    `day` is as for `opcua_peer`. Holding and input registers are the same; the valve is also
    coil and discrete input 0. All else is exception 2, and a write exception 1.
    """
    with (
        own_folder() as folder,
        Modbus("modbus.js", folder, {"unit_id": unit_id, "day": _day(**day)}) as peer,
    ):
        yield peer


@contextmanager
def sparkplug_peer(
    *, broker: int, group: str, node: str, births: Mapping[str, Metrics]
) -> Iterator[EdgeNode]:
    """sparkplug-client at the broker of that port, with the metrics that its `births` have.

    Metrics are as that package has them, by device; "" is the node itself.
    """
    options = {"broker": broker, "group": group, "node": node, "births": births}
    with own_folder() as folder, EdgeNode("sparkplug.js", folder, options) as peer:
        yield peer


@contextmanager
def smtp_peer(
    *,
    security: Literal["none", "starttls", "tls"] = "none",
    users: Mapping[str, str] | None = None,
    certificate_days: int = 30,
) -> Iterator[MailServer]:
    """smtp-server, which takes any mail; with `users`, from nobody else.

    The certificate is self-signed, and expired where `certificate_days` is negative.
    """
    with own_folder() as folder:
        made = None if security == "none" else self_signed(folder, "mail", days=certificate_days)
        options = {
            "security": security,
            "users": dict(users or {}),
            "certificate": None if made is None else str(made.pem),
            "private_key": None if made is None else str(made.key),
        }
        with MailServer(folder, options) as peer:
            yield peer
