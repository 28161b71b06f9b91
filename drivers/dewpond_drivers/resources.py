"""One name for one piece of hardware, however a site file writes it, so that two keepers cannot both own it.

Names are made before any hardware is touched. What cannot be told apart beforehand gets every name it may have: one
keeper too few is told at once, one too many moves the same valve twice.
"""

from __future__ import annotations

import os
import socket
import stat
import threading
from pathlib import Path
from urllib.parse import urlsplit

RESOLVE_S = 1.0  # a name server that is slower does not keep the keeper from starting
FIRST_CHIPS = (0, 4)  # gpiozero takes one of these where no chip is named, by the board's revision
_FAMILIES = (socket.AF_INET, socket.AF_INET6)


def device(path: Path) -> str:
    """A device by the number the kernel knows it by; links and second names are the same device."""
    real = path.resolve()
    try:
        facts = real.stat()
    except OSError:
        return str(real)
    if not stat.S_ISCHR(facts.st_mode):
        return str(real)
    return f"character device {os.major(facts.st_rdev)}:{os.minor(facts.st_rdev)}"


def serial_port(path: Path) -> str:
    """A serial port as a whole: two who talk on one line garble each other, whatever boards they mean."""
    return f"serial {device(path)}"


def gpio_lines(chip: str | int | None, lines: tuple[int, ...]) -> list[str]:
    """Lines of a GPIO chip by number, by device path, or, with None, of any chip the library may take."""
    chips = FIRST_CHIPS if chip is None else (chip,)
    paths = [Path(f"/dev/gpiochip{each}") if isinstance(each, int) else _chip_path(each) for each in chips]
    return [f"gpio {name} line {line}" for name in dict.fromkeys(map(device, paths)) for line in lines]


def hosts(host: str, port: int) -> list[str]:
    """A network place under its name, in lower case, and under each address that the name has just now."""
    plain = host.strip().rstrip(".").lower()
    literal = _literal(plain)
    names = [literal] if literal else [plain, *_addresses(plain)]
    return [f"[{name}]:{port}" if ":" in name else f"{name}:{port}" for name in names]


def url_places(url: str, ports: dict[str, int]) -> list[str]:
    """``hosts`` of an address; ``ports`` are the usual ones by scheme."""
    parts = urlsplit(url)
    return hosts(parts.hostname or "", parts.port or ports.get(parts.scheme, 0))


def _chip_path(chip: str) -> Path:
    """The library takes a path, and for trials a bare name or number."""
    if chip.isdecimal():
        return Path(f"/dev/gpiochip{chip}")
    return Path("/dev") / chip  # an absolute path stays as it is


def _literal(host: str) -> str:
    """An address written in any way, in the one way; "" for a name."""
    for family in _FAMILIES:
        try:
            return socket.inet_ntop(family, socket.inet_pton(family, host))
        except OSError:
            continue
    return ""


def _addresses(host: str) -> list[str]:
    found: list[str] = []

    def ask() -> None:
        try:
            answers = socket.getaddrinfo(host, None, type=socket.SOCK_STREAM)
        except (OSError, UnicodeError):
            return
        found.extend(sorted({str(answer[4][0]) for answer in answers}))

    asking = threading.Thread(target=ask, name="names", daemon=True)
    asking.start()
    asking.join(RESOLVE_S)
    return list(found)
