"""Which column of the contract a heading probably means: names of the trade, and how close a spelling is."""

from __future__ import annotations

import difflib
import re
from collections.abc import Iterable, Mapping

from .. import nomenclature
from .units import unit_named

_OTHER_NAMES: Mapping[str, Mapping[str, tuple[str, ...]]] = {
    "sensors": {
        "sensor_id": ("serial", "serial no", "serial number", "sensor", "sensor serial", "sensor number", "sn", "s/n",
                      "id", "cell id", "element id", "tag"),
        "gas": ("gas type", "target gas", "gas name", "measured gas"),
        "technology": ("sensor type", "principle", "measuring principle", "sensor technology", "type"),
        "installed": ("install date", "installation date", "date installed", "in service", "in service date",
                      "commissioned", "fitted", "start date"),
        "unit": ("units", "unit of measure", "engineering unit"),
        "instrument_id": ("instrument", "detector", "device", "instrument serial", "unit serial", "host",
                          "detector id"),
        "position": ("slot", "channel", "socket"),
        "site": ("location", "plant", "facility", "area", "place"),
        "lot": ("batch", "lot number", "lot no", "batch number", "date code", "lot code"),
        "supplier": ("vendor", "source"),
        "model": ("part number", "part no", "part", "sensor model", "article"),
        "manufactured": ("manufacture date", "production date", "date of manufacture", "made"),
        "warranty_end": ("warranty", "warranty until", "warranty expiry", "warranty end date", "warranty expires"),
        "removed": ("removal date", "date removed", "end date", "out of service", "decommissioned", "replaced on"),
        "removal_reason": ("reason", "reason removed", "failure reason", "reason for removal"),
        "unit_cost": ("cost", "price", "unit price", "sensor price"),
        "gain_limit": ("max gain", "maximum gain", "gain max", "largest gain"),
        "display_limit": ("max headroom", "headroom limit", "display max"),
        "lel_basis": ("lel", "100 % lel", "lel definition", "lfl basis"),
    },
    "calibrations": {
        "sensor_id": ("serial", "serial no", "serial number", "sensor", "sensor serial", "sensor number", "sn",
                      "s/n", "cell id", "tag"),
        "time": ("date", "datetime", "date/time", "date and time", "date of test", "timestamp", "date time",
                 "calibration date", "test date", "calibrated",
                 "calibrated on", "date of calibration", "performed", "when", "cal date", "cal time",
                 "calibration time", "tested", "tested on"),
        "kind": ("type", "test type", "type of test", "type of calibration", "kind of test", "calibration type",
                 "activity", "action", "operation"),
        "cylinder_id": ("cylinder", "bottle", "gas cylinder", "cylinder no", "cylinder number",
                        "cylinder serial", "gas lot", "gas bottle", "bottle no", "bottle number"),
        "applied": ("applied gas", "span gas value", "calibration gas value", "cylinder value", "gas concentration",
                    "gas applied", "concentration", "span gas", "gas value", "span concentration",
                    "calibration gas", "nominal", "target value", "applied concentration"),
        "zero_offset": ("zero", "zero reading", "offset", "zero value", "zero as found"),
        "as_found": ("found", "before", "reading before", "before adjustment", "pre", "as found reading",
                     "span as found"),
        "as_left": ("left", "after", "reading after", "after adjustment", "post", "as left reading",
                    "span as left"),
        "span_gain": ("gain", "span factor", "sensitivity factor", "slope", "gain factor"),
        "headroom": ("span headroom", "max reading", "highest reading", "highest span"),
        "response_seconds": ("response", "response time", "t90", "rise time", "t90 seconds"),
        "temperature_c": ("temperature", "temp", "ambient temperature", "t amb"),
        "humidity_pct": ("humidity", "rh", "relative humidity", "ambient humidity"),
        "outcome": ("result", "status", "pass fail", "pass/fail", "test result", "verdict"),
        "technician": ("operator", "user", "tester", "performed by", "done by", "tested by", "initials", "worker",
                       "by", "calibrated by", "employee"),
    },
    "cylinders": {
        "cylinder_id": ("cylinder", "cylinder no", "cylinder number", "serial", "serial no", "bottle", "bottle no",
                        "bottle number", "gas bottle", "gas cylinder", "id"),
        "gas": ("component", "gas type", "gas name"),
        "concentration": ("value", "nominal", "label", "certified value", "certified concentration", "conc"),
        "tolerance_pct": ("tolerance", "accuracy", "uncertainty", "tolerance %"),
        "balance": ("balance gas", "matrix", "background"),
        "opened": ("open date", "date opened", "first use", "first used", "in use since"),
        "expires": ("expiry", "expiry date", "expiration", "expiration date", "use by", "valid until", "best before"),
        "lot": ("batch", "lot number", "lot no", "batch number"),
        "supplier": ("vendor",),
        "unit": ("units",),
    },
}  # fmt: skip
_CLOSE = 0.84
_FILLERS = frozenset(["of", "the", "a", "for", "in", "at", "on", "no", "nr", "number", "value", "date", "test"])
_CONCENTRATIONS = ("applied", "zero_offset", "as_found", "as_left", "headroom", "concentration")
_PARTS = re.compile(r"[\[({]([^\])}]*)[\])}]|\b(?:in|as)\s+(\S+)$|[,/]\s*(\S+(?:\s\S+)?)$")
_UNITS_IN_HEADINGS = (
    (r"(°|deg)\s*f|fahrenheit", "temperature_c", "degF"),
    (r"\bkelvin\b|\[k\]|\(k\)", "temperature_c", "K"),
    (r"\bms\b|millisecond", "response_seconds", "ms"),
    (r"\bmin\b|minutes", "response_seconds", "min"),
)


def bare(heading: str) -> str:
    """A heading without capitals, punctuation, what stands in brackets, and a unit at its end."""
    without = re.sub(r"[\[({].*?[\])}]", " ", heading.casefold())
    words = re.sub(r"[^\w%/]+", " ", without.replace("_", " ")).split()
    if len(words) > 1 and unit_named(words[-1]) not in ("", "%LEL"):
        words.pop()
    return " ".join(words)


def guesses(table: str, headings: Iterable[str]) -> dict[str, str]:
    """For each column of `table` the heading that probably means it; each heading used once, surest first."""
    scored = [
        (score, -place, column, heading)
        for heading in headings
        for place, column in enumerate(nomenclature.columns(table))
        if (score := _score(table, column, bare(heading))) >= _CLOSE
    ]
    found: dict[str, str] = {}
    for _, _, column, heading in sorted(scored, reverse=True):
        if column not in found and heading not in found.values():
            found[column] = heading
    return {column: found[column] for column in nomenclature.columns(table) if column in found}


def _score(table: str, column: str, heading: str) -> float:
    """1 for the contract's own name, a little less for a name of the trade, else the likeness of the spelling."""
    own = bare(column)
    names = _OTHER_NAMES[table].get(column, ())
    if heading == own:
        return 1.0
    if heading in names:
        return 0.98 - 0.001 * names.index(heading)
    words = _words(heading)
    if words and any(words == _words(name) for name in (own, *names)):
        return 0.9
    return 0.95 * max(difflib.SequenceMatcher(None, heading, name).ratio() for name in (own, *names) if len(name) > 3 or not name)


def _words(text: str) -> frozenset[str]:
    """The words of a heading that say something, in any order."""
    return frozenset(text.split()) - _FILLERS


def unit_in(heading: str, column: str) -> str:
    """The unit a heading states for a column that the contract has in another one; "" where none is seen."""
    lower = heading.casefold()
    if column in _CONCENTRATIONS:
        said = [unit_named(part) for found in _PARTS.findall(lower.replace("_", " ")) for part in found if part]
        return next(filter(None, said), "")
    return next((unit for pattern, of, unit in _UNITS_IN_HEADINGS if of == column and re.search(pattern, lower)), "")
