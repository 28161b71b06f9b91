"""How the next step of a check or a commissioning is shown at the terminal, and how a page to print is written."""

from __future__ import annotations

from pathlib import Path

import click

from dewpond.cli.answers import fail
from dewpond.cli.upkeep_desk import Plain


def say_step(step: Plain | None, tick: str) -> None:
    """What is next, how it is done, and the cautions that are not ticked yet; nothing where nothing is next."""
    if step is None:
        return
    click.echo(f"Next: {step['title']}, {step['place']}  ({step['step']})")
    for line in step["how"]:
        click.echo(f"  {line}")
    left = [caution for caution in step["cautions"] if not caution["ticked"]]
    for caution in left:
        click.echo(f"  ! {caution['key']}: {caution['text']} ({caution['source']})")
    if left:
        click.echo(f"  ! {step['last_word']}")
        click.echo(f"  Read them, then: {tick} {step['step']} {' '.join(caution['key'] for caution in left)}")


def write_page(file: Path, text: str) -> None:
    """A page written whole; exits with one line where it cannot be."""
    try:
        file.write_text(text, encoding="utf-8")
    except OSError as fault:
        fail(f"{file}: cannot be written ({fault.strerror}); name another place")
    click.echo(f"{file} is written; open it in a browser and print it.")
