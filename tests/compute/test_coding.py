"""Codes to roles, and numbered strings."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from compute import coding
from compute.coding import assign_roles, merge_rules, parse_rules, role_of, rules_text, string_of
from compute.errors import BadOption
from compute.pointfiles import read_points
from compute.roles import BASE_ROLES, DEFAULT_RULES, ROLES, TOP_ROLES

COLUMNS = ("point", "northing", "easting", "elevation", "code")


def points_of(codes, name="yard.csv", first=1):
    lines = [f"{first + n},{100 + n}.5,{200 + n}.25,{50 + n}.125,{code}" for n, code in enumerate(codes)]
    return read_points("\n".join(lines).encode(), name, columns=COLUMNS)


def roles_of(shots):
    return [ROLES[role] for role in shots.role]


@pytest.mark.parametrize(
    ("code", "role"),
    [
        ("TOE", "toe"),
        ("toe", "toe"),
        ("TOE 1", "toe"),
        ("TOE3", "toe"),
        ("CRS 12 end", "crest"),
        ("BRK", "breakline"),
        ("SPT", "spot"),
        ("", "spot"),
        ("   ", "spot"),
        ("WAL 2", "wall"),
        ("FLR", "floor"),
        ("GND", "ground"),
        ("CHK", "check"),
        ("CTL", "control"),
        ("STR", "structure"),
        ("XXX hit the loader", "rejected"),
        ("FENCE", "unknown"),
        ("A TOE", "unknown"),
        ("7", "unknown"),
    ],
)
def test_default_codes(code, role):
    """The neutral default codes; their meaning is common practice, no source."""
    assert role_of(code, merge_rules()) == role


def test_every_default_role_has_its_code_and_unknown_shapes_nothing():
    assert set(DEFAULT_RULES) == set(ROLES) - {"unknown"}
    assert "unknown" not in TOP_ROLES | BASE_ROLES


def test_given_rules_come_before_the_defaults():
    rules = merge_rules(parse_rules("toe=EDGE*|T*,spot=SP*,crest=TOE9"))
    assert role_of("EDGE 4", rules) == "toe"
    assert role_of("tx", rules) == "toe"
    assert role_of("TOE9", rules) == "crest"
    assert role_of("SPT", rules) == "spot"
    assert role_of("CRS 1", rules) == "crest"
    assert role_of("", rules) == "spot"
    assert role_of("FENCE", rules) == "unknown"


def test_a_default_pattern_of_one_role_never_hides_a_given_one_of_another():
    rules = merge_rules({"toe": ("EDGE*",), "spot": ("T*",)})
    assert role_of("TOE 1", rules) == "spot"


def test_the_more_specific_of_given_patterns_decides_in_any_order():
    for given_rules in ({"spot": ("*",), "toe": ("E*",)}, {"toe": ("E*",), "spot": ("*",)}):
        rules = merge_rules(given_rules)
        assert role_of("E1", rules) == "toe"
        assert role_of("", rules) == "spot"
        assert role_of("CTL", rules) == "spot"


def test_an_exact_pattern_is_more_specific_than_any_wildcard():
    rules = merge_rules({"toe": ("LONGCODE*",), "crest": ("LONGCODE 1",)})
    assert role_of("longcode 1", rules) == "crest"
    assert role_of("longcode 2", rules) == "toe"


def test_patterns_that_fit_equally_well_are_refused_with_both_names():
    rules = merge_rules({"toe": ("A*",), "crest": ("*B",)})
    with pytest.raises(BadOption, match=r'"AB" fits crest=\*B and toe=A\* equally well'):
        role_of("AB", rules)


@pytest.mark.parametrize(
    ("written", "fault"),
    [
        ("toe", 'has no "="'),
        ("toe=A,", 'has no "="'),
        ("tow=A", '"tow" is not a role'),
        ("unknown=A", '"unknown" is not a role'),
        ("toe=", "empty pattern"),
        ("toe=A||B", "empty pattern"),
        ("toe=A=B", "holds a sign that divides rules"),
        ("toe=A,crest=a", 'pattern "a" is given to toe and to crest'),
    ],
)
def test_faults_in_rules_are_named_with_the_allowed_roles(written, fault):
    with pytest.raises(BadOption) as refusal:
        parse_rules(written)
    assert fault in refusal.value.message
    assert "spot, toe, crest, breakline, wall, floor, ground, control" in refusal.value.remedy


def test_rules_are_read_as_written():
    assert parse_rules(" toe = EDGE* | T* , spot=SP*,toe=W") == {
        "toe": ("EDGE*", "T*", "W"),
        "spot": ("SP*",),
    }
    assert parse_rules("") == {}
    assert parse_rules('ground=""') == {"ground": ("",)}
    assert role_of("", merge_rules(parse_rules('ground=""'))) == "ground"


patterns = st.text(st.sampled_from("ABC*?12"), min_size=0, max_size=4)


@given(
    st.dictionaries(
        st.sampled_from(coding.GIVEN_ROLES),
        st.lists(patterns, min_size=1, max_size=3, unique=True),
        max_size=4,
    )
)
def test_rules_and_their_text_are_the_same(rules):
    owned = [pattern for found in rules.values() for pattern in found]
    if len(set(owned)) < len(owned):
        return  # one pattern with two roles is refused; tested above
    rules = {role: tuple(found) for role, found in rules.items()}
    assert parse_rules(rules_text(rules)) == rules


def test_shots_keep_place_and_order_over_several_files():
    first = points_of(["TOE", "", "CTL"])
    second = read_points(b"# crew 2\nN,E,H,Code,Note\n1.5,2.5,3.5,CRS 1,wet\n", "evening.csv")
    shots = assign_roles([first, second], merge_rules())
    assert shots.x_m.tolist() == [200.25, 201.25, 202.25, 2.5]
    assert shots.y_m.tolist() == [100.5, 101.5, 102.5, 1.5]
    assert shots.z_m.tolist() == [50.125, 51.125, 52.125, 3.5]
    assert roles_of(shots) == ["toe", "spot", "control", "crest"]
    assert [shots.code(index) for index in range(4)] == ["TOE", "", "CTL", "CRS 1"]
    assert shots.line.tolist() == [1, 2, 3, 3]
    assert shots.file_index.tolist() == [0, 0, 0, 1]
    assert [shots.name(index) for index in range(4)] == ["1", "2", "3", ""]
    assert shots.notes.to_pylist() == ["", "", "", "wet"]
    assert shots.place(1) == "shot 2, yard.csv line 2"
    assert shots.place(3) == "shot, evening.csv line 3"
    for array in (
        shots.x_m,
        shots.y_m,
        shots.z_m,
        shots.role,
        shots.code_index,
        shots.line,
        shots.file_index,
    ):
        assert not array.flags.writeable


def test_without_names_and_notes_there_are_none():
    shots = assign_roles([read_points(b"N,E,H\n1.5,2.5,3.5\n", "a")], merge_rules())
    assert shots.names is None
    assert shots.notes is None
    assert roles_of(shots) == ["spot"]


def test_a_code_that_no_rule_knows_is_unknown():
    assert roles_of(assign_roles([points_of(["FENCE", "TOE"])], merge_rules())) == ["unknown", "toe"]


def test_no_file_is_an_error_of_the_caller():
    with pytest.raises(ValueError, match="at least one file"):
        assign_roles([], merge_rules())


@given(
    st.lists(st.sampled_from(["TOE", "CRS 1", "crs 2", "", "FENCE", "SPT", "XXX"]), min_size=1, max_size=30)
)
def test_each_shot_has_the_role_of_its_own_code(codes):
    shots = assign_roles([points_of(codes), points_of(codes[::-1])], merge_rules())
    assert roles_of(shots) == [role_of(code, merge_rules()) for code in codes + codes[::-1]]
    assert [shots.code(index) for index in range(len(shots))] == codes + codes[::-1]


def test_rules_are_asked_once_for_each_code_and_not_for_each_shot(monkeypatch):
    asked = []

    def counting(code, rules):
        asked.append(code)
        return role_of(code, rules)

    monkeypatch.setattr(coding, "role_of", counting)
    assign_roles([points_of(["TOE", "SPT"] * 500), points_of(["TOE", ""] * 500)], merge_rules())
    assert sorted(asked) == ["", "SPT", "TOE"]


@pytest.mark.parametrize(
    ("code", "string"),
    [
        ("CRS 1", ("CRS", "1")),
        ("CRS1", ("CRS", "1")),
        ("crs 01", ("CRS", "1")),
        ("CRS-2", ("CRS", "2")),
        ("CRS 1 begin", ("CRS", "1")),
        ("BRK12", ("BRK", "12")),
        ("T2 1", ("T2", "1")),
        ("TOE", ("TOE", "")),
        ("TOE end", ("TOE", "")),
        ("TOE2A", ("TOE2A", "")),
        ("31", ("31", "")),
        ("CRS 0", ("CRS", "0")),
        ("", ("", "")),
    ],
)
def test_numbered_strings(code, string):
    assert string_of(code) == string
