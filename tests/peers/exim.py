"""Debian's exim4: the mail server of many a shop, with STARTTLS, a login and mailboxes of its own.

It needs no root: it runs as whoever starts it, or, for root, as the user of Debian's package.
"""

from __future__ import annotations

import email.policy
import getpass
import grp
import mailbox
import os
import pwd
import shutil
import socket
import time
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from email.message import EmailMessage
from pathlib import Path
from typing import Any

from wire import needs

from .broker import LIFELINE
from .certificates import self_signed
from .node import own_folder
from .process import PATIENCE, Peer

PACKAGE_USER = "Debian-exim"
FAULTS = {
    "answer": "`code` and `text` to a `recipient` at RCPT, or to a `subject` after the text",
    "delay": "`seconds` before the answer that follows the text",
    "size_limit": "`bytes` of a message, which exim holds against the SIZE at MAIL",
}
CONFIGURATION = """\
FOLDER = {folder}
FAULTS = lsearch{{{folder}/faults}}
PASSWORDS = lsearch{{{folder}/passwords}}
BOXES = dsearch{{{folder}/boxes}}
primary_hostname = mail.invented-shop.example
spool_directory = FOLDER/spool
log_file_path = FOLDER/%slog
pid_file_path = FOLDER/exim.pid
exim_user = {user}
exim_group = {group}
keep_environment =
disable_ipv6
host_lookup =
rfc1413_hosts = :
tls_advertise_hosts = *
tls_certificate = {certificate}
tls_privatekey = {key}
auth_advertise_hosts = ${{if def:tls_in_cipher {{*}}}}
message_size_limit = ${{lookup{{SIZE}}FAULTS{{$value}}{{1M}}}}
domainlist ours = invented-shop.example
acl_smtp_mail = mail
acl_smtp_rcpt = rcpt
acl_smtp_data = text

begin acl
mail:
  deny !authenticated = *
    message = 530 5.7.0 log in first
  accept
rcpt:
  deny !domains = +ours
    message = 550 5.7.1 relay not permitted
  require verify = recipient
  warn set acl_m_said = ${{lookup{{RCPT/$local_part@$domain}}FAULTS}}
  accept acl = answered
text:
  warn delay = ${{lookup{{DELAY}}FAULTS{{$value}}{{0s}}}}
  warn set acl_m_said = ${{lookup{{END/${{sg{{$h_subject:}}{{:.*}}{{}}}}}}FAULTS}}
  accept acl = answered
answered:
  defer condition = ${{if match{{$acl_m_said}}{{^4}}}}
    message = $acl_m_said
  deny condition = ${{if match{{$acl_m_said}}{{^5}}}}
    message = $acl_m_said
  accept

begin routers
boxes:
  driver = accept
  condition = ${{lookup{{$local_part@$domain}}BOXES{{yes}}{{no}}}}
  transport = box

begin transports
box:
  driver = appendfile
  file = FOLDER/boxes/${{lookup{{$local_part@$domain}}BOXES}}

begin authenticators
plain:
  driver = plaintext
  public_name = PLAIN
  server_prompts = :
  server_condition = ${{if eq{{$auth3}}{{${{lookup{{$auth2}}PASSWORDS{{$value}}fail}}}}}}
  server_set_id = $auth2
"""


class Exim(Peer):
    """exim4 on a port of its own; `set_fault` knows what `FAULTS` says, each for one at a time.

    `people` are the addresses that have a mailbox; exim refuses all others by itself.
    """

    def __init__(self, folder: Path, users: Mapping[str, str], people: Sequence[str]) -> None:
        super().__init__(folder)
        self._exim = needs("exim4", "exim4-daemon-light")
        self._user = PACKAGE_USER if os.geteuid() == 0 else getpass.getuser()
        made = self_signed(folder, "mail")
        self.certificate = made.pem
        self._boxes = folder / "boxes"
        for part in ("boxes", "spool"):
            (folder / part).mkdir()
        for person in people:
            (self._boxes / person).touch(mode=0o600)
        (folder / "passwords").write_text("".join(f"{u}: {p}\n" for u, p in users.items()))
        group = pwd.getpwnam(self._user).pw_gid
        text = CONFIGURATION.format(
            folder=folder,
            user=self._user,
            group=grp.getgrgid(group).gr_name,
            certificate=made.pem,
            key=made.key,
        )
        (folder / "exim.conf").write_text(text)
        self._write_faults([])
        for path in (folder, *folder.rglob("*")):
            shutil.chown(path, self._user, group)

    def _write_faults(self, faults: list[dict[str, Any]]) -> None:
        """Exim looks them up anew for each command."""
        lines = []
        for fault in faults:
            match fault:
                case {"name": "answer", "recipient": whom, "code": code, "text": text}:
                    lines.append(f"RCPT/{whom}: {code} {text}")
                case {"name": "answer", "subject": what, "code": code, "text": text}:
                    lines.append(f"END/{what}: {code} {text}")
                case {"name": "delay", "seconds": seconds}:
                    lines.append(f"DELAY: {seconds}s")
                case {"name": "size_limit", "bytes": most}:
                    lines.append(f"SIZE: {most}")
                case _:
                    raise ValueError(f"no fault {fault}; there are {FAULTS}")
        fresh = self.folder / "faults.new"
        fresh.write_text("".join(f"{line}\n" for line in lines))
        fresh.chmod(0o644)
        fresh.replace(self.folder / "faults")

    def _apply(self, faults: list[dict[str, Any]]) -> None:
        self._write_faults(faults)

    def _start(self) -> None:
        self._write_faults(self._faults)
        as_user = ["setpriv", f"--reuid={self._user}", "--clear-groups"]
        group = pwd.getpwnam(self._user).pw_gid
        self._process = self._run(
            *([*as_user, f"--regid={group}"] if os.geteuid() == 0 else []),
            *("/bin/sh", "-c", LIFELINE, "sh", self._exim, "-bdf"),
            *("-C", str(self.folder / "exim.conf"), "-oX", f"{self.host}.{self.port}"),
        )
        deadline = time.monotonic() + PATIENCE
        while not self._greets():
            if self._process.poll() is not None or time.monotonic() > deadline:
                raise self._complaint("no greeting")
            time.sleep(0.02)

    def _greets(self) -> bool:
        with suppress(OSError), socket.create_connection((self.host, self.port), PATIENCE) as door:
            return door.recv(3) == b"220"
        return False

    def log(self) -> list[str]:
        """Lines of exim's log; it keeps one only as root or as the user of its package."""
        path = self.folder / "mainlog"
        return path.read_text().splitlines() if path.exists() else []

    def box(self, person: str) -> list[EmailMessage]:
        """What lies in a mailbox, once all that exim has taken is delivered; oldest first."""
        deadline = time.monotonic() + PATIENCE
        while any((self.folder / "spool" / "input").rglob("*-[DH]")):
            if time.monotonic() > deadline:
                raise self._complaint("a message was not delivered")
            time.sleep(0.02)
        kept = mailbox.mbox(self._boxes / person, create=False)
        return [
            email.message_from_bytes(each.as_bytes(), policy=email.policy.default) for each in kept
        ]

    def empty(self) -> None:
        """Throws away what lies in the mailboxes."""
        for path in self._boxes.iterdir():
            self.box(path.name)
            path.write_bytes(b"")


@contextmanager
def exim_peer(users: Mapping[str, str], people: Sequence[str]) -> Iterator[Exim]:
    """exim4 that takes mails of `users`, after STARTTLS, for `people` of invented-shop.example.

    The certificate is self-signed.
    """
    with own_folder() as folder, Exim(folder, users, people) as peer:
        yield peer
