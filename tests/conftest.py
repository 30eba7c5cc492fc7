"""Fixtures that all tests share."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pandas as pd
import pytest

if TYPE_CHECKING:
    from sensorhealth.analysis import Analysis

TOGETHER = (  # files whose tests share what takes long to make
    ("test_analysis", "test_cli", "test_coherence"), ("test_sharded",), ("test_own_past",), ("test_track_record",),
    ("test_large",), ("test_wiggles",), ("test_places",), ("test_break_in",), ("test_doors",),
)  # fmt: skip
ROOT = Path(__file__).resolve().parent.parent


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption("--slow", action="store_true", help="run the studies of many fleets as well")


def pytest_configure() -> None:
    """Processes that start from here have one thread for linear algebra each: with two each they would wait for one another."""
    for library in ("OMP", "OPENBLAS"):
        os.environ.setdefault(f"{library}_NUM_THREADS", "1")


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_make_scheduler(config: pytest.Config, log: Any) -> Any:
    """On several processes tests that share what takes long to make go to the same one, so that it is made once."""
    from xdist.scheduler import LoadScopeScheduling

    class Together(LoadScopeScheduling):
        def _split_scope(self, nodeid: str) -> str:
            file = Path(nodeid.split("::")[0]).stem
            return next((files[0] for files in TOGETHER if file in files), nodeid)

    return Together(config, log) if config.getoption("dist") == "load" else None


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    if config.getoption("--slow"):
        return
    skip = pytest.mark.skip(reason="a study of many fleets: run with --slow")
    for item in items:
        if "slow" in item.keywords:
            item.add_marker(skip)


@pytest.fixture(scope="session", autouse=True)
def one_core_each() -> Iterator[None]:
    """Where tests run in several processes no core is left for a second one: forks would cost what they hand over and save
    nothing. Tests of forks say themselves how many cores there are, and the command line of its own looks."""
    with pytest.MonkeyPatch.context() as patch:
        if "PYTEST_XDIST_WORKER" in os.environ:
            patch.setattr("sensorhealth.second_core._cores", lambda: 1)
        yield


@pytest.fixture(scope="session")
def study_size() -> Callable[[int], int]:
    """Scale a study's size by SENSORHEALTH_STUDY_SIZE (1 = full; CI runs a fraction)."""
    fraction = float(os.environ.get("SENSORHEALTH_STUDY_SIZE", "1"))
    return lambda full: max(2, round(full * fraction))


@pytest.fixture(scope="session")
def demo_folder() -> Path:
    """The demo fleet's records (invented)."""
    return ROOT / "data" / "synthetic"


@pytest.fixture(scope="session")
def demo(demo_folder: Path) -> Analysis:
    """The whole way on the demo fleet, once for all tests."""
    import sensorhealth

    return sensorhealth.analyse(sensorhealth.read_fleet(demo_folder), policy=demo_folder / "policy.toml")


@pytest.fixture(scope="session")
def written(demo: Analysis, tiny_fleet: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """What the main job writes for the demo fleet, with the track record of a smaller one: it is about which files hold what."""
    import sensorhealth
    from sensorhealth.evaluate import track_record

    folder = tmp_path_factory.mktemp("demo") / "out"
    past = demo.as_of - pd.DateOffset(years=1)
    record = track_record(sensorhealth.read_fleet(tiny_fleet), as_of_dates=[past], model={"curves": "exponential"})
    demo.write(folder, track_record=record)
    return folder


@pytest.fixture(scope="session")
def small_fleet(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """An invented fleet small enough to be analysed several times."""
    from sensorhealth.synthetic import Scenario, simulate

    folder = tmp_path_factory.mktemp("small") / "records"
    kinds = Scenario.demo().only("CO cell", "O2 lead cell", "CH4 bead")  # of all the demo's kinds the demo itself tells
    simulate(n_sensors=36, seed=5, scenario=kinds).write(folder)
    return folder


@pytest.fixture(scope="session")
def tiny_fleet(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """An invented fleet of two kinds, one that wears out and one that does not: the least that goes the whole way."""
    from sensorhealth.synthetic import Scenario, simulate

    demo = Scenario.demo()
    pair = ("O2 lead cell", "CO cell")
    kinds = tuple(kind for kind in demo.kinds if kind.name in pair)
    scenario = replace(demo, kinds=kinds, instruments=((1.0, pair),), bad_lots=())
    folder = tmp_path_factory.mktemp("tiny") / "records"
    simulate(n_sensors=24, seed=5, scenario=scenario).write(folder)
    return folder


@pytest.fixture(scope="session")
def published() -> Path:
    """The project's own published reference tables."""
    return ROOT / "shared"


def _beside(name: str) -> Path:
    folder = ROOT.parent / "shared" / name
    if not folder.is_dir():
        pytest.skip(f"read-in-place data are not here: {folder}")
    return folder


@pytest.fixture(scope="session")
def references() -> Path:
    """Published tables that may be read in place but not be carried by the project."""
    return _beside("references")


@pytest.fixture(scope="session")
def open_data() -> Path:
    """Open calibration records of real sensor fleets, read in place."""
    return _beside("opendata")
