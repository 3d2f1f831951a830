"""borewarden: watches a UHP waterjet pump and says when the bore has probably opened up.

The data's way: `collect` (logs, Modbus, OPC UA, MQTT) -> `model` (gate, baseline, change, drift,
verdict; formulas from `physics`) -> `store` and `alert`; driven by `replay` (files) or `service`
(live), told by `report`, the page and mail; `simulate` stands in for a machine.
"""

__version__ = "0.1.0"
