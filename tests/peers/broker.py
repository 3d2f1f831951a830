"""Debian's mosquitto, with passwords, client certificates, rights and a memory."""

from __future__ import annotations

import json
import os
import shutil
import signal
import subprocess
import time
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Any, Literal

import trustme

from .certificates import Certificate
from .node import own_folder
from .process import PATIENCE, Peer, unavailable

# the shell waits for the end of stdin, as the other servers do, and then becomes the server
LIFELINE = 'exec 3<&0; (cat <&3 >/dev/null; kill $$ 2>/dev/null) & exec "$@" </dev/null 3<&-'
PATH = f"{os.environ['PATH']}:/usr/sbin:/usr/local/sbin"
EVERYTHING = "topic readwrite #\npattern readwrite #"
FAULTS = {
    "no_access": "nobody may read or write any topic",
    "wrong_password": "nobody's password is right any more",
}
Security = Literal["none", "tls", "client certificates"]


class Broker(Peer):
    """mosquitto on a port of its own; `set_fault` knows what `FAULTS` says."""

    def __init__(
        self, folder: Path, security: Security, users: Mapping[str, str], rights: str
    ) -> None:
        super().__init__(folder)
        found = shutil.which("mosquitto", path=PATH)
        if found is None:
            unavailable("needs mosquitto")
        self._mosquitto = found
        self._users = users
        self._rights = rights
        self._authority = trustme.CA()
        self.ca = folder / "ca.pem"
        self._authority.cert_pem.write_to_path(str(self.ca))
        self.certificate = self._issue("broker", "127.0.0.1", "localhost")
        self._configure(security)

    def _issue(self, name: str, *names: str) -> Certificate:
        """A certificate that the broker's authority vouches for."""
        made = self._authority.issue_cert(*names, common_name=name)
        pem, key = self.folder / f"{name}.pem", self.folder / f"{name}-key.pem"
        made.cert_chain_pems[0].write_to_path(str(pem))
        made.private_key_pem.write_to_path(str(key))
        return Certificate(pem=pem, key=key)

    def client(self, name: str) -> Certificate:
        """A certificate that lets a client in, under this name."""
        return self._issue(name, f"{name}@invented-shop.example")

    def _configure(self, security: Security) -> None:
        lines = [
            f"listener {self.port} 127.0.0.1",
            f"allow_anonymous {json.dumps(not self._users)}",
            f"acl_file {self.folder}/rights",
            "persistence true",
            f"persistence_location {self.folder}/",
            "autosave_on_changes true",  # what was taken outlives a kill
            "autosave_interval 1",
            f"log_dest file {self.folder}/log",
            "log_type all",
            "user root",  # no other may read this folder; without effect where it is not root
        ]
        if self._users:
            lines.append(f"password_file {self.folder}/passwords")
        if security != "none":
            lines += [
                f"cafile {self.ca}",
                f"certfile {self.certificate.pem}",
                f"keyfile {self.certificate.key}",
            ]
        if security == "client certificates":
            lines += ["require_certificate true", "use_identity_as_username true"]
        (self.folder / "mosquitto.conf").write_text("\n".join(lines) + "\n")

    def _write_state(self, faults: list[dict[str, Any]]) -> None:
        names = [fault["name"] for fault in faults]
        for name in names:
            if name not in FAULTS:
                raise ValueError(f'no fault "{name}"; there are {", ".join(FAULTS)}')
        rights = "topic read nothing" if "no_access" in names else self._rights
        (self.folder / "rights").write_text(rights + "\n")
        if self._users:
            other = "-other" if "wrong_password" in names else ""
            passwords = self.folder / "passwords"
            passwords.write_text("".join(f"{u}:{p}{other}\n" for u, p in self._users.items()))
            passwords.chmod(0o600)
            subprocess.run(["mosquitto_passwd", "-U", passwords], check=True)

    def _start(self) -> None:
        self._write_state(self._faults)
        seen = len(self.log())
        configuration = str(self.folder / "mosquitto.conf")
        self._process = self._run(
            "/bin/sh", "-c", LIFELINE, "sh", self._mosquitto, "-c", configuration
        )
        # a connection would not tell: until that line a SIGHUP ends it
        self._wait_for(" running", seen)

    def _apply(self, faults: list[dict[str, Any]]) -> None:
        assert self._process is not None
        self._write_state(faults)
        seen = len(self.log())
        self._process.send_signal(signal.SIGHUP)
        self._wait_for("Reloading config.", seen)

    def _wait_for(self, words: str, seen: int) -> None:
        """Waits until a line of the log ends with `words`, after those that were seen."""
        assert self._process is not None
        deadline = time.monotonic() + PATIENCE
        while not any(line.endswith(words) for line in self.log()[seen:]):
            if self._process.poll() is not None or time.monotonic() > deadline:
                raise self._complaint(f"not a word of {words!r}")
            time.sleep(0.02)

    def log(self) -> list[str]:
        """Lines of mosquitto's log, such as "…: Received PUBLISH from north (…)"."""
        path = self.folder / "log"
        return path.read_text().splitlines() if path.exists() else []


@contextmanager
def mosquitto_peer(
    *,
    security: Security = "none",
    users: Mapping[str, str] | None = None,
    rights: str = EVERYTHING,
) -> Iterator[Broker]:
    """mosquitto; `rights` are lines of its ACL file, of `users` or of certificates' names.

    With `security="client certificates"` nobody gets in without one of `Broker.client`. Retained
    messages, and those for clients that are away, outlive a restart.
    """
    with own_folder() as folder, Broker(folder, security, users or {}, rights) as peer:
        yield peer
