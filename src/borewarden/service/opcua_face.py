"""Shows each machine's verdict as an OPC UA server on this computer; off by default.

    Objects / Borewarden / NAME / DeviceHealth, Headline, Reason, ...

Clients may read, browse and subscribe. They may write and call nothing, and only programs of this
computer reach it. DeviceHealth is that of OPC 10000-100, which has the categories of NAMUR NE 107.
"""

from __future__ import annotations

import asyncio
import math
import socket
from collections.abc import Callable, Mapping
from contextlib import suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

from asyncua import Server, ua
from asyncua.crypto.permission_rules import USER_TYPES, PermissionRuleset, User

from borewarden.base.backoff import back_off
from borewarden.base.plain_errors import plain_reason
from borewarden.service.status import MachineStatus
from borewarden.show.wording import headline

HOST = "127.0.0.1"
NAMESPACE = "urn:borewarden:verdicts"
LOOK = 1.0  # s between two looks at what has changed
DEVICE_HEALTH = {  # OPC 10000-100, DeviceHealthEnumeration
    "good": 0,
    "failure": 1,
    "function check": 2,
    "out of specification": 3,
    "maintenance required": 4,
}
CHECK_FUNCTION = DEVICE_HEALTH["function check"]
CHANGES = {
    ua.NodeId(ua.ObjectIds.WriteRequest_Encoding_DefaultBinary),
    ua.NodeId(ua.ObjectIds.CallRequest_Encoding_DefaultBinary),
}
READING = {ua.NodeId(each) for each in USER_TYPES} - CHANGES

_DOUBLE, _TEXT = ua.VariantType.Double, ua.VariantType.String
VARIABLES = {
    "DeviceHealth": (ua.VariantType.Int32, "0 normal, 1 failure, 2 check function, 3 off spec, "
                     "4 maintenance required (OPC 10000-100)"),
    "IsSeen": (ua.VariantType.Boolean, "whether there was a usable reading lately"),
    "State": (_TEXT, "what the watcher believes of the fitted bore"),
    "Headline": (_TEXT, "the verdict in a sentence"),
    "Reason": (_TEXT, "what it rests on"),
    "Alarm": (_TEXT, "its state in the words of ISA-18.2"),
    "OpenedProbability": (_DOUBLE, "that the bore has opened up, 0 to 1"),
    "EffectiveBore": (_DOUBLE, "in m"),
    "EffectiveAreaRatio": (_DOUBLE, "of the effective area to the baseline"),
    "JetHours": (_DOUBLE, "of the fitted jewel, in h"),
    "NewestSample": (ua.VariantType.DateTime, "its time, UTC"),
}  # fmt: skip


FIRST = {  # until the first look, which follows at once: never a health that is normal
    ua.VariantType.Int32: CHECK_FUNCTION,
    ua.VariantType.Boolean: False,
    _TEXT: "",
    _DOUBLE: math.nan,
    ua.VariantType.DateTime: datetime.fromtimestamp(0, UTC),
}


@dataclass(frozen=True)
class Shown:
    """One variable: its value, None where it is not known, and whether it can be believed now."""

    value: Any
    is_current: bool = True


class _OnlyRead(PermissionRuleset):  # type: ignore[misc]
    """Nobody may write, call, or change the address space."""

    def check_validity(self, user: User, action_type_id: ua.NodeId, body: Any) -> bool:
        """Whether a request is one that reads."""
        return action_type_id in READING


def shown(status: MachineStatus) -> dict[str, Shown]:
    """The variables of a machine; of one that is not seen, only that, and old values."""
    verdict = status.verdict
    is_seen = status.is_seen
    health = DEVICE_HEALTH[verdict.state.ne107] if is_seen else CHECK_FUNCTION
    newest = status.last_sample_ns
    return {
        "DeviceHealth": Shown(health, is_seen),
        "IsSeen": Shown(is_seen),
        "State": Shown(verdict.state.value, is_seen),
        "Headline": Shown(headline(verdict), is_seen),
        "Reason": Shown(verdict.reason, is_seen),
        "Alarm": Shown(status.alarm),
        "OpenedProbability": Shown(_known(verdict.probability), is_seen),
        "EffectiveBore": Shown(_known(verdict.bore), is_seen),
        "EffectiveAreaRatio": Shown(_known(verdict.area_ratio), is_seen),
        "JetHours": Shown(_known(verdict.jet_hours), is_seen),
        "NewestSample": Shown(datetime.fromtimestamp(newest / 1e9, UTC) if newest else None),
    }


def _known(value: float | None) -> float | None:
    return None if value is None or not math.isfinite(value) else float(value)


def data_value(name: str, each: Shown) -> ua.DataValue:
    """A variable with its quality: bad where there is no value, uncertain where it is old."""
    if each.value is None:
        return ua.DataValue(ua.Variant(None), ua.StatusCode(ua.StatusCodes.BadNoData))
    status = (
        ua.StatusCodes.Good
        if each.is_current
        else ua.StatusCodes.UncertainNoCommunicationLastUsableValue
    )
    now = datetime.now(UTC)
    return ua.DataValue(ua.Variant(each.value, VARIABLES[name][0]), ua.StatusCode(status), now, now)


async def offer(
    statuses: Mapping[str, MachineStatus],
    port: int,
    report: Callable[[str | None], None] = lambda reason: None,
    look: float = LOOK,
) -> None:
    """Serve for ever; cancel it to stop. `report` hears why that does not work, or None."""
    failures = 0
    while True:
        try:
            socket.create_server((HOST, port)).close()  # to build a server takes a second
            server = await _built(port)
            await server.start()
        except OSError as error:
            failures += 1
            report(plain_reason(error))
            await asyncio.sleep(back_off(failures, 1.0, 60.0))
            continue
        report(None)
        try:
            await _keep_up(server, statuses, look)
        finally:
            with suppress(Exception):  # whatever a client does at that moment
                await server.stop()


async def _built(port: int) -> Server:
    server = Server()
    await server.init()
    server.set_endpoint(f"opc.tcp://{HOST}:{port}/")
    server.set_server_name("borewarden")
    server.set_security_policy([ua.SecurityPolicyType.NoSecurity], _OnlyRead())
    await server.register_namespace(NAMESPACE)
    return server


async def _keep_up(server: Server, statuses: Mapping[str, MachineStatus], look: float) -> None:
    """Add each machine, and write what has changed."""
    space = await server.get_namespace_index(NAMESPACE)
    folder = await server.nodes.objects.add_object(space, "Borewarden")
    nodes: dict[tuple[str, str], ua.NodeId] = {}
    told: dict[tuple[str, str], Shown] = {}
    while True:
        for machine, status in statuses.items():
            if (machine, "IsSeen") not in nodes:
                nodes |= await _added(folder, space, machine)
            for name, each in shown(status).items():
                if told.get((machine, name)) != each:
                    value = data_value(name, each)
                    await server.write_attribute_value(nodes[machine, name], value)
                    told[machine, name] = each
        await asyncio.sleep(look)


async def _added(folder: Any, space: int, machine: str) -> dict[tuple[str, str], ua.NodeId]:
    """The variables of one more machine, which no client can write."""
    made = await folder.add_object(ua.NodeId(machine, space), ua.QualifiedName(machine, space))
    nodes = {}
    for name, (kind, meaning) in VARIABLES.items():
        node_id = ua.NodeId(f"{machine}.{name}", space)
        named = ua.QualifiedName(name, space)
        variable = await made.add_variable(node_id, named, FIRST[kind], kind)
        told = ua.DataValue(ua.Variant(ua.LocalizedText(meaning)))
        await variable.write_attribute(ua.AttributeIds.Description, told)
        nodes[machine, name] = node_id
    return nodes
