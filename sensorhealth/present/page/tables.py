"""Tables for the page: columns from the nomenclature, data packed by column, the first rows as plain HTML."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from typing import Any

import numpy as np
import pandas as pd

from sensorhealth import nomenclature
from sensorhealth.present import wording
from sensorhealth.present.page import html
from sensorhealth.present.page.headings import AS_FACTORS, HEADINGS, LOW_HIGH

STATIC_ROWS = 15
FIRM = "\N{NO-BREAK SPACE}"  # a narrow column must not break a number from its sign
DECIMALS = {
    "ratio": 2,
    "days": 0,
    "currency": 0,
    "1/year": 3,
    "1/day": 5,
    "ln ratio": 3,
    "sensors": 1,
    "probability": 4,
}
CHOOSE = ("site", "technology", "gas", "finding", "table", "forecaster", "measure")
PRECISE = {("track_record", "value"), ("track_record", "std_error")}
MAY_NOT_APPLY = ("p_end_before_warranty_end", "mode")
CARDS = ("retest", "sensors", "warranty", "orders", "cylinders", "findings")  # long rows: below one another on narrow screens
RIGHT = ("number", "chance")
PROSE = 24  # letters from which on a cell may be broken into lines


@dataclass(frozen=True)
class Column:
    """One column as the page shows it.

    key: name in the frame. label: heading. meaning: what it is, with its unit. form: text, number, chance, date,
    month or flag. decimals: places shown. choose: whether a list of its values is offered as a filter. link: whether
    it names a sensor. empty: what stands where there is no value. low, high: columns with the ends of its interval,
    "" for none. end_decimals: places shown of these. money: whether it is a sum in the policy's currency. factor:
    whether the frame has logarithms of what is shown.
    """

    key: str
    label: str
    meaning: str
    form: str
    decimals: int = 0
    choose: bool = False
    link: bool = False
    empty: str = "–"
    low: str = ""
    high: str = ""
    end_decimals: int = 0
    money: bool = False
    factor: bool = False


def column(table: str, key: str, intervals: bool = True) -> Column:
    """The column `key` of the contract's `table`, with a heading for people and, if wanted, its interval."""
    facts = nomenclature.columns(table)[key]
    form = {"text": "text", "date": "date", "time": "date", "boolean": "flag"}.get(facts.type, "number")
    if facts.unit == "probability" and not key.endswith(("p_value", "q_value")):
        form = "chance"
    low, high = LOW_HIGH.get((table, key), ("", "")) if intervals else ("", "")
    unit = f" Unit: {facts.unit}." if facts.unit else ""
    factor = (table, key) in AS_FACTORS
    precise = (table, key) in PRECISE
    decimals = (
        3
        if precise
        else 0
        if facts.type == "integer"
        else DECIMALS["ratio" if factor else facts.unit]
        if facts.unit in DECIMALS
        else 2
    )
    return Column(
        key=key,
        label=HEADINGS.get(key, key.replace("_", " ")) + (f" ({_ends(low)})" if low else ""),
        meaning=f"{facts.meaning}.{' Shown as a ratio.' if factor else unit}" + (f" In brackets: {_ends(low)}." if low else ""),
        form="month" if key == "month" else form,
        decimals=decimals,
        choose=bool(facts.choices) or key in CHOOSE,
        link=key == "sensor_id",
        empty=_when_empty(table, key),
        low=low,
        high=high,
        end_decimals=0 if facts.unit == "sensors" else decimals,
        money=facts.unit == "currency",
        factor=factor,
    )


def _when_empty(table: str, key: str) -> str:
    """What stands where there is no value: nothing that was not tested is shown as if it were in order."""
    if (table, key) == ("track_record", "as_of"):
        return "all dates"
    return "unknown" if (table == "forecast" and key not in MAY_NOT_APPLY) or key == "last_gas_test" else "–"


def _ends(low: str) -> str:
    """What the brackets behind a value hold, by the name of their first number."""
    if "p05" in low:
        return f"5 to 95{FIRM}%"
    return f"10 to 90{FIRM}%" if "p10" in low else f"90{FIRM}% interval"


def columns(table: str, frame: pd.DataFrame, chosen: Sequence[str] | None = None) -> list[Column]:
    """The columns of `frame` that the contract's `table` knows, in its order; interval ends stand with their middle.

    chosen: the columns to show, in this order, where not all.
    """
    pairs = {key: set(ends) for (owner, key), ends in LOW_HIGH.items() if owner == table and set(ends) <= set(frame)}
    ends = set().union(*(pairs[key] for key in pairs if key in frame))
    wanted = nomenclature.columns(table) if chosen is None else chosen
    return [column(table, key, key in pairs) for key in wanted if key in frame and key not in ends]


def pack(frame: pd.DataFrame, shown: Sequence[Column]) -> dict[str, Any]:
    """`frame` by column for the page's script: dates as days since 1970, numbers rounded, repeated text by number."""
    data: dict[str, Any] = {}
    for c in shown:
        ends = replace(c, decimals=c.end_decimals)
        data |= {c.key: _pack(frame[c.key], c)} | {end: _pack(frame[end], ends) for end in (c.low, c.high) if end}
    facts = [{name: value for name, value in asdict(c).items() if name != "meaning"} for c in shown]
    return {"n": len(frame), "columns": facts, "data": data}


def _pack(values: pd.Series, shown: Column) -> Any:
    if shown.form in ("date", "month"):
        days = pd.to_datetime(values).to_numpy("datetime64[D]")
        missing = np.isnat(days)
        return [None if gone else day for day, gone in zip(days.astype("int64").tolist(), missing.tolist())]
    if shown.form == "flag":
        return [None if pd.isna(value) else int(bool(value)) for value in values.tolist()]
    if shown.form in RIGHT:
        number = pd.to_numeric(values, errors="coerce").to_numpy(dtype=float, na_value=np.nan)
        number = np.exp(number) if shown.factor else number
        rounded = np.round(number, 4 if shown.form == "chance" else shown.decimals)
        whole = shown.form == "number" and shown.decimals == 0
        return [None if not np.isfinite(v) else int(v) if whole else v for v in rounded.tolist()]
    plain = values.fillna("").astype(str)
    codes, kept = pd.factorize(plain)
    if len(kept) * 2 < len(plain):
        return {"values": list(kept), "codes": codes.tolist()}
    return plain.tolist()


def show(row: Mapping[Any, Any], shown: Column) -> str:
    """The cell of `row` in the column `shown`, as the page's script shows it."""
    value = row[shown.key]
    if pd.isna(value) or value == "":
        return shown.empty
    if shown.form == "date":
        return wording.date(value)
    if shown.form == "month":
        return wording.date(value)[:7]
    if shown.form == "flag":
        return "yes" if value else "no"
    if shown.form == "chance":
        return wording.chance(value)
    if shown.form == "text":
        return str(value)
    known = np.exp if shown.factor else float
    text = wording.number(known(value), shown.decimals)
    if shown.low and not pd.isna(row[shown.low]):
        ends = (wording.number(known(row[end]), shown.end_decimals) for end in (shown.low, shown.high))
        return f"{text} ({' to '.join(ends)})"
    return text


def static(name: str, caption: str, frame: pd.DataFrame, shown: Sequence[Column], rows: int = STATIC_ROWS) -> str:
    """The table as HTML with its first rows; the page's script takes it over, and without script it still reads."""
    head, body = _head_and_body(frame.head(rows), shown)
    left = len(frame) - rows
    more = f"{wording.number(left)} more {'row is' if left == 1 else 'rows are'} shown when scripts may run."
    more = f'<p class="quiet without-script">{more}</p>' if left > 0 else ""
    meanings = "".join(f"<dt>{html.text(c.label)}</dt><dd>{html.text(c.meaning)}</dd>" for c in shown)
    return (
        f'<div class="table{" cards" if name in CARDS else ""}" data-table="{html.text(name)}">'
        f'<div class="scroll" role="region" tabindex="0" aria-label="{html.text(caption)}, table">'
        f'<table role="table"><caption>{html.text(caption)}</caption><thead role="rowgroup"><tr role="row">{head}</tr></thead>'
        f'<tbody role="rowgroup">{body}</tbody></table></div>'
        f'{more}<details class="meanings"><summary>What the columns mean</summary><dl>{meanings}</dl></details></div>'
    )


def plain(frame: pd.DataFrame, shown: Sequence[Column], note: str = "") -> str:
    """All rows of `frame` as an HTML table without controls; note: a caption."""
    head, body = _head_and_body(frame, shown)
    caption = f"<caption>{html.text(note)}</caption>" if note else ""
    head = f'<thead role="rowgroup"><tr role="row">{head}</tr></thead>'
    table = f'<table role="table">{caption}{head}<tbody role="rowgroup">{body}</tbody>'
    long = 'class="prose"' in body
    return f'<div class="{"cards" if long else "scroll"}">{table}</table></div>'


def _head_and_body(frame: pd.DataFrame, shown: Sequence[Column]) -> tuple[str, str]:
    head = "".join(
        html.element("th", html.text(c.label), scope="col", role="columnheader", class_="right" if c.form in RIGHT else "left")
        for c in shown
    )
    body = "".join(f'<tr role="row">{"".join(_cell(row, c) for c in shown)}</tr>' for row in frame.to_dict("records"))
    return head, body


def _cell(row: Mapping[Any, Any], shown: Column) -> str:
    text = show(row, shown)
    form = "right" if shown.form in RIGHT else "prose" if len(text) > PROSE else "brief"
    return f'<td class="{form}" role="cell" data-label="{html.text(shown.label)}">{html.text(text)}</td>'
