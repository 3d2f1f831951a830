"""Samples from an edge node of Sparkplug B (Eclipse Sparkplug 3.0.0), a metric a channel.

Subscribes, and publishes nothing unless it is told to ask for births.
"""

from __future__ import annotations

import math
import random
from collections.abc import AsyncGenerator, Mapping
from dataclasses import dataclass

import aiomqtt

from borewarden.base.samples import Channel
from borewarden.collect import payload
from borewarden.collect.broker import TOLD_FOR, Broker, Intake, Raw, broker_samples
from borewarden.collect.link import Received, Rows
from borewarden.collect.sparkplug_node import (
    BIRTHS,
    DATA,
    DEATHS,
    NAMESPACE,
    OWN,
    EdgeNode,
    Heard,
)
from borewarden.collect.sparkplug_payload import (
    BOOLEAN,
    REBIRTH,
    Metric,
    decode,
    encode,
    number,
)

ASKED_EVERY = 60.0  # s at least between two requests for births


@dataclass(frozen=True)
class MetricPoint:
    """Where one channel is: `metric` by its name in the birth, of `device` if it is not the
    source's ("" for the node's own). `bits` is the width of a counter that wraps.
    """

    channel: Channel
    metric: str
    device: str | None = None
    bits: int | None = None


@dataclass(frozen=True, kw_only=True)
class SparkplugSource(Broker):
    """A machine behind the edge node `node` of `group`; `metrics` by the fields of `Samples`.

    `device` is "" for metrics of the node itself. One row for each value of the pressure, at its
    own time: a row for each channel would time strokes too well. Other values hold until the next,
    a death, or a lost message. With `ask_for_births`, the node is asked to publish its births again
    where one is missing: that is a message to the node, and the only one.
    """

    metrics: Mapping[str, MetricPoint]
    group: str
    node: str
    device: str = OWN
    ask_for_births: bool = False

    def device_of(self, name: str) -> str:
        """The device of the channel `name`, "" for the node itself."""
        device = self.metrics[name].device
        return self.device if device is None else device

    @property
    def topics(self) -> set[str]:
        """All that the node says: the order of its messages goes over all its devices."""
        return {
            f"{NAMESPACE}/{self.group}/{verb}/{self.node}" + ("/+" if verb[0] == "D" else "")
            for verb in (*BIRTHS, *DATA, *DEATHS)
        }


def sparkplug_samples(
    source: SparkplugSource, chance: random.Random | None = None
) -> AsyncGenerator[Received, None]:
    """Endless samples from `source` and the states of the link; SI.

    A metric that is null, of bad quality or not a number is NaN. Values of the past
    (`is_historical`) are left out. Raises nothing but CancelledError.
    """
    intake = _SparkplugIntake(source)
    ask = intake.ask if source.ask_for_births else None
    return broker_samples(source, source.topics, intake, chance, ask)


class _SparkplugIntake(Intake):
    """Makes rows and link states out of births, data and deaths."""

    def __init__(self, source: SparkplugSource) -> None:
        counter = source.metrics.get("stroke_count")
        channels = {name: point.channel for name, point in source.metrics.items()}
        bits = counter.bits if counter else None
        super().__init__(source, Rows(channels, bits, source.constant_rate))
        self._source = source
        self._node = EdgeNode(source.node)
        self._held: dict[str, tuple[float, str]] = {}  # by channel: value, and what is wrong
        self._blind = ""  # why the machine was last said to be unseen
        self._lost = 0, ""  # when a message was last lost, and how that is told
        self._past_ns = 0  # when values of the past came last
        self._asked_ns = 0

    def begin(self, now_ns: int, granted: str) -> None:
        """A new connection: what was said meanwhile, nobody has heard."""
        super().begin(now_ns, granted)
        self._node.forget()
        self._held.clear()
        self._blind = ""

    def nothing_new(self) -> str:
        """Words for a silence."""
        device = self._source.device_of("pressure")
        place = self._node.called(device)
        return f"nothing new of {self._source.group}/{place} from {self._source.name}"

    def take(self, topic: str, content: bytes, now_ns: int) -> list[Received]:
        """What comes of one message: rows, and news of what is wrong with them."""
        _, _, verb, _, *rest = topic.split("/")
        heard = self._node.take(verb, rest[0] if rest else OWN, decode(content))
        self._forget(heard, now_ns)
        waiting = self._arrivals.waiting
        rows: list[Received] = []
        for metrics in self._rows_in(heard, now_ns):
            self._hold(heard.device, metrics)
            if pressure := self._pressure_in(heard.device, metrics):
                rows += self.made(self._stamped(pressure, now_ns))
        if self._is_blind():
            # births follow one another: the next may be the one that is missing
            return [] if heard.is_birth else self._tell_blind(now_ns)
        self._blind = ""
        if rows or self._arrivals.waiting > waiting:
            self.newest_ns = now_ns
        return [*self.tell("", now_ns), *rows] if rows or heard.is_birth else []

    def wrong(self, now_ns: int) -> list[str]:
        """What is wrong with which channel, and what was left out lately."""
        found = [f"{name}: {why}" for name, why in self._reasons().items()]
        lately_ns = now_ns - round(TOLD_FOR * 1e9)
        events = (self._lost, (self._past_ns, "values of the past (is_historical) are left out"))
        return found + [words for at_ns, words in events if at_ns > lately_ns]

    async def ask(self, client: aiomqtt.Client, now_ns: int) -> None:
        """Ask the node for its births where one is missing, once in a while (5.16)."""
        devices = {self._source.device_of(name) for name in self._source.metrics}
        is_missing = any(
            self._node.unknown(device) and not self._node.death_of(device) for device in devices
        )
        if not is_missing or now_ns - self._asked_ns < ASKED_EVERY * 1e9:
            return
        self._asked_ns = now_ns
        request = {"name": REBIRTH, "datatype": BOOLEAN, "boolean_value": True}
        topic = f"{NAMESPACE}/{self._source.group}/NCMD/{self._source.node}"
        await client.publish(topic, encode(now_ns, None, [request]), qos=0)

    # -- values

    def _forget(self, heard: Heard, now_ns: int) -> None:
        """Let go of what no longer holds."""
        if heard.lost:
            self._lost = now_ns, heard.lost
        for name in self._source.metrics:
            if heard.ends or self._node.death_of(self._source.device_of(name)):
                self._held.pop(name, None)

    def _rows_in(self, heard: Heard, now_ns: int) -> list[dict[str, Metric]]:
        """The metrics of channels by name, oldest first: a row each time one comes again."""
        wanted = {
            point.metric
            for name, point in self._source.metrics.items()
            if self._source.device_of(name) == heard.device
        }
        ours = [metric for metric in heard.metrics if metric.name in wanted]
        if not heard.is_birth and any(metric.is_historical for metric in ours):
            self._past_ns = now_ns
            ours = [metric for metric in ours if not metric.is_historical]
        rows: list[dict[str, Metric]] = []
        for metric in sorted(ours, key=lambda each: each.time_ns or 0):
            if not rows or metric.name in rows[-1]:
                rows.append({})
            rows[-1][metric.name] = metric
        return rows

    def _pressure_in(self, device: str, metrics: Mapping[str, Metric]) -> Metric | None:
        """The pressure among the metrics of a device, if it is there."""
        is_there = device == self._source.device_of("pressure")
        return metrics.get(self._source.metrics["pressure"].metric) if is_there else None

    def _hold(self, device: str, metrics: Mapping[str, Metric]) -> None:
        for name, point in self._source.metrics.items():
            if self._source.device_of(name) == device and point.metric in metrics:
                metric = metrics[point.metric]
                value, why = number(metric, metric.datatype)
                truth = "" if why else payload.no_switch(name, metric.value)
                self._held[name] = (math.nan, truth) if truth else (value, why)

    def _stamped(self, pressure: Metric, now_ns: int) -> list[tuple[int, Raw]]:
        """The row of what is held now, and others whose time is known by now."""
        self._time_wrong = "" if pressure.time_ns else "the message has no time of our days"
        raw = {name: value for name, (value, _) in self._held.items()}
        return self.timed(pressure.time_ns, raw, now_ns)

    # -- what is wrong

    def _reasons(self) -> dict[str, str]:
        """What is wrong with each channel that has no value."""
        found = {
            name: self._held[name][1] if name in self._held else self._unknown(name)
            for name in self._source.metrics
        }
        return {name: why for name, why in found.items() if why}

    def _unknown(self, name: str) -> str:
        """Why nothing is held of a channel."""
        device, metric = self._source.device_of(name), self._source.metrics[name].metric
        return self._node.unknown(device) or self._node.missing(device, metric)

    def _is_blind(self) -> bool:
        """Whether nobody knows what the pressure is, as the node is dead or was not born."""
        return "pressure" not in self._held and self._why_blind() != ""

    def _why_blind(self) -> str:
        return self._node.unknown(self._source.device_of("pressure"))

    def _tell_blind(self, now_ns: int) -> list[Received]:
        """The machine is not seen, though the node may well talk."""
        why = self._why_blind()
        if why == self._blind:
            return []
        self._blind = why
        words = f"{why}; it is not seen before its next birth"
        is_dead = self._node.death_of(self._source.device_of("pressure"))
        if not is_dead and not self._source.ask_for_births:
            words += ": restart the node, or state ask_for_births = true"
        return self.tell_down(words, now_ns, self._reasons())
