"""The one family of exceptions that the package raises for its user."""


class SensorHealthError(Exception):
    """Something the user can mend; the message says where it is, what was expected and what to do."""


class RecordsError(SensorHealthError):
    """The records cannot be used: names the file, the column and the mend."""


class PolicyError(SensorHealthError):
    """The policy cannot be used: names the key, the value and what is allowed."""


class FitError(SensorHealthError):
    """A model cannot be fitted to these readings: says which and what is missing."""


class OutputError(SensorHealthError):
    """The output cannot be written: names the folder and the mend."""
