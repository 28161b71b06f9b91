"""Byte frames of serial relay boards."""

from __future__ import annotations

import pytest

from dewpond_drivers.frames import build, crc16, frame_problem, length, read_bits


def test_crc16_of_the_catalogue_string() -> None:
    """CRC-16/MODBUS has the check value 0x4B37 for "123456789": catalogue of parametrised CRC algorithms, G. Cook."""
    assert crc16(b"123456789") == 0x4B37


def test_crc16_of_a_modbus_request() -> None:
    """Read 10 holding registers from 0 of device 1 is 01 03 00 00 00 0A C5 CD on the wire (common worked example)."""
    assert build("01 03 00 00 00 0A {crc16}", 1).hex() == "01030000000ac5cd"


@pytest.mark.parametrize(
    ("template", "output", "frame"),
    [
        ("A5 {output} 01 {sum8}", 3, "a50301a9"),
        ("A5 {index} 00 {xor8}", 3, "a50200a7"),
        ("FF {output} FF {sum8}", 255, "fffffffd"),
    ],
)
def test_commands_are_built_with_their_check(template: str, output: int, frame: str) -> None:
    assert build(template, output).hex() == frame and length(template) == len(frame) // 2


def test_replies_tell_the_lowest_output_in_the_lowest_bit() -> None:
    reply = bytes([0xA5, 0b0000_0101, 0b1000_0000, 0x99])
    bits = read_bits("A5 {bits} {bits} ..", 1, reply)
    assert bits is not None and [place + 1 for place, on in enumerate(bits) if on] == [1, 3, 16]


@pytest.mark.parametrize("reply", ["a502", "a501ff", "a50", "", "a601", "a501"])
def test_a_reply_that_does_not_fit_tells_nothing(reply: str) -> None:
    frame = bytes.fromhex(reply) if len(reply) % 2 == 0 else bytes.fromhex(reply + "0")
    assert read_bits("A5 {output} {sum8}", 3, frame) is None


def test_a_check_in_a_reply_is_checked() -> None:
    good = build("A5 {output} {crc16}", 2)
    assert read_bits("A5 {output} {crc16}", 2, good) == []
    assert read_bits("A5 {output} {crc16}", 2, good[:-1] + bytes([good[-1] ^ 1])) is None


@pytest.mark.parametrize("template", ["A", "GG", "{bits}", "..", "{outputs}", "A501"])
def test_words_that_are_no_bytes_are_named(template: str) -> None:
    assert template in frame_problem("on_frame", template)


def test_replies_know_more_words() -> None:
    assert frame_problem("state_reply", "A5 .. {bits} {sum8}", reply=True) == ""
