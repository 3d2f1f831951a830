"""Servers that others wrote, as the machines and servers of an invented shop, on loopback only.

node-opcua, modbus-serial, smtp-server and sparkplug-client from npm, mosquitto from Debian:
`tests/peers/install` installs them; exim4 from Debian, which `.ci/run` installs. Each context
manager starts one on a free port, waits until it answers, and stops it; a server also ends when its
test is killed. If it is not installed, the test is skipped, or fails with
`BOREWARDEN_REQUIRE_PEERS=1` (exim: `BOREWARDEN_REQUIRE_SERVERS=1`). All names, passwords and
figures are invented.

    with opcua_peer(users={"watcher": "invented"}) as controller:
        controller.set_fault("bad_status", channel="pressure", status="BadSensorFailure")
        controller.down()
        controller.up()

The top of `opcua.js`, `modbus.js`, `smtp.js`, `broker.py` and `exim.py` lists the faults. The calls
block, `up` of the OPC UA server for some seconds; if the test's event loop has to run on, use
`await asyncio.to_thread(controller.up)`.
"""

from .broker import Broker, mosquitto_peer
from .certificates import self_signed
from .exim import Exim, exim_peer
from .node import (
    EdgeNode,
    MailServer,
    Modbus,
    OpcUa,
    modbus_peer,
    opcua_peer,
    rows_of,
    smtp_peer,
    sparkplug_peer,
)
from .process import Peer

__all__ = [
    "Broker",
    "EdgeNode",
    "Exim",
    "MailServer",
    "Modbus",
    "OpcUa",
    "Peer",
    "exim_peer",
    "modbus_peer",
    "mosquitto_peer",
    "opcua_peer",
    "rows_of",
    "self_signed",
    "smtp_peer",
    "sparkplug_peer",
]
