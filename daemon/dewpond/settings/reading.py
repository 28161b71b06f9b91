"""One raw table through its schema: every fault of it becomes a problem with place, limit and remedy."""

from __future__ import annotations

import functools
from collections.abc import Mapping
from dataclasses import dataclass
from difflib import get_close_matches
from typing import Annotated, Any, Generic, TypeVar, get_args, get_origin

from pydantic import BaseModel, PlainValidator, ValidationError
from pydantic.fields import FieldInfo

from dewpond.settings.examples import remedy
from dewpond.settings.fields import REFUSED, Quantity
from dewpond.settings.problems import Place, Report
from dewpond.settings.quantities import ANGLE_DEG, PERCENT, Dimension, is_bare, shown
from dewpond.settings.schema import NOT_YET

M = TypeVar("M", bound=BaseModel)

# What the library's own refusals mean to somebody who edits a file.
_EXPECTED = {
    "missing": "this key is needed",
    "string_type": "it must be text in quotes",
    "int_type": "it must be a whole number",
    "bool_type": "it must be true or false",
    "greater_than_equal": "it must be at least {ge}",
    "less_than_equal": "it must be at most {le}",
    "tuple_type": "it must be a list in square brackets",
    "list_type": "it must be a list in square brackets",
    "dict_type": "it must be a table in braces",
    "model_type": "it must be a table in braces",
}


@dataclass(frozen=True, slots=True)
class Read(Generic[M]):
    """A table as its model. ``dropped`` are the keys whose values were refused and left out."""

    table: M
    dropped: frozenset[str] = frozenset()


def read_table(model: type[M], raw: Any, place: Place, report: Report) -> Read[M] | None:
    """The table, after reporting everything that is wrong with it; None when too little of it is left.

    Refused keys are left out, or stood in for where the table needs them, so that what remains can be compared with
    other tables in the same run.
    """
    if not isinstance(raw, Mapping):
        report.error(place, "", f"{shown(raw)} is not a table", f"write [{place.label}] and its keys on lines below")
        return None
    plain = _without_unit_endings(model, raw, place, report)
    try:
        return Read(model.model_validate(plain))
    except ValidationError as refused:
        errors = refused.errors(include_url=False)
    for error in errors:
        _report(model, error, place, report)
    dropped = frozenset(str(error["loc"][0]) for error in errors if error["loc"])
    stand_ins: Mapping[str, Any] = getattr(model, "STAND_INS", {})
    rest = {key: value for key, value in plain.items() if key not in dropped}
    rest |= {key: value for key, value in stand_ins.items() if key in dropped}
    try:
        return Read(model.model_validate(rest), dropped)
    except ValidationError:
        return None


def _report(model: type[BaseModel], error: Mapping[str, Any], place: Place, report: Report) -> None:
    key = tuple(error["loc"])
    kind = error["type"]
    if kind == REFUSED:
        told = error["ctx"]
        report.error(place, key, told["what"], told["limit"], told["remedy"])
    elif kind == "extra_forbidden":
        _report_unknown(model, key, place, report)
    elif kind == "missing":
        report.error(place, key, "missing", _EXPECTED["missing"], remedy(_owner(model, key), str(key[-1])))
    else:
        limit = _EXPECTED.get(kind, str(error["msg"])).format(**error.get("ctx", {}))
        report.error(place, key, f"{shown(error['input'])} cannot be used", limit)


def _report_unknown(model: type[BaseModel], key: tuple[Any, ...], place: Place, report: Report) -> None:
    name = str(key[-1])
    if name in NOT_YET:
        report.error(place, key, "not supported yet", NOT_YET[name], "take the key out")
        return
    known = known_keys(_owner(model, key))
    close = get_close_matches(name, known, n=1)
    if close:
        report.error(place, key, "unknown key", "", f'was "{close[0]}" meant?')
    else:
        report.error(place, key, "unknown key", f"known here are {', '.join(known)}")


def known_keys(model: type[BaseModel]) -> list[str]:
    """The keys of a table as they are written."""
    return [field.alias or name for name, field in model.model_fields.items()]


def _owner(model: type[BaseModel], key: tuple[Any, ...]) -> type[BaseModel]:
    """The model of the innermost table that holds the last part of a key."""
    for part in key[:-1]:
        field = model.model_fields.get(str(part))
        nested = _nested_model(field.annotation) if field else None
        model = nested or model
    return model


def _nested_model(kind: Any) -> type[BaseModel] | None:
    if isinstance(kind, type) and issubclass(kind, BaseModel):
        return kind
    return next((found for found in map(_nested_model, get_args(kind)) if found), None)


def _dimension_of(field: FieldInfo) -> Dimension | None:
    """The dimension of a key that takes a quantity."""
    marks = list(field.metadata)
    for kind in (field.annotation, *get_args(field.annotation)):
        if get_origin(kind) is Annotated:
            marks += get_args(kind)[1:]
    readers = (mark.func for mark in marks if isinstance(mark, PlainValidator))
    return next((reader.dimension for reader in readers if isinstance(reader, Quantity)), None)


def _without_unit_endings(
    model: type[BaseModel], raw: Mapping[str, Any], place: Place, report: Report
) -> dict[str, Any]:
    """The table with keys that carry their unit, as area_m2 = 72, under their plain names."""
    plain = dict(raw)
    for name, dimension in _dimensions(model):
        carrying = f"{name}_{dimension.suffix}"
        if carrying in model.model_fields or carrying not in plain:
            continue
        value = plain.pop(carrying)
        if name in raw:
            report.error(place, carrying, f"given twice, as {carrying} and {name}", "", f"keep {name}")
        else:
            plain[name] = f"{value} {dimension.unit}" if is_bare(value) else value
    return plain


def bare_keys(model: type[BaseModel], raw: Mapping[str, Any]) -> list[str]:
    """Keys whose quantity came without a unit, each with the unit that was taken, as ``area (m2)``.

    Degrees and percentages are not among them: nobody takes them for something else.
    """
    units = ((name, dimension.unit) for name, dimension in _dimensions(model) if dimension not in (PERCENT, ANGLE_DEG))
    return [f"{name} ({unit})" for name, unit in units if is_bare(raw.get(name))]


@functools.cache
def _dimensions(model: type[BaseModel]) -> list[tuple[str, Dimension]]:
    """The keys that take a quantity with a unit."""
    found = ((name, _dimension_of(field)) for name, field in model.model_fields.items())
    return [(name, dimension) for name, dimension in found if dimension and dimension.suffix]
