"""Guided tests from the terminal: one request each, or one line why not."""

from __future__ import annotations

import pytest
from click.testing import CliRunner

from dewpond.adapters.operator_socket import OperatorClient
from dewpond.cli.main import main


@pytest.fixture
def daemon(monkeypatch, tmp_path):
    """A daemon that takes everything but pump checks; what it was asked."""
    asked = []

    def call(self, op, **fields):
        asked.append((op, fields))
        ok = fields.get("kind") != "pump"
        return {"ok": ok, "text": "Step 1 of 2." if ok else "supply main has no pump", "body": {}}

    monkeypatch.setattr(OperatorClient, "call", call)
    monkeypatch.setenv("DEWPOND_STATE_DIR", str(tmp_path))
    return asked


def test_only_what_was_given_is_asked(daemon):
    result = CliRunner().invoke(main, ("guide", "leak", "main", "--who", "Ada", "--minutes", "5"))
    assert (result.exit_code, result.stdout) == (0, "Step 1 of 2.\n")
    result = CliRunner().invoke(main, ("guide", "drainage", "main", "--who", "Ada", "--zone", "lawn", "--saw", "yes"))
    assert result.exit_code == 0
    assert daemon == [
        ("guide", {"target": "main", "kind": "leak", "by": "Ada", "seconds": 300.0}),
        ("guide", {"target": "main", "kind": "drainage", "by": "Ada", "zone": "lawn", "answer": "yes"}),
    ]


def test_the_end_is_a_request_of_its_own(daemon):
    assert CliRunner().invoke(main, ("guide", "leak", "main", "--who", "Ada", "--end")).exit_code == 0
    assert daemon == [("end-guided", {"target": "main", "by": "Ada"})]


def test_a_refusal_is_one_line_and_a_test_that_is_none_bad_input(daemon):
    result = CliRunner().invoke(main, ("guide", "pump", "main", "--who", "Ada"))
    assert (result.exit_code, result.stdout, result.stderr) == (1, "", "supply main has no pump\n")
    assert CliRunner().invoke(main, ("guide", "boil", "main", "--who", "Ada")).exit_code == 2
