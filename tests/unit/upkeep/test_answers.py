from __future__ import annotations

import json

from dewpond.upkeep.answers import answer
from dewpond.upkeep.desk import READING
from dewpond.upkeep.forms import FORMS

from .conftest import JUNE


def ask(desk, op, who="ben at the board", **plain):
    return answer(desk, op, plain, who=who, at=JUNE)


def test_every_operation_has_a_form_and_every_form_an_operation(desk):
    for op, form in FORMS.items():
        told = ask(desk, op)
        assert "is not known" not in told["text"], op
        assert all(entry.words for entry in form.values())
    assert FORMS.keys() >= READING
    assert "it is one of walk-begin" in ask(desk, "dance")["text"]


def test_every_answer_is_plain_json_with_the_persons_name_in_the_record(desk):
    told = ask(desk, "walk-begin", by="Ada")
    assert json.loads(json.dumps(told))["body"]["by"] == "Ada"
    assert ask(desk, "walk-show")["body"]["walk"] == "2027-06-01"
    assert ask(desk, "walk-show", by=7)["text"] == "walk-show: by is no name"


def test_nobody_changes_anything_without_a_name(desk):
    told = ask(desk, "walk-begin", who=" ")
    assert not told["ok"]
    assert "nobody is named" in told["text"]


def test_somebody_who_was_second_gets_the_newest_to_look_at(desk):
    ask(desk, "register-set", by="Ada", zone="lawn", changes={"notes": "lid cracked"}, version=0)
    told = ask(desk, "register-set", by="Ben", zone="lawn", changes={"notes": "lid gone"}, version=0)
    assert not told["ok"]
    assert told["body"]["newest"]["body"]["notes"] == "lid cracked"
    assert told["body"]["newest"]["who"] == "Ada"
