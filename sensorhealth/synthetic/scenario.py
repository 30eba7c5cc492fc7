"""What can be chosen of a synthetic fleet: every rate and size of ageing, gas, bench, removal and bookkeeping."""

from __future__ import annotations

from dataclasses import dataclass, replace

from sensorhealth.synthetic.curves import CURVES
from sensorhealth.synthetic.kinds import INSTRUMENTS, KINDS, SensorKind


@dataclass(frozen=True)
class BadLot:
    """A lot that is really worse: kind by name, number (0 the oldest), factor on the rate, shift of the ln level."""

    kind: str
    number: int
    rate_factor: float
    level_shift: float = 0.0


@dataclass(frozen=True)
class Scenario:
    """All choices. The defaults are `Scenario.clean()`: sensors age, and nothing else happens.

    Times in days unless the name says otherwise; effects are on the natural logarithm of the headroom ratio;
    `..._share` and `..._chance` are probabilities per item (reading, sensor, cylinder, row), `..._per_year` rates per
    sensor in service.
    """

    # who and when
    kinds: tuple[SensorKind, ...] = KINDS
    instruments: tuple[tuple[float, tuple[str, ...]], ...] = INSTRUMENTS
    sites: int | None = None  # None: four, and one more for each 120 sensors beyond 480
    records_start: str = "2022-07-01"
    records_end: str = "2026-03-01"
    before_years: float = 2.0  # time that the fleet has run before the records begin
    growth: bool = True  # instruments are added while sensors are left to install; False: all are there from the start
    intervals: tuple[int, ...] = (21, 14, 14, 28)  # days between calibrations, by site in turn (multiples of 7)
    skipped_share: float = 0.04
    # ageing
    curve: str = "by kind"  # or one name for all sensors, or "mixed": each sensor its own
    rate_factor: float = 1.0
    rate_shape: str = "lognormal"  # or "normal": spread of the rates between sensors
    level_spread_factor: float = 1.0
    rate_spread_factor: float = 1.0
    level_rate_correlation: float = 0.0
    wander_factor: float = 0.0
    noise_factor: float = 1.0
    noise_df: float | None = None  # None: normal; else Student's t scaled to the same standard deviation
    temperature_factor: float = 0.0
    weak_at_birth_share: float = 0.0
    # lots
    lot_days: int = 400
    lot_level_sd: float = 0.0
    lot_rate_sd: float = 0.0
    bad_lots: tuple[BadLot, ...] = ()
    # gas and bench
    mixtures: bool = True
    cylinder_uses: tuple[int, int] = (20, 200)
    bias_factor: float = 0.0  # 1: bias normal with half the tolerance as standard deviation, cut at the tolerance
    weak_cylinder_share: float = 0.0
    strong_cylinder_share: float = 0.0
    weak_size: tuple[float, float] = (1.3, 2.5)  # bias of a weak or strong cylinder, in tolerances
    fading_share: float = 0.0  # of cylinders of gases that fade
    fade_per_year: tuple[float, float] = (0.12, 0.40)
    used_after_expiry_chance: float = 0.3
    session_sd: float = 0.0
    technicians: int = 3
    # what happens to sensors and readings
    sudden_deaths: bool = False
    step_per_year: float = 0.0
    step_size: tuple[float, float] = (0.15, 0.45)
    poisoning_per_site_year: float = 0.0
    cleanings: bool = False
    loose_cap_share: float = 0.0
    loose_cap_size: tuple[float, float] = (0.12, 0.45)
    contaminated_zero_share: float = 0.0  # of the sessions, one gas each
    # removal
    informative_removal: bool = True  # a sensor that fails its calibration is removed; False: all stay to the end
    retry_share: float = 0.0  # failed calibrations that are tried again at once
    precaution_chance: float = 0.0  # per calibration with a headroom ratio under `precaution_ratio`
    precaution_ratio: float = 1.12
    random_removal_per_year: float = 0.0
    unrecorded_swap_share: float = 0.0  # of the replacements
    # records
    rounding: bool = False
    display_limit: bool = False
    gain_only_share: float = 0.0  # of the instruments
    fail_without_value_share: float = 0.0
    missing_factor: float = 0.0
    bump_share: float = 0.0  # bump tests recorded, per calibration
    zero_share: float = 0.0  # zero-only rows, per calibration
    odd_factor: float = 0.0  # 1: the shares of odd rows of the demo

    def __post_init__(self) -> None:
        names = {kind.name for kind in self.kinds}
        if self.curve not in {"by kind", "mixed", *CURVES}:
            raise ValueError(f"curve {self.curve!r}; expected 'by kind', 'mixed' or one of {', '.join(CURVES)}")
        if self.rate_shape not in {"lognormal", "normal"}:
            raise ValueError(f"rate_shape {self.rate_shape!r}; expected 'lognormal' or 'normal'")
        if any(part not in names for _, parts in self.instruments for part in parts):
            raise ValueError("instruments name a kind of sensor that is not in kinds")
        if any(lot.kind not in names for lot in self.bad_lots):
            raise ValueError("bad_lots name a kind of sensor that is not in kinds")
        if any(days % 7 for days in self.intervals):
            raise ValueError("intervals are whole weeks (multiples of 7 days)")

    @classmethod
    def clean(cls, **changes: object) -> Scenario:
        """Sensors that age, with noise, nothing else; `changes` are fields of the scenario."""
        return replace(cls(), **changes)  # type: ignore[arg-type]

    @classmethod
    def demo(cls, **changes: object) -> Scenario:
        """The invented operator: everything that happens to real records, at rates that are common practice at best."""
        everything = cls(
            wander_factor=1.0, temperature_factor=1.0, weak_at_birth_share=0.03, level_rate_correlation=0.2,
            lot_level_sd=0.03, lot_rate_sd=0.08,
            bad_lots=(BadLot("H2S cell", 2, 1.9), BadLot("CO cell", 4, 1.7, -0.05)),
            bias_factor=1.0, weak_cylinder_share=0.05, strong_cylinder_share=0.01, fading_share=0.15, session_sd=0.006,
            sudden_deaths=True, step_per_year=0.04, poisoning_per_site_year=0.25, cleanings=True,
            loose_cap_share=0.01, contaminated_zero_share=0.06, retry_share=0.7, precaution_chance=0.04,
            random_removal_per_year=0.02, unrecorded_swap_share=0.06, rounding=True, display_limit=True,
            gain_only_share=0.12, fail_without_value_share=0.25, missing_factor=1.0, bump_share=0.10, zero_share=0.05,
            odd_factor=1.0,
        )  # fmt: skip
        return replace(everything, **changes)  # type: ignore[arg-type]

    def only(self, *names: str) -> Scenario:
        """The same scenario with only these kinds of sensor (by name), one sensor in each instrument."""
        kinds = tuple(kind for kind in self.kinds if kind.name in names)
        if len(kinds) != len(set(names)):
            raise ValueError(f"kinds are {', '.join(kind.name for kind in self.kinds)}; asked for {', '.join(names)}")
        lots = tuple(lot for lot in self.bad_lots if lot.kind in names)
        return replace(self, kinds=kinds, instruments=tuple((1.0, (kind.name,)) for kind in kinds), bad_lots=lots)
