"""What stands beside a pile: its walls, and the line agreed with the pile that it lies against."""

from __future__ import annotations

from typing import Any

from django import forms
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, render
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.http import require_GET, require_POST

from inventory import yards
from inventory.models import PartitionLine, Pile, Wall
from surveys import footprints
from surveys.pages.access import acted, member_page, pile_or_404, survey_or_404
from surveys.pages.figures import Units
from surveys.pages.filling import FORM, filled, metres_per_unit
from surveys.pages.forms import DateField, PlainForm

WALL_LEAD = (
    "It works from its day on; measurements of earlier days keep theirs. What a wall may carry is for those "
    "who answer for it to say: nothing here checks its strength. Another person approves it."
)
LINE_LEAD = (
    "Two piles of different material, grade or owner that lie against each other are measured on one surface "
    "and divided along this line, day after day, until another line replaces it. The true contact leans and "
    "nobody sees it: each part carries a doubt for that, and their sum does not. Another person approves it."
)


class PointsField(forms.CharField):
    """Points as lines of numbers in the site's unit; gives metres."""

    widget = forms.Textarea(attrs={"rows": 5, "class": "coordinates", "spellcheck": "false"})

    def __init__(self, wide: int, metres: float, **kwargs: Any) -> None:
        super().__init__(**kwargs)
        self.wide, self.metres = wide, metres

    def clean(self, value: Any) -> list[list[float]]:
        points = []
        for number, line in enumerate(super().clean(value).splitlines(), start=1):
            fields = line.replace(";", " ").replace(",", " ").split()
            if not fields:
                continue
            try:
                point = [float(field) * self.metres for field in fields]
            except ValueError:
                point = []
            if len(point) != self.wide:
                raise forms.ValidationError(
                    f"Line {number}: “{line.strip()}” is not {self.wide} numbers in the order given below."
                )
            points.append(point)
        return points


class _DatedForm(PlainForm):
    valid_from = DateField(label="In force from")
    reason = forms.CharField(label="Reason", widget=forms.Textarea(attrs={"rows": 2}))


class WallForm(_DatedForm):
    code = forms.CharField(label="Name of the wall", max_length=30)
    height = forms.DecimalField(label="Height over its foot", min_value=0, max_digits=7, decimal_places=3)
    lean_deg = forms.DecimalField(
        label="Lean of the face, degrees from upright",
        initial=0,
        max_digits=5,
        decimal_places=2,
        help_text="Positive leans away from the material, negative over it.",
    )
    repose_deg = forms.DecimalField(
        label="Angle of repose to assume behind what was seen, degrees",
        required=False,
        max_digits=5,
        decimal_places=2,
        help_text="Empty: nothing is assumed. Its volume stands beside the net, never in it.",
    )
    field_order = ("code", "foot", "height", "lean_deg", "repose_deg", "valid_from", "reason")

    def __init__(self, metres: float, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["foot"] = PointsField(
            3,
            metres,
            label="Foot of the inner face",
            help_text="One point a line: easting, northing, height. The material is on the left of the way.",
        )
        self.order_fields(self.field_order)


class LineForm(_DatedForm):
    other = forms.ModelChoiceField(Pile.objects.none(), label="Divided from")
    side = forms.ChoiceField(
        label="Walking along the line, this pile is",
        choices=[("left", "on the left"), ("right", "on the right")],
    )
    repose_deg = forms.DecimalField(
        label="Angle of repose, degrees",
        initial=35,
        max_digits=5,
        decimal_places=2,
        help_text="The true contact lies no flatter than this; it gives the doubt of the split.",
    )
    field_order = ("other", "line", "side", "repose_deg", "valid_from", "reason")

    def __init__(self, piles: Any, metres: float, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["other"].queryset = piles
        self.fields["line"] = PointsField(
            2,
            metres,
            label="Line",
            help_text="One point a line: easting, northing, from beyond the toe to beyond the toe.",
        )
        self.order_fields(self.field_order)


def _back(pile: Pile) -> str:
    return f"{reverse('pile', args=[pile.site.code, pile.code])}#beside"


@FORM
@member_page
def propose_wall(request: HttpRequest, code: str, pile: str) -> HttpResponse:
    found = pile_or_404(request, code, pile)
    request.standing.require("propose_base")
    metres = metres_per_unit(found.site)
    form = WallForm(
        float(metres), request.POST or None, initial={"valid_from": found.site.date_of(timezone.now())}
    )

    def propose(given: dict[str, Any]) -> Wall:
        height_m = (given.pop("height") * metres).quantize(yards.MILLIMETRE)
        return yards.propose_wall(pile=found, by=request.user, height_m=height_m, **given)

    page = {
        "heading": f"Propose a wall of {found.code}",
        "button": "Propose it",
        "site": found.site,
        "back": _back(found),
        "lead": WALL_LEAD,
    }
    return filled(request, form, propose, page, lambda _: _back(found))


@FORM
@member_page
def propose_line(request: HttpRequest, code: str, pile: str) -> HttpResponse:
    found = pile_or_404(request, code, pile)
    request.standing.require("propose_base")
    today = found.site.date_of(timezone.now())
    others = Pile.objects.for_user(request.user).filter(site=found.site).open_on(today).exclude(pk=found.pk)
    form = LineForm(
        others, float(metres_per_unit(found.site)), request.POST or None, initial={"valid_from": today}
    )

    def propose(given: dict[str, Any]) -> PartitionLine:
        sides = [found, given.pop("other")]
        left, right = sides if given.pop("side") == "left" else reversed(sides)
        return yards.propose_partition(left=left, right=right, by=request.user, **given)

    page = {
        "heading": f"Divide {found.code} from a pile beside it",
        "button": "Propose the line",
        "site": found.site,
        "back": _back(found),
        "lead": LINE_LEAD,
    }
    return filled(request, form, propose, page, lambda _: _back(found))


@require_POST
@member_page
def wall_step(request: HttpRequest, wall_id: int, step: str) -> HttpResponse:
    wall = get_object_or_404(Wall.objects.for_user(request.user).select_related("pile__site"), pk=wall_id)
    return _step(request, wall, wall.pile, step)


@require_POST
@member_page
def line_step(request: HttpRequest, line_id: int, step: str) -> HttpResponse:
    lines = PartitionLine.objects.for_user(request.user).select_related("left__site", "right")
    line = get_object_or_404(lines, pk=line_id)
    return _step(request, line, line.left, step)


def _step(request: HttpRequest, record: Wall | PartitionLine, pile: Pile, step: str) -> HttpResponse:
    if step == "approve":
        return acted(
            request, lambda: yards.approve(record, request.user), f"{record.label} is approved.", _back(pile)
        )
    if step == "withdraw":
        reason = request.POST.get("reason", "")
        return acted(
            request,
            lambda: yards.withdraw(record, request.user, reason),
            f"{record.label} is withdrawn.",
            _back(pile),
        )
    raise Http404


@require_GET
@member_page
def survey_overlaps(request: HttpRequest, survey_id: int) -> HttpResponse:
    """Piles of a survey that stand on the same ground, while there is still time to correct it."""
    survey = survey_or_404(request, survey_id)
    context = {"overlaps": footprints.overlaps_on(survey), "units": Units.of(survey.site)}
    return render(request, "parts/overlaps.html", context)
