"""A survey through its pages: files in, columns settled, measured, looked over, signed, counted."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Callable
from typing import Any

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.test import Client
from django.urls import reverse

from compute import measure as calculator
from compute.records import Finding
from inventory.models import StockCount
from surveys import computing, measuring
from surveys.models import Measurement, State, Survey, SurveyFile
from surveys.pages.first_visit import sample_csv
from tests.surveys.scene import DAY, HEADER, Yard, frustum_m3, frustum_rows, heap, point_file, work

pytestmark = pytest.mark.django_db


def upload(name: str, data: bytes) -> SimpleUploadedFile:
    return SimpleUploadedFile(name, data, "text/csv")


def opened(browser: Client, yard: Yard, **more: Any) -> Survey:
    given = {"date": DAY.isoformat(), "method": "total-station", **more}
    answer = browser.post(reverse("new-survey", args=[yard.site.code]), given)
    assert answer.status_code == 302, answer.content.decode()
    survey = Survey.objects.latest("pk")
    assert answer.url == reverse("survey", args=[survey.pk])
    return survey


def add(browser: Client, survey: Survey, *files: SimpleUploadedFile, **more: Any) -> str:
    given = {"unit": "metre", "pile": "", "files": list(files), **more}
    return browser.post(reverse("add-files", args=[survey.pk]), given, follow=True).content.decode()


def step(browser: Client, survey: Survey, name: str) -> str:
    return browser.post(reverse("step-all", args=[survey.pk, name]), follow=True).content.decode()


def test_from_files_to_stock(
    yard: Yard, as_: Callable[[Any], Client], bells: list[int], django_capture_on_commit_callbacks: Any
) -> None:
    surveyor, lead = as_(yard.surveyor), as_(yard.lead)
    survey = opened(
        surveyor, yard, started_at="07:30", ended_at="09:10", note="Loader at work on the south face"
    )
    body = surveyor.get(reverse("survey", args=[survey.pk])).content.decode()
    assert "Loader at work on the south face" in body
    assert "07:30" in body
    both = point_file(frustum_rows(height_m=5.0), frustum_rows(height_m=7.0, east_m=60.0))
    body = add(surveyor, survey, upload("yard.csv", both))
    assert "28\u00a0shots read" in body
    assert "Measure 2\u00a0piles" in body

    with django_capture_on_commit_callbacks(execute=True):
        body = surveyor.post(reverse("measure", args=[survey.pk]), follow=True).content.decode()
    assert len(bells) == 2
    assert 'hx-trigger="every 1s"' in body
    assert "Waiting for a worker" in body
    for waiting in bells:
        work(Measurement.objects.get(pk=waiting))
    body = surveyor.get(reverse("survey-results", args=[survey.pk])).content.decode()
    assert "hx-trigger" not in body
    assert "Submit 2\u00a0measurements" in body
    first = survey.measurements.get(pile=yard.pile)
    assert float(first.net_m3) == pytest.approx(frustum_m3(5.0), abs=0.001)

    assert "2\u00a0measurements handed over for review" in step(surveyor, survey, "submit")
    for each in survey.measurements.all():
        yard.accept_stops(each)
    assert "2\u00a0measurements marked as reviewed" in step(lead, survey, "review")
    assert "2\u00a0measurements approved and counted" in step(lead, survey, "approve")
    assert StockCount.objects.current().count() == 2
    body = lead.get("/").content.decode()
    assert yard.pile.code in body
    assert "heap-top" in body


def test_who_prepared_it_is_offered_no_review(yard: Yard, as_: Callable[[Any], Client]) -> None:
    survey = yard.survey_with(heap(), yard.pile)
    measurement = work(measuring.request_measurement(survey, yard.pile, yard.lead))
    lead = as_(yard.lead)
    step(lead, survey, "submit")
    body = lead.get(reverse("survey", args=[survey.pk])).content.decode()
    assert "as reviewed" not in body
    answer = lead.post(reverse("measurement-step", args=[measurement.pk, "review"]))
    assert answer.status_code == 403
    assert "prepared by you" in answer.content.decode()


def test_a_refused_file_shows_every_problem_by_line(yard: Yard, as_: Callable[[Any], Client]) -> None:
    surveyor = as_(yard.surveyor)
    survey = opened(surveyor, yard)
    rows = frustum_rows()
    rows[3] = rows[3].replace("100.000", "1oo.000")
    rows[8] = "9,,10.000,105.000,CRS 1"
    body = add(surveyor, survey, upload("june.csv", "\n".join([HEADER, *rows]).encode()))
    assert "june.csv was refused" in body
    assert "2\u00a0problems, all of them" in body
    assert "1oo.000" in body
    assert '<td class="n">5</td>' in body
    assert '<td class="n">10</td>' in body
    assert "Measure" not in body.split('id="results"')[0].split('id="files"')[1].replace("measured", "")


def test_columns_are_chosen_over_the_first_rows(yard: Yard, as_: Callable[[Any], Client]) -> None:
    surveyor = as_(yard.surveyor)
    survey = opened(surveyor, yard)
    body = add(
        surveyor, survey, upload("bare.csv", point_file(frustum_rows(), header=False)), pile=yard.pile.pk
    )
    assert "bare.csv needs a choice" in body
    file = SurveyFile.objects.get()
    place = reverse("file-columns", args=[survey.pk, file.pk])
    page = surveyor.get(place).content.decode()
    assert page.count("<select") == 5 + 3
    columns = ["point", "northing", "easting", "elevation", "code"]
    given = {f"column_{index}": name for index, name in enumerate(columns)}
    wrong = surveyor.post(
        place, {**given, "column_1": "easting", "unit": "metre", "delimiter": ",", "decimal": "."}
    )
    assert wrong.status_code == 422
    said = wrong.content.decode()
    assert "Northing is given to no column" in said
    assert "Easting is given to more than one column" in said
    right = surveyor.post(place, {**given, "unit": "metre", "delimiter": ",", "decimal": "."})
    assert right.url == reverse("survey", args=[survey.pk])
    file.refresh_from_db()
    assert (file.state, file.columns, file.points_n) == ("read", columns, 14)


def test_the_same_bytes_again_say_so(yard: Yard, as_: Callable[[Any], Client]) -> None:
    surveyor = as_(yard.surveyor)
    survey = opened(surveyor, yard)
    add(surveyor, survey, upload("yard.csv", heap()))
    body = add(surveyor, survey, upload("copy.csv", heap()))
    assert "already received" in body
    assert survey.files.count() == 1


def test_a_file_is_set_aside_with_a_reason(yard: Yard, as_: Callable[[Any], Client]) -> None:
    surveyor = as_(yard.surveyor)
    survey = yard.survey_with(heap(), yard.pile)
    file = survey.files.get()
    place = reverse("set-file-aside", args=[survey.pk, file.pk])
    assert "a reason is needed" in surveyor.post(place, {"reason": " "}, follow=True).content.decode()
    body = surveyor.post(place, {"reason": "wrong day"}, follow=True).content.decode()
    assert "1\u00a0file set aside" in body
    assert surveyor.post(place, {"reason": "again"}).status_code == 404


def test_nothing_sent_is_said(yard: Yard, as_: Callable[[Any], Client]) -> None:
    surveyor = as_(yard.surveyor)
    survey = opened(surveyor, yard)
    assert "No file came with the form" in add(surveyor, survey)
    assert "Choose a pile of this survey" in add(surveyor, survey, upload("a.csv", heap()), pile="999999")


def test_a_survey_in_the_future_is_refused_beside_its_field(yard: Yard, as_: Callable[[Any], Client]) -> None:
    surveyor = as_(yard.surveyor)
    tomorrow = dt.datetime.now(dt.UTC).date() + dt.timedelta(days=2)
    answer = surveyor.post(
        reverse("new-survey", args=[yard.site.code]),
        {"date": tomorrow.isoformat(), "method": "total-station"},
    )
    assert answer.status_code == 422
    body = answer.content.decode()
    assert "future date" in body
    assert 'aria-invalid="true"' in body
    assert not Survey.objects.exists()


def test_a_failed_measurement_says_what_where_and_what_to_do(
    yard: Yard, as_: Callable[[Any], Client]
) -> None:
    rows = [row.replace("TOE", "SPT") for row in frustum_rows()][:2]
    survey = yard.survey_with(point_file(rows), yard.pile)
    measurement = measuring.request_measurement(survey, yard.pile, yard.surveyor)
    assert not computing.work(measurement.pk, "test-worker")
    measurement.refresh_from_db()
    browser = as_(yard.surveyor)
    for place in (reverse("survey", args=[survey.pk]), reverse("measurement", args=[measurement.pk])):
        body = browser.get(place).content.decode()
        assert measurement.error["message"] in body.replace("&#x27;", "'").replace("&quot;", '"')
        assert "Failed" in body
    assert "could not be measured" in browser.get(reverse("site", args=[yard.site.code])).content.decode()


STOP = Finding(
    code="control-in-surface",
    severity="stop",
    message="3 shots coincide with control CP2 but carry no code.",
    where="shots 14, 15, 16",
    remedy="Code them as control and measure again.",
    effect_m3=41.0,
)


def test_a_stop_is_accepted_with_a_reason_before_approval(
    yard: Yard, as_: Callable[[Any], Client], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(calculator, "find_all", lambda case: (STOP,))
    measurement = yard.computed()
    survey = measurement.survey
    surveyor, lead = as_(yard.surveyor), as_(yard.lead)
    step(surveyor, survey, "submit")
    step(lead, survey, "review")
    body = step(lead, survey, "approve")
    assert "must be settled first" in body
    assert re.search(r"effect <span class=\"figure\"><span class=\"value\">\+4[01]<", body)
    assert "Code them as control and measure again." in body
    assert "Accept the finding" in body
    assert "Accept the finding" not in surveyor.get(reverse("survey", args=[survey.pk])).content.decode()
    place = reverse("accept-finding", args=[measurement.pk])
    given = {"code": "control-in-surface", "reason": "", "back": reverse("survey", args=[survey.pk])}
    assert "a reason is needed" in lead.post(place, given, follow=True).content.decode()
    body = lead.post(place, {**given, "reason": "seen on the ground"}, follow=True).content.decode()
    assert "Accepted by lead-surveyor" in body
    assert "seen on the ground" in body
    step(lead, survey, "approve")
    measurement.refresh_from_db()
    assert measurement.state == State.APPROVED


def test_a_form_cannot_lead_away_from_this_site(yard: Yard, as_: Callable[[Any], Client]) -> None:
    measurement = yard.computed()
    answer = as_(yard.surveyor).post(
        reverse("measurement-step", args=[measurement.pk, "submit"]), {"back": "https://elsewhere.example/"}
    )
    assert answer.url == reverse("measurement", args=[measurement.pk])


def test_sent_back_with_a_reason_and_answered_by_a_new_version(
    yard: Yard, as_: Callable[[Any], Client]
) -> None:
    measurement = yard.computed()
    surveyor, lead = as_(yard.surveyor), as_(yard.lead)
    place = reverse("measurement-step", args=[measurement.pk, "send_back"])
    assert "a reason is needed" in lead.post(place, {}, follow=True).content.decode()
    body = lead.post(place, {"reason": "Toe missing on the north side"}, follow=True).content.decode()
    assert "Toe missing on the north side" in body
    assert "Sent back" in body
    surveyor.post(reverse("measure-again", args=[measurement.pk]), {"reason": "toe shot again"})
    again = Measurement.objects.get(version=2)
    assert (again.pile, again.correction_reason) == (measurement.pile, "toe shot again")
    assert (
        reverse("measurement", args=[measurement.pk])
        in surveyor.get(reverse("measurement", args=[work(again).pk])).content.decode()
    )


def test_an_unknown_step_is_404(yard: Yard, as_: Callable[[Any], Client]) -> None:
    measurement = yard.computed()
    assert as_(yard.lead).post(reverse("measurement-step", args=[measurement.pk, "sell"])).status_code == 404
    assert as_(yard.lead).post(reverse("step-all", args=[measurement.survey_id, "sell"])).status_code == 404


def test_recomputing_gives_the_same_digest_or_says_so(
    yard: Yard, as_: Callable[[Any], Client], monkeypatch: pytest.MonkeyPatch
) -> None:
    measurement = yard.computed()
    browser = as_(yard.surveyor)
    place = reverse("recompute", args=[measurement.pk])
    assert "the digest is the same" in browser.post(place, follow=True).content.decode()
    monkeypatch.setattr(computing, "recompute", lambda measurement: "0" * 64)
    assert "Do not rely on the figure" in browser.post(place, follow=True).content.decode()


def test_measuring_again_with_the_same_inputs_changes_nothing(
    yard: Yard, as_: Callable[[Any], Client]
) -> None:
    measurement = yard.computed()
    body = (
        as_(yard.surveyor)
        .post(reverse("measure", args=[measurement.survey_id]), follow=True)
        .content.decode()
    )
    assert "inputs unchanged, so the last version stands" in body
    assert Measurement.objects.count() == 1


def test_the_sample_file_measures(yard: Yard, as_: Callable[[Any], Client]) -> None:
    assert sample_csv() == sample_csv()
    browser = as_(yard.surveyor)
    data = browser.get(reverse("sample-file"))
    assert 'filename="sample-pile.csv"' in data.headers["Content-Disposition"]
    pile = yard.company.pile(yard.site, yard.pile.material, code="SAMPLE")
    yard.company.base(pile)
    survey = yard.survey_with(data.content, pile)
    assert survey.files.get().points_n == 24 + 3 * 16 + 12 + 6 + 2
    measurement = measuring.request_measurement(survey, pile, yard.surveyor)
    assert computing.work(measurement.pk, "test-worker")
    measurement.refresh_from_db()
    # An elliptic frustum of the same rings holds h/3·(A₁ + A₂ + √(A₁A₂)); rings and wobble stay within 5 %.
    toe, crest = 3.14159 * 1.3 * 14.0**2, 3.14159 * 1.3 * 6.0**2
    expected = 5.6 / 3 * (toe + crest + (toe * crest) ** 0.5)
    assert float(measurement.net_m3) == pytest.approx(expected, rel=0.05)
    assert not [finding for finding in measurement.findings if finding["severity"] == "stop"]


def test_first_visit_ticks_what_is_done(yard: Yard, as_: Callable[[Any], Client]) -> None:
    browser = as_(yard.surveyor)
    body = browser.get("/").content.decode()
    assert "From a point file to tonnes in three steps" in body
    assert body.count('class="done"') == 1
    yard.computed()
    assert browser.get("/").content.decode().count('class="done"') == 3
