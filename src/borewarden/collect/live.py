"""Which collector reads which kind of source."""

from __future__ import annotations

from collections.abc import AsyncGenerator
from dataclasses import replace

from borewarden.collect.broker import Broker
from borewarden.collect.link import Received
from borewarden.collect.modbus import ModbusSource, modbus_samples
from borewarden.collect.mqtt import MqttSource, mqtt_samples
from borewarden.collect.opcua import OpcUaSource, opcua_samples
from borewarden.collect.sparkplug import SparkplugSource, sparkplug_samples

Source = ModbusSource | OpcUaSource | MqttSource | SparkplugSource


def set_aside(source: Source) -> Source:
    """`source` for a second reader, who takes nothing away from the first.

    A broker closes the connection of the older of two clients of one name (MQTT 3.1.1, 3.1.4).
    """
    return replace(source, client_id=None) if isinstance(source, Broker) else source


def live_samples(source: Source) -> AsyncGenerator[Received, None]:
    """Endless samples from `source` and the states of its link; raises nothing but CancelledError.

    Close it (`aclose`, or cancel the task that iterates) to close the connection.
    """
    match source:
        case ModbusSource():
            return modbus_samples(source)
        case OpcUaSource():
            return opcua_samples(source)
        case MqttSource():
            return mqtt_samples(source)
        case SparkplugSource():
            return sparkplug_samples(source)
