"""The command `borewarden`: replay logged days, watch live, or be the virtual machine."""

# each adds its commands to the app
from borewarden.cli import fleet, inspect, jewel, life, live, logged, register, tune
from borewarden.cli import stand_in as virtual
from borewarden.cli.terminal import app

__all__ = [
    "app",
    "fleet",
    "inspect",
    "jewel",
    "life",
    "live",
    "logged",
    "register",
    "tune",
    "virtual",
]
