"""From a first fit to what is known of every sensor's past: swaps, steps, bad readings and zeros, in one go."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import pandas as pd

from sensorhealth.health.baselines import Baselines, baselines
from sensorhealth.health.headroom import readings as read
from sensorhealth.health.life_table import FleetTables
from sensorhealth.health.life_table import lives as list_lives
from sensorhealth.health.oddities import Oddities, find_oddities
from sensorhealth.health.path_filter import PathPrior
from sensorhealth.health.zero import zero_events


@dataclass(frozen=True)
class Examined:
    """What an examination found.

    lives: as they are once unrecorded swaps began new ones and steps ended some at once. readings: of those lives, without
    the single bad ones that were followed by a recovery. oddities: all that was found. baselines: of the zeros.
    """

    lives: pd.DataFrame
    readings: pd.DataFrame
    oddities: Oddities
    baselines: Baselines


def examine(
    fleet: FleetTables,
    lives: pd.DataFrame,
    readings: pd.DataFrame,
    residuals: pd.DataFrame,
    priors: Mapping[str, PathPrior] | None = None,
    base: Baselines | None = None,
) -> Examined:
    """Look for what does not fit.

    lives, readings: of the fleet as recorded. residuals: of a first fit to those readings, aligned with them. priors: as for
    `find_oddities`. base: `baselines` of these lives, where they are known already.
    """
    base = baselines(fleet, lives) if base is None else base
    zeros = zero_events(fleet, lives, known=base)
    oddities = find_oddities(readings, lives, residuals, cylinders=fleet.cylinders, zeros=zeros, priors=priors)
    after = list_lives(fleet, oddities.swaps, oddities.ends)
    if len(oddities.swaps):
        readings = read(fleet, after)
        base = baselines(fleet, after, known=base)
    return Examined(after, oddities.kept(readings), oddities, base)
