"""Point files as text: fields divided by comma, semicolon, tab or blanks."""

from __future__ import annotations

import hashlib

import numpy as np

from compute.errors import FileEmpty
from compute.pointfiles import careful, fast, guess
from compute.pointfiles.decode import Decoded, decode, sample_lines
from compute.pointfiles.records import Points, Preview, ReadAs, ReadOptions, Table
from compute.pointfiles.sniff import find_layout
from compute.records import FloatArray, SourceFile, read_only
from compute.units import LENGTH_IN_M


def sniffs(data: bytes) -> bool:
    """True for everything: what no other format claims is read as text, or refused as no text."""
    return True


def read(data: bytes, name: str, options: ReadOptions) -> Points:
    """Read a text file of points. See `compute.pointfiles.read_points`."""
    decoded = decode(data, name)
    layout = find_layout(_sample(decoded, name), name, options)
    table = fast.read_table(decoded.body, layout)
    if table is None:
        table = careful.read_table(decoded.body.decode("utf-8"), layout, name)
    if not len(table.line):
        raise FileEmpty(f"{name} has a header but no points. Nothing was imported.", where=name)
    read_as = ReadAs(
        columns=layout.columns,
        unit=options.unit,
        delimiter=layout.delimiter,
        decimal=layout.decimal,
        encoding=decoded.encoding,
        header_line=layout.header_line,
        remarks=decoded.remarks + layout.remarks,
    )
    source = SourceFile(name, len(data), hashlib.sha256(data).hexdigest())
    return _points(table, read_as, source)


def preview(data: bytes, name: str) -> Preview:
    """See `compute.pointfiles.preview`."""
    decoded = decode(data, name)
    return guess.preview(_sample(decoded, name), name, decoded.encoding, decoded.remarks)


def _sample(decoded: Decoded, name: str) -> list[tuple[int, str]]:
    sample = sample_lines(decoded.body)
    if not sample:
        raise FileEmpty(f"{name} holds no line with points. Nothing was imported.", where=name)
    return sample


def _points(table: Table, read_as: ReadAs, source: SourceFile) -> Points:
    return Points(
        northing_m=_metres(table.northing, read_as.unit),
        easting_m=_metres(table.easting, read_as.unit),
        elevation_m=_metres(table.elevation, read_as.unit),
        names=table.names,
        code_index=read_only(table.code_index),
        codes=table.codes,
        notes=table.notes,
        line=read_only(table.line),
        source=source,
        read_as=read_as,
    )


def _metres(values: FloatArray, unit: str) -> FloatArray:
    """`values` in `unit` as metres: one multiplication by the exact fraction, rounded once to float64."""
    if unit == "metre":
        return read_only(np.ascontiguousarray(values))
    return read_only(values * float(LENGTH_IN_M[unit]))
