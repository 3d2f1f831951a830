"""The command `borewarden`: replay logged days, watch live, or be the virtual machine."""

from borewarden.cli import jewel, live, logged, tune, virtual  # each adds its commands to the app
from borewarden.cli.terminal import app

__all__ = ["app", "jewel", "live", "logged", "tune", "virtual"]
