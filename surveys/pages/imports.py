"""Files of movements: dropped, looked at, columns chosen, posted whole or refused with every problem."""

from __future__ import annotations

from typing import Any

from django.contrib import messages
from django.core.paginator import Paginator
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect
from django.views.decorators.http import require_GET, require_http_methods

from inventory.errors import BookRefused, NotAllowed, TicketsRefused
from inventory.models import MovementImport, Site
from inventory.tickets import posting
from inventory.tickets.reading import Table, read_table
from surveys.pages.access import enter, member_page, show, site_or_404
from surveys.pages.figures import Units
from surveys.pages.movement_forms import FileForm, MappingForm

IMPORTS_A_PAGE = 30
ROWS_SHOWN = 8
PROBLEMS_SHOWN = 200


@require_http_methods(["GET", "POST"])
@member_page
def imports_page(request: HttpRequest, code: str) -> HttpResponse:
    site = site_or_404(request, code)
    if request.method == "POST":
        return _receive(request, site)
    rows = (
        MovementImport.objects.for_user(request.user).filter(site=site).select_related("by").defer("data_gz")
    )
    page = Paginator(rows.order_by("-at", "-pk"), IMPORTS_A_PAGE).get_page(request.GET.get("page"))
    can_import = request.standing.can("import_movements")
    context = {"site": site, "page": page, "form": FileForm() if can_import else None}
    return show(request, "pages/imports.html", context)


def _receive(request: HttpRequest, site: Site) -> HttpResponse:
    request.standing.require("import_movements")
    form, file = FileForm(request.POST), request.FILES.get("file")
    if file is None or not form.is_valid():
        messages.error(request, "No file came with the form. Choose one.", extra_tags="is-stop")
        return redirect("imports", code=site.code)
    what = form.cleaned_data["what"]
    chosen = {"what": what} if what else {}
    kept = posting.receive_tickets(site, file.name, file.read(), by=request.user, chosen=chosen)
    if kept.state == MovementImport.State.POSTED:
        messages.info(
            request, f"These bytes were posted already, on {kept.at:%Y-%m-%d %H:%M} UTC by {kept.by}."
        )
    return redirect("import", import_id=kept.pk)


def _import_or_404(request: HttpRequest, import_id: int) -> MovementImport:
    rows = MovementImport.objects.for_user(request.user).select_related("site__organization", "by")
    kept = get_object_or_404(rows, pk=import_id)
    enter(request, kept.site.organization)
    return kept


@require_http_methods(["GET", "POST"])
@member_page
def import_page(request: HttpRequest, import_id: int) -> HttpResponse:
    """What came of one file; while it is not posted, its columns can be chosen and it can be posted."""
    kept = _import_or_404(request, import_id)
    is_open = kept.state != MovementImport.State.POSTED and request.standing.can("import_movements")
    table = _table(kept) if is_open else None
    form = _form(kept, table, request.POST or None) if table is not None else None
    if request.method == "POST":
        request.standing.require("import_movements")
        if form is not None and form.is_valid():
            return _again(request, kept, form)
    posted = None
    if kept.state != MovementImport.State.POSTED:
        same = MovementImport.objects.filter(site=kept.site, sha256=kept.sha256, state="posted")
        posted = same.only("pk").first()
    problems = kept.problems.get("problems", [])
    remarks = kept.remarks.get("remarks", [])
    context = {
        "kept": kept,
        "site": kept.site,
        "units": Units.of(kept.site),
        "posted": posted,
        "form": form,
        "table": table,
        "rows": table.rows[:ROWS_SHOWN] if table is not None else [],
        "problems": problems[:PROBLEMS_SHOWN],
        "remarks": [each for each in remarks if each["code"] != "sums"],
        "sums": next((each["rows"] for each in remarks if each["code"] == "sums"), []),
    }
    status = 422 if form is not None and form.errors else 200
    return show(request, "pages/import.html", context, status)


def _table(kept: MovementImport) -> Table | None:
    try:
        given = kept.mapping
        return read_table(
            kept.name, posting.data_of(kept), given.get("delimiter", ""), has_header=given.get("has_header")
        )
    except TicketsRefused:
        return None


def _form(kept: MovementImport, table: Table, data: Any) -> MappingForm:
    columns = list(kept.mapping.get("columns", [])) or [""] * table.width
    initial = {name: value for name, value in kept.mapping.items() if name != "columns"}
    return MappingForm(kept.site, columns, data, initial=initial)


def _again(request: HttpRequest, kept: MovementImport, form: MappingForm) -> HttpResponse:
    verb = posting.post_received if "post" in request.POST else posting.read_again
    try:
        made = verb(kept, by=request.user, chosen=form.chosen())
    except NotAllowed:
        raise
    except BookRefused as refusal:
        messages.error(request, f"{refusal.message} {refusal.remedy}".strip(), extra_tags="is-stop")
        return redirect("import", import_id=kept.pk)
    return redirect("import", import_id=made.pk)


@require_GET
@member_page
def import_file(request: HttpRequest, import_id: int) -> HttpResponse:
    """The bytes as they came."""
    kept = _import_or_404(request, import_id)
    answer = HttpResponse(posting.data_of(kept), content_type="text/csv")
    answer["Content-Disposition"] = f'attachment; filename="import-{kept.pk}.csv"'
    return answer
