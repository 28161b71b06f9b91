"""``dewpond percent``: one word to the daemon, or one line why not."""

from __future__ import annotations

import pytest
from click.testing import CliRunner

from dewpond.adapters.operator_socket import OperatorClient
from dewpond.cli.main import main


@pytest.fixture
def said(monkeypatch, tmp_path):
    """What the daemon was asked; it takes everything."""
    asked = []

    def call(self, op, **fields):
        asked.append((op, fields))
        return {"ok": True, "text": "taken", "body": {}}

    monkeypatch.setattr(OperatorClient, "call", call)
    monkeypatch.setenv("DEWPOND_STATE_DIR", str(tmp_path))
    return asked


@pytest.mark.parametrize(
    ("arguments", "fields"),
    [
        (["Front beds", "80"], {"program": "Front beds", "percent": 80.0}),
        (["Front beds", "0"], {"program": "Front beds", "percent": 0.0}),
        (["Front beds", "--back-to-file"], {"program": "Front beds"}),
    ],
)
def test_one_action_is_one_request(said, arguments, fields):
    result = CliRunner().invoke(main, ["percent", *arguments])
    assert (result.exit_code, result.stdout) == (0, "taken\n")
    assert said == [("percent", fields)]


@pytest.mark.parametrize("arguments", [["Front"], ["Front", "80", "--back-to-file"], ["Front", "201"], ["Front", "-1"]])
def test_bad_input_asks_nothing(said, arguments):
    assert CliRunner().invoke(main, ["percent", *arguments]).exit_code == 2
    assert said == []


def test_without_a_daemon_it_says_so_in_one_line(monkeypatch, tmp_path):
    monkeypatch.setenv("DEWPOND_STATE_DIR", str(tmp_path))
    result = CliRunner().invoke(main, ["percent", "Front", "80"])
    assert result.exit_code == 1
    assert "no daemon answers" in result.stderr
