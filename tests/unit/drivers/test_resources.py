"""One relay board has one name, whichever driver drives it and however the site file writes where it is."""

from __future__ import annotations

import os
import pty
from collections.abc import Iterator
from pathlib import Path

import pytest

from dewpond_drivers.gpio import GpioSettings
from dewpond_drivers.gpiod import GpiodSettings
from dewpond_drivers.http import HttpSettings
from dewpond_drivers.modbus import ModbusSettings
from dewpond_drivers.mqtt import MqttSettings
from dewpond_drivers.ownership import HeldByAnother, Ownership
from dewpond_drivers.resources import hosts
from dewpond_drivers.serial import SerialSettings


@pytest.fixture
def port() -> Iterator[Path]:
    ours, theirs = pty.openpty()
    yield Path(os.ttyname(theirs))
    os.close(ours)
    os.close(theirs)


def _frames(port: Path) -> SerialSettings:
    return SerialSettings(port=port, on_frame="A0 {output} 01", off_frame="A0 {output} 00")


def test_modbus_and_serial_name_one_port_alike_through_a_link(port: Path, tmp_path: Path) -> None:
    link = tmp_path / "usb-relays"
    link.symlink_to(port)
    by_frames = set(_frames(port).resources(8))
    assert by_frames == set(ModbusSettings(serial=str(link)).resources(8))
    assert by_frames == set(ModbusSettings(serial=str(port), device_id=2, first_coil=8).resources(4))


def test_two_keepers_cannot_hold_one_port_under_two_names(port: Path, tmp_path: Path) -> None:
    link = tmp_path / "usb-relays"
    link.symlink_to(port)
    first = Ownership(tmp_path / "one.lock", _frames(link).resources(8))
    with pytest.raises(HeldByAnother, match="another keeper drives them"):
        Ownership(tmp_path / "two.lock", ModbusSettings(serial=str(port)).resources(8))
    first.release()
    Ownership(tmp_path / "two.lock", ModbusSettings(serial=str(port)).resources(8)).release()


def test_different_ports_differ(port: Path) -> None:
    assert set(_frames(port).resources(8)).isdisjoint(_frames(Path("/dev/ttyUSB77")).resources(8))


def test_gpio_and_gpiod_name_one_line_alike_however_the_chip_is_written(tmp_path: Path) -> None:
    link = tmp_path / "chip"
    link.symlink_to("/dev/gpiochip0")
    by_number = set(GpioSettings(pins=(17, 22), chip=0).resources(2))
    for chip in ("/dev/gpiochip0", "gpiochip0", "0", str(link)):
        assert by_number == set(GpiodSettings(lines=(17, 22), chip=chip).resources(2)), chip
    assert by_number.isdisjoint(GpiodSettings(lines=(17, 22), chip="/dev/gpiochip1").resources(2))
    assert by_number.isdisjoint(GpiodSettings(lines=(18, 23)).resources(2))


def test_gpio_without_a_chip_holds_every_chip_the_library_may_take() -> None:
    unnamed = set(GpioSettings(pins=(17,)).resources(1))
    assert unnamed >= set(GpiodSettings(lines=(17,), chip="/dev/gpiochip0").resources(1))
    assert unnamed >= set(GpiodSettings(lines=(17,), chip="/dev/gpiochip4").resources(1))


@pytest.mark.parametrize(
    ("one", "other"),
    [
        ("192.0.2.20", "192.0.2.20"),
        ("2001:db8::1", "2001:0DB8:0:0:0:0:0:1"),
        ("Boards.Invalid.", "boards.invalid"),
        ("localhost", "127.0.0.1"),
    ],
)
def test_a_host_is_known_under_every_way_of_writing_it(one: str, other: str) -> None:
    assert set(hosts(one, 502)) & set(hosts(other, 502))
    assert set(hosts(one, 502)).isdisjoint(hosts(other, 503))


def test_a_name_and_its_address_are_one_modbus_board() -> None:
    named = ModbusSettings(host="LOCALHOST", first_coil=4).resources(4)
    assert set(named) & set(ModbusSettings(host="127.0.0.1").resources(8))
    assert set(named).isdisjoint(ModbusSettings(host="127.0.0.1").resources(4))


def test_http_and_mqtt_know_usual_ports_and_letter_case() -> None:
    def board(start: str) -> set[str]:
        return set(HttpSettings(on_url=f"{start}/{{output}}/on", off_url=f"{start}/{{output}}/off").resources(2))

    def broker(address: str) -> set[str]:
        return set(MqttSettings(command_topic="yard/{output}", broker=address).resources(2))

    assert board("http://192.0.2.30") == board("HTTP://192.0.2.30:80")
    assert board("http://192.0.2.30").isdisjoint(board("http://192.0.2.31"))
    assert broker("mqtt://192.0.2.9") == broker("mqtt://192.0.2.9:1883")
