"""Byte frames written as text: ``A5 {output} 01 {sum8}``. Pure functions, no serial port.

Words are two hexadecimal digits, ``{output}`` (from 1), ``{index}`` (from 0), a check over all bytes before it
(``{sum8}``, ``{xor8}``, ``{crc16}`` low byte first), in replies also ``..`` for any byte and ``{bits}`` for eight
outputs, the lowest bit first.
"""

from __future__ import annotations

import re
from functools import reduce
from operator import xor

WORDS = ("{output}", "{index}", "{sum8}", "{xor8}", "{crc16}")
REPLY_WORDS = (*WORDS, "..", "{bits}")
_HEX = re.compile(r"[0-9A-Fa-f]{2}")


def frame_problem(key: str, template: str, *, reply: bool = False) -> str:
    """What is wrong with a frame's text, or ""."""
    known = REPLY_WORDS if reply else WORDS
    for word in template.split():
        if word not in known and not _HEX.fullmatch(word):
            return f'{key}: "{word}" is neither two hexadecimal digits nor one of {" ".join(known)}; correct it'
    return ""


def build(template: str, output: int) -> bytes:
    """The bytes of a command for one output."""
    frame = b""
    for word in template.split():
        frame += _bytes_of(word, output, frame)
    return frame


def length(template: str) -> int:
    """How many bytes a frame has."""
    return sum(2 if word == "{crc16}" else 1 for word in template.split())


def read_bits(template: str, output: int, frame: bytes) -> list[bool] | None:
    """The outputs a reply tells, output 1 first; [] when it tells none, None when it does not fit its template."""
    bits: list[bool] = []
    at = 0
    for word in template.split():
        if word in ("..", "{bits}"):
            if at >= len(frame):
                return None
            if word == "{bits}":
                bits += [bool(frame[at] >> place & 1) for place in range(8)]
            at += 1
            continue
        expected = _bytes_of(word, output, frame[:at])
        if frame[at : at + len(expected)] != expected:
            return None
        at += len(expected)
    return bits if at == len(frame) else None


def _bytes_of(word: str, output: int, before: bytes) -> bytes:
    match word:
        case "{output}":
            return bytes([output])
        case "{index}":
            return bytes([output - 1])
        case "{sum8}":
            return bytes([sum(before) & 0xFF])
        case "{xor8}":
            return bytes([reduce(xor, before, 0)])
        case "{crc16}":
            return crc16(before).to_bytes(2, "little")
        case _:
            return bytes.fromhex(word)


def crc16(data: bytes) -> int:
    """CRC-16 with polynomial 0xA001 (reflected) and start 0xFFFF: Modbus over Serial Line 1.02, ch. 6.2.2."""
    value = 0xFFFF
    for byte in data:
        value ^= byte
        for _ in range(8):
            value = (value >> 1) ^ 0xA001 if value & 1 else value >> 1
    return value
