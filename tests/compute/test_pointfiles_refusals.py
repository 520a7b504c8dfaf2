"""Refusing point files: one sample for each refusal, and messages that lead a person to the fault."""

from __future__ import annotations

import io
import pickle
import zipfile

import pytest

from compute.errors import (
    BadOption,
    BadValues,
    ColumnsUnknown,
    DelimiterUnclear,
    FileEmpty,
    FileNotText,
    FileRefused,
)
from compute.pointfiles import read_points

NEZ = ("northing", "easting", "elevation")


def zipped() -> bytes:
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w") as archive:
        archive.writestr("points.csv", "N,E,H\n1,2,3\n")
    return packed.getvalue()


SAMPLES = [
    (FileEmpty, b"", {}),
    (FileEmpty, b"\n\n# nothing yet\n", {}),
    (FileEmpty, b"N,E,H\n", {}),
    (FileEmpty, b"\xef\xbb\xbf", {}),
    (FileNotText, b"N,E,H\n1,2,\x003\n", {}),
    (FileNotText, zipped(), {}),
    (FileNotText, "N,E,H\n1,2,3\n".encode("utf-16-le"), {}),
    (FileNotText, b"\xff\xfeN\x00,", {}),
    (FileNotText, b"N,E,H,Note\n1,2,3,\x81\n", {}),
    (ColumnsUnknown, b"1,2.5,3.5,4.5\n", {}),
    (ColumnsUnknown, b"Hochwert;Rechtswert;Hoehe\n1,5;2,5;3,5\n", {}),
    (ColumnsUnknown, b"N,E\n1.5,2.5\n", {}),
    (ColumnsUnknown, b"N,E,H,Elev\n1.5,2.5,3,4\n", {}),
    (ColumnsUnknown, b"X,Y,H\n1.5,2.5,3\n", {}),
    (ColumnsUnknown, b"Y,X,Z\n1.5,2.5,3\n", {}),
    (ColumnsUnknown, b"1.5,2.5,3.5,4.5\n", {"columns": NEZ}),
    (ColumnsUnknown, b"1.5,2.5\n", {"columns": NEZ}),
    (DelimiterUnclear, b"1,5,2,5\n2,5,3,5\n", {}),
    (DelimiterUnclear, b"1,5,2,5,3,5\n", {"columns": NEZ}),
    (DelimiterUnclear, b"N,E,H\n1,5,2,5,3,5\n", {}),
    (DelimiterUnclear, b"1,125 2,250 3,375\n", {"columns": NEZ}),
    (DelimiterUnclear, b"1.5;2,5;3\n", {"columns": NEZ}),
    (DelimiterUnclear, b"all work and no play\n", {}),
    (BadValues, b"N,E,H\n1.5,2.5,x\n", {}),
    (BadValues, b"N (ft),E (ft),H (ft)\n1.5,2.5,3.5\n", {}),
    (BadOption, b"1.5,2.5,3.5\n", {"columns": ("northing", "easting")}),
    (BadOption, b"1.5,2.5,3.5\n", {"columns": ("northing", "northing", "elevation")}),
    (BadOption, b"1.5,2.5,3.5\n", {"columns": ("northing", "easting", "depth")}),
    (BadOption, b"N,E,H\n1.5,2.5,3.5\n", {"unit": "fathom"}),
    (BadOption, b"N,E,H\n1.5,2.5,3.5\n", {"delimiter": "|"}),
    (BadOption, b"N,E,H\n1.5,2.5,3.5\n", {"decimal": ";"}),
]


@pytest.mark.parametrize(("kind", "data", "declared"), SAMPLES)
def test_one_sample_for_each_refusal(kind, data, declared):
    with pytest.raises(kind) as refusal:
        read_points(data, "pts_jun.csv", **declared)
    told = refusal.value
    assert type(told) is kind
    assert told.message
    assert told.remedy
    assert told.where
    again = pickle.loads(pickle.dumps(told))
    assert again.as_dict() == told.as_dict()
    if isinstance(told, FileRefused):
        assert "pts_jun.csv" in told.message
        assert "Nothing was imported." in told.message


def refused(lines: str, **declared) -> BadValues:
    with pytest.raises(BadValues) as refusal:
        read_points(lines.encode(), "pts_jun.csv", **declared)
    return refusal.value


def test_a_decimal_comma_in_one_line():
    told = refused("Pt;N;E;H\n1;10.5;20.5;112.485\n2;10.5;20.5;112,485\n3;10.5;20.5;112.5\n")
    assert told.message == (
        'pts_jun.csv line 3, column 4 (H): "112,485" is not a number. Other lines use a dot. '
        "It could hold a thousands mark. Nothing was imported."
    )
    assert told.remedy == "If this file uses decimal commas, choose that at import; otherwise correct line 3."
    (problem,) = told.problems
    assert (problem.line, problem.column, problem.field, problem.value) == (3, 4, "H", "112,485")


@pytest.mark.parametrize(
    ("value", "words"),
    [
        ("", "the point has no elevation."),
        ("abc", '"abc" is not a number.'),
        ("12.5.1", "is not a number."),
        ("NA", '"NA" is not a number.'),
        ("1_000.5", "is not a number."),
        ("0x1F", "is not a number."),
        ("nan", '"nan" is not a finite number.'),
        ("-Inf", "is not a finite number."),
        ("1e9", "is too large for a coordinate"),
        ("-1e300", "is too large for a coordinate"),
        ("1e400", "is too large for a coordinate"),
        ("12,5", "Other lines use a dot."),
        ("1,234.5", "seems to hold a thousands mark."),
        ("1 234.5", "seems to hold a thousands mark."),
        ("1'234.5", "seems to hold a thousands mark."),
        ("1.234.567", "seems to hold a thousands mark."),
        ("1\u00a0234.5", "seems to hold a thousands mark."),
    ],
)
def test_each_kind_of_bad_value_is_named(value, words):
    told = refused(f"N;E;H\n1.5;2.5;3.5\n1.5;2.5;{value}\n")
    (problem,) = told.problems
    assert words in problem.message
    assert (problem.line, problem.column, problem.field, problem.value) == (3, 3, "H", value)
    assert problem.remedy


@pytest.mark.parametrize("value", ["999999999.999", "-0.0", "+1.5", "1e-7", "1E+3", ".5", "5."])
def test_unusual_but_plain_numbers_are_read(value):
    points = read_points(f"N;E;H\n1.5;2.5;{value}\n".encode(), "a")
    assert repr(float(points.elevation_m[0])) == repr(float(value))


def test_all_problems_are_told_together_with_their_places():
    lines = [
        "# crew 2",
        "Pt,N,E,H",
        "1,1.5,2.5,3.5",
        "",
        "2,x,2.5,",
        "3,1.5",
        "4,1.5,2.5,3.5,9",
        '5,1.5,"2.5,3.5',
    ]
    told = refused("\n".join(lines))
    places = [(problem.line, problem.column, problem.field) for problem in told.problems]
    assert places == [(5, 2, "N"), (5, 4, "H"), (6, 0, ""), (7, 0, ""), (8, 0, "")]
    assert told.total_problems == 5
    assert told.message.startswith(
        'pts_jun.csv: 5 problems. The first: line 5, column 2 (N): "x" is not a number.'
    )
    assert "has 2 fields divided by comma, but there are 4 columns" in told.problems[2].message
    assert "quotes" in told.problems[4].message


def test_the_first_fifty_problems_are_kept_and_all_are_counted():
    told = refused("N,E,H\n1.5,2.5,3.5\n" + "1.5,bad,3.5\n" * 1234)
    assert len(told.problems) == 50
    assert told.total_problems == 1234
    assert told.problems[-1].line == 52


def test_too_many_words_in_text_divided_by_blanks():
    told = refused("1.5 2.5 3.5\n1.5 2.5 3.5 4.5\n", columns=NEZ)
    assert told.problems[0].line == 2
    assert "has 4 fields divided by blanks" in told.problems[0].message


def test_a_file_cut_off_in_the_last_line():
    told = refused("Pt,N,E,H,Code\n1,1.5,2.5,3.5,TOE\n2,1.5,2.")
    assert told.problems[0].line == 3


def test_a_refusal_without_columns_shows_the_first_lines():
    with pytest.raises(ColumnsUnknown) as refusal:
        read_points(b"# crew\n1,2.5,3.5,4.5\n2,2.5,3.5,4.5\n", "pts_jun.csv")
    assert "line 2: 1,2.5,3.5,4.5; line 3: 2,2.5,3.5,4.5" in refusal.value.message
    assert "Northing and easting could be either way round" in refusal.value.message


def test_everything_wrong_in_a_header_is_told_together():
    with pytest.raises(ColumnsUnknown) as refusal:
        read_points(b"N,Code,Desc,Code,Code\n1.5,2.5,3,4,5\n", "pts_jun.csv")
    told = " ".join(problem.message for problem in refusal.value.problems)
    assert refusal.value.total_problems == 4
    assert "no column for the easting" in told
    assert "no column for the elevation" in told
    assert 'names the code twice: "Code" and "Code"' in told


def test_two_dimensional_points_say_why_they_are_useless():
    with pytest.raises(ColumnsUnknown, match="Points without heights make no surface"):
        read_points(b"Pt,N,E\n1,1.5,2.5\n", "pts_jun.csv")


def test_the_place_of_a_control_byte_is_told():
    with pytest.raises(FileNotText, match=r"line 3 holds the control byte 0x00"):
        read_points(b"N,E,H\r\n1,2,3\r\n4,5,\x00\r\n", "pts_jun.csv")


def test_a_unit_in_the_header_that_contradicts_is_refused_for_each_column():
    told = refused("N (ft),E_ft,H\n1.5,2.5,3.5\n")
    assert [problem.column for problem in told.problems] == [1, 2]
    assert 'the header says "N (ft)" but the file was declared in the unit metre' in told.problems[0].message
    assert refused("N (mm),E,H\n1,2,3\n", unit="foot").total_problems == 1
