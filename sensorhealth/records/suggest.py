"""A first mapping for records under other names: a TOML text with comments, for a person to correct."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping, Sequence
from pathlib import Path

import numpy as np

from .. import nomenclature
from ..errors import RecordsError
from .cells import MISSING, distinct_texts, numbers, table_decimal
from .dates import CLOCK, TimeFormat, times
from .headings import bare, guesses, unit_in
from .raw import Source
from .vocabulary import is_free, spellings, understood_word

_FEWEST = 8
_HEAD = """\
# A first mapping, guessed from the headings. Read each line, correct it, and give it with --mapping.
# Left of the = stands the contract's name, right of it yours.
"""


def suggest_mapping(path: Path | str) -> str:
    """TOML text of a mapping for the records at `path`, guessed from headings and cells, with a comment on each guess.

    Nothing is decided for the user: what the cells do not prove stands as a comment to be completed. Raises
    RecordsError where nothing can be opened at `path`.
    """
    from .readers import listed, open_sources

    sources = open_sources(path, {name: name for name in listed(path)}, complete=False)
    chosen = _chosen(sources)
    if "calibrations" not in chosen:
        raise RecordsError(f"{path}: no table here looks like calibrations (found: {', '.join(sources) or 'none'})")
    lines = [_HEAD, *_general(chosen)]
    for table in nomenclature.TABLES_IN:
        if table in chosen:
            name, source, columns = chosen[table]
            lines += _table_lines(table, name, source, columns)
        elif table == "sensors":
            lines += _sensors_told(chosen["calibrations"][2])
    return "\n".join(lines).rstrip() + "\n"


def _chosen(sources: Mapping[str, Source]) -> dict[str, tuple[str, Source, dict[str, str]]]:
    """For each table of the contract the source that fits it best: the user's name, the source, heading by column."""
    scored = []
    for table in nomenclature.TABLES_IN:
        required = [name for name, column in nomenclature.columns(table).items() if column.required]
        for name, source in sources.items():
            found = _believable(guesses(table, source.headings), source)
            share = len(found) / len(nomenclature.columns(table))
            share += sum(column in found for column in required) / len(required)
            scored.append((share + (name.casefold() == table), table, name, found))
    chosen: dict[str, tuple[str, Source, dict[str, str]]] = {}
    for share, table, name, found in sorted(scored, key=lambda item: -item[0]):
        if share >= 0.5 and table not in chosen and name not in [taken for taken, _, _ in chosen.values()]:
            chosen[table] = (name, sources[name], found)
    if "calibrations" in chosen and "sensors" not in chosen:
        name, source, found = chosen["calibrations"]
        facts = _believable(guesses("sensors", [item for item in source.headings if item not in found.values()]), source)
        chosen["calibrations"] = (name, source, found | {fact: item for fact, item in facts.items() if fact not in found})
    return chosen


def _believable(found: dict[str, str], source: Source) -> dict[str, str]:
    """The guesses without those for columns of closed words of which the cells hold not one."""
    return {column: heading for column, heading in found.items() if not _contradicted(column, heading, source)}


def _contradicted(column: str, heading: str, source: Source) -> bool:
    if _facts(column).type != "text" or is_free(column) or column == "gas" or bare(heading) == bare(column):
        return False
    words = _words(source, heading)
    other = [name for table in nomenclature.TABLES_IN for name in nomenclature.columns(table) if spellings(name)]
    means_other = any(_understood(name, words) for name in other if name not in (column, "gas"))
    return bool(words) and not _understood(column, words) and means_other


def _understood(column: str, words: Sequence[str]) -> bool:
    return any(understood_word(column, word) is not None for word in words)


def _sensors_told(columns: Mapping[str, str]) -> list[str]:
    """What is said of the sensors where they stand in no table of their own."""
    lines = ["# No table of sensors was found: they are told from the calibrations."]
    missing = [column for column in ("gas", "technology", "unit") if column not in columns]
    if missing:
        lines += ["[sensors.constants]", *(f"# {column} = {_example(column)}" for column in missing)]
    return [*lines, ""]


def _general(chosen: Mapping[str, tuple[str, Source, dict[str, str]]]) -> list[str]:
    lines = []
    if "headroom" in chosen["calibrations"][2]:
        kind, seen = _headroom_looks(*chosen["calibrations"][1:])
        lines.append("# How headroom is recorded: reading, excess (above the gas), ratio or percent (of the gas). Please state:")
        lines += [f"# ({seen})"] if seen else []
        lines.append(f'# headroom_kind = "{kind}"')
    lines.append("# What 100 %LEL of methane is, in %vol: 4.4 or 5.0 (only needed for %LEL):")
    lines.append("# lel_basis = 5.0")
    lines.append("# Time zone of times that carry none of their own:")
    lines.append('# timezone = "UTC"')
    for _, source, columns in chosen.values():
        try:
            counted = [heading for column, heading in columns.items() if _facts(column).type == "number"]
            table_decimal({heading: source.read([heading]).cells.column(0) for heading in counted}, source.name)
        except RecordsError:
            lines.append("# A comma could part thousands or decimals here; state which:")
            lines.append('# decimal = ","')
    return [*lines, ""]


def _headroom_looks(source: Source, columns: Mapping[str, str]) -> tuple[str, str]:
    """Which kind of headroom the numbers look like, and what they are, in words; a reading where they do not say."""
    if re.search(r"%|per ?cent", columns["headroom"].casefold()) and not unit_in(columns["headroom"], "headroom"):
        return "percent", "its heading speaks of per cent"
    if "applied" not in columns:
        return "reading", ""
    try:
        pair = [source.read([columns[name]]).cells.column(0) for name in ("headroom", "applied")]
        mark = table_decimal(dict(zip(("headroom", "applied"), pair, strict=True)), source.name)
    except RecordsError:
        return "reading", ""
    headroom, applied = (numbers(column, lambda: mark).values for column in pair)
    there = (headroom > 0) & (applied > 0)
    if there.sum() < _FEWEST:
        return "reading", ""
    high, gas = float(np.median(headroom[there])), float(np.median(applied[there]))
    kind = "percent" if high / gas > 5 else "reading" if high / gas >= 1 else "excess" if high / gas > 0.15 else "ratio"
    return kind, f"mostly about {high:.4g} where {gas:.4g} was applied: it looks like {kind}, but the numbers do not prove it"


def _facts(column: str) -> nomenclature.Column:
    return next(nomenclature.columns(t)[column] for t in nomenclature.TABLES_IN if column in nomenclature.columns(t))


def _table_lines(table: str, name: str, source: Source, columns: Mapping[str, str]) -> list[str]:
    lines = [f"[{table}]"] + ([f"table = {_quoted(name)}"] if name != table else [])
    lines.append(f"[{table}.columns]")
    for column, heading in columns.items():
        clock = _date_beside(column, heading, source, columns)
        if clock:
            lines.append(f"{column} = [{_quoted(clock)}, {_quoted(heading)}]  # a date and a time of day, joined")
            continue
        comment = nomenclature.columns(table).get(column, _facts(column)).meaning
        lines.append(f"{column} = {_quoted(heading)}  # {comment}")
    joined = [_date_beside(column, heading, source, columns) for column, heading in columns.items()]
    unused = [heading for heading in source.headings if heading not in (*columns.values(), *joined)]
    if unused:
        lines.append(f"# not used: {', '.join(_quoted(heading) for heading in unused)}")
    missing = [c for c, facts in nomenclature.columns(table).items() if facts.required and c not in columns]
    if missing:
        lines.append(f"# must be there, but no heading was found: {', '.join(missing)}; name it above or give a constant:")
        lines += [f"[{table}.constants]", *(f"# {column} = {_example(column)}" for column in missing)]
    lines += _units(table, columns)
    for column, heading in columns.items():
        lines += _cell_lines(table, column, source, heading)
    return [*lines, ""]


def _units(table: str, columns: Mapping[str, str]) -> list[str]:
    stated = {column: unit_in(heading, column) for column, heading in columns.items()}
    lines = [f"{column} = {_quoted(unit)}" for column, unit in stated.items() if unit]
    return [f"[{table}.units]", *lines] if lines else []


def _cell_lines(table: str, column: str, source: Source, heading: str) -> list[str]:
    """Words that the contract does not know, and dates that the cells do not explain."""
    facts = nomenclature.columns(table).get(column, _facts(column))
    cells = source.read([heading]).cells.column(0)
    if facts.type == "time":
        if _are_clocks(source, heading):
            return []
        try:
            times(cells, TimeFormat(), heading)
        except RecordsError as error:
            why = str(error).split(";")[0].removeprefix(f"{heading}: ")
            return [f"[{table}.date_formats]", f"# {why}", f'# {column} = "%d/%m/%Y"']
        return []
    if facts.type != "text" or is_free(column):
        return []
    words = _words(source, heading)
    known_gases = set(spellings("gas").values())
    unknown = sorted(
        {
            word
            for word in words
            if (meant := understood_word(column, word)) is None or (column == "gas" and meant not in known_gases)
        }
    )[:20]
    if not unknown:
        return []
    known = ", ".join(facts.choices) or f"{', '.join(sorted(known_gases))}, or any name if it is the same in every table"
    return [
        f"[{table}.values.{column}]",
        f"# each must be one of {known}",
        *(f'# {_quoted(word)} = ""' for word in unknown),
    ]


def _words(source: Source, heading: str) -> list[str]:
    """The different texts in the cells of a column."""
    cells = distinct_texts(source.read([heading]).cells.column(0))[1]
    return [" ".join(cell.split()) for cell in cells if cell and cell.casefold() not in MISSING]


def _date_beside(column: str, heading: str, source: Source, columns: Mapping[str, str]) -> str:
    """The heading of the dates that belong to a column of times of day; "" where `heading` is not such a column."""
    if column != "time" or not _are_clocks(source, heading):
        return ""
    others = [other for other in source.headings if other not in columns.values() and "date" in other.casefold()]
    return next((other for other in others if not _are_clocks(source, other)), "")


def _are_clocks(source: Source, heading: str) -> bool:
    texts = [text.strip() for text in distinct_texts(source.read([heading]).cells.column(0))[1] if text and text.strip()]
    return bool(texts) and all(re.fullmatch(CLOCK, text) for text in texts)


def _example(column: str) -> str:
    choices = _facts(column).choices
    return _quoted(
        "full" if column == "kind" else choices[0] if choices else {"gas": "H2S", "time": "2024-01-31"}.get(column, "...")
    )


def _quoted(text: str) -> str:
    return json.dumps(text, ensure_ascii=False)
