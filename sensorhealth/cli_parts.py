"""What the command line shows while it works, and how it reads and writes small things."""

from __future__ import annotations

import argparse
import sys
from typing import Any


class Progress:
    """Shows what is going on on one line of a terminal; says nothing where there is none."""

    def __init__(self, quiet: bool) -> None:
        self.on = sys.stderr.isatty() and not quiet

    def __call__(self, step: str) -> None:
        """Name the step that begins now; the empty string clears the line."""
        if self.on:
            sys.stderr.write(f"\r\x1b[2K{step}" + (" ..." if step else ""))
            sys.stderr.flush()


def table_lines(table: Any, rows: int | None) -> list[str]:
    """The first rows of a table as lines of text, with a last line where there are more."""
    shown = table if rows is None else table.head(rows)
    lines = str(shown.to_string(index=False, na_rep="-", float_format=lambda value: f"{value:.4g}")).splitlines()
    if len(shown) < len(table):
        lines.append(f"({len(table) - len(shown)} more rows: --rows {len(table)} shows all)")
    return lines


def whole(text: str) -> int:
    """A whole number above 0 from an argument."""
    value = int(text)
    if value < 1:
        raise argparse.ArgumentTypeError(f"{text} is not a whole number above 0")
    return value


def date_of(text: str) -> str:
    """A date from an argument."""
    from datetime import date

    try:
        return date.fromisoformat(text).isoformat()
    except ValueError:
        raise argparse.ArgumentTypeError(f"{text!r} is not a date such as 2026-03-31") from None
