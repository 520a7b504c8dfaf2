"""Reading point files: what is understood, and what it means."""

from __future__ import annotations

import io
import json
import pickle
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest

from compute.pointfiles import FORMATS, ReadOptions, preview, read_points, text

XYZ = ("easting", "northing", "elevation")
PNEZC = ("point", "northing", "easting", "elevation", "code")
PNEZCN = (*PNEZC, "note")

THREE_LINES = "1{d}4501.25{d}2300.5{d}112.125{d}TOE\n2{d}4502.75{d}2301.0{d}113.0{d}CRS\n"


def columns_of(points):
    """Everything a file says, as plain lists."""
    return {
        "northing": points.northing_m.tolist(),
        "easting": points.easting_m.tolist(),
        "elevation": points.elevation_m.tolist(),
        "names": None if points.names is None else points.names.to_pylist(),
        "codes": [points.codes[index] for index in points.code_index],
        "notes": None if points.notes is None else points.notes.to_pylist(),
        "line": points.line.tolist(),
    }


def test_a_csv_with_a_header_is_read_by_its_words():
    data = b"Point,Easting,Northing,Elevation,Code,Note\n7,2300.5,4501.25,112.125,TOE,by the road\n"
    points = read_points(data, "yard.csv")
    assert columns_of(points) == {
        "northing": [4501.25],
        "easting": [2300.5],
        "elevation": [112.125],
        "names": ["7"],
        "codes": ["TOE"],
        "notes": ["by the road"],
        "line": [2],
    }
    assert points.source.name == "yard.csv"
    assert points.source.bytes == len(data)


@pytest.mark.parametrize(
    "word", ["N", "north", "Northing", "NORTHING", "northing_m", "Northing (m)", "N [m]"]
)
def test_usual_words_for_the_northing(word):
    points = read_points(f"E,{word},H\n1.5,2.5,3.5\n".encode(), "a")
    assert (points.easting_m[0], points.northing_m[0]) == (1.5, 2.5)


@pytest.mark.parametrize("word", ["Z", "h", "Elev", "Elevation", "RL", "Height", "elevation_m", "Elev. (m)"])
def test_usual_words_for_the_elevation(word):
    assert read_points(f"N,E,{word}\n1.5,2.5,3.5\n".encode(), "a").elevation_m[0] == 3.5


@pytest.mark.parametrize("word", ["P", "Pt", "Point", "Name", "ID", "Point No.", "Pt#"])
def test_usual_words_for_the_point(word):
    assert read_points(f"{word},N,E,H\n7,1.5,2.5,3.5\n".encode(), "a").names.to_pylist() == ["7"]


@pytest.mark.parametrize(("code", "note"), [("Code", "Note"), ("Desc", "Remark"), ("Code", "Description")])
def test_usual_words_for_code_and_note(code, note):
    points = read_points(f"N,E,H,{code},{note}\n1.5,2.5,3.5,TOE,wet\n".encode(), "a")
    assert points.codes == ("TOE",)
    assert points.notes.to_pylist() == ["wet"]


def test_x_y_z_in_this_order_are_easting_northing_elevation():
    points = read_points(b"X,Y,Z\n1.5,2.5,3.5\n", "a")
    assert (points.easting_m[0], points.northing_m[0], points.elevation_m[0]) == (1.5, 2.5, 3.5)


def test_unknown_columns_are_left_out_and_said():
    points = read_points(b"N,E,H,Date,Code\n1.5,2.5,3.5,2025-08-29,TOE\n", "a")
    assert points.codes == ("TOE",)
    assert points.read_as.remarks == ("Columns not used: Date.",)


@pytest.mark.parametrize("delimiter", [",", ";", "\t", " "])
def test_a_declared_order_needs_no_header(delimiter):
    points = read_points(THREE_LINES.format(d=delimiter).encode(), "a", columns=PNEZC)
    assert columns_of(points) == {
        "northing": [4501.25, 4502.75],
        "easting": [2300.5, 2301.0],
        "elevation": [112.125, 113.0],
        "names": ["1", "2"],
        "codes": ["TOE", "CRS"],
        "notes": None,
        "line": [1, 2],
    }
    assert points.read_as.delimiter == delimiter


@pytest.mark.parametrize("word", ["-", "skip", "Skip "])
def test_columns_can_be_skipped(word):
    columns = (word, "northing", "easting", word, "elevation")
    assert read_points(b"9,1.5,2.5,99,3.5\n", "a", columns=columns).elevation_m[0] == 3.5


def test_a_declared_order_wins_over_the_header_and_this_is_said():
    points = read_points(b"N,E,H\n1.5,2.5,3.5\n", "a", columns=("easting", "northing", "elevation"))
    assert points.easting_m[0] == 1.5
    assert "Line 1 was taken as a header" in points.read_as.remarks[0]


def test_whole_numbers_between_commas_are_clear_where_the_columns_are_known():
    assert read_points(b"1,5,2,5\n", "a", columns=PNEZC[:4]).northing_m[0] == 5.0
    assert read_points(b"point,northing,easting,elevation\n1,0,10,3\n", "a").easting_m[0] == 10.0


@pytest.mark.parametrize(
    ("line", "delimiter", "decimal"),
    [
        ("1,5;2,5;3", ";", ","),
        ("1.5;2.5;3", ";", "."),
        ("1,5 2,5 3", " ", ","),
        ("1,5\t2,5\t3", "\t", ","),
        ("1.5, 2.5, 3", ",", "."),
        ("1,5; 2,5; 3", ";", ","),
        ('"1,5","2,5","3,0"', ",", ","),
        ("  1.5\t 2.5   3", " ", "."),
    ],
)
def test_delimiter_and_decimal_mark_are_found_where_only_one_reading_fits(line, delimiter, decimal):
    points = read_points(line.encode(), "a", columns=XYZ)
    assert (points.read_as.delimiter, points.read_as.decimal) == (delimiter, decimal)
    assert (points.easting_m[0], points.northing_m[0], points.elevation_m[0]) == (1.5, 2.5, 3.0)


def test_header_words_in_a_note_do_not_make_a_header():
    points = read_points(b"7,1.5,2.5,3.5,TOE,corner N E H\n", "a", columns=PNEZCN)
    assert points.notes.to_pylist() == ["corner N E H"]


def test_declared_marks_settle_what_the_file_leaves_open():
    points = read_points(b"112,485\t1,250\t3,125\n", "a", columns=XYZ, decimal="comma")
    assert points.easting_m[0] == 112.485
    assert read_points(b"1,5;2,5;3", "a", columns=XYZ, delimiter="semicolon", decimal=",").easting_m[0] == 1.5


@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
@pytest.mark.parametrize("last", [True, False])
def test_line_ends_of_all_systems(end, last):
    lines = ["# crew 2", "N,E,H", "", "1.5,2.5,3.5", "  ", ",,", "4.5,5.5,6.5"]
    points = read_points((end.join(lines) + (end if last else "")).encode(), "a")
    assert points.line.tolist() == [4, 7]
    assert points.elevation_m.tolist() == [3.5, 6.5]


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16"])
def test_unicode_with_and_without_its_mark(encoding):
    points = read_points("Pt;N;E;H;Note\nä1;1,5;2,5;3;Böschung №2\n".encode(encoding), "a")
    assert points.names.to_pylist() == ["ä1"]
    assert points.notes.to_pylist() == ["Böschung №2"]
    assert points.read_as.remarks == ()


def test_big_endian_utf16():
    assert read_points(b"\xfe\xff" + "N,E,H\n1.5,2.5,3.5\n".encode("utf-16-be"), "a").northing_m[0] == 1.5


def test_windows_1252_is_read_and_said():
    points = read_points("N,E,H,Note\n1.5,2.5,3.5,Böschung\n".encode("cp1252"), "a")
    assert points.notes.to_pylist() == ["Böschung"]
    assert points.read_as.encoding == "windows-1252"
    assert "line 2" in points.read_as.remarks[0]


def test_quoted_fields_follow_rfc_4180():
    """RFC 4180, section 2, rules 5 to 7: quotes hold delimiters, and two quotes are one quote."""
    points = read_points(b'"Pt",N,E,H,Note\n"b""bb",1.5,"2.5",3.5,"wet, steep"\n', "a")
    assert points.names.to_pylist() == ['b"bb']
    assert points.easting_m[0] == 2.5
    assert points.notes.to_pylist() == ["wet, steep"]


@pytest.mark.parametrize("tail", [",", ",,,", " , "])
def test_delimiters_at_the_end_of_a_line_are_tolerated(tail):
    data = f"N,E,H\n1.5,2.5,3.5{tail}\n4.5,5.5,6.5{tail}\n".encode()
    assert read_points(data, "a").elevation_m.tolist() == [3.5, 6.5]
    mixed = f"N,E,H\n1.5,2.5,3.5\n4.5,5.5,6.5{tail}\n".encode()
    assert read_points(mixed, "a").elevation_m.tolist() == [3.5, 6.5]


def test_in_text_divided_by_blanks_the_rest_of_the_line_is_the_code():
    points = read_points(b"1 4.5 5.5 6.5 CRS 1\n 2\t4 5  6   CRS  2\n3 4 5 6\n", "a", columns=PNEZC)
    assert [points.codes[index] for index in points.code_index] == ["CRS 1", "CRS 2", ""]


def test_a_number_after_a_word_belongs_to_the_code_and_the_rest_is_the_note():
    lines = b"1 4.5 5 6 CRS 1 steep here\n2 4 5 6 TOE by the wall\n3 4 5 6 T2 1 x\n4 4 5 6\n5 4 5 6 TOE\n"
    points = read_points(lines, "a", columns=PNEZCN)
    assert [points.codes[index] for index in points.code_index] == ["CRS 1", "TOE", "T2", "", "TOE"]
    assert points.notes.to_pylist() == ["steep here", "by the wall", "1 x", "", ""]


def test_a_header_over_text_divided_by_blanks():
    points = read_points(b"Pt  N (m)   E (m)  H (m) Code\n1 4.5 5.5 6.5 CRS 1\n", "a")
    assert points.codes == ("CRS 1",)
    assert points.easting_m[0] == 5.5


# --- units ---------------------------------------------------------------------------------------


REFERENCE = {
    item["id"]: item
    for item in json.loads((Path(__file__).parent.parent / "reference" / "length_units.json").read_text())[
        "items"
    ]
}


@pytest.mark.parametrize("unit", ["foot", "us-survey-foot"])
def test_feet_agree_with_the_national_geodetic_survey(unit):
    """NGS gives 304,800 m in both feet; source in tests/reference/length_units.json, NGS-FEET."""
    published = REFERENCE["NGS-FEET"]
    points = read_points(f"N,E,H\n{published[unit]},0,1.5\n".encode(), "a", unit=unit)
    assert points.northing_m[0] == pytest.approx(published["metres"], abs=1e-9)


@pytest.mark.parametrize("item", ["U-01", "U-02"])
def test_units_are_converted_to_the_last_digit(item):
    """NIST's exact definitions; sources in tests/reference/length_units.json. Two roundings at most."""
    unit, factor = REFERENCE[item]["unit"], Fraction(REFERENCE[item]["metres"])
    values = ["6561679.79", "-0.001", "1234567.891", "3.280839895"]
    data = "N,E,H\n" + "".join(f"{value},{value},{value}\n" for value in values)
    points = read_points(data.encode(), "a", unit=unit)
    for value, found in zip(values, points.elevation_m.tolist(), strict=True):
        exact = Fraction(value) * factor
        assert abs(Fraction(found) - exact) <= abs(exact) * Fraction(3, 2**53)


@pytest.mark.parametrize(
    ("word", "unit"), [("N (ft)", "foot"), ("N (ft)", "us-survey-foot"), ("N_usft", "us-survey-foot")]
)
def test_a_unit_in_the_header_that_agrees_is_fine(word, unit):
    assert read_points(f"{word},E,H\n10,0,0\n".encode(), "a", unit=unit).northing_m[0] > 3


# --- against a general reader --------------------------------------------------------------------


@pytest.mark.parametrize("delimiter", [",", ";", "\t", " "])
def test_numbers_agree_bit_for_bit_with_numpy(delimiter):
    """NumPy's text reader, an independent general library, on 2,000 lines with 17 digits."""
    values = np.random.default_rng(20250829).uniform(-1e6, 1e6, (2000, 3))
    data = "\n".join(delimiter.join(repr(float(value)) for value in row) for row in values).encode()
    theirs = np.loadtxt(io.BytesIO(data), delimiter=None if delimiter == " " else delimiter)
    points = read_points(data, "a", columns=XYZ)
    ours = np.column_stack([points.easting_m, points.northing_m, points.elevation_m])
    assert np.array_equal(ours, theirs)
    assert np.array_equal(ours, values)


# --- records -------------------------------------------------------------------------------------


def test_points_are_read_only_and_travel_between_processes():
    points = read_points(THREE_LINES.format(d=",").encode(), "a", columns=PNEZC)
    for array in (points.northing_m, points.easting_m, points.elevation_m, points.code_index, points.line):
        assert not array.flags.writeable
    assert columns_of(pickle.loads(pickle.dumps(points))) == columns_of(points)


def test_read_as_reads_the_file_again_the_same_way():
    data = b"Pt;N;E;H;Date;Code\n1;1,5;2,5;3,5;x;TOE\n"
    first = read_points(data, "a")
    how = first.read_as.as_dict()
    again = read_points(
        data,
        "a",
        columns=tuple(how["columns"]),
        unit=how["unit"],
        delimiter=how["delimiter"],
        decimal=how["decimal"],
    )
    assert columns_of(again) == columns_of(first)


def test_every_format_has_what_a_format_needs_and_text_is_asked_last():
    assert FORMATS[-1] is text
    for kind in FORMATS:
        assert callable(kind.sniffs)
        assert kind.preview(b"N,E,H\n1.5,2,3\n", "a").unclear is False
        assert len(kind.read(b"N,E,H\n1.5,2,3\n", "a", ReadOptions())) == 1


# --- preview -------------------------------------------------------------------------------------


def test_preview_of_a_file_that_says_everything():
    seen = preview(b"# crew\nPt,N,E,H\n1,1.5,2.5,3.5\n", "a")
    assert seen.unclear is False
    assert seen.columns == ("point", "northing", "easting", "elevation")
    assert (seen.delimiter, seen.decimal, seen.header) == (",", ".", ("Pt", "N", "E", "H"))
    assert (seen.rows, seen.lines) == ((("1", "1.5", "2.5", "3.5"),), (3,))


@pytest.mark.parametrize(
    ("line", "guess"),
    [
        ("1,4501.25,2300.5,112.1,TOE", PNEZC),
        ("4501.25 2300.5 112.1", PNEZC[1:4]),
        ("4501,25;2300,5;112,1;TOE", PNEZC[1:]),
        ("P7;4501,25;2300,5;112,1;TOE;by the wall", PNEZCN),
    ],
)
def test_preview_guesses_for_a_person_to_confirm_and_reading_does_not(line, guess):
    seen = preview(line.encode(), "a")
    assert seen.unclear is True
    assert "no declared column order" in seen.reason
    assert seen.columns == guess
    confirmed = read_points(line.encode(), "a", columns=seen.columns)
    assert confirmed.northing_m[0] == 4501.25


def test_preview_of_an_unknown_header_shows_its_words():
    seen = preview(b"Hochwert;Rechtswert;Hoehe\n1,5;2,5;3,5\n", "a")
    assert seen.unclear
    assert seen.has_header
    assert seen.header == ("Hochwert", "Rechtswert", "Hoehe")


def test_preview_without_a_clear_delimiter_shows_whole_lines():
    seen = preview(b"1,5,2,5\n", "a")
    assert (seen.delimiter, seen.unclear, seen.rows) == ("", True, (("1,5,2,5",),))
    assert seen.as_dict()["rows"] == [["1,5,2,5"]]
