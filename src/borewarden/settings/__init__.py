"""The machine file: TOML with units in, SI objects of the model out.

Every dimensional figure is text with its unit ("60 kpsi") and is converted once, here. Values of
the environment, `BOREWARDEN_` + path joined by `__` (BOREWARDEN_PUMP__STROKE="210 mm"), beat the
file. Whatever is wrong is a `BadInput` that names the field and what would be right.
"""

from borewarden.base.units import Unit, conversion
from borewarden.settings.load import load_machine, load_shop, read_toml, settings_of
from borewarden.settings.machine import MachineSettings
from borewarden.settings.shop import SHOP_FILE, ShopSettings

__all__ = [
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
