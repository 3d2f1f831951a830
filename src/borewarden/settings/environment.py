"""Variables of the environment: one that nothing reads is a mistake, and is said to be one."""

from __future__ import annotations

import difflib
import os
from functools import cache

from pydantic import BaseModel
from pydantic.fields import FieldInfo

from borewarden.base.errors import BadInput
from borewarden.settings.machine import ENV_PREFIX, MachineSettings
from borewarden.settings.shop import ShopSettings

# read elsewhere: the directory of secrets, and what the tests go by
OTHERS = ("SECRETS_DIR", "FUZZ", "KILLS", "REQUIRE_BROWSER", "REQUIRE_PEERS", "REQUIRE_SERVERS")


def check_environment() -> None:
    """Raise BadInput for a variable that begins as ours do and is none of ours.

    Only the setting, or the section, is looked at here: what is within a section is checked
    together with the file.
    """
    known, suggested = _known()
    for variable in os.environ:
        name = variable.upper()
        if not name.startswith(ENV_PREFIX) or name.partition("__")[0] in known:
            continue
        within = name.removeprefix(ENV_PREFIX)  # or all would be alike
        near = difflib.get_close_matches(within, suggested, n=1, cutoff=0.6)
        raise BadInput(
            "environment",
            variable,
            "nothing reads it",
            f"did you mean {ENV_PREFIX}{near[0]}?" if near else "see docs/settings.md, or unset it",
        )


@cache
def _known() -> tuple[frozenset[str], list[str]]:
    """Names up to the section, and names in full, without our prefix, for suggestions."""
    from borewarden.settings.service import ServiceSettings  # imports this package

    known = {f"{ENV_PREFIX}{name}" for name in OTHERS}
    suggested = set(known)
    for kind in (MachineSettings, ShopSettings, ServiceSettings):
        prefix = str(kind.model_config["env_prefix"])
        for name, field in kind.model_fields.items():
            variable = f"{prefix}{name}".upper()
            known.add(variable)
            suggested.add(variable)
            suggested |= {f"{variable}__{within}".upper() for within in _within(field)}
    return frozenset(known), sorted(name.removeprefix(ENV_PREFIX) for name in suggested)


def _within(field: FieldInfo) -> set[str]:
    """Names of the settings of a section, of whatever kind it may be."""
    found: set[str] = set()
    waiting = [field.annotation]
    while waiting:
        annotation = waiting.pop()
        if isinstance(annotation, type) and issubclass(annotation, BaseModel):
            found |= set(annotation.model_fields)
        waiting += getattr(annotation, "__args__", ())
    return found
