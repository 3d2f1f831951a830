"""One server program: started, stopped, hung, and told its faults."""

from __future__ import annotations

import os
import random
import signal
import socket
import subprocess
from contextlib import suppress
from pathlib import Path
from typing import Any, NoReturn, Self

import pytest

PATIENCE = 60.0  # s, a bound only; nothing here takes that long


def unavailable(reason: str) -> NoReturn:
    """Skips the test, or fails it where every server has to be there."""
    if os.environ.get("BOREWARDEN_REQUIRE_PEERS") == "1":
        pytest.fail(f"{reason}; run tests/peers/install")
    pytest.skip(f"{reason}; run tests/peers/install")


def free_port() -> int:
    """A port that nobody listens on, and that no client is given while its server is down."""
    for port in random.SystemRandom().sample(range(20_000, 30_000), 100):
        with socket.socket() as probe, suppress(OSError):
            probe.bind(("127.0.0.1", port))
            return port
    raise OSError("no free port between 20000 and 30000")


class Peer:
    """A server with a port of its own and faults that can be switched on and off.

    `folder` is its own. Its faults are kept here and hold over a restart.
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.host = "127.0.0.1"
        self.port = free_port()
        self._faults: list[dict[str, Any]] = []
        self._is_up = False
        self._process: subprocess.Popen[str] | None = None

    def __enter__(self) -> Self:
        try:
            self.up()
        except BaseException:
            self._end()
            raise
        return self

    def __exit__(self, *_: object) -> None:
        self._end()

    def _start(self) -> None:
        """Comes back when the server answers."""
        raise NotImplementedError

    def _stop(self) -> None:
        """Stops the server in good order."""
        self._end()

    def _apply(self, faults: list[dict[str, Any]]) -> None:
        """Tells the running server its faults; ValueError where it knows no such fault."""
        raise NotImplementedError

    def _replace(self, faults: list[dict[str, Any]]) -> None:
        if self._is_up:
            self._apply(faults)
        self._faults = faults

    def set_fault(self, name: str, **given: Any) -> None:
        """Switches a fault on; one of the same name, channel and command gives way to it."""

        def key(fault: dict[str, Any]) -> tuple[Any, ...]:
            return tuple(fault.get(field) for field in ("name", "channel", "command", "recipient"))

        fault = {"name": name, **given}
        self._replace([f for f in self._faults if key(f) != key(fault)] + [fault])

    def clear_faults(self, name: str | None = None) -> None:
        """Switches all faults off, or those of one name."""
        self._replace([f for f in self._faults if name is not None and f["name"] != name])

    def log(self) -> list[Any]:
        """What the server has noted since its first start, oldest first."""
        raise NotImplementedError

    def up(self) -> None:
        """Starts the server, on the same port and with the faults that are set."""
        if not self._is_up:
            self._start()
            self._is_up = True

    def down(self, kill: bool = False) -> None:
        """Stops the server; with `kill` it has no time to say goodbye."""
        if not self._is_up:
            return
        self._is_up = False
        if kill:
            self._end(kill=True)
        else:
            self._stop()

    def hang(self) -> None:
        """Has the server do nothing at all, with its connections open, until `resume`.

        A test that is killed meanwhile leaves it behind.
        """
        assert self._process is not None
        self._process.send_signal(signal.SIGSTOP)

    def resume(self) -> None:
        """Has a hung server go on."""
        assert self._process is not None
        self._process.send_signal(signal.SIGCONT)

    def _run(self, *command: str) -> subprocess.Popen[str]:
        """A program that is to end when its stdin does; what it complains of is in `stderr`."""
        with (self.folder / "stderr").open("a") as errors:
            return subprocess.Popen(
                command,
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                stderr=errors,
                cwd=self.folder,
                text=True,
            )

    def _end(self, kill: bool = False) -> None:
        process, self._process, self._is_up = self._process, None, False
        if process is None:
            return
        if kill:
            process.kill()
        assert process.stdin is not None
        assert process.stdout is not None
        with suppress(BrokenPipeError):
            process.stdin.close()  # which ends it
        process.send_signal(signal.SIGCONT)
        try:
            process.wait(PATIENCE)
        finally:
            process.kill()
            process.stdout.close()

    def _complaint(self, what: str) -> RuntimeError:
        """With the last that the program said. Ends it, since nobody knows how it is."""
        self._end(kill=True)
        said = (self.folder / "stderr").read_text()[-2000:]
        return RuntimeError(f"{type(self).__name__}: {what}. It said:\n{said}")
