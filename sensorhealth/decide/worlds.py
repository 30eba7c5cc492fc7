"""Several possible worlds walked through side by side: where positions are few, calls cost more than what they work on."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace
from itertools import islice
from typing import TYPE_CHECKING, Any

import numpy as np

from sensorhealth.decide.flows import Chains, Expected, Flows, chains, followed
from sensorhealth.decide.newlives import LifeTable, NewLives
from sensorhealth.decide.replaced import Alone
from sensorhealth.decide.schemes import Ways

if TYPE_CHECKING:
    from sensorhealth.decide.budget import Replacing

MOST = 12_000  # lives in all worlds of a batch: what is worked on stays near the processor
BY_PLACE = ("begin", "stop", "notice", "missed", "cover", "known")
BY_KIND = ("new_begin", "new_notice", "new_stop", "new_missed")


def batches(draws: Iterable[LifeTable]) -> Iterator[list[LifeTable]]:
    """The worlds, as many at a time as are well walked through side by side."""
    left = iter(draws)
    for first in left:
        yield [first, *islice(left, MOST // max(len(first.life_id), 1))]


def expected_in_each(worlds: Sequence[Replacing], tables: Sequence[LifeTable]) -> list[Expected]:
    """As `Replacing.expected` of each world under its table; positions, periods and days of the tables are the same in all."""
    if len(worlds) == 1:
        return [worlds[0].expected(tables[0])]
    first, where = worlds[0], worlds[0].where
    every = np.arange(where.row.size)
    lives = [first.known.lives(table, every) for table in tables]
    then = _chains_in_each(worlds, tables)
    rule = _together([world.rule for world in worlds])
    number = np.arange(len(worlds))[:, None]
    kind = (number * len(then[0]) + where.kind).ravel()
    site = (number * len(first.rule.cover) + where.site_code).ravel()
    found = followed(
        Alone(*(np.concatenate(parts) for parts in zip(*lives))), tables[0].grid_days, kind, site, rule, first.calendar.edges,
        [one for own in then for one in own],
    )  # fmt: skip
    parts = zip(*(np.split(part, len(worlds)) for part in found))
    return [Expected(own, [(every, Flows(*part))]) for own, part in zip(then, parts)]


def _chains_in_each(worlds: Sequence[Replacing], tables: Sequence[LifeTable]) -> list[list[Chains]]:
    """What follows a replacement, by world and kind."""
    drawn = [worlds[0].known.new_in(table) for table in tables]
    told = [fresh for fresh in drawn if fresh is not None]
    if len(told) < len(worlds):
        return [world.then if fresh is None else chains(fresh, world.rule, world.calendar.edges)
                for world, fresh in zip(worlds, drawn)]  # fmt: skip
    kinds = len(told[0].kinds)
    soft, sudden = (np.concatenate([getattr(fresh, name) for fresh in told]) for name in ("soft", "sudden"))
    fresh = NewLives(told[0].kinds * len(told), told[0].grid_days, soft, sudden, told[0].assumed * len(told))
    found = chains(fresh, _together([world.rule for world in worlds]), worlds[0].calendar.edges)
    return [found[begin : begin + kinds] for begin in range(0, len(found), kinds)]


def _together(rules: Sequence[Ways]) -> Ways:
    """The rules one after the other."""
    values: dict[str, Any] = {
        name: np.concatenate([getattr(rule, name) for rule in rules]) for name in (*BY_PLACE, *BY_KIND, "early")
    }
    released = [rule.release for rule in rules if rule.release is not None]
    return replace(rules[0], **values, release=np.concatenate(released) if released else None)
