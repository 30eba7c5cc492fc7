"""The contract as a page of documentation, generated from the one dictionary of names, units and meanings."""

from __future__ import annotations

from .. import nomenclature


def contract_markdown() -> str:
    """Markdown tables of the contract: each column with its type, unit, range or choices, and meaning; * = must be
    there."""
    parts = []
    for table in nomenclature.TABLES_IN:
        parts.append(f"### `{table}`\n")
        parts.append("| column | type | unit | range or choices | meaning |\n|---|---|---|---|---|")
        for column in nomenclature.columns(table).values():
            star = "*" if column.required else ""
            cells = (f"`{column.name}`{star}", column.type, column.unit, _range(column), column.meaning)
            parts.append("| " + " | ".join(cell.replace("|", "\\|") for cell in cells) + " |")
        parts.append("")
    return "\n".join(parts)


def findings_markdown() -> str:
    """Markdown table of every finding that the checks of the records can make, in the order in which they look."""
    from .checks import checks

    lines = ["| finding | what it means |", "|---|---|"]
    listed = {name: meaning for check in reversed(checks()) for name, meaning in reversed(check.FINDINGS.items())}
    lines += [f"| {name} | {meaning} |" for name, meaning in reversed(listed.items())]
    return "\n".join(lines) + "\n"


def _range(column: nomenclature.Column) -> str:
    if column.choices:
        return ", ".join(column.choices)
    if column.low is not None and column.high is not None:
        return f"{column.low:g} to {column.high:g}"
    if column.low is not None:
        return f"{column.low:g} or more"
    return ""
