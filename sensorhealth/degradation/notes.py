"""What a stratum's readings could not tell apart, in words."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sensorhealth.degradation.design import Stratum

if TYPE_CHECKING:
    from sensorhealth.degradation.strata import StratumModel


def notes_of(model: StratumModel) -> list[str]:
    """Everything that the user should know about how far this stratum's estimates go."""
    stratum = model.stratum
    notes = [*stratum.remarks, *model.remarks]
    if not stratum.age.size:
        return [*notes, f"{stratum.name}: no readings; the forecast rests on assumed values alone"]
    if model.given:
        read = f"{stratum.name}: {stratum.age.size} readings of {int((stratum.counts > 0).sum())} sensors"
        alike = f", all {'passes' if stratum.censoring[0] > 0 else 'failures'} without a value, do not tell"
        few = f"{alike if stratum.one_sided else ' are too few to tell'} how sensors differ"
        notes.append(f"{read}{few}; usual values are assumed")
    notes += _gas(stratum) + _sensors(stratum)
    return notes


def _sensors(stratum: Stratum) -> list[str]:
    notes = []
    read = stratum.counts[stratum.counts > 0]
    if read.size == 1:
        notes.append(f"{stratum.name}: one sensor only; what is its own and what is common cannot be told apart")
    if read.size and read.max() == 1:
        notes.append(f"{stratum.name}: one reading per sensor; how sensors differ cannot be told from noise")
    if float(np.ptp(stratum.age)) < 1e-3:
        notes.append(f"{stratum.name}: all readings at one age; ageing cannot be told, a usual rate is assumed")
    if stratum.lots.size == 1:
        notes.append(f"{stratum.name}: one lot only; the lot's ageing and the technology's cannot be told apart")
    return notes


def _gas(stratum: Stratum) -> list[str]:
    used = stratum.cylinder >= 0
    if not used.any():
        stand_in = "; sessions stand in for them" if stratum.sessions.size else ""
        return [f"{stratum.name}: no cylinder is recorded, weak gas cannot be told from weak sensors{stand_in}"]
    return [*_probable(stratum), *_shared_gas(stratum, used)]


def _probable(stratum: Stratum) -> list[str]:
    near, known = int(((stratum.cylinder < 0) & (stratum.probable_cylinder >= 0)).sum()), stratum.cylinder >= 0
    unknown = int((~known).sum()) - near
    notes = []
    if near:
        notes.append(f"{stratum.name}: {near} readings name no cylinder; taken as read on the one that their sensor met before")
    if unknown:
        notes.append(f"{stratum.name}: {unknown} readings are of sensors without any cylinder on record; their gas may be off")
    return notes


def _shared_gas(stratum: Stratum, used: NDArray[np.bool_]) -> list[str]:
    if stratum.cylinders.size == 1:
        return [f"{stratum.name}: one cylinder only; its bias and the sensors' common level cannot be told apart"]
    pairs = pd.unique(stratum.cylinder[used] * stratum.life_id.size + stratum.life[used])
    cylinder, life = np.divmod(pairs, stratum.life_id.size)
    if np.bincount(life).max() == 1 or np.bincount(cylinder).max() == 1:
        return [f"{stratum.name}: cylinders are not shared between sensors; weak gas cannot be told from weak sensors"]
    return []
