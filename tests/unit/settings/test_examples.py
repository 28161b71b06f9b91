"""A needed key that is missing is told with a value that the key takes."""

from __future__ import annotations

import tomllib
from typing import Annotated

import pytest
from pydantic import BaseModel, TypeAdapter

from dewpond.settings import schema
from dewpond.settings.examples import EXAMPLES, remedy

MODELS = [
    found
    for found in vars(schema).values()
    if isinstance(found, type) and issubclass(found, BaseModel) and found.__module__ == schema.__name__
]
NEEDED = [
    (model, field.alias or name)
    for model in MODELS
    for name, field in model.model_fields.items()
    if field.is_required()
]


@pytest.mark.parametrize(("model", "key"), NEEDED, ids=lambda each: getattr(each, "__name__", each))
def test_every_needed_key_has_an_example_that_its_table_takes(model, key):
    field = next(field for name, field in model.model_fields.items() if key in (name, field.alias))
    written = tomllib.loads(remedy(model, key).removeprefix("write for instance "))
    kind = Annotated[(field.annotation, *field.metadata)] if field.metadata else field.annotation
    assert TypeAdapter(kind).validate_python(written[key]) is not None


def test_no_example_is_left_over_from_a_key_that_is_gone():
    for model, keys in EXAMPLES.items():
        assert keys.keys() <= {field.alias or name for name, field in model.model_fields.items()}


def test_a_missing_key_is_told_with_limit_and_example(load, whole):
    (error,) = load(whole.replace('area = "72 m2"\n', "")).errors
    assert error.sentence().endswith('area: missing; this key is needed; write for instance area = "72 m2".')


def test_a_missing_key_of_an_inner_table_has_its_own_example(load, whole):
    (error,) = load(whole + '[[zone.heads]]\nkind = "spray"\n').errors
    assert error.sentence().endswith("heads 1 count: missing; this key is needed; write for instance count = 6.")
