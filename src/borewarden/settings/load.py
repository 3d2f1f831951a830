"""Reading a TOML file, with the environment on top."""

from __future__ import annotations

import os
import re
import tomllib
from pathlib import Path
from typing import Any, TypeVar

from pydantic import ValidationError
from pydantic_core import PydanticCustomError
from pydantic_settings import BaseSettings, SettingsError

from borewarden.base.errors import BadInput
from borewarden.base.files import read_file
from borewarden.base.shown import shown_in
from borewarden.jewels.bore_choice import JEWEL_COSTS
from borewarden.settings.consistency import check_together
from borewarden.settings.environment import check_environment
from borewarden.settings.explain import first_mistake, with_variable
from borewarden.settings.guesses import guesses_in
from borewarden.settings.machine import ENV_PREFIX, MachineSettings
from borewarden.settings.shop import ShopSettings
from borewarden.settings.source import SOURCE_FILES
from borewarden.settings.units import UnitChoice

SERVICE_FILE = "service.toml"

Settings = TypeVar("Settings", bound=BaseSettings)
HOW = "give a machine's TOML file"


def load_machine(path: Path | str) -> MachineSettings:
    """The machine described by the TOML file at `path`, overridden by the environment.

    Raises BadInput: no such file, broken TOML, a field that is unknown, missing or out of range,
    parts that do not fit one another, or a bore that the pump can't feed.
    """
    path = Path(path)
    content = read_file(path, HOW)
    data = _parsed(path, content)
    if isinstance(data.get("source"), dict):
        data["source"] = _completed(path, data["source"])
    if "units" not in data and (units := _units_beside(path)) is not None:
        data["units"] = units
    settings = settings_of(MachineSettings, path, data)
    settings.note_guesses(_guesses(content))
    try:
        with shown_in(settings.shown_units):
            check_together(path, settings)
    except BadInput as bad:
        raise with_variable(bad, ENV_PREFIX) from None
    return settings


def _guesses(content: bytes) -> list[str]:
    """What a file of this `content` calls guessed, but for what the environment states instead."""
    stated = {variable.upper() for variable in os.environ}
    return [
        name
        for name in guesses_in(content.decode("utf-8-sig"))
        if f"{ENV_PREFIX}{name.replace('.', '__')}".upper() not in stated
    ]


def units_at(path: Path) -> dict[str, str] | None:
    """The units that people read of a machine whose file, at `path`, is not written yet.

    As of one that is and chooses none: the environment first, then the service's settings beside.
    """
    named = os.environ.get(f"{ENV_PREFIX}UNITS", "")
    try:
        return UnitChoice()(named or _units_beside(path))
    except PydanticCustomError:  # the program has said so at its start
        return None


def load_shop(path: Path) -> ShopSettings:
    """The shop's costs and lead times from `path`, or the usual ones if there is no such file.

    Raises BadInput, as for a machine, and for a failure that costs less than a planned change.
    """
    shop = settings_of(ShopSettings, path, read_toml(path) if path.exists() else {})
    for field, keys in (
        ("jewel_price", [price.material for price in shop.jewel_price]),
        ("shelf", [(round(shelf.bore, 6), shelf.material) for shelf in shop.shelf]),
    ):
        for i, key in enumerate(keys):
            if key in keys[:i]:
                raise BadInput(
                    path,
                    f"{field}[{i + 1}]",
                    "this kind of jewel is stated twice",
                    "state each kind once",
                )
    for material in JEWEL_COSTS:
        costs = shop.end_costs(material)
        if not 0.0 < costs.planned <= costs.failed:
            raise BadInput(
                path,
                "costs",
                f"a planned change of {material} costs {costs.planned:g}, a failure "
                f"{costs.failed:g}",
                "both must be above 0, and a failure can't cost less than a planned change",
            )
    return shop


def _units_beside(path: Path) -> Any:
    """The units that the service's settings beside a machine file choose for all; None if none do.

    Settings that can't be read choose none here: who needs them, says what is wrong with them.
    """
    beside = path.parent / SERVICE_FILE
    if not beside.is_file():
        return None
    try:
        return UnitChoice()(read_toml(beside)["units"])
    except (BadInput, KeyError, PydanticCustomError):
        return None


def _completed(path: Path, source: dict[str, Any]) -> dict[str, Any]:
    """[source] with the paths of its files, which lie beside the machine file, and its password.

    The password of config/north.toml is in the file north.password of the secrets directory, or of
    systemd's credentials. As always, the environment overrides it.
    """
    if "password" in source:
        raise BadInput(
            path,
            "source.password",
            "a password must not be in this file",
            f"put it into {ENV_PREFIX}SOURCE__PASSWORD, or into a file {path.stem}.password in "
            f"the directory {ENV_PREFIX}SECRETS_DIR",
        )
    files = {
        name: path.parent / source[name]
        for name in SOURCE_FILES
        if isinstance(source.get(name), str)
    }
    completed = source | files
    if source.get("user"):
        for variable in (f"{ENV_PREFIX}SECRETS_DIR", "CREDENTIALS_DIRECTORY"):
            secret = Path(os.environ.get(variable, ""), f"{path.stem}.password")
            if os.environ.get(variable) and secret.is_file():
                try:
                    text = read_file(secret, "make it readable").decode()
                    completed["password"] = text.strip("\r\n")
                except (BadInput, UnicodeDecodeError):
                    raise BadInput(
                        path, "source.password", f"{secret} can't be read", "make it readable"
                    ) from None
                break
    return completed


def read_toml(path: Path) -> dict[str, Any]:
    """The tables of the TOML file at `path`. Raises BadInput if it is missing or broken."""
    return _parsed(path, read_file(path, HOW))


def _parsed(path: Path, content: bytes) -> dict[str, Any]:
    """The tables in the `content` of the TOML file at `path`. Raises BadInput if it is broken."""
    try:
        return tomllib.loads(content.decode("utf-8-sig"))
    except UnicodeDecodeError as error:
        raise BadInput(
            path, f"byte {error.start + 1}", "is not UTF-8 text", "save it as UTF-8"
        ) from None
    except (ValueError, RecursionError) as error:
        line = re.search(r"line (\d+)", str(error))
        raise BadInput(
            path,
            f"line {line[1]}" if line else "end of file",
            f"broken TOML: {error}",
            "write it as in the machine files under config/",
        ) from None


def settings_of(kind: type[Settings], path: Path, data: dict[str, Any]) -> Settings:
    """Settings of `kind` from the tables of the file at `path`. Raises BadInput, see above."""
    check_environment()
    try:
        return kind(**data)
    except ValidationError as error:
        raise first_mistake(path, error, kind) from None
    except RecursionError:
        wrong, right = "is nested too deeply", "set single fields: section, two underscores, field"
        raise BadInput("environment", kind.model_config["env_prefix"], wrong, right) from None
    except SettingsError as error:
        field = re.search(r'field "(\w+)" from source "EnvSettingsSource"', str(error))
        if field is None:  # of the directory of secrets
            right = "give a directory of readable files"
            raise BadInput("environment", "secrets", str(error), right) from None
        variable = f"{kind.model_config['env_prefix']}{field[1].upper()}"
        right = "set single fields: section and field joined by two underscores"
        raise BadInput("environment", variable, "is not JSON", right) from None
