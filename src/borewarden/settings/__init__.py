"""The machine file: TOML with units in, SI objects of the model out.

Every figure with a dimension is text with its unit ("60 kpsi") and is converted once, here. The
environment overrides the file: `BOREWARDEN_` and the path joined by `__`, for example
BOREWARDEN_PUMP__STROKE="210 mm". Anything wrong raises `BadInput` with the field and the fix.
"""

from borewarden.base.units import Unit, conversion
from borewarden.settings.load import SERVICE_FILE, load_machine, load_shop, read_toml, settings_of
from borewarden.settings.machine import MachineSettings
from borewarden.settings.shop import SHOP_FILE, ShopSettings

__all__ = [
    "SERVICE_FILE",
    "SHOP_FILE",
    "MachineSettings",
    "ShopSettings",
    "Unit",
    "conversion",
    "load_machine",
    "load_shop",
    "read_toml",
    "settings_of",
]
