"""The command line: thin, no computation. Exit codes: 0 done, 1 the records cannot be used, 2 wrong usage."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from . import __version__
from .cli_parts import Progress, date_of, table_lines, whole
from .errors import SensorHealthError

if TYPE_CHECKING:
    from .analysis import Analysis
    from .evaluate import TrackRecord
    from .present.files import Parts
    from .records import Fleet

CAUTION = (
    "A forecast is not a proof of function: bump tests and calibrations required by the maker's instructions, local codes\n"
    "and the site's competent person go on unchanged. A sensor that fails a test is out of service, whatever is forecast."
)
LOT_COLUMNS = (
    "lot", "technology", "gas", "sensors", "ageing_per_year", "low", "high", "ratio_to_rest", "q_value", "verdict", "life_years",
    "extra_cost", "expected_claims",
)  # fmt: skip
AUDIENCES = ("planner", "engineer", "analyst", "technician")


def _fleet(args: argparse.Namespace, progress: Progress) -> Fleet:
    import sensorhealth

    progress("reading the records")
    return sensorhealth.read_fleet(args.fleet, mapping=args.mapping, corrections=not args.no_corrections)


def _analyse(args: argparse.Namespace, progress: Progress) -> Analysis:
    import sensorhealth

    return sensorhealth.analyse(_fleet(args, progress), as_of=args.as_of, policy=args.policy, progress=progress)


def _report(args: argparse.Namespace) -> int:
    from .analysis import analyse_and_look_back
    from .present.files import parts_of
    from .sharded import too_large

    progress = Progress(args.quiet)
    _refuse_input_as_output(args.fleet, args.out)
    if args.shards or too_large(args.fleet, args.mapping):
        return _report_in_shards(args, progress)
    record: TrackRecord | None = None
    parts: Parts | None = None

    def draw(analysis: Analysis) -> None:
        nonlocal parts
        progress("drawing")
        parts = parts_of(analysis)

    if args.past_dates == 0:
        analysis = _analyse(args, progress)
    else:
        fleet, dates = _fleet(args, progress), args.past_dates
        analysis, record = analyse_and_look_back(fleet, args.as_of, args.policy, dates=dates, progress=progress, meanwhile=draw)
    progress("writing")
    analysis.write(args.out, audience=args.audience, track_record=record, parts=parts)
    progress("")
    print("\n".join(analysis.summary(record)))
    print(f"Report: {Path(args.out) / 'report.html'}")
    print(CAUTION)
    return 0


def _report_in_shards(args: argparse.Namespace, progress: Progress) -> int:
    from .sharded import SENSORS, report_in_shards

    if args.past_dates:
        raise SensorHealthError("--track-record: a fleet that is read in shards is not looked back on; leave the option out")
    notes = report_in_shards(
        args.fleet, args.out, as_of=args.as_of, policy=args.policy, mapping=args.mapping, corrections=not args.no_corrections,
        sensors=args.shards or SENSORS, progress=progress,
    )  # fmt: skip
    progress("")
    print("\n".join(notes[:4]))
    print(f"Tables: {Path(args.out) / 'forecast.csv'} and beside it; all notes: {Path(args.out) / 'notes.txt'}")
    print(CAUTION)
    return 0


def _refuse_input_as_output(fleet: str, out: str) -> None:
    source, target = Path(fleet).resolve(), Path(out).resolve()
    if source == target or target in source.parents:
        raise SensorHealthError(f"--out {out}: the output would stand in place of the records; choose another folder")


def _check(args: argparse.Namespace) -> int:
    from . import records

    if args.suggest:
        print(records.suggest_mapping(args.fleet), end="")
        return 0
    fleet = records.read_fleet(args.fleet, mapping=args.mapping, corrections=not args.no_corrections)
    print("\n".join(records.check_lines(fleet, long=args.all)))
    return 0


def _simulate(args: argparse.Namespace) -> int:
    from .synthetic import simulate

    fleet = simulate(n_sensors=args.sensors, seed=args.seed)
    fleet.write(Path(args.out))
    print(f"{args.out}: {len(fleet.sensors)} sensors, {len(fleet.calibrations)} calibrations, all invented (seed {args.seed})")
    return 0


def _bench(args: argparse.Namespace) -> int:
    progress = Progress(args.quiet)
    analysis = _analyse(args, progress)
    progress("")
    print("\n".join(analysis.verdict(args.sensor).lines))
    print(CAUTION)
    return 0


def _lots(args: argparse.Namespace) -> int:
    progress = Progress(args.quiet)
    analysis = _analyse(args, progress)
    progress("comparing")
    tables = analysis.lot_tables(args.by, watch_days=args.watch) if args.out or args.watch else {"lots": analysis.lots(args.by)}
    progress("")
    if args.out:
        from .records.outputs import csv_bytes, write_folder

        write_folder(
            {f"{name}.csv": csv_bytes(table) for name, table in tables.items()}, Path(args.out), protect=[args.fleet], part="lots"
        )
    print("\n".join(table_lines(tables["lots"][list(LOT_COLUMNS)], args.rows)))
    print("\n".join(f"{lot}: {note}." for lot, note in tables["lots"].head(args.rows)[["lot", "note"]].to_numpy() if note))
    if args.watch:
        alarms = tables["lot_alarms"]
        print(f"\nWatched as readings came in: {len(alarms)} of {tables['lots']['lot'].nunique()} raised an alarm.")
        print("\n".join(table_lines(alarms, None)) if len(alarms) else "")
    print(CAUTION)
    return 0


def _plan(args: argparse.Namespace) -> int:
    from . import decide

    progress = Progress(args.quiet)
    _refuse_input_as_output(args.fleet, args.out)
    analysis = _analyse(args, progress)
    progress("writing")
    analysis.write_plan(args.out)
    progress("")
    print("\n".join([*analysis.summary(), *(f"Note: {note}." for note in decide.unknown_names(analysis.fleet_plan.facts))]))
    print(f"Plan: {Path(args.out) / 'plan.csv'}")
    print(CAUTION)
    return 0


def _compare_policies(args: argparse.Namespace) -> int:
    from . import decide
    from .analysis import compare_policies

    progress = Progress(args.quiet)
    table = compare_policies(_fleet(args, progress), args.first, args.second, as_of=args.as_of, progress=progress)
    progress("")
    print("\n".join(decide.side_by_side(table, decide.Policy.load(args.first).currency)))
    print(CAUTION)
    return 0


def _track_record(args: argparse.Namespace) -> int:
    progress = Progress(args.quiet)
    _refuse_input_as_output(args.fleet, args.out)
    analysis = _analyse(args, progress)
    progress("looking back")
    record = analysis.track_record(progress=progress)
    from .present.files import track_record_files
    from .records.outputs import write_folder

    write_folder(track_record_files(record), Path(args.out), protect=[args.fleet], part="track record")
    progress("")
    print(record.sentence)
    for note in filter(None, record.notes):
        print(f"- {note}")
    print(f"Track record: {Path(args.out) / 'track_record.csv'}")
    print(CAUTION)
    return 0


def _notebooks(args: argparse.Namespace) -> int:
    from .present.notebooks import run_notebooks

    progress = Progress(args.quiet)
    _refuse_input_as_output(args.fleet, args.out)
    written = run_notebooks(
        Path(args.fleet), Path(args.out), as_of=args.as_of, policy=args.policy, mapping=args.mapping, progress=progress
    )
    progress("")
    print("\n".join(str(path) for path in written))
    print(CAUTION)
    return 0


def _policy(args: argparse.Namespace) -> int:
    from .decide import Policy

    if args.file:
        Policy.load(args.file)
        print(f"{args.file}: understood")
    else:
        print(Policy.defaults_toml(), end="")
    return 0


def _command(commands: Any, name: str, run: Callable[[argparse.Namespace], int], text: str, *, reads: bool = True) -> Any:
    command = commands.add_parser(name, help=text, description=text + " " + " ".join(CAUTION.split()))
    command.set_defaults(run=run)
    if reads:
        command.add_argument("fleet", metavar="FLEET", help="folder, workbook or database with the records")
        command.add_argument("--mapping", metavar="FILE", help="TOML file that says how your columns are called")
        command.add_argument("--no-corrections", action="store_true", help="correct nothing, set aside instead")
        command.add_argument("--quiet", action="store_true", help="show no progress")
    return command


def _analysing(commands: Any, name: str, run: Callable[[argparse.Namespace], int], text: str) -> Any:
    command = _command(commands, name, run, text)
    command.add_argument(
        "--as-of",
        type=date_of,
        metavar="DATE",
        help="stand on this date, read nothing after it (default: the last calibration)",
    )
    command.add_argument("--policy", metavar="FILE", help="policy (TOML); `sensorhealth policy --defaults` prints one")
    return command


def parser() -> argparse.ArgumentParser:
    """All commands and their options."""
    top = argparse.ArgumentParser(
        prog="sensorhealth",
        description=__doc__
        and "How every gas sensor of a fleet ages, when it ends, and what to do. " + " ".join(CAUTION.split()),
    )
    top.add_argument("--version", action="version", version=f"sensorhealth {__version__}")
    commands = top.add_subparsers(dest="command", required=True, metavar="COMMAND")

    report = _analysing(commands, "report", _report, "Read a fleet and write forecasts, plan, budget and report.")
    report.add_argument("--out", required=True, metavar="DIR", help="folder for the output")
    report.add_argument("--for", dest="audience", choices=AUDIENCES, default="planner", help="who reads it: orders the sections")

    back = report.add_mutually_exclusive_group()
    back.add_argument(
        "--track-record", dest="past_dates", action="store_const", const=4,
        help="try the forecasts on four past dates (default: one, a year back)",
    )  # fmt: skip
    back.add_argument(
        "--no-track-record", dest="past_dates", action="store_const", const=0, help="do not try the forecasts on the past"
    )

    report.add_argument(
        "--shards", type=whole, metavar="N",
        help="read a fleet in Parquet in shards of some N sensors and write its tables alone (unasked from 200 000 sensors)",
    )  # fmt: skip

    check = _command(commands, "check", _check, "Read a fleet and say what was understood, set aside and corrected.")
    check.add_argument("--suggest", action="store_true", help="write a first mapping from the headings, for a person to correct")
    check.add_argument("--all", action="store_true", help="list every finding, not the first of each kind")

    simulate = _command(commands, "simulate", _simulate, "Write an invented fleet with its truth beside it.", reads=False)
    simulate.add_argument("--out", required=True, metavar="DIR")
    simulate.add_argument("--sensors", type=whole, default=480, metavar="N")
    simulate.add_argument("--seed", type=int, default=20260301, metavar="S")

    bench = _analysing(
        commands, "bench", _bench, "One screen for the bench after a reading that surprised: sensor, gas or handling?"
    )
    bench.add_argument("--sensor", required=True, metavar="ID")

    lots = _analysing(commands, "lots", _lots, "Compare lots (or suppliers, sites, models).")
    lots.add_argument("--by", default="lot", metavar="COLUMN")
    lots.add_argument("--out", metavar="DIR", help="write all columns, pairs, ranks and the study plan there")
    lots.add_argument("--watch", action="store_const", const=30, help="also when each could have been noticed")
    lots.add_argument("--rows", type=whole, default=30, metavar="N")

    plan = _analysing(commands, "plan", _plan, "Plan, visits, orders, budget, workbook and calendar only.")
    plan.add_argument("--out", required=True, metavar="DIR")

    what_if = _command(commands, "compare-policies", _compare_policies, "Two policies on the same fleet, side by side.")
    what_if.add_argument("first", metavar="P1")
    what_if.add_argument("second", metavar="P2")
    what_if.add_argument("--as-of", type=date_of, metavar="DATE")

    past = _analysing(commands, "track-record", _track_record, "Forecast from past dates and compare with what happened.")
    past.add_argument("--out", required=True, metavar="DIR")

    books = _analysing(commands, "notebooks", _notebooks, "Run all notebooks on this fleet and write them as HTML.")
    books.add_argument("--out", required=True, metavar="DIR")

    policy = _command(commands, "policy", _policy, "Print a commented policy, or check one.", reads=False)
    group = policy.add_mutually_exclusive_group(required=True)
    group.add_argument("--defaults", action="store_true", help="print every key with its default and meaning")
    group.add_argument("--check", dest="file", metavar="FILE", help="say whether this policy can be used")
    return top


def main(argv: Sequence[str] | None = None) -> int:
    """Run the command line; returns the exit code."""
    args = parser().parse_args(argv)
    try:
        code: int = args.run(args)
    except SensorHealthError as error:
        if sys.stderr.isatty():
            sys.stderr.write("\r\x1b[2K")
        sys.stderr.write(f"sensorhealth: {error}\n")
        return 1
    except BrokenPipeError:
        sys.stderr.close()
        return 0
    except KeyboardInterrupt:
        sys.stderr.write("\nstopped; any earlier output is as it was\n")
        return 130
    return code
