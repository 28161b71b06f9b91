"""What stands behind the wall clock: a time service, by the kernel's word, or a clock chip with a battery.

Sources: adjtimex(2), whose status bit STA_UNSYNC is clear while a time service keeps the clock; the kernel's
Documentation/ABI/testing/sysfs-class-rtc. Both only read; neither needs any right.
"""

from __future__ import annotations

import ctypes
from dataclasses import dataclass
from pathlib import Path

STA_UNSYNC = 0x0040
RTC = Path("/sys/class/rtc/rtc0/since_epoch")


@dataclass(frozen=True, slots=True)
class Witness:
    """``rtc_s`` is what the clock chip says, in seconds since 1970; None without one."""

    synchronised: bool = False
    rtc_s: float | None = None


class _Timex(ctypes.Structure):
    """``struct timex`` of 64-bit Linux; only ``modes`` is set and ``status`` read."""

    _fields_ = (
        ("modes", ctypes.c_uint),
        ("offset", ctypes.c_long),
        ("freq", ctypes.c_long),
        ("maxerror", ctypes.c_long),
        ("esterror", ctypes.c_long),
        ("status", ctypes.c_int),
        ("rest", ctypes.c_long * 32),
    )


def kernel_witness() -> Witness:
    """Ask the kernel. What cannot be asked counts as not there."""
    return Witness(_synchronised(), _rtc_s(RTC))


def _synchronised() -> bool:
    asked = _Timex(modes=0)
    try:
        answer = ctypes.CDLL(None).adjtimex(ctypes.byref(asked))
    except (OSError, AttributeError):
        return False
    return answer >= 0 and not asked.status & STA_UNSYNC


def _rtc_s(path: Path) -> float | None:
    try:
        return float(path.read_text())
    except (OSError, ValueError):
        return None
