"""Numbered strings become lines; crossings are joined or the lesser line gives way."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from compute.lines import Line, feature_lines, name_ranks, natural_key, resolve_crossings
from tests.compute.shots_of import shots_of


def lines_of(rows, **changes):
    shots = dataclasses.replace(shots_of(rows), **changes)
    return [
        (line.role, line.label, line.shot_index.tolist(), line.closed)
        for line in feature_lines(shots, np.ones(len(shots), dtype=bool))
    ]


def test_numbered_strings_join_in_row_order_and_unnumbered_shots_stay_points():
    codes = ["CRS 1", "CRS", "CRS 2", "crs1", "CRS01", "CRS 2", "TOE 1", "TOE 1", "BRK 1", "SPT"]
    rows = [(i, i % 3, 1, code) for i, code in enumerate(codes)]
    assert lines_of(rows) == [("crest", "CRS 1", [0, 3, 4], False), ("crest", "CRS 2", [2, 5], False)]


def test_names_decide_the_order_where_all_differ_and_rows_do_otherwise():
    rows = [(0, 0, 1, "BRK 1", "P10"), (1, 0, 1, "BRK 1", "P9"), (2, 0, 1, "BRK 1", "P100")]
    assert lines_of(rows) == [("breakline", "BRK 1", [1, 0, 2], False)]
    for names in (["P9", "P9", "P1"], ["P9", "", "P1"], ["c", "b", "a"], None):
        assert lines_of(rows, names=names) == [("breakline", "BRK 1", [0, 1, 2], False)]
    assert lines_of(rows[::-1], names=None) == [("breakline", "BRK 1", [0, 1, 2], False)]


def test_row_order_does_not_matter_for_named_shots():
    rng = np.random.default_rng(2)
    rows = [(i, i % 3, 1, f"WAL {1 + i // 6}", str(i)) for i in range(12)]
    straight = [[rows[i][4] for i in line[2]] for line in lines_of(rows)]
    for _ in range(5):
        shuffled = [rows[i] for i in rng.permutation(12)]
        assert [[shuffled[i][4] for i in line[2]] for line in lines_of(shuffled)] == straight


@pytest.mark.parametrize("in_note", [True, False])
def test_marks_begin_end_and_close_lines(in_note):
    marks = ["", "", "end", "", "", "Close", "", "begin", "", ""]
    rows = [
        (i, i % 2, 1, "CRS 1" if in_note else f"CRS 1 {mark}", "", mark if in_note else "")
        for i, mark in enumerate(marks)
    ]
    assert lines_of(rows) == [
        ("crest", "CRS 1", [0, 1, 2], False),
        ("crest", "CRS 1", [3, 4, 5], True),
        ("crest", "CRS 1", [7, 8, 9], False),
    ]


def test_free_text_in_a_note_is_never_a_mark():
    rows = [
        (i, 0, 1, "CRS 1", "", note) for i, note in enumerate(["", "close to the loader", "end of shift", ""])
    ]
    assert lines_of(rows) == [("crest", "CRS 1", [0, 1, 2, 3], False)]


def test_short_marks_after_the_number():
    rows = [
        (i, i % 2, 1, code)
        for i, code in enumerate(["CRS 1 B", "CRS 1", "CRS 1 C", "CRS1 B", "CRS1 E", "CRS 1"])
    ]
    assert lines_of(rows) == [("crest", "CRS 1", [0, 1, 2], True), ("crest", "CRS 1", [3, 4], False)]


def test_shots_out_of_use_and_other_files_are_kept_apart():
    shots = shots_of([(i, 0, 1, "BRK 1") for i in range(6)])
    use = np.array([True, False, True, True, True, True])
    assert [line.shot_index.tolist() for line in feature_lines(shots, use)] == [[0, 2, 3, 4, 5]]
    two = dataclasses.replace(
        shots, file_index=np.array([0, 0, 0, 1, 1, 1], np.int16), files=(*shots.files, *shots.files)
    )
    assert [line.shot_index.tolist() for line in feature_lines(two, use)] == [[0, 2], [3, 4, 5]]


def test_natural_order_and_ranks():
    assert sorted(["b2", "B10", "a3", "12", "9"], key=natural_key) == ["9", "12", "a3", "b2", "B10"]
    shots = shots_of([(0, 0, 0, "TOE", name) for name in ("T12", "T2", "T7", "x")])
    assert name_ranks(shots, np.array([0, 1, 2])).tolist() == [2, 0, 1]
    assert name_ranks(shots, np.array([0, 3])) is None


# --- crossings -----------------------------------------------------------------------------------


def line(role, label, index, closed=False):
    return Line(role, label, np.array(index, dtype=np.int32), closed)


def resolved(points, lines, ring=None, tolerance=0.05, **options):
    x, y, z = np.array(points, dtype=float).T
    ring = None if ring is None else np.array(ring, dtype=np.int32)
    return resolve_crossings(
        tuple(lines), ring, x, y, z, tolerance, lambda i: f"shot {i + 1}, yard.csv line {i + 2}", **options
    )


CROSS = [(0, 0, 10.0), (10, 10, 12.0), (0, 10, 11.02), (10, 0, 11.02)]


def test_lines_that_agree_in_height_are_joined_by_their_mean():
    segments, extra, findings = resolved(
        CROSS, [line("crest", "CRS 1", [0, 1]), line("breakline", "BRK 1", [2, 3])]
    )
    assert extra.tolist() == [[5.0, 5.0, pytest.approx(11.01)]]
    assert segments.tolist() == [[0, 4], [4, 1], [2, 4], [4, 3]]
    (finding,) = findings
    assert (finding.code, finding.severity) == ("crossing-breaklines", "note")
    assert (
        "CRS 1 between shot 1, yard.csv line 2 and shot 2, yard.csv line 3 at height 11.000 m"
        in finding.message
    )
    assert (
        "BRK 1 between shot 3, yard.csv line 4 and shot 4, yard.csv line 5 at height 11.020 m"
        in finding.message
    )


@pytest.mark.parametrize(
    ("first", "second", "kept"),
    [
        (("breakline", "BRK 1"), ("crest", "CRS 1"), [[2, 3]]),
        (("wall", "WAL 7"), ("crest", "CRS 1"), [[0, 1]]),
        (("breakline", "BRK 10"), ("breakline", "BRK 9"), [[2, 3]]),
    ],
)
def test_of_lines_at_different_heights_the_more_important_stays(first, second, kept):
    points = [(*p[:2], p[2] + (1 if i > 1 else 0)) for i, p in enumerate(CROSS)]
    segments, extra, findings = resolved(points, [line(*first, [0, 1]), line(*second, [2, 3])])
    assert segments.tolist() == kept
    assert extra.shape == (0, 3)
    assert [f.severity for f in findings] == ["warn"]
    assert "was not held as an edge" in findings[0].message


def test_only_the_crossing_piece_goes_and_the_rest_of_the_line_stays():
    points = [(0, 5, 0), (10, 5, 0), (4, 0, 3), (4, 4, 3), (4, 6, 3), (4, 9, 3)]
    segments, _, findings = resolved(
        points, [line("crest", "CRS 1", [0, 1]), line("breakline", "BRK 1", [2, 3, 4, 5])]
    )
    assert segments.tolist() == [[0, 1], [2, 3], [4, 5]]
    assert len(findings) == 1


def test_the_ring_is_never_split_and_never_returned():
    points = [(0, 0, 0), (10, 0, 0), (10, 10, 0), (0, 10, 0), (5, 5, 0), (5, 15, 0)]
    segments, extra, findings = resolved(points, [line("crest", "CRS 1", [0, 4, 5])], ring=[0, 1, 2, 3])
    assert segments.tolist() == [[0, 4]]
    assert len(extra) == 0
    assert "the outer edge between shot 3" in findings[0].message


def test_segments_of_no_length_repeated_ones_and_those_on_the_ring_go():
    points = [(0, 0, 0), (10, 0, 0), (10, 10, 0), (0, 0, 5), (5, 5, 1)]
    lines = [line("wall", "WAL 1", [0, 1, 2]), line("crest", "CRS 1", [3, 0, 4, 2, 4, 3], closed=True)]
    segments, _, findings = resolved(points, lines, ring=[0, 1, 2])
    assert segments.tolist() == [[0, 4], [4, 2]]
    assert findings == []


def test_a_crossing_exactly_at_a_shot_takes_that_shot():
    points = [*CROSS, (5, 5, 11.0)]
    lines = [line("crest", "CRS 1", [0, 1]), line("breakline", "BRK 1", [2, 3])]
    segments, extra, _ = resolved(points, lines, use=np.array([True] * 5))
    assert len(extra) == 0
    assert segments.tolist() == [[0, 4], [4, 1], [2, 4], [4, 3]]
    _, extra, _ = resolved(points, lines, use=np.array([True] * 4 + [False]))
    assert len(extra) == 1


def test_touching_at_a_shot_is_no_crossing():
    points = [(0, 0, 0), (10, 0, 5), (5, 0, 2), (5, 8, 3)]
    segments, extra, findings = resolved(
        points, [line("crest", "CRS 1", [0, 1]), line("breakline", "BRK 1", [2, 3])]
    )
    assert segments.tolist() == [[0, 1], [2, 3]]
    assert (len(extra), findings) == (0, [])


@settings(max_examples=40, deadline=None)
@given(
    st.lists(st.tuples(st.integers(0, 30), st.integers(0, 30), st.integers(0, 2)), min_size=4, max_size=16),
    st.floats(0, 1.5),
)
def test_nothing_that_comes_back_crosses(points, tolerance):
    half = len(points) // 2
    lines = [line("crest", "CRS 1", range(half)), line("breakline", "BRK 1", range(half, len(points)))]
    segments, extra, _ = resolved(points, lines, tolerance=tolerance, use=np.ones(len(points), dtype=bool))
    every = np.vstack([np.array(points, dtype=float), extra])
    drawn = shapely.linestrings(every[segments][:, :, :2]) if len(segments) else np.array([], dtype=object)
    one, two = shapely.STRtree(drawn).query(drawn, predicate="crosses")
    assert len(one) == 0
    assert len(two) == 0
    pairs = np.sort(segments, axis=1)
    assert len(np.unique(pairs, axis=0)) == len(pairs)
    assert np.all(np.hypot(*(every[segments[:, 0], :2] - every[segments[:, 1], :2]).T) > 0)


def test_no_lines_give_empty_arrays():
    segments, extra, findings = resolved([(0, 0, 0)], [])
    assert (segments.shape, segments.dtype, extra.shape, findings) == ((0, 2), np.int32, (0, 3), [])
