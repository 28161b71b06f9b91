"""The [relays] table: every fault at once, with file, table, key, limit and remedy."""

from __future__ import annotations

from pathlib import Path

import pytest

from dewpond_drivers.gpio import GpioDriver, GpioSettings
from dewpond_drivers.http import HttpDriver
from dewpond_drivers.modbus import ModbusDriver
from dewpond_drivers.mqtt import MqttDriver
from dewpond_drivers.serial import SerialDriver
from dewpond_drivers.simulated import SimulatedDriver, SimulatedSettings
from dewpond_drivers.table import TableRefused, examine, find_driver, read_relays, settings_for


def write(folder: Path, relays: str) -> Path:
    site = folder / "site.toml"
    site.write_text(f'[site]\nname = "Withy Hollow"\n[relays]\n{relays}\n')
    return site


def settings(folder: Path, kind, relays: str):
    return settings_for(kind, read_relays(write(folder, relays)))


def test_a_log_path_counts_from_the_site_file(tmp_path: Path) -> None:
    relays = 'driver = "simulated"\noutputs = 8\nlog = "state/relays.log"'
    table = read_relays(write(tmp_path, relays))
    assert (table.driver, table.outputs) == ("simulated", 8)
    assert settings_for(find_driver(table), table) == SimulatedSettings(log=tmp_path / "state/relays.log")
    absolute = settings(tmp_path, SimulatedDriver, f'driver = "simulated"\noutputs = 8\nlog = "{tmp_path}/x.log"')
    assert absolute.log == tmp_path / "x.log"


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ('driver = "simulated"', "outputs (None) must be a whole number from 1"),
        ('driver = "simulated"\noutputs = 0', "outputs (0)"),
        ('driver = "simulated"\noutputs = true', "outputs (True)"),
        ("outputs = 8", "driver (None) must be a driver's name"),
        ('driver = "simulated"\noutputs = 8.5', "outputs (8.5)"),
    ],
)
def test_the_two_common_keys_are_checked(tmp_path: Path, text: str, says: str) -> None:
    with pytest.raises(TableRefused) as refused:
        read_relays(write(tmp_path, text))
    assert says in str(refused.value) and "site.toml, [relays]:" in str(refused.value)


def test_broken_or_missing_files_are_named(tmp_path: Path) -> None:
    with pytest.raises(TableRefused, match=r"absent\.toml: cannot be read"):
        read_relays(tmp_path / "absent.toml")
    site = tmp_path / "site.toml"
    site.write_text("[relays\n")
    with pytest.raises(TableRefused, match=r"site\.toml, line 1, column 8: not TOML"):
        read_relays(site)
    site.write_text("[site]\n")
    with pytest.raises(TableRefused, match=r"no \[relays\] table"):
        read_relays(site)


def test_an_unknown_driver_is_refused_with_the_known_names(tmp_path: Path) -> None:
    with pytest.raises(TableRefused, match=r'"magic" is not installed; known are: .*modbus.*simulated'):
        find_driver(read_relays(write(tmp_path, 'driver = "magic"\noutputs = 8')))


def test_all_faults_are_told_at_once(tmp_path: Path) -> None:
    with pytest.raises(TableRefused) as refused:
        settings(tmp_path, GpioDriver, 'driver = "gpio"\noutputs = 2\nactive_lo = true\nchip = "x"')
    lines = str(refused.value).splitlines()
    assert len(lines) == 3
    assert "active_lo is not a key of driver" in lines[0] and "pins" in lines[0] and "correct or remove" in lines[0]
    assert "needs the key pins" in lines[1] and "chip ('x') must be a whole number" in lines[2]


def test_types_are_not_guessed(tmp_path: Path) -> None:
    text = 'driver = "gpio"\noutputs = 2\npins = [17, 27.0]'
    with pytest.raises(TableRefused, match=r"pins .* must be a whole number"):
        settings(tmp_path, GpioDriver, text)
    good = settings(tmp_path, GpioDriver, 'driver = "gpio"\noutputs = 2\npins = [17, 27]')
    assert good == GpioSettings(pins=(17, 27))


@pytest.mark.parametrize(
    ("kind", "text", "says"),
    [
        (GpioDriver, "pins = [17]", "pins has 1 entries for 2 outputs"),
        (GpioDriver, "pins = [17, 17]", "must be different numbers"),
        (ModbusDriver, "", "needs either host or serial"),
        (ModbusDriver, 'host = "a"\nserial = "b"', "needs either host or serial"),
        (ModbusDriver, 'host = "a"\ntimeout_s = 9', "timeout_s (9.0) must be 0.05 to 1.5"),
        (HttpDriver, 'on_url = "http://h/on"\noff_url = "http://h/{output}/off"', "on_url or on_body must hold"),
        (HttpDriver, 'on_url = "ftp://h/{output}"\noff_url = "http://h/{output}"', "must begin with http://"),
        (MqttDriver, 'command_topic = "relay/set"\nbroker = "mqtt://h"', "command_topic"),
        (MqttDriver, 'command_topic = "relay/{output}/set"\nbroker = "h:1883"', "must be mqtt://HOST:PORT"),
        (MqttDriver, 'command_topic = "r/{output}"\nbroker = "mqtt://me:pw@h"', "must not hold a user"),
        (HttpDriver, 'on_url = "http://u:p@h/{output}"\noff_url = "http://h/{output}"', "must not hold a user"),
        (SerialDriver, 'port = "/dev/x"\non_frame = "A5 XX"\noff_frame = "A5 {output}"', '"XX" is neither'),
        (
            SerialDriver,
            'port = "/dev/x"\non_frame = "{output}"\noff_frame = "{output}"\nstate_frame = "00"',
            "belong together",
        ),
    ],
)
def test_contradictions_are_refused(tmp_path: Path, monkeypatch, kind, text: str, says: str) -> None:
    monkeypatch.delenv("DEWPOND_BROKER", raising=False)
    with pytest.raises(TableRefused) as refused:
        settings(tmp_path, kind, f'driver = "x"\noutputs = 2\n{text}')
    assert says in str(refused.value)


def test_examine_touches_no_hardware(tmp_path: Path) -> None:
    site = write(tmp_path, 'driver = "modbus"\noutputs = 4\nhost = "192.0.2.7"')
    examined = examine(site)
    assert examined.faults == () and examined.holds_when_cut_off is True and not examined.timed_on
    timed = 'driver = "mqtt"\noutputs = 1\nbroker = "mqtt://h"\ncommand_topic = "r/{output}"\ntimed = "{seconds}"'
    assert examine(write(tmp_path, timed)).timed_on
    assert len(examine(write(tmp_path, 'driver = "gpio"\noutputs = 2\nx = 1')).faults) == 2
