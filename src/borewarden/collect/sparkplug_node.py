"""One edge node of Sparkplug B: which metric an alias is, and whether the node is alive.

By Eclipse Sparkplug 3.0.0, chapters 5 and 6.4. Births name the metrics and their datatypes, data
may have aliases only, deaths end both. Where a message was lost nobody knows what a node said, so
aliases mean nothing from there to the next birth.
"""

from __future__ import annotations

import difflib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from borewarden.collect.sparkplug_payload import Metric, Payload

NAMESPACE = "spBv1.0"
BIRTHS = ("NBIRTH", "DBIRTH")
DATA = ("NDATA", "DDATA")
DEATHS = ("NDEATH", "DDEATH")
MODULUS = 256  # of sequence numbers (6.4.5)
OWN = ""  # in place of a device: the node's own metrics
BIRTH_NUMBER = "bdSeq"


@dataclass(frozen=True)
class Birth:
    """What a birth said: names by alias, datatypes by name."""

    names: Mapping[int, str]
    datatypes: Mapping[str, int | None]


@dataclass(frozen=True)
class Heard:
    """What a message led to: `metrics` of `device` with name and datatype, where those are known.

    What was held before no longer holds if the message `ends` it. `lost` says that a message is
    missing before this one, "" if none is.
    """

    device: str
    metrics: Sequence[Metric] = ()
    is_birth: bool = False
    ends: bool = False
    lost: str = ""


class EdgeNode:
    """What is known of a node; `name` is for the words."""

    def __init__(self, name: str) -> None:
        self._name = name
        self._births: dict[str, Birth] = {}
        self._dead: dict[str, str] = {}  # devices, or the node itself: in which words
        self._seq: int | None = None
        self._birth_number: object = None
        self._why = ""
        self.forget()

    def forget(self, why: str = "") -> None:
        """Nothing is known until the next births, because of `why`: if not said, we come anew."""
        self._births.clear()
        self._dead.clear()
        self._seq = None
        self._birth_number = None
        self._why = why or f"no birth of {self._name} came since the watcher connected"

    def called(self, device: str) -> str:
        """Name of a device, or of the node itself, for words."""
        return f"{self._name}/{device}" if device else self._name

    def death_of(self, device: str) -> str:
        """In which words a device is dead, by its own death or the node's; "" if it is not."""
        return self._dead.get(OWN) or self._dead.get(device, "")

    def unknown(self, device: str) -> str:
        """Why nobody knows what a device's aliases mean; "" where it was born."""
        if death := self.death_of(device):
            return death
        return "" if device in self._births else self._why

    def missing(self, device: str, metric: str) -> str:
        """That the birth of a device has no such metric; "" if it has, or there was no birth."""
        birth = self._births.get(device)
        if birth is None or metric in birth.datatypes:
            return ""
        near = difflib.get_close_matches(metric, birth.datatypes, n=1)
        hint = f"; did you mean {near[0]!r}?" if near else ""
        return f"the birth of {self.called(device)} has no metric {metric!r}{hint}"

    def take(self, verb: str, device: str, payload: Payload | None) -> Heard:
        """Take note of a message; `payload` is None where it could not be decoded."""
        if verb == "NDEATH":
            return self._take_node_death(payload)
        if payload is None:
            return self._lose(device, f"a message of {self.called(device)} could not be decoded")
        if verb == "NBIRTH":
            self.forget(f"no birth of the device came since that of {self._name}")
            self._birth_number, self._seq = _birth_number(payload), payload.seq
            return replace(self._take_birth(OWN, payload), ends=True)
        last, self._seq = self._seq, payload.seq
        if last is None or payload.seq == (last + 1) % MODULUS:
            return self._take_next(verb, device, payload)
        lost = f"a message of {self._name} was lost"
        self._lose(device, lost, f" (number {payload.seq} came after {last})")
        self._seq = payload.seq
        return replace(self._take_next(verb, device, payload), ends=True, lost=lost)

    def _take_next(self, verb: str, device: str, payload: Payload) -> Heard:
        if verb == "DDEATH":
            self._births.pop(device, None)
            self._dead[device] = f"{self.called(device)} is gone (DDEATH)"
        elif verb == "DBIRTH" and OWN not in self._dead:
            self._dead.pop(device, None)
            return self._take_birth(device, payload)
        elif verb in DATA and not self.death_of(device):
            return self._take_data(device, payload)
        return Heard(device)

    def _take_birth(self, device: str, payload: Payload) -> Heard:
        named = [metric for metric in payload.metrics if metric.name]
        self._births[device] = Birth(
            {metric.alias: metric.name for metric in named if metric.alias is not None},
            {metric.name: metric.datatype for metric in named},
        )
        # a metric's own time is when it last changed; that it still is so, it is as of the birth
        now = [replace(metric, time_ns=payload.time_ns) for metric in named]
        return Heard(device, now, is_birth=True)

    def _take_data(self, device: str, payload: Payload) -> Heard:
        birth = self._births.get(device)
        known = []
        for metric in payload.metrics:
            name, datatype = metric.name, metric.datatype
            if birth is not None:
                if not name and metric.alias not in birth.names:
                    of = self.called(device)
                    return self._lose(device, f"{of} used an alias that its birth did not have")
                name = name or birth.names[metric.alias or 0]
                datatype = birth.datatypes.get(name) if datatype is None else datatype
            if name:
                time_ns = metric.time_ns or payload.time_ns
                known.append(replace(metric, name=name, datatype=datatype, time_ns=time_ns))
        return Heard(device, known)

    def _take_node_death(self, payload: Payload | None) -> Heard:
        number = _birth_number(payload) if payload is not None else None
        if None not in (number, self._birth_number) and number != self._birth_number:
            return Heard(OWN)  # the will of a connection before this one (6.4.25)
        self.forget()
        self._dead[OWN] = f"{self._name} is gone (NDEATH)"
        return Heard(OWN, ends=True)

    def _lose(self, device: str, why: str, numbers: str = "") -> Heard:
        """Something was lost, for the reason `why`: what aliases mean is not known any more."""
        if self._births:
            self._why = f"{why}{numbers}, and no birth came since"
        self._births.clear()
        self._seq = None
        return Heard(device, ends=True, lost=why)


def _birth_number(payload: Payload) -> object:
    return next((metric.value for metric in payload.metrics if metric.name == BIRTH_NUMBER), None)
