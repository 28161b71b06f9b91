"""Turning what libraries raise into the two driver faults, and switching off one by one."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from importlib import import_module
from typing import Any

from dewpond_drivers.driver import DriverFault, DriverRefused, DriverUnreachable


@contextmanager
def reaching(what: str) -> Iterator[None]:
    """Raise DriverUnreachable, naming ``what`` was reached for, in place of any error that is no driver fault."""
    try:
        yield
    except DriverFault:
        raise
    except Exception as error:
        raise DriverUnreachable(f"{what}: {error or type(error).__name__}") from error


def library(name: str, extra: str) -> Any:
    """Import a library that only one driver needs. Raises DriverUnreachable with the remedy where it is missing."""
    try:
        return import_module(name)
    except ImportError as error:
        raise DriverUnreachable(f"{name} cannot be imported ({error}); install dewpond[{extra}]") from error


def switch_each_off(set_output: Callable[[int, bool], None], outputs: int) -> None:
    """Switch every output off. One that is refused does not keep the others on; all refusals are raised together."""
    refusals = []
    for output in range(1, outputs + 1):
        try:
            set_output(output, False)
        except DriverRefused as refusal:
            refusals.append(str(refusal))
    if refusals:
        raise DriverRefused("; ".join(refusals))
