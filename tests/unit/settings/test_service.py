"""The service's own settings: environment over site file over defaults."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from dewpond.settings.addresses import BoardAddress, BrokerAddress
from dewpond.settings.service import ServiceRefused, load_service

SITE = Path("/srv/garden/site.toml")


@pytest.fixture(autouse=True)
def clean(monkeypatch):
    for name in list(os.environ):
        if name.startswith("DEWPOND_"):
            monkeypatch.delenv(name)


@pytest.fixture
def site(tmp_path):
    path = tmp_path / "garden.toml"
    path.write_text('[service]\nbroker = "mqtt://file:1"\nboard = "off"\ncommands = true\ncontact = "a@b.example"\n')
    return path


def test_defaults_keep_everything_beside_the_site_file():
    found = load_service(SITE)
    assert found.state_dir == Path("/srv/garden/site.state")
    assert found.database == "sqlite:////srv/garden/site.state/dewpond.db"
    assert found.broker == BrokerAddress(host="127.0.0.1", port=1883)
    assert found.board == BoardAddress(host="127.0.0.1", port=8377)
    assert (found.lease_s, found.renew_s, found.commands, found.clock, found.contact) == (90.0, 20.0, False, None, None)
    assert found.keeper_socket == found.state_dir / "keeper.sock"


def test_the_site_file_wins_over_defaults(site):
    found = load_service(site)
    assert (found.broker, found.board) == (BrokerAddress(host="file", port=1), None)
    assert (found.commands, found.contact) == (True, "a@b.example")


def test_the_environment_wins_over_the_site_file(site, monkeypatch, tmp_path):
    for name, value in {
        "STATE_DIR": str(tmp_path / "kept"), "BROKER": "none", "BOARD": "[::]:80", "DATABASE": "postgresql://x/y",
        "LEASE_S": "60", "RENEW_S": "15", "COMMANDS": "0",
    }.items():  # fmt: skip
        monkeypatch.setenv(f"DEWPOND_{name}", value)
    found = load_service(site)
    assert (found.state_dir, found.broker, found.board) == (
        tmp_path / "kept",
        None,
        BoardAddress(host="::", port=80),
    )
    assert (found.database, found.lease_s, found.renew_s, found.commands) == ("postgresql://x/y", 60.0, 15.0, False)


def test_an_empty_variable_is_none_at_all(site, monkeypatch):
    monkeypatch.setenv("DEWPOND_BROKER", "")
    assert load_service(site).broker == BrokerAddress(host="file", port=1)


def test_the_environment_may_name_the_site(site, monkeypatch):
    monkeypatch.setenv("DEWPOND_SITE", str(site))
    found = load_service()
    assert (found.site, found.board) == (site, None)


def test_without_site_and_state_folder_nothing_can_be_found():
    with pytest.raises(ServiceRefused, match="DEWPOND_SITE"):
        load_service()


def test_a_broken_site_file_does_not_keep_people_from_stopping(tmp_path):
    path = tmp_path / "site.toml"
    path.write_text("[service\n")
    assert load_service(path).state_dir == tmp_path / "site.state"


def test_every_bad_variable_is_told_without_its_password(monkeypatch):
    monkeypatch.setenv("DEWPOND_BROKER", "tcp://me:secret@x")
    monkeypatch.setenv("DEWPOND_BOARD", "8377")
    monkeypatch.setenv("DEWPOND_LEASE_S", "300")
    with pytest.raises(ServiceRefused) as refused:
        load_service(SITE)
    lines = str(refused.value).splitlines()
    assert [line.split(":")[0].split(",")[0] for line in lines] == [
        "DEWPOND_BROKER",
        "DEWPOND_BOARD",
        "DEWPOND_LEASE_S",
    ]
    assert "secret" not in str(refused.value)


def test_a_lease_outlives_a_late_renewal(monkeypatch):
    monkeypatch.setenv("DEWPOND_RENEW_S", "50")
    with pytest.raises(ServiceRefused, match="half"):
        load_service(SITE)


def test_only_service_keys_are_taken_from_the_site_file(tmp_path):
    path = tmp_path / "site.toml"
    path.write_text('[service]\nstate_dir = "/elsewhere"\nclock = "paced"\n')
    found = load_service(path)
    assert (found.state_dir, found.clock) == (tmp_path / "site.state", None)
