"""Shards of a fleet in Parquet: whole regions at a time, so that no memory has to hold all records.

Sites are tied by the cylinders that their sensors met; what is tied is one region and stays together, since gas and sensors
can only be told apart with all that met. Two columns are read once to find the regions; a shard is then read from those pieces
(row groups) of the files that hold some of it. Where files are cut by region that is each byte once; where they are cut by
year every shard reads all of them.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa
from numpy.typing import NDArray
from scipy import sparse

from .. import nomenclature
from ..errors import RecordsError
from .fleet import Fleet
from .intake import take_in
from .mapping import RecordsMapping
from .raw import RawTable, Source
from .readers import shown
from .readers.folder import parquet_files
from .typed import heading_of

IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]


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
    met: (sensors met, 2) distinct pairs of sensor and cylinder. pieces: of each table. headings: of all columns, by table.
    """

    path: Path
    mapping: RecordsMapping
    corrections: bool
    shard: IntArray
    kind: IntArray
    region: IntArray
    met: IntArray
    pieces: Mapping[str, tuple[Piece, ...]]
    headings: Mapping[str, tuple[str, ...]]
    last: pd.Timestamp | None

    @property
    def count(self) -> int:
        """How many shards there are."""
        return int(self.shard.max(initial=-1)) + 1

    def read(self, number: int) -> Fleet:
        """The fleet of one shard."""
        return self._fleet(self.shard == number)

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

    def _fleet(self, sensors: BoolArray) -> Fleet:
        cylinders = np.zeros(int(self.met[:, 1].max(initial=-1)) + 1, dtype=bool)
        cylinders[self.met[sensors[self.met[:, 0]], 1]] = True
        chosen = {"sensors": sensors, "calibrations": sensors, "cylinders": cylinders}
        sources = {name: self._source(name, chosen[name]) for name in self.pieces}
        return take_in(sources, shown(self.path), mapping=self.mapping, corrections=self.corrections)

    def _source(self, table: str, chosen: BoolArray) -> Source:
        """The rows of `table` that belong to the chosen sensors (or cylinders), with their numbers in the whole."""
        mask = np.append(chosen, False)  # -1: what belongs to none

        def read(asked: Sequence[str]) -> RawTable:
            cells, rows = [], []
            for piece in self.pieces[table]:
                keep = mask[piece.code]
                if keep.any():
                    cells.append(_group(piece, asked).filter(pa.array(keep)))
                    rows.append(piece.before + 1 + np.flatnonzero(keep))
            if not cells:
                cells, rows = [_group(self.pieces[table][0], asked).slice(0, 0)], [np.zeros(0, dtype=np.int64)]
            return RawTable(pa.concat_tables(cells, promote_options="permissive").unify_dictionaries(), np.concatenate(rows))

        return Source(str(self.path / table), self.headings[table], read)


def _group(piece: Piece, asked: Sequence[str]) -> pa.Table:
    import pyarrow.parquet as parquet

    with parquet.ParquetFile(piece.path) as file:
        schema = file.schema_arrow
    texts = [name for name in asked if name in schema.names and pa.types.is_string(schema.field(name).type)]
    with parquet.ParquetFile(piece.path, read_dictionary=texts) as file:
        return file.read_row_group(piece.group, columns=list(asked))


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
    ids = tables["sensors"].texts("sensor_id")
    names = pd.Index(pd.unique(_flat(ids)))
    own = [names.get_indexer(part) for part in ids]
    first = np.full(names.size, -1, dtype=np.int64)
    at = np.concatenate(own)
    first[at[::-1]] = np.arange(at.size)[::-1]  # a sensor that stands there twice is what its first row says
    site = pd.factorize(tables["sensors"].text("site")[first])[0].astype(np.int64)
    kinds = [tables["sensors"].text(name)[first] for name in ("technology", "gas")]
    kind = pd.factorize(pd.Series(kinds[0]) + " " + pd.Series(kinds[1]))[0].astype(np.int64)
    reader, gas = [names.get_indexer(part) for part in tables["calibrations"].texts("sensor_id")], _Codes()
    met = [_pairs(one, gas.of(other)) for one, other in zip(reader, tables["calibrations"].texts("cylinder_id"))]
    pairs = np.unique(np.concatenate(met), axis=0) if met else np.zeros((0, 2), dtype=np.int64)
    region = _regions(site, pairs, len(gas.names))
    pieces = {"sensors": tables["sensors"].pieces(own), "calibrations": tables["calibrations"].pieces(reader)}
    if "cylinders" in tables:
        pieces["cylinders"] = tables["cylinders"].pieces([gas.of(part) for part in tables["cylinders"].texts("cylinder_id")])
        pairs = np.concatenate([pairs, _unmet(gas, pairs, region)])
    return Shards(
        where, understood, corrections, _packed(region, sensors), kind, region, pairs, pieces,
        {name: table.headings for name, table in tables.items()}, tables["calibrations"].last("time"),
    )  # fmt: skip


class _Codes:
    """Numbers for names, in the order in which they are met; -1 for none."""

    def __init__(self) -> None:
        self.names: dict[str, int] = {}

    def of(self, texts: NDArray[np.object_]) -> IntArray:
        code, names = pd.factorize(np.where(texts == "", None, texts))
        numbers = np.array([self.names.setdefault(name, len(self.names)) for name in names] + [-1], dtype=np.int64)
        return numbers[code]


class _Table:
    """One table of the folder: its files, row groups and headings."""

    def __init__(self, where: Path, name: str, files: Sequence[Path], mapping: RecordsMapping) -> None:
        import pyarrow.parquet as parquet

        self.name, self.files, self.mapping = name, files, mapping
        self._facts = [parquet.read_metadata(file) for file in files]
        schemas = [parquet.read_schema(file) for file in files]
        self.headings = tuple(dict.fromkeys(heading for schema in schemas for heading in schema.names))
        self._where = where

    def groups(self) -> list[tuple[Path, int, int]]:
        """File, number and rows before of every row group."""
        sizes = [
            (file, group, facts.row_group(group).num_rows)
            for file, facts in zip(self.files, self._facts)
            for group in range(facts.num_row_groups)
        ]
        before = np.cumsum([0, *(size for _, _, size in sizes)])
        return [(file, group, int(rows)) for (file, group, _), rows in zip(sizes, before)]

    def pieces(self, codes: Sequence[IntArray]) -> tuple[Piece, ...]:
        return tuple(
            Piece(file, group, before, code.astype(np.int32))
            for (file, group, before), code in zip(self.groups(), codes)
        )

    def texts(self, column: str) -> list[NDArray[np.object_]]:
        """A text column, one array for each row group; "" where missing or not there."""
        heading = heading_of(column, self.headings, str(self._where), self.mapping.tables[self.name])
        found = []
        for file, group, _ in self.groups():
            if not heading:
                found.append(np.full(pq_rows(file, group), "", dtype=object))
                continue
            cells = _group(Piece(file, group, 0, np.zeros(0, dtype=np.int64)), [heading]).column(0).combine_chunks()
            if pa.types.is_dictionary(cells.type):
                words = np.append(np.asarray(cells.dictionary.to_pylist(), dtype=object), "")
                found.append(words[cells.indices.fill_null(len(words) - 1).to_numpy(zero_copy_only=False)])
            else:
                words = pd.Series(cells.cast(pa.string()).to_pandas()).fillna("")
                found.append(words.to_numpy(dtype=object))
        return found

    def text(self, column: str) -> NDArray[np.object_]:
        """The same as one array."""
        return _flat(self.texts(column))

    def last(self, column: str) -> pd.Timestamp | None:
        """The last moment of a column of times; None where it is none."""
        import pyarrow.compute as compute

        heading = heading_of(column, self.headings, str(self._where), self.mapping.tables[self.name])
        tops = []
        for file, group, _ in self.groups():
            cells = _group(Piece(file, group, 0, np.zeros(0, dtype=np.int64)), [heading]).column(0)
            if not pa.types.is_temporal(cells.type):
                return None
            tops.append(compute.max(cells).as_py())
        known = [pd.Timestamp(top) for top in tops if top is not None]
        return max(known) if known else None


def pq_rows(file: Path, group: int) -> int:
    """Rows of a row group."""
    import pyarrow.parquet as parquet

    return int(parquet.read_metadata(file).row_group(group).num_rows)


def _flat(parts: Sequence[NDArray[np.object_]]) -> NDArray[np.object_]:
    return np.concatenate(parts) if parts else np.zeros(0, dtype=object)


def _pairs(sensor: NDArray[np.int64], cylinder: IntArray) -> IntArray:
    """Distinct pairs (k, 2) of a sensor and a cylinder that met."""
    both = (sensor >= 0) & (cylinder >= 0)
    width = int(cylinder.max(initial=0)) + 1
    keys = np.unique(sensor[both].astype(np.int64) * width + cylinder[both])
    return np.column_stack([keys // width, keys % width])


def _regions(site: IntArray, met: IntArray, cylinders: int) -> IntArray:
    """Region of each sensor, numbered by first sensor: sites that cylinders tie together, directly or by others."""
    sites = int(site.max(initial=-1)) + 1
    places = site[met[:, 0]], sites + met[:, 1]
    size = sites + cylinders
    tied = sparse.coo_array((np.ones(len(met)), places), shape=(size, size))
    component = sparse.csgraph.connected_components(tied, directed=False)[1][site]
    return pd.factorize(component)[0].astype(np.int64)


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


def _unmet(gas: _Codes, met: IntArray, region: IntArray) -> IntArray:
    """Cylinders that no sensor met, with the first sensor, so that they are in a shard as well."""
    unmet = np.setdiff1d(np.arange(len(gas.names)), met[:, 1])
    return np.column_stack([np.zeros(unmet.size if region.size else 0, dtype=np.int64), unmet[: unmet.size if region.size else 0]])
