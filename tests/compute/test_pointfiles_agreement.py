"""Reading never changes a number, and the fast path never reads what the careful one would not."""

from __future__ import annotations

import csv
import io
import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from compute.errors import BadValues, DelimiterUnclear, FileRefused
from compute.pointfiles import careful, fast, read_points
from compute.pointfiles.decode import decode
from compute.pointfiles.records import Layout

COLUMNS = ("point", "northing", "easting", "elevation", "code", "note")
HEADER = ("Pt", "N", "E", "H", "Code", "Note")

coordinates = st.floats(-1e9, 1e9, exclude_min=True, exclude_max=True, allow_subnormal=True)
words = st.text(st.sampled_from("abcXYZ019-äß№"), min_size=1, max_size=6)
codes = st.sampled_from(["", "TOE", "CRS", "CRS 1", "crs 12", "T2"])
notes = st.lists(words.filter(lambda word: not word.isdigit()), max_size=3).map(" ".join)
tables = st.lists(
    st.tuples(words, coordinates, coordinates, coordinates, codes, notes), min_size=1, max_size=12
)


def same(left: float, right: float) -> bool:
    return left == right and math.copysign(1, left) == math.copysign(1, right)


def written(table, delimiter, decimal, has_header, end) -> str:
    """The table as text: Python's csv writer quotes where a field needs it."""
    out = io.StringIO()
    rows = [
        (name, *(repr(value).replace(".", decimal) for value in values), code, note)
        for name, *values, code, note in table
    ]
    if delimiter == " ":
        lines = [" ".join(HEADER)] * has_header + [" ".join(row) for row in rows]
        return end.join(lines) + end
    writer = csv.writer(out, delimiter=delimiter, lineterminator=end)
    writer.writerows([HEADER] * has_header + rows)
    return out.getvalue()


@given(
    table=tables,
    delimiter=st.sampled_from([",", ";", "\t", " "]),
    decimal=st.sampled_from([".", ","]),
    has_header=st.booleans(),
    encoding=st.sampled_from(["utf-8", "utf-8-sig", "utf-16"]),
    end=st.sampled_from(["\n", "\r\n", "\r"]),
    declares_marks=st.booleans(),
)
@settings(max_examples=400, deadline=None)
def test_a_table_comes_back_exactly(table, delimiter, decimal, has_header, encoding, end, declares_marks):
    if delimiter == " ":  # there, a blank code with a note cannot be written
        table = [(*row[:4], row[4] or "SPT", row[5]) for row in table]
    data = written(table, delimiter, decimal, has_header, end).encode(encoding)
    marks = {"delimiter": delimiter, "decimal": decimal} if declares_marks else {}
    try:
        points = read_points(data, "a", columns=None if has_header else COLUMNS, **marks)
    except DelimiterUnclear:
        assert not declares_marks  # a small table may leave the marks open; a declared one never does
        return
    assert points.names.to_pylist() == [row[0] for row in table]
    assert [points.codes[index] for index in points.code_index] == [row[4] for row in table]
    assert points.notes.to_pylist() == [row[5] for row in table]
    assert points.line.tolist() == list(range(1 + has_header, len(table) + 1 + has_header))
    for place, read in enumerate((points.northing_m, points.easting_m, points.elevation_m), start=1):
        assert all(same(row[place], value) for row, value in zip(table, read.tolist(), strict=True))


# --- fast and careful ----------------------------------------------------------------------------

NUMBERS = "1 1.5 -2.25 +3 .5 5. 1e3 1e-7 0.1 123456.789 999999999.9 1,5 1,234.5"
NO_NUMBERS = "x TOE CRS # ä 0x10 1_0 1.5f NA +-3 ++3 1e . - 1e9 1e400 nan inf -inf"
WITH_BLANKS = ("", " ", " 1.5 ", "CRS 1", "\t2.5", "a b", '"q"', '5" pipe', "\u00a01")
FIELDS = st.sampled_from([*NUMBERS.split(), *NO_NUMBERS.split(), *WITH_BLANKS])
GOOD_NUMBERS = st.sampled_from(["1", "1.5", "-2.25", "0.1", "123456.789", "1e3", "-0.0"])


@st.composite
def odd_files(draw):
    """A layout and lines that mostly fit it."""
    delimiter = draw(st.sampled_from([",", ";", "\t", " "]))
    columns = draw(
        st.sampled_from(
            [
                COLUMNS[:4],
                COLUMNS[:5],
                COLUMNS,
                ("easting", "northing", "elevation"),
                ("northing", "easting", "", "elevation", "note"),
                ("code", "northing", "easting", "elevation", "point"),
            ]
        )
    )
    gap = st.sampled_from([" ", " ", "  ", "\t", " \t "]) if delimiter == " " else st.just(delimiter)
    good = st.lists(GOOD_NUMBERS, min_size=len(columns), max_size=len(columns))
    odd = st.lists(FIELDS, min_size=1, max_size=len(columns) + 2)
    lines = []
    for fields in draw(st.lists(st.one_of(good, good, good, odd), min_size=1, max_size=8)):
        line = fields[0] + "".join(draw(gap) + field for field in fields[1:])
        around = st.sampled_from(["", "", "", "  ", "\t", delimiter, "# "])
        lines.append(draw(around) + line + draw(st.sampled_from(["", "", "", " ", delimiter, delimiter * 2])))
        lines.extend(draw(st.sampled_from([[], [], [], [""], ["# note"], ["  "], [" ;,"]])))
    decimal = draw(st.sampled_from([".", ".", ","]))
    if decimal == ",":
        lines = [line.replace(".", ",") for line in lines]
    header_line = draw(st.sampled_from([0, 0, 1]))
    return Layout(delimiter, decimal, columns, columns, header_line), "\n".join(lines) + draw(
        st.sampled_from(["", "\n"])
    )


def as_lists(table):
    return {
        "numbers": [
            [value.hex() for value in column.tolist()]
            for column in (table.northing, table.easting, table.elevation)
        ],
        "names": None if table.names is None else table.names.to_pylist(),
        "notes": None if table.notes is None else table.notes.to_pylist(),
        "codes": table.codes,
        "code_index": table.code_index.tolist(),
        "line": table.line.tolist(),
    }


@given(odd_files())
@settings(max_examples=1500, deadline=None)
def test_the_fast_path_reads_as_the_careful_one_or_gives_up(odd):
    layout, text = odd
    quick = fast.read_table(text.encode(), layout)
    if quick is None:
        return
    assert as_lists(quick) == as_lists(careful.read_table(text, layout, "a"))


@pytest.mark.parametrize(
    ("layout", "text"),
    [
        (Layout(",", ".", COLUMNS[:5], HEADER[:5], 1), "Pt,N,E,H,Code\n1,1.5,2.5,3.5,TOE\n2,1,2,3,\n"),
        (Layout(";", ",", COLUMNS, HEADER, 0), "1;1,5;2,5;3,5;TOE;wet\n\n# crew\n2;1;2;3;CRS 1; steep \n"),
        (Layout("\t", ".", COLUMNS[1:4], HEADER[1:4], 0), "1.5\t2.5\t3.5\t\n1\t2\t3\t\n"),
        (Layout(" ", ".", COLUMNS[1:4], HEADER[1:4], 0), "1.5 2.5 3.5\n1 2 3"),
        (Layout(" ", ".", COLUMNS[1:4], HEADER[1:4], 0), "   1.5\t2.5  3.5 \n# crew\n\n 1 2 3\n"),
        (Layout(" ", ".", COLUMNS[:5], HEADER[:5], 0), "1 1.5 2.5 3.5 CRS  1\n2 1 2 3\n 3 1 2\t3 TOE \n"),
        (Layout(" ", ".", COLUMNS, HEADER, 0), "1 1.5 2.5 3.5 CRS 1 by  the wall\n2 1 2 3\n3 1 2 3 TOE\n"),
    ],
)
def test_ordinary_files_take_the_fast_path(layout, text):
    quick = fast.read_table(text.encode(), layout)
    assert quick is not None
    assert as_lists(quick) == as_lists(careful.read_table(text, layout, "a"))


@pytest.mark.parametrize(
    "line",
    ["1,2,x", "1,2", "1,2,3,4", "1,2,", "1,2,nan", "1,2,1e9", "1,2,inf", '"1",2,3', "1,2,+-3", "1,2,1e400"],
)
def test_the_fast_path_gives_up_on_trouble(line):
    layout = Layout(",", ".", COLUMNS[1:4], HEADER[1:4], 0)
    assert fast.read_table(f"1,2,3\n{line}\n".encode(), layout) is None


@pytest.mark.parametrize("name", ['"1"', '"a,b"', '"a""b"'])
def test_the_fast_path_leaves_quotes_to_the_careful_one(name):
    layout = Layout(",", ".", COLUMNS[:4], HEADER[:4], 0)
    assert fast.read_table(f"{name},1,2,3\n".encode(), layout) is None


def read_or_refusal(data: bytes, columns=None):
    try:
        return read_points(data, "a", columns=columns), None
    except FileRefused as refusal:
        return None, refusal


@given(
    st.lists(st.one_of(FIELDS, st.sampled_from([",", ";", "\n", "\r\n", "\t", "N,E,H\n", "#"])), max_size=30),
    st.sampled_from([None, COLUMNS[1:4], COLUMNS]),
)
@settings(max_examples=500, deadline=None)
def test_any_text_is_read_or_refused_with_a_reason(parts, columns):
    points, refusal = read_or_refusal("".join(parts).encode(), columns)
    if refusal is None:
        assert np.isfinite([points.northing_m, points.easting_m, points.elevation_m]).all()
    else:
        assert refusal.message
        assert refusal.remedy


@given(st.binary(max_size=200))
@settings(max_examples=300, deadline=None)
def test_any_bytes_are_read_or_refused_with_a_reason(data):
    points, refusal = read_or_refusal(data)
    assert points is not None or (refusal.message and refusal.remedy)


def test_line_numbers_hold_over_blocks_comments_and_blank_lines():
    """Long enough for several blocks of the fast path; every seventh line is no point."""
    lines = [f"{n},{n}.5,{n}.25,{n}.125,C{n % 3}" for n in range(300_000)]
    for number in range(0, len(lines), 7):
        lines[number] = ("", "# crew", " ", ",,,,")[number % 4]
    data = "\n".join(lines).encode()
    points = read_points(data, "a", columns=COLUMNS[:5])
    wanted = np.array([number for number in range(300_000) if number % 7], dtype=float)
    assert np.array_equal(points.line, wanted + 1)
    assert np.array_equal(points.elevation_m, wanted + 0.125)
    assert np.array_equal(points.code_index, wanted % 3)


def test_a_problem_late_in_a_long_file_is_named_by_its_line():
    lines = [f"{n},{n}.5,{n}.25,{n}.125" for n in range(200_000)]
    lines[150_000] = "150000,1.5,2.5,bad"
    with pytest.raises(BadValues, match="line 150001, column 4"):
        read_points("\n".join(lines).encode(), "a", columns=COLUMNS[:4])


def test_decoding_keeps_lines_that_begin_with_a_quote_or_end_with_an_end_mark():
    assert decode(b"1,2\r\n3,4\x1a", "a").body == b"1,2\n3,4"
