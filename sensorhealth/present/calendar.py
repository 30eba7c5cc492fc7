"""The visits as a calendar file (iCalendar, RFC 5545): one all-day entry per visit."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from typing import Any

import pandas as pd

from sensorhealth.present.cautions import SHORT

_MOST_NAMED = 200  # sensors named in one entry
_LINE = 75  # octets, RFC 5545 section 3.1


def calendar_bytes(analysis: Any) -> bytes:
    """All visits of `analysis` (its plan, visits and as_of) as one iCalendar file.

    The same visit has the same identity in every run, so that a calendar replaces it instead of doubling it; the
    stamp is the as-of date. A plan without visits gives one entry that says so, as the standard wants one entry at
    least.
    """
    as_of = pd.Timestamp(analysis.as_of)
    lines = ["BEGIN:VCALENDAR", "VERSION:2.0", "PRODID:-//sensorhealth//visits//EN", "CALSCALE:GREGORIAN"]
    lines += ["X-WR-CALNAME:Sensor visits"]
    for entry in _entries(analysis, as_of):
        lines += ["BEGIN:VEVENT", f"DTSTAMP:{as_of:%Y%m%d}T000000Z", *entry, "END:VEVENT"]
    lines.append("END:VCALENDAR")
    return b"".join(folded(line) for line in lines)


def _entries(analysis: Any, as_of: pd.Timestamp) -> Iterator[list[str]]:
    """The lines of each entry, without the stamp."""
    visits = analysis.visits
    if visits.empty:
        yield _event("none", as_of, "No sensor visit is planned", SHORT, "")
        return
    plan = analysis.plan
    planned = plan[plan["swap_visit"].notna()] if "swap_visit" in plan else plan[plan["visit"].notna()]
    day = planned["swap_visit" if "swap_visit" in plan else "visit"]
    swaps = {key: list(part) for key, part in planned["sensor_id"].groupby([planned["site"], day])}
    now = plan[plan["action"] == "swap now"]
    for site, part in now["sensor_id"].groupby(now["site"]):
        swaps[site, as_of] = list(part)
    for row in visits.itertuples():
        names = swaps.get((row.site, row.visit), [])
        place = row.site or "the site that is not named"
        counts = ", ".join(
            f"{count} {what if count != 1 else what[:-1]}"
            for count, what in ((row.swaps, "swaps"), (row.tests, "gas tests"))
            if count
        )
        yield _event(f"{row.site}|{row.visit:%Y-%m-%d}", row.visit, f"{place}: {counts}", _words(names, row.tests), row.site)


def _words(names: list[str], tests: int) -> str:
    """What the entry says: the sensors to swap, the tests, the caution."""
    parts = []
    if names:
        shown = ", ".join(names[:_MOST_NAMED])
        rest = f" and {len(names) - _MOST_NAMED} more (see the plan)" if len(names) > _MOST_NAMED else ""
        parts.append(f"Swap: {shown}{rest}.")
    if tests:
        parts.append(f"Gas tests that fall due before the next visit: {tests} (see the plan).")
    return "\n".join([*parts, SHORT])


def _event(identity: str, day: pd.Timestamp, summary: str, description: str, place: str) -> list[str]:
    """The lines of one all-day entry."""
    digest = hashlib.sha256(identity.encode("utf-8")).hexdigest()[:32]
    lines = [
        f"UID:visit-{digest}@sensorhealth",
        f"DTSTART;VALUE=DATE:{day:%Y%m%d}",
        f"DTEND;VALUE=DATE:{day + pd.Timedelta(days=1):%Y%m%d}",
        f"SUMMARY:{escaped(summary)}",
        f"DESCRIPTION:{escaped(description)}",
    ]
    return [*lines, f"LOCATION:{escaped(place)}", "TRANSP:TRANSPARENT"] if place else [*lines, "TRANSP:TRANSPARENT"]


def escaped(text: str) -> str:
    """`text` as a value of type TEXT: backslash, semicolon, comma and line ends escaped (RFC 5545 section 3.3.11)."""
    text = text.replace("\\", "\\\\").replace(";", "\\;").replace(",", "\\,")
    text = text.replace("\r\n", "\\n").replace("\n", "\\n").replace("\r", "\\n")
    return "".join(character for character in text if character >= " " and character != "\x7f")


def folded(line: str) -> bytes:
    """`line` ended by CRLF and folded so that no piece is longer than 75 octets, never inside a character."""
    pieces: list[bytes] = []
    piece = b""
    for character in line:
        octets = character.encode("utf-8")
        if len(piece) + len(octets) > _LINE:
            pieces.append(piece)
            piece = b" "
        piece += octets
    return b"\r\n".join([*pieces, piece]) + b"\r\n"
