"""The PDF of a certificate, read back: every figure of the record, true scales, the same bytes every time.

Scale: at 1 : N a metre of the pile is 1000/N mm of paper, and 25.4 mm are 72 points (ISO 32000 user space,
from memory). The file is read by two general libraries, not by the one that made it.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import io
import math
import re
import subprocess
import sys
from collections.abc import Iterator
from ctypes import c_float
from decimal import ROUND_HALF_EVEN, Decimal
from pathlib import Path
from typing import Any

import numpy as np
import pypdf
import pypdfium2
import pypdfium2.raw as pdfium
import pytest

from surveys import computing, review
from surveys.certificates.making import SOFTWARE, certificate, preview
from surveys.certificates.particulars import state_particulars
from surveys.certificates.pictures import cross_cut
from surveys.models import Measurement
from surveys.pages.geometry import longest_cut
from tests.config.running import ROOT, environment, manage
from tests.surveys.scene import Yard, heap

MM_PER_POINT = 25.4 / 72.0


def words(data: bytes) -> str:
    """The text of all pages with plain single blanks."""
    text = " ".join(page.extract_text() for page in pypdf.PdfReader(io.BytesIO(data)).pages)
    return " ".join(text.split())


def numbers_of(value: Any, name: str = "") -> Iterator[tuple[str, Any]]:
    """Every leaf of a record by its path."""
    if isinstance(value, dict):
        for key, each in value.items():
            yield from numbers_of(each, f"{name}.{key}" if name else key)
    elif isinstance(value, list):
        for index, each in enumerate(value):
            yield from numbers_of(each, f"{name}[{index}]")
    else:
        yield name, value


def as_printed(value: float | int) -> str:
    """Three decimals, commas by thousands, a true minus; powers of ten below the last place."""
    if isinstance(value, int):
        return f"{value:,}"
    if value and abs(value) < 0.0005:
        return f"{value:.1e}".replace("-", "\u2212")
    exact = Decimal(repr(value)).quantize(Decimal("0.001"), ROUND_HALF_EVEN)
    return f"{exact:,}".replace("-", "\u2212")


@pytest.fixture
def corrected(yard: Yard) -> tuple[Measurement, Measurement]:
    """A superseded version and the one in force, a month after an earlier survey."""
    yard.approved(day=dt.date(2025, 5, 30))
    first = yard.approved(heap(6.0))
    second = review.approve(yard.review(yard.correction(first, heap(5.5))), yard.lead)
    return Measurement.objects.get(pk=first.pk), second


def test_every_figure_of_the_record_is_printed(corrected: tuple[Measurement, Measurement]) -> None:
    for measurement in corrected:
        text = words(certificate(measurement).data)
        record = {name: value for name, value in measurement.record.items() if name != "silhouette"}
        missing = []
        seen = 0
        for name, value in numbers_of(record):
            if isinstance(value, bool) or value is None:
                continue
            told = value if isinstance(value, str) else as_printed(value)
            seen += not isinstance(value, str)
            # Codes of findings are shelf marks; their words are what a reader needs.
            if name.startswith("findings") and not name.endswith(".message"):
                continue
            if " ".join(str(told).split()) not in text:
                missing.append((name, told))
        assert not missing
        assert seen > 45, "the record has more figures than that"


def test_the_figures_that_are_read_first_are_those_of_the_columns(yard: Yard) -> None:
    """Rounded by the ± to two digits: JCGM 100:2008, 7.2.6 (from memory)."""
    measurement = yard.approved()
    text = words(certificate(measurement).data)
    for value, u95, unit in (
        (measurement.net_m3, measurement.u95_m3, "m³"),
        (measurement.tonnes, measurement.u95_t, "t"),
    ):
        place = u95.adjusted() - 1
        rounded, spread = (
            each.quantize(Decimal(1).scaleb(place)).quantize(Decimal(1)) for each in (value, u95)
        )
        assert f"{rounded:,} {unit} ± {spread:,} {unit} (k = 2)" in text


def test_a_version_that_was_replaced_says_so_on_every_page(
    corrected: tuple[Measurement, Measurement],
) -> None:
    old, new = (pypdf.PdfReader(io.BytesIO(certificate(m).data)) for m in corrected)
    assert all("SUPERSEDED by version 2" in page.extract_text() for page in old.pages)
    assert "toe shot again" in words(certificate(corrected[0]).data), "the reason of the correction"
    for page in new.pages:
        assert "APPROVED" in page.extract_text()
        assert "SUPERSEDED" not in page.extract_text()
    assert 2 <= len(new.pages) <= 4


def test_what_nobody_stated_is_not_invented(yard: Yard) -> None:
    measurement = yard.reviewed()
    bare = words(preview(measurement).data)
    state_particulars(measurement, yard.surveyor, {"jurisdiction": "Northmark", "licence_number": "NM 4417"})
    stated = words(preview(measurement).data)
    assert bare.count("not stated") - stated.count("not stated") == 3, "two fields and who stated them"
    for label in ("Purpose", "Intended user", "Cut-off", "Responsible professional", "Seal", "Instruments"):
        assert f"{label} not stated" in stated
    assert "Jurisdiction Northmark" in stated
    assert "Not walked, for safety not stated" in stated


def test_it_claims_nothing_and_warns(yard: Yard) -> None:
    text = words(certificate(yard.approved()).data)
    for said in (
        "Conformity to any published method or standard is not claimed.",
        "This is not a boundary survey.",
        "Licensed practice and local rules come first.",
        "Nobody should walk or stand above a place where material is being drawn off",
    ):
        assert said in text


def test_inputs_and_the_place_to_verify_are_printed(yard: Yard) -> None:
    measurement = yard.approved()
    text = words(certificate(measurement).data)
    kept = heap()
    assert f"shots.csv {len(kept):,} {hashlib.sha256(kept).hexdigest()}" in text
    assert f"/verify/{measurement.digest}" in text
    assert measurement.record["algorithm"] in text


def test_a_site_in_feet_reads_feet_with_si_beside(yard: Yard) -> None:
    """1 yd³ is 0.764554857984 m³ and a short ton 0.90718474 t, both exactly (yard and pound of 1959)."""
    yard.site.length_unit, yard.site.volume_unit, yard.site.mass_unit = "foot", "cubic-yard", "short-ton"
    yard.site.save()
    measurement = yard.approved()
    measurement.refresh_from_db()
    text = words(certificate(measurement).data)
    cubic_yards = measurement.net_m3 / Decimal("0.764554857984")
    u95 = measurement.u95_m3 / Decimal("0.764554857984")
    place = Decimal(1).scaleb(u95.adjusted() - 1)
    shown, spread = (each.quantize(place).quantize(Decimal(1)) for each in (cubic_yards, u95))
    assert f"{shown:,} yd³ ± {spread:,} yd³ (k = 2)" in text
    assert re.search(r"\d m³ ± [\d.,]+ m³ \(k = 2\)", text)
    assert "short ton" in text
    assert "international foot, 0.3048 m exactly" in text
    assert "E ft" in text


# --- true to scale ---------------------------------------------------------------------------------


def paths(page: Any) -> list[np.ndarray]:
    """Corners of every path of a page, in millimetres of paper."""
    found = []
    for each in page.get_objects(filter=[pdfium.FPDF_PAGEOBJ_PATH], max_depth=4):
        a, b, c, d, e, f = each.get_matrix().get()
        corners = []
        for index in range(pdfium.FPDFPath_CountSegments(each)):
            segment = pdfium.FPDFPath_GetPathSegment(each, index)
            x, y = c_float(), c_float()
            pdfium.FPDFPathSegment_GetPoint(segment, x, y)
            corners.append((a * x.value + c * y.value + e, b * x.value + d * y.value + f))
        found.append(np.array(corners).reshape(-1, 2) * MM_PER_POINT)
    return found


def stated_scale(text: str, drawing: str) -> int:
    return int(re.search(rf"{drawing}, 1 : ([\d,]+)", text)[1].replace(",", ""))


def test_the_plan_is_true_on_paper(corrected: tuple[Measurement, Measurement]) -> None:
    """The outer edge, found among the lines of the page, has its lengths at the scale that is stated."""
    measurement = corrected[1]
    data = certificate(measurement).data
    ring = computing.geometry_of(measurement)["edge"]
    scale = stated_scale(words(data), "Plan")
    wanted = np.hypot(*(ring - np.roll(ring, 1, axis=0)).T) * 1000.0 / scale
    north_up = (ring - ring[0]) * 1000.0 / scale
    matches = [
        path
        for page in pypdfium2.PdfDocument(data)
        for path in paths(page)
        if len(path) >= len(ring) and np.allclose(path[: len(ring)] - path[0], north_up, atol=0.02)
    ]
    assert matches, f"no outer edge at 1 : {scale}"
    drawn = matches[0][: len(ring)]
    assert np.allclose(np.hypot(*(drawn - np.roll(drawn, 1, axis=0)).T), wanted, atol=0.02)
    assert wanted.sum() > 100, "large enough to be measured with a ruler"


def test_both_sections_are_true_on_paper_and_of_one_scale(corrected: tuple[Measurement, Measurement]) -> None:
    """The heap is a frustum: 40 m of toe, 20 m of crest, 5.5 m high. Each cut is known in closed form."""
    measurement = corrected[1]
    data = certificate(measurement).data
    per_m = 1000.0 / stated_scale(words(data), "Sections")
    arrays = computing.geometry_of(measurement)
    drawn = [path for page in pypdfium2.PdfDocument(data) for path in paths(page) if 4 <= len(path) <= 40]
    for ends in (longest_cut(arrays), cross_cut(arrays)):
        length = float(np.hypot(*(ends[1] - ends[0])))
        along = np.linspace(0.0, length, 2001)
        places = ends[0] + (along / length)[:, None] * (ends[1] - ends[0])
        height = frustum_height(places, 5.5)
        inside = np.flatnonzero(height >= 0.0)
        first, last = along[inside[[0, -1]]]
        known = np.interp(np.linspace(first, last, 9), along, height) * per_m
        alike = [
            path
            for path in drawn
            if abs(np.ptp(path[:, 0]) - (last - first) * per_m) < 0.2
            and (np.diff(path[:, 0]) > -1e-6).all()
            and np.allclose(
                np.interp(
                    np.linspace(0.0, (last - first) * per_m, 9),
                    path[:, 0] - path[0, 0],
                    path[:, 1] - path[0, 1],
                ),
                known,
                atol=0.15,
            )
        ]
        assert alike, f"no section of {length:.1f} m at 1 : {1000 / per_m:.0f}"


def frustum_height(places_m: np.ndarray, height_m: float) -> np.ndarray:
    """Height over the toe, negative outside: 40 m square with a 20 m square crest in its middle."""
    to_side = np.minimum(places_m, 40.0 - places_m).min(axis=1)
    return np.minimum(to_side / 10.0 * height_m, height_m)


def test_the_text_is_set_in_fonts_that_are_inside(yard: Yard) -> None:
    reader = pypdf.PdfReader(io.BytesIO(certificate(yard.approved()).data))
    fonts = [font.get_object() for page in reader.pages for font in page["/Resources"]["/Font"].values()]
    assert fonts
    for font in fonts:
        inner = font["/DescendantFonts"][0].get_object()["/FontDescriptor"]
        assert {"/FontFile2", "/FontFile3"} & set(inner)


# --- the same bytes ----------------------------------------------------------------------------------


def test_the_same_certificate_is_the_same_bytes_in_other_processes(tmp_path: Path) -> None:
    """Other hash seeds, another time zone of the machine, another locale: nothing of it may show."""
    env = environment(tmp_path, HEAPLEDGER_MODE="test", DJANGO_SETTINGS_MODULE="config.settings")
    assert manage(tmp_path, "migrate", "--verbosity", "0", HEAPLEDGER_MODE="test").returncode == 0
    made = subprocess.run(
        [sys.executable, "-m", "tests.surveys.certificate_desk"],
        cwd=ROOT, env=env, capture_output=True, text=True, timeout=200, check=False,
    )  # fmt: skip
    assert made.returncode == 0, made.stderr
    hashes: dict[str, set[str]] = {}
    for number in ("QRY-01/2025-06-30", "QRY-01/2025-06-30/v1"):
        for n, more in enumerate(
            ({"PYTHONHASHSEED": "1", "TZ": "UTC"}, {"PYTHONHASHSEED": "2", "TZ": "Asia/Tokyo", "LANG": "C"})
        ):
            target = tmp_path / f"{n}.pdf"
            done = manage(
                tmp_path, "certificate", number, "--output", str(target), HEAPLEDGER_MODE="test", **more
            )
            assert done.returncode == 0, done.stderr
            hashes.setdefault(number, set()).add(hashlib.sha256(target.read_bytes()).hexdigest())
    assert [len(each) for each in hashes.values()] == [1, 1]
    assert len(set().union(*hashes.values())) == 2, "two versions are two papers"


def test_the_date_inside_is_that_of_the_approval(yard: Yard) -> None:
    measurement = yard.approved()
    kept = pypdf.PdfReader(io.BytesIO(certificate(measurement).data)).metadata
    wanted = measurement.approved_at.replace(microsecond=0)
    assert kept.creation_date.astimezone(dt.UTC) == kept.modification_date.astimezone(dt.UTC) == wanted


def test_the_software_named_is_that_of_the_project() -> None:
    project = (ROOT / "pyproject.toml").read_text()
    name, version = (re.search(rf'^{key} = "(.+)"', project, re.M)[1] for key in ("name", "version"))
    assert f"{name.capitalize()} {version}" == SOFTWARE


def test_pages_have_ink_and_nothing_runs_off_them(corrected: tuple[Measurement, Measurement]) -> None:
    """Rendered, every page has ink, and none within 9 mm of its sides, where a printer cannot reach."""
    document = pypdfium2.PdfDocument(certificate(corrected[1]).data)
    for page in document:
        picture = page.render(scale=1.0).to_numpy()[:, :, :3].min(axis=2)
        margin = math.ceil(9.0 / MM_PER_POINT)
        assert (picture < 200).mean() > 0.01
        assert picture[:, :margin].min() > 240
        assert picture[:, -margin:].min() > 240
        assert picture[:margin].min() > 240
        assert picture[-margin:].min() > 240
