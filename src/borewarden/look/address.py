"""An address as a person types it, and the [source] that reads there."""

from __future__ import annotations

import re
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any
from urllib.parse import SplitResult, urlsplit

from borewarden.base.errors import BadInput
from borewarden.settings.consistency import check_together
from borewarden.settings.load import settings_of
from borewarden.settings.machine import MachineSettings
from borewarden.settings.source import SOURCE_FILES

if TYPE_CHECKING:  # the protocols' libraries are slow to import
    from borewarden.collect.live import Source

SCHEMES = ("opc.tcp", "modbus", "modbus+rtu", "mqtt", "mqtts")
ADDRESS = re.compile(r"[a-z][a-z0-9.+]+://.*")
PORTS = {"opc.tcp": 4840, "modbus": 502, "mqtt": 1883, "mqtts": 8883}
EXAMPLES = "opc.tcp://HOST:4840, modbus://HOST:502, modbus+rtu:///dev/ttyUSB0 or mqtt://HOST:1883"
# what a machine file has to have besides; nothing of it is used here
REST: Mapping[str, Any] = {
    "name": "address", "time_zone": "UTC",
    "pump": {"kind": "intensifier", "rated_pressure": "400 MPa", "rated_power": "37 kW",
             "plunger_diameter": "22 mm", "stroke": "200 mm", "dead_volume": "8 cm^3",
             "max_stroke_rate": "60 strokes/min", "intensification_ratio": 20},
    "jewel": [{"fitted": "2026-01-01T00:00:00", "bore": "0.010 in", "material": "ruby"}],
}  # fmt: skip
POINTS: Mapping[str, Mapping[str, Any]] = {
    "modbus": {"function": 3, "type": "uint16"},
    "opc": {"node": "i={}"},
    "mqtt": {"field": "{}"},
}


def is_address(text: str) -> bool:
    """Whether a person means an address, and not a file."""
    return ADDRESS.fullmatch(text) is not None


def section_of(address: str, stated: Mapping[str, str]) -> dict[str, Any]:
    """[source] of an address, without its channels; `stated` are further fields of it, as text."""
    if "@" in address:
        raise BadInput(
            address, "address", "a user must not be in it",
            "give --source user=NAME, and the password in BOREWARDEN_SOURCE__PASSWORD",
        )  # fmt: skip
    try:
        url = urlsplit(address)
        section = _of_url(address, url)
    except BadInput:
        raise
    except ValueError as error:
        raise BadInput(address, "address", str(error), f"write it as {EXAMPLES}") from None
    return section | {name: _plain(value) for name, value in stated.items()}


def _of_url(address: str, url: SplitResult) -> dict[str, Any]:
    if url.scheme == "opc.tcp":
        return {"kind": "opc ua", "url": address}
    if url.scheme == "modbus+rtu" and url.path:
        return {"kind": "modbus rtu", "device": url.path}
    known = url.scheme in PORTS
    if not known or not url.hostname:
        wrong = "there is no host in it" if known else f"{url.scheme!r} can't be looked at"
        raise BadInput(address, "address", wrong, f"write it as {EXAMPLES}")
    section: dict[str, Any] = {"host": url.hostname, "port": url.port or PORTS[url.scheme]}
    if url.scheme == "modbus":
        return {"kind": "modbus tcp", **section}
    tls = {"tls": True} if url.scheme == "mqtts" else {}
    topic = address.partition("://")[2].partition("/")[2]  # a # in it is no fragment
    return {"kind": "mqtt", **section, "topic": topic or "#", **tls}


def usual_name(section: Mapping[str, Any]) -> str:
    """The machine's name where nobody has one: "pump at 192.0.2.10", and what tells it from others.

    A port that is not a usual one tells it, and so does a unit behind a gateway.
    """
    url = urlsplit(str(section.get("url", "")))
    where = section.get("device") or section.get("host") or url.hostname
    port = section.get("port") or url.port
    other_port = "" if port in (None, *PORTS.values()) else f":{port}"
    unit = f" unit {section['unit_id']}" if "unit_id" in section else ""
    return f"pump at {where}{other_port}{unit}"


def _plain(text: str) -> object:
    """A number or a truth value where the text is one."""
    words = {"true": True, "false": False}
    return int(text) if text.isdecimal() else words.get(text, text)


def opened(section: Mapping[str, Any], target: Path) -> Source:
    """What the collectors take of a section; its files lie beside the machine file `target`.

    Raises BadInput for what the settings of a machine don't take either.
    """
    from borewarden.collect.live import set_aside

    kind = str(section["kind"]).partition(" ")[0]
    points: dict[str, dict[str, Any]] = {
        name: {key: value.format(name) if isinstance(value, str) else value
               for key, value in POINTS[kind].items()}
        for name in ("pressure", "stroke_count")
    }  # fmt: skip
    if kind == "modbus":
        points = {name: {**point, "address": at} for at, (name, point) in enumerate(points.items())}
    if "password" in section:
        raise BadInput(
            "--source", "password", "a password must not be in a command or a file",
            "put it into BOREWARDEN_SOURCE__PASSWORD",
        )  # fmt: skip
    files = {name: target.parent / section[name] for name in SOURCE_FILES if name in section}
    points["pressure"]["unit"] = "bar"
    source = {**section, **files, **points}
    settings = settings_of(MachineSettings, target, {**REST, "source": source})
    check_together(target, settings)
    found = settings.live_source()
    assert found is not None
    return set_aside(found)
