"""Browse an OPC UA server whose names nobody has told us. Browse and Read services only.

Bounded in nodes, depth and time; the server's own diagnostics are left out.
"""

from __future__ import annotations

import asyncio
import time
from collections.abc import Sequence
from contextlib import aclosing, suppress
from dataclasses import dataclass, field
from typing import Any

from asyncua import Client, Node, ua

from borewarden.base.errors import BadInput
from borewarden.base.times import EARLIEST, LATEST
from borewarden.collect.link import Clock, ticks
from borewarden.collect.opcua import OpcUaSource, number_of, secure, source_time_ns
from borewarden.collect.survey import Place, Rounds, Survey, Tell, plain_name

MOST_NODES = 5000  # that are looked at
MOST_NUMBERS = 500  # that are read
DEEPEST = 12  # folders below Objects
LONGEST = 60.0  # s of browsing
SLOWEST = 0.5  # s from one reading of all to the next, unless [source] wants them sooner
AT_ONCE = 100  # nodes in one Read request
UNIT, RANGE = "EngineeringUnits", "EURange"  # properties of an analog item (OPC 10000-8, 5.3)
WIDTHS = {ua.VariantType.UInt16: 16, ua.VariantType.UInt32: 32, ua.VariantType.Int16: 16}
WHOLE = {
    ua.VariantType.SByte, ua.VariantType.Byte, ua.VariantType.Int16, ua.VariantType.UInt16,
    ua.VariantType.Int32, ua.VariantType.UInt32, ua.VariantType.Int64, ua.VariantType.UInt64,
}  # fmt: skip


@dataclass
class _Found:
    """A variable, with the nodes of what is said of it."""

    node: Node
    path: str
    said: dict[str, Node] = field(default_factory=dict)


async def browsing(source: OpcUaSource, survey: Survey, tell: Tell) -> Rounds:
    """Find the numbers that a server offers, and read them again and again.

    A reading has its source time where these go forward, else our own. Raises OSError where the
    server does not answer, or does so no more.
    """
    client = Client(source.url, timeout=source.timeout)
    try:
        await secure(client, source)
        await client.connect()
        tell(f"connected to {source.url}")
        found = await _variables(client, tell)
        nodes = await _numbers(client, found, survey)
        tell(f"{len(found)} variables, {len(nodes)} of them numbers")
        if not nodes:
            raise BadInput(
                source.url, "nodes", "there is no number among them that may be read",
                "ask the server's owner for the right to read them: --source user=NAME",
            )  # fmt: skip
        yield
        clock, dated = Clock(), _Dated()
        async with aclosing(ticks(min(source.interval, SLOWEST))) as polls:
            async for _ in polls:
                values = await _read(client, list(nodes.values()))
                now_ns = clock.now()
                for name, value in zip(nodes, values, strict=True):
                    survey.take(name, dated.time_ns(name, value, now_ns), number_of(value))
                yield
    except ua.UaError as error:
        raise ConnectionError(f"{source.url}: {type(error).__name__}") from None
    finally:
        with suppress(Exception):
            async with asyncio.timeout(source.timeout):
                await client.disconnect()


class _Dated:
    """Source times where a server's go forward; one that shows them out of our days has ours."""

    def __init__(self) -> None:
        self._last: dict[str, int] = {}
        self._ours = False

    def time_ns(self, name: str, value: ua.DataValue, now_ns: int) -> int:
        """The time of a reading of the place `name`."""
        told, last = source_time_ns(value), self._last.get(name, 0)
        self._ours = self._ours or not EARLIEST <= told <= LATEST or told < last
        self._last[name] = told
        return now_ns if self._ours else told


async def _variables(client: Client, tell: Tell) -> list[_Found]:
    """The variables below Objects, in the order of their depth; no node twice."""
    seen = {client.nodes.objects.nodeid}
    level: list[tuple[Node, str, _Found | None]] = [(client.nodes.objects, "", None)]
    found: list[_Found] = []
    end = time.monotonic() + LONGEST
    for _ in range(DEEPEST):
        below: list[tuple[Node, str, _Found | None]] = []
        for node, path, variable in level:
            if len(seen) > MOST_NODES or time.monotonic() > end:
                tell(f"stopped browsing after {len(seen)} nodes: there may be more")
                return found
            for child in await node.get_children_descriptions():
                name = plain_name(str(child.BrowseName.Name))
                if variable is not None and name in (UNIT, RANGE):
                    variable.said[name] = client.get_node(child.NodeId)
                # what has an id of the standard itself is the server's own
                if child.NodeId in seen or child.NodeId.NamespaceIndex == 0:
                    continue
                seen.add(child.NodeId)
                here = client.get_node(child.NodeId)
                way = f"{path}/{name}" if path else name
                of = _Found(here, way) if child.NodeClass == ua.NodeClass.Variable else None
                below.append((here, way, of))
                found += [of] if of else []
        level = below
    return found


async def _numbers(client: Client, found: Sequence[_Found], survey: Survey) -> dict[str, Node]:
    """The nodes that have a number to read, by the names of their places in the `survey`."""
    uris = await client.get_namespace_array()
    nodes: dict[str, Node] = {}
    values = await _read(client, [each.node for each in found])
    for each, value in zip(found, values, strict=True):
        kind = value.Value.VariantType if value.Value is not None else None
        is_number = kind in WHOLE or kind in (
            ua.VariantType.Double, ua.VariantType.Float, ua.VariantType.Boolean
        )  # fmt: skip
        if not is_number or value.Value.is_array or len(nodes) >= MOST_NUMBERS:
            continue
        name = (
            each.path if each.path not in nodes else f"{each.path} {each.node.nodeid.to_string()}"
        )
        unit, note = await _said(client, each)
        settings: dict[str, Any] = {"node": _stable_id(each.node.nodeid, uris)}
        if kind in WIDTHS:
            settings["bits"] = WIDTHS[kind]
        survey.places[name] = Place(settings, unit, note, bare=kind in WHOLE and not unit)
        nodes[name] = each.node
    return nodes


async def _said(client: Client, found: _Found) -> tuple[str, str]:
    """Unit and range of a variable, "" where the server states none."""
    names = list(found.said)
    unit = note = ""
    for name, value in zip(names, await _read(client, list(found.said.values())), strict=True):
        said = value.Value.Value if value.Value is not None else None
        if name == UNIT and said is not None:
            unit = plain_name(str(getattr(said.DisplayName, "Text", "") or ""))
        elif said is not None:
            note = f"range {said.Low:g} to {said.High:g}"
    return unit, note


async def _read(client: Client, nodes: list[Node]) -> list[ua.DataValue]:
    values: list[ua.DataValue] = []
    for first in range(0, len(nodes), AT_ONCE):
        values += await client.read_attributes(nodes[first : first + AT_ONCE])
    return values


def _stable_id(node: ua.NodeId, uris: Sequence[str]) -> str:
    """The node's id with its namespace's name, since the number of that may change."""
    uri = uris[node.NamespaceIndex] if node.NamespaceIndex < len(uris) else ""
    rest = node.to_string().partition(";")[2]
    return f"nsu={uri};{rest}" if uri and rest else str(node.to_string())
