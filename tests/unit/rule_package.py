"""An installed package with rule plug-ins, as a user would have one: a module and its entry points in a folder."""

from __future__ import annotations

from pathlib import Path


def write_rules(folder: Path, source: str, *names: str) -> Path:
    """Lay the package down in ``folder``, which is to be put on the path; each name is a function of the source."""
    facts = folder / "withy_rules-1.0.dist-info"
    facts.mkdir(parents=True)
    (facts / "METADATA").write_text("Metadata-Version: 2.1\nName: withy-rules\nVersion: 1.0\n", encoding="utf-8")
    points = "\n".join(f"{name} = withy_rules:{name}" for name in names)
    (facts / "entry_points.txt").write_text(f"[dewpond.rules]\n{points}\n", encoding="utf-8")
    (folder / "withy_rules.py").write_text(source, encoding="utf-8")
    return folder
