"""What came in: fleets read from the user's records, with every row accounted for."""

from .account import check_lines
from .documentation import contract_markdown, findings_markdown
from .fleet import Fleet
from .intake import read_fleet
from .mapping import RecordsMapping
from .suggest import suggest_mapping
from .understanding import understood

__all__ = [
    "Fleet",
    "RecordsMapping",
    "check_lines",
    "contract_markdown",
    "findings_markdown",
    "read_fleet",
    "suggest_mapping",
    "understood",
]
