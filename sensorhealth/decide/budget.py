"""What replacements will cost: distributions by month, site and technology, and policies compared.

Given what the sensors share, they are independent, and the count of a month is Poisson-binomial, found exactly for
fleets up to a few thousand sensors and by its first three moments above. The distributions are then mixed over draws
of what is shared.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sensorhealth.decide.flows import Chains, Expected, Flows, chains, flows
from sensorhealth.decide.newlives import LifeTable
from sensorhealth.decide.parts import Missing, Part, missing, of_part, part_of
from sensorhealth.decide.plan import FleetPlan
from sensorhealth.decide.positions import Known, Positions, chunks
from sensorhealth.decide.schemes import Ways, ways
from sensorhealth.decide.tally import Tally
from sensorhealth.decide.texts import codes
from sensorhealth.decide.totals import GroupSums
from sensorhealth.decide.visitdates import visit_days
from sensorhealth.decide.visiting import SiteSwaps, draw_visiting
from sensorhealth.decide.worlds import batches, expected_in_each

FloatArray = NDArray[np.float64]
DAYS_PER_YEAR = 365.25
GROUPS = ("fleet", "site", "technology")
PATTERNS = 60  # draws of the visits that are made, where nothing else is drawn
VISITS_SEED = 20260301
CHECKED = 2  # draws of the visits with which all positions are walked through where worlds speak of a part
NOTICE_SPREAD = 0.15  # relative error of the time by which swaps come before ends, over the worlds of tests/decide/judge.py


@dataclass(frozen=True)
class Calendar:
    """The months of the budget.

    first: (m,) their first days. edges: (m + 1,) days from the as-of date to their borders.

    price: (m,) factor by which prices have risen at their middle.
    """

    first: NDArray[np.datetime64]
    edges: FloatArray
    price: FloatArray


def months(as_of: np.datetime64, count: int, escalation_per_year: float) -> Calendar:
    """The `count` months after the as-of date; the first is that of the day after it."""
    begin = (as_of.astype("datetime64[D]") + np.timedelta64(1, "D")).astype("datetime64[M]")
    borders = (begin + np.arange(count + 1)).astype("datetime64[D]")
    edges = np.maximum((borders - as_of.astype("datetime64[D]")).astype(float) - 1.0, 0.0)
    middle = 0.5 * (edges[1:] + edges[:-1])
    return Calendar(borders[:-1], edges, (1.0 + escalation_per_year) ** (middle / DAYS_PER_YEAR))


@dataclass(frozen=True)
class Replacing:
    """All that replacements under one scheme follow from: positions, new sensors (known), how they are replaced, and when.

    swaps: what the visits of each site follow from where they are drawn; None where swaps do not wait for one another.
    """

    known: Known
    rule: Ways
    calendar: Calendar
    then: list[Chains]
    swaps: list[SiteSwaps] | None = None

    @property
    def where(self) -> Positions:
        """The positions."""
        return self.known.where

    def expected(self, table: LifeTable) -> Expected:
        """Expected replacements by month under `table`; rows of it that are named by a kind speak for new sensors."""
        drawn = self.known.new_in(table)
        then = self.then if drawn is None else chains(drawn, self.rule, self.calendar.edges)
        return Expected(then, list(self.walk(table, then)))

    def walk(self, table: LifeTable, then: list[Chains] | None = None) -> Iterator[tuple[NDArray[np.intp], Flows]]:
        """The same block by block, for positions that are too many to keep; then: what follows a replacement."""
        args = (self.rule, self.calendar.edges, self.then if then is None else then)
        return ((rows, flows(table, self.known, rows, *args)) for rows in chunks(np.arange(self.where.row.size)))

    def on_drawn_visits(
        self, rng: np.random.Generator, shared: np.random.Generator | None = None
    ) -> tuple[Replacing, FloatArray | None]:
        """The same with the visits of one possible world, and how many (s, m) are made; unchanged where none are drawn.

        shared: what all sites have in common is drawn from, where it is not `rng`.
        """
        if self.swaps is None:
            return self, None
        found = draw_visiting(self.swaps, self.calendar.edges, rng, self.rule.beyond)
        notice = self.rule.notice * np.exp(NOTICE_SPREAD * (rng if shared is None else shared).standard_normal())
        return replace(self, rule=replace(self.rule, cover=found.cover, release=found.release, notice=notice)), found.made


def visits_drawn(shard: int | None = None, more: int = 0) -> Callable[[Replacing], tuple[Replacing, FloatArray | None]]:
    """`on_drawn_visits` of one world after the other; shard: number of a part of a fleet, None for the whole.

    What all sites share is alike in all shards, the visits of their sites are their own. more: to the seed.
    """
    seed = VISITS_SEED + more
    rng = np.random.default_rng(seed if shard is None else [seed, shard])
    shared = None if shard is None else np.random.default_rng(seed)
    return lambda ready: ready.on_drawn_visits(rng, shared)


def replacing(
    fleet_plan: FleetPlan, scheme: str | None = None, edges: FloatArray | None = None, known: Known | None = None
) -> Replacing:
    """Prepare the replacements of a planned fleet under `scheme` (the policy's where None).

    edges: (m + 1,) days between which they are counted, instead of the months of the budget. known: the positions of the same
    plan, where others walk through them too.
    """
    policy = fleet_plan.policy
    calendar = months(fleet_plan.facts.as_of, policy.budget_months, policy.price_escalation_per_year)
    if edges is not None:
        first = fleet_plan.facts.as_of + np.floor(edges[:-1]).astype("timedelta64[D]")
        calendar = Calendar(first, edges, np.ones(edges.size - 1))
    known = known or Known.of(fleet_plan)
    rule = ways(scheme or policy.scheme, known.where, fleet_plan, calendar.edges)
    ready = Replacing(known, rule, calendar, chains(fleet_plan.fresh, rule, calendar.edges))
    return replace(ready, swaps=_swaps(fleet_plan, ready)) if (scheme or policy.scheme) == "condition" else ready


def _swaps(fleet_plan: FleetPlan, ready: Replacing) -> list[SiteSwaps]:
    """What the visits of each site follow from: swaps as they would fall due, did they not wait for a visit."""
    where, edges = ready.where, ready.calendar.edges
    sites = fleet_plan.ahead.sites
    at_once = replace(ready.rule, cover=np.broadcast_to(edges, ready.rule.cover.shape))
    due = np.zeros((len(sites), edges.size - 1))
    for rows, flow in replace(ready, rule=at_once).walk(fleet_plan.remaining):
        np.add.at(due, where.site_code[rows], flow.planned)
    sums = np.concatenate([np.zeros((len(sites), 1)), due.cumsum(axis=1)], axis=1)
    found = []
    for number, site in enumerate(sites):
        mine = where.start[where.site_code == number]
        days = visit_days(fleet_plan.policy, site.site, fleet_plan.facts.as_of, edges[-1])
        first = np.searchsorted(edges, days[0])  # what is swapped by then is in the plan
        after = np.maximum(sums[number] - sums[number, min(first, edges.size - 1)], 0.0)
        known = bool((mine == 0).any()), bool((mine == days[0]).any())
        found.append(SiteSwaps(days, after, float(ready.rule.early[number]), *known))
    return found


def budget(
    fleet_plan: FleetPlan,
    remaining: LifeTable | None = None,
    *,
    shared_draws: Iterable[LifeTable] | None = None,
    by: str = "fleet",
    scheme: str | None = None,
) -> pd.DataFrame:
    """Replacements and money by month (columns: nomenclature budget), first month first.

    fleet_plan: from `plan_fleet`. remaining: life distributions with the plan's rows, None = the plan's own.
    shared_draws: life distributions given one draw each of what the sensors share, with the plan's rows first, or a random
    part of them by name (see `parts`); rows named by a kind ("technology gas") may follow, for new sensors in the same
    world. Without draws the sensors are
    taken as independent, which is too narrow. by: "fleet", "site" or "technology" (one block of months for each,
    named in column `group`); visits are not part of a technology's cost. scheme: "condition", "calendar", "failure";
    None = the policy's.
    """
    if by not in GROUPS:
        raise ValueError(f"by must be one of {', '.join(GROUPS)}, not {by!r}")
    return budgets(fleet_plan, remaining, shared_draws=shared_draws, by=(by,), scheme=scheme)[by]


def budgets(
    fleet_plan: FleetPlan,
    remaining: LifeTable | None = None,
    *,
    shared_draws: Iterable[LifeTable] | None = None,
    by: Sequence[str] = GROUPS,
    scheme: str | None = None,
) -> dict[str, pd.DataFrame]:
    """Several budgets, for the fleet, by site and by technology, in one walk through the draws; see `budget`."""
    table = fleet_plan.remaining if remaining is None else remaining
    account = Account(fleet_plan, by, scheme)
    for drawn in batches(itertools.repeat(table, PATTERNS) if shared_draws is None else shared_draws):
        account.add(*drawn)
    return account.tables()


class Account:
    """Replacements and money of a planned fleet under one scheme, added up over the worlds that are put in.

    by: whose budgets (see `budget`). scheme: the policy's where None. ready: what the replacements follow from.
    visits: list of (s, m), what the visits of each world cost. shard: as in `visits_drawn`; known: as in `replacing`.
    """

    def __init__(
        self,
        fleet_plan: FleetPlan,
        by: Sequence[str] = ("fleet",),
        scheme: str | None = None,
        shard: int | None = None,
        known: Known | None = None,
    ) -> None:
        self.fleet_plan, self.scheme = fleet_plan, scheme or fleet_plan.policy.scheme
        self.ready = replacing(fleet_plan, self.scheme, known=known)
        self.visits: list[FloatArray] = []
        self._shard = shard
        self._drawing = visits_drawn(shard)
        self._replaced: list[list[float]] = []
        self._groups = {name: _groups(self.ready.where, name) for name in by}
        self._part: Part | None = None
        self._tallies: dict[str, Tally] = {}

    def _begin(self, drawn: LifeTable) -> None:
        """Find out whether the worlds speak of all positions or of a part, and begin to count."""
        self._part = part_of(self.ready.where, self.fleet_plan.remaining.life_id, drawn.life_id)
        for name, (names, code) in self._groups.items():
            self._tallies[name] = Tally(self.ready, self.fleet_plan.policy, code, len(names), self._part)

    def add(self, *drawn: LifeTable) -> None:
        """Put in the life distributions of worlds, and draw the visits that are made in them."""
        if not self._tallies:
            self._begin(drawn[0])
        part = self._part
        worlds, visits = zip(*(self._drawing(self.ready) for _ in drawn))
        walked = [world if part is None else of_part(world, part.rows, part.row) for world in worlds]
        for world, expected, made in zip(walked, expected_in_each(walked, drawn), visits):
            self._add(world, expected, made)

    def _add(self, walked: Replacing, expected: Expected, made: FloatArray | None) -> None:
        """Add up one world; made: (s, m) its visits, where they are drawn."""
        weight = np.ones(walked.where.row.size) if self._part is None else self._part.weight
        made = visits_expected(self.fleet_plan, walked, expected, weight) if made is None else made
        cost = made * np.array([site.cost for site in self.fleet_plan.ahead.sites])[:, None] * walked.calendar.price
        self.visits.append(cost)
        sums = [[weight[rows] @ flow[way].sum(axis=1) for way in (0, 1)] for rows, flow in expected.blocks]
        self._replaced.append([float(value) for value in np.sum(sums, axis=0)])
        of_each = next(iter(self._tallies.values())).moments_of(expected) if self._tallies else []
        for name, tally in self._tallies.items():
            names, code = self._groups[name]
            shown = visits_of(cost, self.ready.where, code, len(names)) if name != "technology" else None
            tally.add(expected, walked.rule, of_each, shown)

    @cached_property
    def _missing(self) -> Missing | None:
        """What the part of the positions that was walked through lacks in the mean; None where it is all."""
        if self._part is None:
            return None
        drawing = visits_drawn(self._shard, 1)
        worlds = [drawing(self.ready)[0] for _ in range(1 if self.ready.swaps is None else CHECKED)]
        groups = {name: (code, len(names)) for name, (names, code) in self._groups.items()}
        return missing(worlds, self._part, self.fleet_plan, groups)

    def replaced(self) -> tuple[float, float]:
        """Expected planned swaps, and ends in service, over all months."""
        planned, failed = np.mean(self._replaced, axis=0) + (0.0 if self._missing is None else self._missing.replaced)
        return float(planned), float(failed)

    def sums(self) -> dict[str, GroupSums]:
        """What the budgets are made of, to be added up over the shards of a fleet (`totals.together`)."""
        found = {}
        for name, (names, _) in self._groups.items():
            lacking = None if self._missing is None else self._missing.groups[name]
            found[name] = self._tallies[name].sums(names, lacking)
        return found

    def tables(self) -> dict[str, pd.DataFrame]:
        """The budgets, once all worlds are in."""
        return self._tables

    @cached_property
    def _tables(self) -> dict[str, pd.DataFrame]:
        found = {}
        for name, (names, _) in self._groups.items():
            found[name] = self._tallies[name].table(names, None if self._missing is None else self._missing.groups[name])
            found[name].insert(1, "by", name)
        return found


def _groups(where: Positions, by: str) -> tuple[list[str], NDArray[np.intp]]:
    """Names of the groups, and the group (n,) of each position."""
    if by == "fleet":
        return ["all"], np.zeros(where.row.size, dtype=np.intp)
    return codes(where.site if by == "site" else where.technology)


def visits_of(cost: FloatArray, where: Positions, code: NDArray[np.intp], groups: int) -> FloatArray:
    """Cost (g, m) of the visits to the sites of each group, from that of each site (s, m)."""
    there, first = np.unique(where.site_code, return_index=True)
    found = np.zeros((groups, cost.shape[1]))
    np.add.at(found, code[first], cost[there])
    return found


def visits_expected(fleet_plan: FleetPlan, ready: Replacing, expected: Expected, weight: FloatArray) -> FloatArray:
    """Expected visits (s, m) with a planned swap, where each falls due by itself.

    What falls due in a month without a visit waits for the next. weight: (n,) positions that each one speaks for.
    """
    sites, edges = fleet_plan.ahead.sites, ready.calendar.edges
    none = np.zeros((len(sites), edges.size - 1))  # ln of the chance that nothing falls due
    for rows, flow in expected.blocks:
        np.add.at(none, ready.where.site_code[rows], weight[rows, None] * np.log1p(-np.clip(flow.planned, 0.0, 1.0 - 1e-12)))
    found = np.zeros_like(none)
    for position, site in enumerate(sites):
        days = visit_days(fleet_plan.policy, site.site, fleet_plan.facts.as_of, edges[-1])
        number = np.diff(np.searchsorted(days, edges, side="right"))
        waiting = 0.0
        for month, times in enumerate(number):
            waiting += none[position, month]
            if times:
                found[position, month] = times * -np.expm1(waiting / times)
                waiting = 0.0
    return found
