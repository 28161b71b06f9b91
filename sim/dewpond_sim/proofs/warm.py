"""``python -m dewpond_sim.proofs.warm SITE``: daemons by the thousand, each a process forked with its program loaded.

A line with a file's name on stdin starts a daemon that writes there; the answer is its process id. It is the daemon's
own start from there on (lock, store, journal, keeper, broker), only the loading of the program and the reading of the
site file are done once. The environment is that of this process.
"""

from __future__ import annotations

import os
import signal
import sys
import traceback
from pathlib import Path
from typing import Any, cast


class Known:
    """Settings and site, read already."""

    def __init__(self, service: Any, site: Any) -> None:
        self._values = service, site

    def values(self) -> tuple[Any, Any]:
        return self._values


def main(site_file: str) -> None:
    """Serve until stdin ends."""
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    from dewpond import bootstrap  # noqa: PLC0415 - after the environment is set
    from dewpond.adapters.paced_clock import ClockLost  # noqa: PLC0415
    from dewpond.adapters.stop_signals import Ending, on_stop_signals  # noqa: PLC0415
    from dewpond.settings.handover import Reading  # noqa: PLC0415

    known = Known(*Reading(Path(site_file)).values())
    signal.signal(signal.SIGCHLD, signal.SIG_IGN)  # the dead are nobody's business here
    print("loaded", flush=True)
    for line in sys.stdin:
        pid = os.fork()
        if pid:
            print(pid, flush=True)
            continue
        _become(line.strip())
        code = 70
        try:
            ending = Ending()
            with on_stop_signals(ending.ask):
                code = bootstrap.run_daemon(cast("Reading", known), lambda text: print(text, flush=True), ending)
        except ClockLost as lost:
            print(lost, flush=True)
        except Exception:  # noqa: BLE001 - as the interpreter does: tell, and end
            traceback.print_exc()
        finally:
            sys.stdout.flush()
            os._exit(code)


def _become(log: str) -> None:
    """What a fork does not do by itself: signals as at a program's start, and its own output."""
    signal.signal(signal.SIGCHLD, signal.SIG_DFL)
    os.setsid()
    output = os.open(log, os.O_WRONLY | os.O_CREAT | os.O_APPEND, 0o600)
    nothing = os.open(os.devnull, os.O_RDONLY)
    for there, here in ((nothing, 0), (output, 1), (output, 2)):
        os.dup2(there, here)


if __name__ == "__main__":
    main(sys.argv[1])
