"""What an accountant takes away: read back by other libraries, and held against the closed form."""

from __future__ import annotations

import csv
import io
import json

import numpy as np
import openpyxl
import pytest
from shapely.geometry import shape

from compute.errors import BadOption
from compute.pointfiles import read_points
from inventory.stock import stock_now
from surveys import exports
from surveys.errors import EvidenceMissing
from tests.surveys.scene import DAY, frustum_m3

pytestmark = pytest.mark.django_db


def rows_of(data: bytes) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(data.decode("utf-8"), newline="")))


def test_a_pile_row_says_what_was_measured_when_and_by_what(yard):
    approved = yard.approved()
    counted, empty = rows_of(exports.stock_csv(stock_now(yard.lead)))
    assert counted["surveyed_on"] == DAY.isoformat()
    # Euclid, Elements XII.7: the frustum of the scene.
    assert float(counted["volume_m3"]) == pytest.approx(frustum_m3(5.0), abs=0.001)
    assert float(counted["tonnes_t"]) == pytest.approx(1.6 * frustum_m3(5.0), abs=0.002)
    assert counted["evidence"] == approved.evidence_ref
    assert counted["evidence_digest"] == approved.digest
    assert empty["pile"] == yard.neighbour.code
    assert empty["volume_m3"] == ""


@pytest.mark.parametrize("by", ["material", "site", "site-material"])
def test_sums_are_those_of_the_book(yard, by):
    yard.approved()
    stock = stock_now(yard.lead)
    (row,) = rows_of(exports.stock_csv(stock, by))
    assert row["tonnes_t"] == f"{stock.everything.total.tonnes:f}"
    assert row["piles_not_counted"] == "1"


def test_an_unknown_table_is_refused(yard):
    with pytest.raises(BadOption, match="by 'colour'"):
        exports.stock_csv(stock_now(yard.lead), "colour")


@pytest.mark.parametrize("name", ["=1+2", "+1", "-1", "@SUM(A1)", "\t=1", "\r=1"])
def test_no_text_becomes_a_formula(company, name):
    site = company.site()
    company.pile(site, company.material(), name=name + " heap")
    stock = stock_now(company.manager)
    (row,) = rows_of(exports.stock_csv(stock))
    assert row["pile_name"].startswith("'")
    book = openpyxl.load_workbook(io.BytesIO(exports.stock_xlsx(stock)))
    assert all(cell.data_type != "f" for sheet in book for line in sheet for cell in line)


def test_the_workbook_holds_dates_and_numbers(yard):
    yard.approved()
    book = openpyxl.load_workbook(io.BytesIO(exports.stock_xlsx(stock_now(yard.lead))))
    assert book.sheetnames == ["By pile", "By material", "By site", "By site and material"]
    head, first, *_ = book["By pile"].iter_rows(values_only=True)
    row = dict(zip(head, first, strict=True))
    assert row["surveyed_on"].date() == DAY
    assert row["volume_m3"] == pytest.approx(frustum_m3(5.0), abs=0.001)


def test_pages_send_the_files_and_refuse_who_may_not(yard, client):
    measurement = yard.approved()
    client.force_login(yard.company.accountant)
    table = client.get("/exports/stock.csv")
    assert table.status_code == 200
    assert table["Content-Type"] == "text/csv; charset=utf-8"
    assert client.get("/exports/stock.xlsx").content.startswith(b"PK")
    assert client.get("/exports/stock.pdf").status_code == 404
    for part in exports.SURFACES:
        assert client.get(f"/measurements/{measurement.pk}/export/{part}").status_code == 200
    assert client.get(f"/measurements/{measurement.pk}/export/surface.exe").status_code == 404
    client.force_login(yard.company.administrator)
    assert client.get("/exports/stock.csv").status_code == 403


def test_the_vertices_are_read_back_where_they_were_shot(yard):
    data = exports.SURFACES["vertices.csv"][1](yard.computed())
    points = read_points(data, "vertices.csv")
    assert points.easting_m.max() == pytest.approx(40.0)
    assert points.elevation_m.max() == pytest.approx(105.0)


def test_the_mesh_has_the_volume_of_the_frustum(yard):
    data = exports.SURFACES["surface.ply"][1](yard.computed())
    head, body = data.split(b"end_header\n", 1)
    count = int(head.split(b"element vertex ")[1].split()[0])
    faces = int(head.split(b"element face ")[1].split()[0])
    places = np.frombuffer(body, "<f8", count * 3).reshape(-1, 3)
    kind = np.dtype([("n", "u1"), ("corners", "<i4", 3)])
    corners = places[np.frombuffer(body, kind, faces, count * 24)["corners"]]
    doubled = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    volume_m3 = (doubled[:, 2] / 2 * (corners[:, :, 2].mean(axis=1) - 100.0)).sum()
    assert volume_m3 == pytest.approx(frustum_m3(5.0), rel=1e-9)


def test_contours_are_rings_inside_the_toe(yard):
    drawn = json.loads(exports.SURFACES["contours.geojson"][1](yard.computed()))
    lines = [shape(feature["geometry"]) for feature in drawn["features"]]
    assert lines
    assert all(line.is_ring and 20 <= line.bounds[2] <= 40 for line in lines)


def test_a_surface_that_is_not_there_yet_is_refused_in_words(yard):
    with pytest.raises(EvidenceMissing, match="no surface yet"):
        exports.top_of(yard.asked())
