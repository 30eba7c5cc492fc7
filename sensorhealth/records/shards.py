"""Shards of a fleet in Parquet: whole regions at a time, so that no memory has to hold all records.

Sites are tied by the cylinders that their sensors met; what is tied is one region and stays together, since gas and sensors
can only be told apart with all that met. Two columns are read once to find the regions; a shard is then read from those pieces
(row groups) of the files that hold some of it. Where files are cut by region that is each byte once; where they are cut by
year every shard reads all of them.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from itertools import groupby
from operator import attrgetter
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa
from numpy.typing import NDArray
from scipy import sparse

from ..errors import RecordsError
from .fleet import Fleet
from .intake import take_in
from .mapping import RecordsMapping
from .raw import RawTable, Source, stacked
from .readers import shown
from .readers.folder import parquet_files
from .typed import heading_of

IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]
Coded = tuple[IntArray, Sequence[str]]


@dataclass(frozen=True)
class Piece:
    """One row group of a file. before: rows of the table that come before it; code: (n,) sensor of each row, or cylinder."""

    path: Path
    group: int
    before: int
    code: IntArray


@dataclass(frozen=True)
class Shards:
    """A fleet in Parquet and how it is cut.

    shard: (sensors,) number of the shard that each sensor is in; kind: (sensors,) what it is, as a number; region: (sensors,).
    gas: (cylinders,) region of each cylinder that was met. pieces: of each table. headings: of all columns, by table. last: the
    last moment of the calibrations; None where their dates are text.
    """

    path: Path
    mapping: RecordsMapping
    corrections: bool
    shard: IntArray
    kind: IntArray
    region: IntArray
    gas: IntArray
    pieces: Mapping[str, tuple[Piece, ...]]
    headings: Mapping[str, tuple[str, ...]]
    last: pd.Timestamp | None

    @property
    def count(self) -> int:
        """How many shards there are."""
        return int(self.shard.max(initial=-1)) + 1

    def read(self, number: int) -> Fleet:
        """The fleet of one shard; rows of no sensor, and cylinders that none met, are in the first."""
        return self._fleet(self.shard == number, strays=number == 0)

    def some(self, count: int, seed: int) -> Fleet:
        """Of every kind the sensors of regions drawn at random until they have `count`, or all."""
        rng = np.random.default_rng(seed)
        drawn = np.zeros(self.shard.size, dtype=bool)
        order = rng.permutation(int(self.region.max(initial=-1)) + 1)
        place = np.empty(order.size, dtype=np.int64)
        place[order] = np.arange(order.size)
        for kind in range(int(self.kind.max(initial=-1)) + 1):
            own = np.flatnonzero(self.kind == kind)
            sizes = np.bincount(place[self.region[own]], minlength=order.size)
            enough = int(np.searchsorted(np.cumsum(sizes), count)) + 1
            drawn[own[place[self.region[own]] < enough]] = True
        return self._fleet(drawn)

    def _fleet(self, sensors: BoolArray, *, strays: bool = False) -> Fleet:
        regions = np.zeros(int(self.region.max(initial=-1)) + 1, dtype=bool)
        regions[self.region[sensors]] = True
        chosen = {"sensors": sensors, "calibrations": sensors, "cylinders": regions[self.gas]}
        sources = {name: self._source(name, np.append(chosen[name], strays)) for name in self.pieces}
        return take_in(sources, shown(self.path), mapping=self.mapping, corrections=self.corrections)

    def _source(self, table: str, mask: BoolArray) -> Source:
        """The rows of `table` that belong to the sensors (or cylinders) in `mask`, with their numbers in the whole; its last
        place is for rows that belong to none."""

        def read(asked: Sequence[str]) -> RawTable:
            cells, rows = [], []
            for path, pieces in groupby(self.pieces[table], attrgetter("path")):
                kept = [(piece, keep) for piece, keep in ((piece, mask[piece.code]) for piece in pieces) if keep.any()]
                if kept:
                    with _opened(path) as file:
                        cells += [_group(file, piece.group, asked).filter(pa.array(keep)) for piece, keep in kept]
                    rows += [piece.before + 1 + np.flatnonzero(keep) for piece, keep in kept]
            if not cells:
                with _opened(self.pieces[table][0].path) as file:
                    cells, rows = [_group(file, 0, asked).slice(0, 0)], [np.zeros(0, dtype=np.int64)]
            return RawTable(stacked(cells, asked), np.concatenate(rows))

        return Source(str(self.path / table), self.headings[table], read)


@contextmanager
def _opened(path: Path) -> Iterator[Any]:
    """A file whose row groups can be read. What it says of them is read once: that takes long where there are many."""
    import pyarrow.parquet as parquet

    facts = parquet.read_metadata(path)
    texts = [field.name for field in facts.schema.to_arrow_schema() if pa.types.is_string(field.type)]
    with parquet.ParquetFile(path, metadata=facts, read_dictionary=texts) as file:
        yield file


def _group(file: Any, group: int, asked: Sequence[str]) -> pa.Table:
    """Those of the columns asked for that the file has, of one row group."""
    there = [name for name in asked if name in file.schema_arrow.names]
    return file.read_row_group(group, columns=there).select(there)


def cut_in_shards(
    path: Path | str,
    sensors: int,
    *,
    mapping: RecordsMapping | Mapping[str, Any] | Path | str | None = None,
    corrections: bool = True,
) -> Shards:
    """Find the regions of a fleet in a folder of Parquet and put them into shards of some `sensors` each.

    A region larger than that is a shard of its own. Raises RecordsError where the records are not of that kind.
    """
    where, understood = Path(path), RecordsMapping.of(mapping)
    files = {name: parquet_files(where, part.table) for name, part in understood.tables.items()}
    if not files["sensors"] or not files["calibrations"]:
        raise RecordsError(f"{shown(path)}: only a folder with sensors and calibrations in Parquet can be read in shards")
    tables = {name: _Table(where / name, name, found, understood) for name, found in files.items() if found}
    names = _Names()
    ids, *facts = zip(*tables["sensors"].coded("sensor_id", "site", "technology", "gas"))
    own = [names.of(part) for part in ids]
    at = np.concatenate(own)
    first = np.full(len(names.code), -1, dtype=np.int64)
    first[at[::-1]] = np.arange(at.size)[::-1]  # a sensor that stands there twice is what its first row says
    site, technology, gas = (pd.factorize(_texts(part)[first])[0].astype(np.int64) for part in facts)
    kind = pd.factorize(technology * (gas.max(initial=0) + 1) + gas)[0].astype(np.int64)
    names.closed = True
    cylinders = _Names()
    reader, met = [], []
    for sensor, cylinder in tables["calibrations"].coded("sensor_id", "cylinder_id"):
        reader.append(names.of(sensor))
        met.append(_pairs(site, reader[-1], cylinders.of(cylinder)))
    pieces = {"sensors": tables["sensors"].pieces(own), "calibrations": tables["calibrations"].pieces(reader)}
    if "cylinders" in tables:
        cylinders.closed = True
        pieces["cylinders"] = tables["cylinders"].pieces(
            [cylinders.of(part) for (part,) in tables["cylinders"].coded("cylinder_id")]
        )
    region, gas_region = _regions(site, np.concatenate(met), len(cylinders.code))
    return Shards(
        where, understood, corrections, _packed(region, sensors), kind, region, gas_region, pieces,
        {name: table.headings for name, table in tables.items()}, tables["calibrations"].last("time"),
    )  # fmt: skip


def sensors_in_parquet(path: Path | str, mapping: RecordsMapping | Mapping[str, Any] | Path | str | None = None) -> int:
    """Rows of the sensors table of a fleet in a folder of Parquet, from the files' own counts; 0 where it is none."""
    import pyarrow.parquet as parquet

    tables = RecordsMapping.of(mapping).tables
    try:
        files = {name: parquet_files(Path(path), tables[name].table) for name in ("sensors", "calibrations")}
        return sum(parquet.read_metadata(file).num_rows for file in files["sensors"]) if files["calibrations"] else 0
    except (RecordsError, pa.ArrowException, OSError):
        return 0  # what is wrong with it is told by those who read it


class _Names:
    """Numbers for names, in the order in which they are met; -1 for none and, once closed, for names not met before.

    Names that differ in case and spaces alone are one, as the checks of the records take them.
    """

    def __init__(self) -> None:
        self.code: dict[str, int] = {}
        self.closed = False
        self._met: dict[str, int] = {}  # as they are written

    def of(self, cells: Coded) -> IntArray:
        index, words = cells
        known = [self._met.get(word, -2) for word in words]
        known = [self._one(word) if code == -2 else code for word, code in zip(words, known)]
        return np.append(np.array(known, dtype=np.int64), -1)[index]

    def _one(self, word: str) -> int:
        key = " ".join(word.split()).casefold()
        if not key:
            return -1
        found = self.code.get(key, -1) if self.closed else self.code.setdefault(key, len(self.code))
        self._met[word] = found
        return found


class _Table:
    """One table of the folder: its files, row groups and headings."""

    def __init__(self, where: Path, name: str, files: Sequence[Path], mapping: RecordsMapping) -> None:
        import pyarrow.parquet as parquet

        self.name, self.files, self.mapping = name, files, mapping
        self._facts = [parquet.read_metadata(file) for file in files]
        self._schemas = [facts.schema.to_arrow_schema() for facts in self._facts]
        self.headings = tuple(dict.fromkeys(heading for schema in self._schemas for heading in schema.names))
        self._where = where

    def pieces(self, codes: Sequence[IntArray]) -> tuple[Piece, ...]:
        """The row groups with what each row belongs to."""
        groups = [(file, group) for file, facts in zip(self.files, self._facts) for group in range(facts.num_row_groups)]
        before = np.cumsum([0, *(code.size for code in codes)]).tolist()
        return tuple(Piece(*at, rows, code.astype(np.int32)) for at, rows, code in zip(groups, before, codes, strict=False))

    def coded(self, *columns: str) -> Iterator[tuple[Coded, ...]]:
        """Text columns row group by row group, each as places (n,) in words (-1 for missing)."""
        headings = [self._heading(column) for column in columns]
        for path, facts in zip(self.files, self._facts):
            with _opened(path) as file:
                for group in range(facts.num_row_groups):
                    cells = _group(file, group, list(dict.fromkeys(filter(None, headings))))
                    yield tuple(_coded(cells, heading) for heading in headings)

    def _heading(self, column: str) -> str:
        return heading_of(column, self.headings, str(self._where), self.mapping.tables[self.name])

    def last(self, column: str) -> pd.Timestamp | None:
        """The last moment of a column of times; None where it is none."""
        import pyarrow.compute as compute

        heading, tops = self._heading(column), []
        for path, facts, schema in zip(self.files, self._facts, self._schemas):
            if not pa.types.is_temporal(schema.field(heading).type):
                return None
            with _opened(path) as file:
                for group in range(facts.num_row_groups):
                    tops.append(compute.max(_group(file, group, [heading]).column(0)).as_py())
        known = [pd.Timestamp(top) for top in tops if top is not None]
        return max(known) if known else None


def _coded(cells: pa.Table, heading: str) -> Coded:
    """Places (n,) of the cells of one column in its words, -1 for missing; all missing where the table has it not."""
    if heading not in cells.column_names:
        return np.full(cells.num_rows, -1, dtype=np.int64), []
    column = cells.column(heading).combine_chunks()
    column = column if pa.types.is_dictionary(column.type) else column.cast(pa.string()).dictionary_encode()
    return column.indices.cast(pa.int64()).fill_null(-1).to_numpy(), [str(word) for word in column.dictionary.to_pylist()]


def _texts(parts: Iterable[Coded]) -> NDArray[np.object_]:
    """A column in one, "" where missing."""
    return np.concatenate([np.array([*words, ""], dtype=object)[index] for index, words in parts])


def _pairs(site: IntArray, sensor: IntArray, cylinder: IntArray) -> IntArray:
    """Distinct pairs (k, 2) of the site of a sensor and a cylinder that it met."""
    both = (sensor >= 0) & (cylinder >= 0)
    width = int(cylinder.max(initial=0)) + 1
    return np.column_stack(np.divmod(pd.unique(site[sensor[both]] * width + cylinder[both]), width))


def _regions(site: IntArray, met: IntArray, cylinders: int) -> tuple[IntArray, IntArray]:
    """Region of each sensor, numbered by first sensor, and of each cylinder: sites that cylinders tie together, directly or by
    others. A cylinder that only rows without a sensor name is in the first."""
    sites = int(site.max(initial=-1)) + 1
    size = sites + cylinders
    tied = sparse.coo_array((np.ones(len(met)), (met[:, 0], sites + met[:, 1])), shape=(size, size))
    component = sparse.csgraph.connected_components(tied, directed=False)[1]
    region, known = pd.factorize(component[site])
    return region.astype(np.int64), np.maximum(pd.Index(known).get_indexer(pd.Index(component[sites:])), 0).astype(np.int64)


def _packed(region: IntArray, most: int) -> IntArray:
    """Shard of each sensor: regions in order, put together until they have `most` sensors."""
    sizes = np.bincount(region)
    shard = np.zeros(sizes.size, dtype=np.int64)
    filled, number = 0, 0
    for at, size in enumerate(sizes):
        if filled and filled + size > most:
            filled, number = 0, number + 1
        shard[at] = number
        filled += int(size)
    return shard[region]
