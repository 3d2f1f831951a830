"""Settings of the whole service: `service.toml` beside the machine files. All of it is optional.

Secrets are not in the file. They come from the environment (BOREWARDEN_SERVICE_INFLUX_TOKEN,
BOREWARDEN_SERVICE_MAIL_PASSWORD) or from the files `influx_token` and `mail_password` in the
directory that systemd ($CREDENTIALS_DIRECTORY) or $BOREWARDEN_SECRETS_DIR names.
"""

from __future__ import annotations

import os
import re
import ssl
from collections.abc import Iterable
from dataclasses import replace
from pathlib import Path
from typing import Annotated, Literal
from urllib.parse import urlsplit

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, SecretStr, model_validator
from pydantic_settings import (
    PydanticBaseSettingsSource,
    SecretsSettingsSource,
    SettingsConfigDict,
)

from borewarden.alert.alarm import SIGHT_ALARM, AlarmSettings
from borewarden.alert.delivery import MailSettings, check_address
from borewarden.base.errors import BadInput
from borewarden.base.hosts import is_loopback, is_wildcard
from borewarden.base.units import bad_value
from borewarden.settings import (
    SERVICE_FILE,
    SHOP_FILE,
    MachineSettings,
    Unit,
    load_machine,
    read_toml,
    settings_of,
)
from borewarden.settings.sections import FileSettings
from borewarden.settings.units import Name, ShownUnits
from borewarden.store.influx import InfluxSettings


def _address(address: str) -> str:
    try:
        check_address(address)
    except ValueError as error:
        raise bad_value(str(error), 'give one such as "maintenance@example.org"') from None
    return address


def _web_address(url: str) -> str:
    if not re.fullmatch(r"https?://[^\s/@]+(/\S*)?", url):
        raise bad_value(
            f"{url!r} is not the address of a web server",
            'give one such as "http://127.0.0.1:8086"',
        )
    return url


Address = Annotated[str, AfterValidator(_address)]
Delay = Annotated[float, Unit("s", 0.0, 30 * 86400.0, '"30 s" or "4 h"')]
Repeat = Annotated[float, Unit("s", 1.0, 30 * 86400.0, '"4 h"')]
Age = Annotated[float, Unit("s", 30 * 86400.0, 100 * 366 * 86400.0, '"400 days"')]
Seconds = Annotated[float, Unit("s", 0.0, 30.0, '"10 s"')]
LOOPBACK = ("127.0.0.1", "localhost", "::1")
Days = Annotated[float, Unit("s", 3600.0, 366 * 86400.0, '"7 days" or "12 h"')]
LoginTime = Annotated[float, Unit("s", 60.0, 90 * 86400.0, '"12 h" or "30 days"')]


def _host_name(name: str) -> str:
    plain = re.fullmatch(r"[A-Za-z0-9]([A-Za-z0-9.-]{0,251}[A-Za-z0-9])?", name)
    if plain or (":" in name and re.fullmatch(r"\[?[0-9A-Fa-f:.]+\]?", name)):
        return name
    raise bad_value(
        f"{name!r} is not the name or address of a computer",
        'give what people type, without http:// and without a port: "bore.shop.example"',
    )


HostName = Annotated[str, AfterValidator(_host_name)]


class _Section(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class PageSection(_Section):
    """The service's own page; port 0 for none.

    `names` are those by which others reach it. `clear_password` allows passwords to cross the
    network without TLS. `log_in_every` is how long a login lasts, s.
    """

    host: Name = "127.0.0.1"
    port: Annotated[int, Field(ge=0, le=65535)] = 8787
    names: list[HostName] = []
    certificate: Path | None = None
    key: Path | None = None
    clear_password: bool = False
    log_in_every: LoginTime = 12 * 3600.0

    @property
    def address(self) -> str:
        """What to type into a browser; of a proxy before the page, only this side is known."""
        host = self.names[0] if is_wildcard(self.host) else self.host
        host = f"[{host}]" if ":" in host and not host.startswith("[") else host
        return f"{'http' if self.certificate is None else 'https'}://{host}:{self.port}/"

    @property
    def is_behind_proxy(self) -> bool:
        """Whether others come by a proxy on this computer."""
        return is_loopback(self.host) and not all(map(is_loopback, self.names))

    @property
    def is_open(self) -> bool:
        """Whether anybody but this computer can come, so that a login is needed."""
        return self.is_behind_proxy or not is_loopback(self.host)

    @model_validator(mode="after")
    def _check(self) -> PageSection:
        if (self.certificate is None) is not (self.key is None):
            raise bad_value("certificate and key belong together", "give both or none")
        if is_wildcard(self.host) and not self.names:
            raise bad_value(
                f"{self.host} is every address of this computer, but none that a browser asks for",
                'give names = ["bore.shop.example", "192.0.2.10"], those that people type',
            )
        is_clear = self.certificate is None and not is_loopback(self.host)
        if self.port and is_clear and not self.clear_password:
            raise bad_value(
                "passwords would cross the network in clear text",
                "give certificate and key, or listen on 127.0.0.1 behind a proxy with TLS "
                "(docs/security.md), or say clear_password = true",
            )
        return self


class InfluxSection(_Section):
    """A write API of InfluxDB 2, or of InfluxDB 1.

    `clear_token` allows the token to cross the network without TLS.
    """

    url: Annotated[str, AfterValidator(_web_address)] = Field(examples=['"http://127.0.0.1:8086"'])
    bucket: Name = Field(examples=['"bores"'])
    org: Name | None = Field(default=None, examples=['"shop"'])
    api: Literal["v1", "v2"] = "v2"
    user: Name | None = None
    clear_token: bool = False

    @property
    def is_clear(self) -> bool:
        """Whether what is sent there can be read on its way."""
        parts = urlsplit(self.url)
        return parts.scheme == "http" and not is_loopback(parts.hostname or "")

    @model_validator(mode="after")
    def _check(self) -> InfluxSection:
        if self.api == "v2" and self.org is None:
            raise bad_value("there is no org", 'give the organisation, or api = "v1"')
        if self.api == "v2" and self.user is not None:
            raise bad_value("a user belongs to api v1", "leave it out: the token is enough")
        return self


class PublishSection(_Section):
    """An MQTT broker that is told each verdict."""

    host: Name = Field(examples=['"broker.example.org"'])
    port: Annotated[int, Field(ge=1, le=65535)] = 1883
    topic: Name = "borewarden"
    user: Name | None = None
    tls: bool = False
    ca_file: Path | None = None

    @model_validator(mode="after")
    def _check(self) -> PublishSection:
        if self.user is not None and not self.tls and self.host not in LOOPBACK:
            raise bad_value("the password would go out unencrypted", "tls = true")
        if set(self.topic) & set("+#"):
            raise bad_value("the topic has + or # in it", "leave them out")
        return self


class OpcUaSection(_Section):
    """An OPC UA server of the verdicts, for programs of this computer."""

    port: Annotated[int, Field(ge=1, le=65535)] = 4845


class MailSection(_Section):
    """A mail server and its recipients."""

    host: Name = Field(examples=['"mail.example.org"'])
    sender: Address = Field(examples=['"borewarden@example.org"'])
    recipients: tuple[Address, ...] = Field(min_length=1, examples=['["maintenance@example.org"]'])
    port: Annotated[int, Field(ge=1, le=65535)] = 587
    security: Literal["starttls", "tls", "none"] = "starttls"
    user: Name | None = None
    ca_file: Path | None = None
    expire_after: Days = 7 * 86400.0


class AlarmSection(_Section):
    """When mail goes out; see `AlarmSettings`."""

    on_delay: Delay = 30.0
    off_delay: Delay = 300.0
    repeat: Repeat = 4 * 3600.0
    longest_shelving: Days = 7 * 86400.0


class StoreSection(_Section):
    """How often the store is written, and for how long it keeps what."""

    commit_every: Seconds = 10.0
    thin_samples_after: Age = 400 * 86400.0
    drop_batches_after: Age = 3660 * 86400.0


class ServiceSettings(FileSettings):
    """All of `service.toml`, with the secrets from elsewhere."""

    model_config = SettingsConfigDict(
        env_prefix="BOREWARDEN_SERVICE_", env_nested_delimiter="__", extra="forbid"
    )
    units: ShownUnits = None
    page: PageSection = Field(default_factory=PageSection)
    influx: InfluxSection | None = None
    mail: MailSection | None = None
    publish: PublishSection | None = None
    opc_ua: OpcUaSection | None = None
    alarm: AlarmSection = Field(default_factory=AlarmSection)
    store: StoreSection = Field(default_factory=StoreSection)
    influx_token: SecretStr | None = None
    mail_password: SecretStr | None = None
    publish_password: SecretStr | None = None

    @classmethod
    def secrets(cls) -> list[PydanticBaseSettingsSource]:
        """The files of the secrets directory."""
        folders = [
            os.environ.get(name) for name in ("CREDENTIALS_DIRECTORY", "BOREWARDEN_SECRETS_DIR")
        ]
        return [SecretsSettingsSource(cls, folder, env_prefix="") for folder in folders if folder]

    def alarm_settings(self) -> AlarmSettings:
        """Delays of a bore's alarm."""
        return AlarmSettings(**self.alarm.model_dump())

    def sight_alarm_settings(self) -> AlarmSettings:
        """The same for the alarm that a machine can't be seen, which has its own delays."""
        return replace(SIGHT_ALARM, longest_shelving=self.alarm.longest_shelving)

    def influx_settings(self) -> InfluxSettings:
        """Where to send points. Raises ValueError if there is no [influx]."""
        if self.influx is None:
            raise ValueError("no [influx] in the service's settings")
        token = self.influx_token or SecretStr("")
        stated = self.influx.model_dump(exclude={"org", "user", "clear_token"})
        org, user = self.influx.org or "", self.influx.user or ""
        return InfluxSettings(**stated, org=org, user=user, token=token)

    def mail_settings(self) -> MailSettings:
        """Where to send mail. Raises ValueError if there is no [mail]."""
        if self.mail is None:
            raise ValueError("no [mail] in the service's settings")
        return MailSettings(**self.mail.model_dump(), password=self.mail_password)


def load_service(path: Path) -> ServiceSettings:
    """Settings from `path`, or the defaults if there is no such file. Raises BadInput."""
    data = read_toml(path) if path.exists() else {}
    for secret in ("influx_token", "mail_password", "publish_password"):
        if secret in data:
            raise BadInput(
                path,
                secret,
                "a secret must not be in this file",
                f"put it into BOREWARDEN_SERVICE_{secret.upper()} or a file of a secrets directory",
            )
    for section, names in (("mail", ("ca_file",)), ("page", ("certificate", "key"))):
        stated = data.get(section)
        if isinstance(stated, dict):
            files = {n: path.parent / stated[n] for n in names if isinstance(stated.get(n), str)}
            data[section] = stated | files
    settings = settings_of(ServiceSettings, path, data)
    _check_certificate(path, settings.page)
    sent = settings.influx
    if sent is not None and sent.is_clear and settings.influx_token and not sent.clear_token:
        raise BadInput(
            path,
            "influx.url",
            "the token would cross the network in clear text",
            "give an address with https://, or say clear_token = true",
        )
    if settings.mail is not None:
        ca_file = settings.mail.ca_file
        if ca_file is not None and not ca_file.is_file():
            raise BadInput(
                path, "mail.ca_file", f"there is no file {ca_file}", "give one beside this file"
            )
        try:
            settings.mail_settings()
        except ValueError as error:
            raise BadInput(path, "mail.security", str(error), "encrypt it") from None
    return settings


def _check_certificate(path: Path, page: PageSection) -> None:
    """Raise BadInput unless the page's certificate and key can be used."""
    if page.certificate is None or page.key is None:
        return
    for name, file in (("certificate", page.certificate), ("key", page.key)):
        if not file.is_file():
            right = "give one beside this file"
            raise BadInput(path, f"page.{name}", f"there is no file {file}", right)
    try:
        # with a word for the password, or OpenSSL would ask for one at the terminal
        ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER).load_cert_chain(page.certificate, page.key, "")
    except (OSError, ValueError) as error:  # ssl.SSLError is an OSError
        wrong = f"certificate and key can't be used ({error})"
        right = "give a PEM certificate and its own key, without a password"
        raise BadInput(path, "page.certificate", wrong, right) from None


def load_folder(config: Path) -> tuple[list[MachineSettings], ServiceSettings]:
    """Every machine file of the folder `config`, and its `service.toml`. Raises BadInput.

    If `config` is one machine file, only that machine. Each must have a [source], or be
    counted by hand.
    """
    machines = load_machines(config)
    for path, machine in machines.items():
        if machine.source is None and not machine.by_hand:
            raise BadInput(
                path,
                "source",
                "is missing",
                "say how to reach the controller, or by_hand = true to count by hand",
            )
    service = load_service(folder_of(config) / SERVICE_FILE)
    return [
        machine
        if machine.units is not None
        else machine.model_copy(update={"units": service.units})
        for machine in machines.values()
    ], service


def load_machines(config: Path) -> dict[Path, MachineSettings]:
    """Every machine of the folder `config`, or of the one machine file. Raises BadInput."""
    files = [config]
    if config.is_dir():
        others = (SERVICE_FILE, SHOP_FILE)
        files = sorted(path for path in config.glob("*.toml") if path.name not in others)
    if not files:
        raise BadInput(
            config, "folder", "there is no machine file in it", "give a folder of *.toml"
        )
    machines = {path: load_machine(path) for path in files}
    names = [machine.name for machine in machines.values()]
    for path, machine in machines.items():
        if names.count(machine.name) > 1:
            raise BadInput(
                path,
                "name",
                f"two machines are named {machine.name!r}",
                "give each machine its own name",
            )
    return machines


def common_units(machines: Iterable[MachineSettings]) -> dict[str, str] | None:
    """The units that `machines` are shown in together: what all of them chose, else the usual."""
    chosen = [machine.shown_units for machine in machines]
    return chosen[0] if chosen and all(each == chosen[0] for each in chosen) else None


def folder_of(config: Path) -> Path:
    """The folder of the machine files; `config` is that folder or one of them."""
    return config if config.is_dir() else config.parent
