"""How the service itself runs: state folder, broker, board, database. The environment wins over ``[service]``.

Names in the environment are those below with ``DEWPOND_`` before them. Reading them needs no valid site file, so that
``stop`` and ``status`` work beside a broken one.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Annotated, Any

from pydantic import Field, PlainValidator, ValidationError
from pydantic_settings import BaseSettings, NoDecode, PydanticBaseSettingsSource, SettingsConfigDict

from dewpond.settings.addresses import BoardAddress, BrokerAddress, parse_board, parse_broker
from dewpond.settings.state_folder import state_dir
from dewpond.settings.toml_text import NotTables, parse_tables
from dewpond.settings.values import ServiceRefused, ServiceSettings

__all__ = ["ServiceRefused", "ServiceSettings", "load_service"]

# An opening lives this long without renewal, and is renewed this often [s]. A killed daemon must leave no output on for
# more than 120 s, hence the ceiling.
LEASE_S, RENEW_S, LONGEST_LEASE_S = 90.0, 20.0, 100.0
IN_SITE_FILE = ("broker", "board", "database", "contact", "commands")


class _Sources(BaseSettings):
    """Environment first, then what the site file says."""

    model_config = SettingsConfigDict(
        env_prefix="DEWPOND_", env_ignore_empty=True, extra="ignore", frozen=True, validate_default=False
    )

    site: Path | None = None
    state_dir: Path | None = None
    broker: Annotated[BrokerAddress | None, NoDecode, PlainValidator(parse_broker)] = BrokerAddress(
        host="127.0.0.1", port=1883
    )
    board: Annotated[BoardAddress | None, NoDecode, PlainValidator(parse_board)] = BoardAddress(
        host="127.0.0.1", port=8377
    )
    database: str | None = None
    lease_s: Annotated[float, Field(ge=5, le=LONGEST_LEASE_S)] = LEASE_S
    renew_s: Annotated[float, Field(ge=1)] = RENEW_S
    commands: bool = False
    contact: str | None = None
    clock: str | None = None
    crash_points: str | None = None

    @classmethod
    def settings_customise_sources(
        cls,
        settings_cls: type[BaseSettings],  # noqa: ARG003 - the library names the arguments
        init_settings: PydanticBaseSettingsSource,
        env_settings: PydanticBaseSettingsSource,
        dotenv_settings: PydanticBaseSettingsSource,  # noqa: ARG003
        file_secret_settings: PydanticBaseSettingsSource,  # noqa: ARG003
    ) -> tuple[PydanticBaseSettingsSource, ...]:
        return env_settings, init_settings


def load_service(site_file: Path | None = None) -> ServiceSettings:
    """The settings for one site. ``site_file`` None takes DEWPOND_SITE. Raises ServiceRefused."""
    try:
        named = site_file or _Sources().site
        found = _Sources(**_service_table(named))
    except ValidationError as refused:
        raise ServiceRefused("\n".join(_line(error) for error in refused.errors(include_url=False))) from None
    if found.renew_s * 2 > found.lease_s:
        raise ServiceRefused(
            f"DEWPOND_RENEW_S ({found.renew_s:g} s) is more than half of DEWPOND_LEASE_S ({found.lease_s:g} s), so one "
            "late renewal would close a valve; lower the former or raise the latter"
        )
    folder = state_dir(found.state_dir, named)
    return ServiceSettings(
        site=named.absolute() if named else None,
        state_dir=folder,
        broker=found.broker,
        board=found.board,
        database=found.database or f"sqlite:///{folder / 'dewpond.db'}",
        lease_s=found.lease_s,
        renew_s=found.renew_s,
        commands=found.commands,
        contact=found.contact,
        clock=found.clock,
        crash_points=found.crash_points,
    )


def _service_table(site_file: Path | None) -> Mapping[str, Any]:
    """``[service]`` of the site file; empty when the file cannot be read, which ``check`` and ``run`` report."""
    try:
        data = parse_tables(site_file.read_text(encoding="utf-8-sig")) if site_file else {}
    except (OSError, ValueError, NotTables):
        return {}
    table = data.get("service", {})
    return {key: table[key] for key in IN_SITE_FILE if key in table} if isinstance(table, dict) else {}


def _line(error: Mapping[str, Any]) -> str:
    """One refused setting as a line."""
    name = "_".join(str(part) for part in error["loc"])
    place = f"DEWPOND_{name.upper()}" + (f", or {name} in [service]" if name in IN_SITE_FILE else "")
    return f"{place}: {str(error['msg']).removeprefix('Value error, ')}"
