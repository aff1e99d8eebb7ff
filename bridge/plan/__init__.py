"""`foldbridge plan`: a rig's stage as one printable page, or as data. I/O."""

from __future__ import annotations

import argparse
import json
import sys
from pathlib import Path

from bridge.errors import Fault, FileError
from bridge.rig.load import load_rig
from bridge.rig.rig import Rig

__all__ = ["run", "write"]

STDOUT = Path("-")


def run(arguments: argparse.Namespace) -> int:
    """Plan a rig: ``rig``, ``out`` (None: a name of its own), ``json`` and ``strict``.

    Returns:
        0, or 1 with ``strict`` when there are warnings.

    Raises:
        RigError: the rig says something that cannot be.
        FileError: the plan cannot be written there.
    """
    rig = load_rig(arguments.rig)
    warnings, written = write(rig, arguments.out, as_json=arguments.json)
    for each in warnings:
        print(f"warning: {each}", file=sys.stderr)
    if written is not None:
        count = len(warnings)
        said = f"{count} warning{'' if count == 1 else 's'}" if count else "no warnings"
        print(f"{written}: the plan of {rig.file.rig.name}, {said}")
    return 1 if arguments.strict and warnings else 0


def write(rig: Rig, out: Path | None, *, as_json: bool) -> tuple[tuple[str, ...], Path | None]:
    """Work out a rig's plan and write it.

    Args:
        rig: The rig.
        out: Where to; ``-`` is standard output. None: standard output for JSON, and for HTML
            the rig's name with ``-plan.html`` in the present folder.
        as_json: JSON instead of HTML.

    Returns:
        The warnings, and the file that was written; None for standard output.

    Raises:
        RigError: the rig's stage is impossible.
        FileError: the plan cannot be written there, or would be written over its rig.
    """
    # Imported late: other commands need neither numbers nor drawings.
    from bridge.plan.facts import data, plan_of

    plan = plan_of(rig)
    if as_json:
        text = json.dumps(data(plan), indent=2, allow_nan=False, ensure_ascii=False) + "\n"
    else:
        from bridge.plan.page import page

        text = page(plan)
    if out is None:
        out = STDOUT if as_json else Path(f"{Path(rig.where).stem}-plan.html")
    if out == STDOUT:
        sys.stdout.write(text)
        return plan.warnings, None
    _save(out, text, Path(rig.where))
    return plan.warnings, out


def _save(out: Path, text: str, source: Path) -> None:
    expected = "a place for a new file"
    try:
        if out.exists() and source.exists() and out.samefile(source):
            raise FileError([Fault(str(out), "the rig itself", expected)])
        out.write_text(text, encoding="utf-8")
    except (OSError, ValueError) as problem:
        found = getattr(problem, "strerror", None) or str(problem)
        raise FileError([Fault(str(out), found, expected)]) from None
