"""Why did the water that the pump delivers change? The causes that this watcher tells apart."""

from __future__ import annotations

from enum import Enum


class Cause(Enum):
    """What can make the effective area seen by the pump change, in the words of the trade."""

    BORE = "bore opened up"
    LEAK = "plunger seal or check valve leaking"
    SECOND_HEAD = "second head or valve open"
    BLOCKED = "orifice or last-chance filter partly blocked"
    TRANSDUCER = "pressure transducer drifting"
    FEED = "feed starvation or air in the water"
    SLIP = "belt slip or change of drive speed"
    BYPASS = "bypass or relief valve leaking"
    OTHER_BORE = "another bore fitted without a record"
