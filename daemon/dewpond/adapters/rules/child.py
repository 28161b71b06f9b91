"""The child process that runs one rule plug-in once: a question as JSON on stdin, the answer as one line on stdout.

Its own limits are set before any of the user's code is imported, and are handed on to whatever it starts: memory,
processor time, no core files. What a rule prints goes nowhere; the answer leaves by a descriptor of its own.
"""

from __future__ import annotations

import json
import os
import resource
import sys

CPU_S = 10  # of processor time; the wall limit is kept by the parent
NICENESS = 10  # below the daemon: the valves go first on a small computer


def main() -> None:
    """Read, limit, call, answer."""
    memory_bytes = int(sys.argv[1])
    resource.setrlimit(resource.RLIMIT_AS, (memory_bytes, memory_bytes))
    resource.setrlimit(resource.RLIMIT_CPU, (CPU_S, CPU_S))
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
    os.nice(NICENESS)
    answers = os.dup(1)
    os.set_inheritable(answers, False)
    nowhere = os.open(os.devnull, os.O_RDWR)
    os.dup2(nowhere, 1)
    question = json.load(sys.stdin)
    os.dup2(nowhere, 0)
    from dewpond.adapters.rules.calling import call_rule  # noqa: PLC0415 - only within the limits

    answer = call_rule(question)
    with os.fdopen(answers, "wb") as out:
        out.write(json.dumps(answer).encode() + b"\n")
    # Threads and clean-up of the user's code must not hold up the answer, nor outlive it.
    os._exit(0)


if __name__ == "__main__":
    main()
