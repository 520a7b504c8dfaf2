"""Files of movements: looked at, posted whole or refused whole, kept either way."""

from __future__ import annotations

from http import HTTPStatus
from typing import Any

import django_filters as filters
from rest_framework import serializers
from rest_framework.parsers import FormParser, MultiPartParser
from rest_framework.response import Response

from inventory.api.doors import Own, Posts, Row, RowsAndPost
from inventory.api.shown import Named
from inventory.models import MovementImport, Site
from inventory.tickets import posting
from inventory.tickets.columns import FIELDS, WHAT

OF_IMPORT = ("site__organization", "by")
SAMPLE = 20


class SettingsGiven(serializers.Serializer):
    """How to read the file; what is left out is proposed from its head and values."""

    columns = serializers.ListField(
        child=serializers.ChoiceField(["", *FIELDS], allow_blank=True), required=False
    )
    what = serializers.ChoiceField(list(WHAT), required=False)
    delimiter = serializers.CharField(required=False, trim_whitespace=False, max_length=1)
    has_header = serializers.BooleanField(required=False)
    decimal = serializers.ChoiceField([".", ","], required=False)
    date_order = serializers.ChoiceField(["ymd", "dmy", "mdy"], required=False)
    unit = serializers.CharField(required=False)
    source = serializers.CharField(required=False, max_length=40)
    scale = serializers.CharField(required=False, allow_blank=True)
    clock_change = serializers.ChoiceField(["refuse", "first", "second"], required=False)
    accept_late = serializers.BooleanField(required=False)


class ImportGiven(serializers.Serializer):
    """`settings` as JSON text beside the file."""

    site = Own(Site, ("organization",))
    file = serializers.FileField()
    settings = serializers.JSONField(required=False, default=dict)

    def validate_settings(self, value: Any) -> dict[str, Any]:
        form = SettingsGiven(data=value)
        form.is_valid(raise_exception=True)
        unknown = sorted(set(value) - set(form.fields))
        if unknown:
            raise serializers.ValidationError(f"There is no {', '.join(unknown)}.")
        return dict(form.validated_data)


class ImportShown(serializers.ModelSerializer):
    site = Named()
    by = serializers.CharField()
    mapping = serializers.DictField()
    problems = serializers.DictField()
    remarks = serializers.DictField()

    class Meta:
        model = MovementImport
        fields = ["id", "site", "name", "sha256", "bytes", "state", "lines_n", "posted_n", "mapping"]
        fields += ["problems", "remarks", "by", "at"]


class PreviewShown(serializers.Serializer):
    """`posted`: the import by which the same bytes came in already. `rows` are the first ones, as read."""

    settings = serializers.DictField()
    header = serializers.ListField(child=serializers.CharField(allow_blank=True))
    rows = serializers.ListField(child=serializers.ListField(child=serializers.CharField(allow_blank=True)))
    lines_n = serializers.IntegerField()
    problems_n = serializers.IntegerField()
    problems = serializers.DictField()
    remarks = serializers.ListField(child=serializers.DictField())
    posted = serializers.IntegerField(allow_null=True)


class OfImport(filters.FilterSet):
    site = filters.NumberFilter("site_id")
    state = filters.CharFilter("state")
    sha256 = filters.CharFilter("sha256")


class Imports(RowsAndPost):
    """Files of movements as they came; posting one. A refused one is kept, its answer has all problems."""

    model, related = MovementImport, OF_IMPORT
    serializer_class, given_class = ImportShown, ImportGiven
    filterset_class = OfImport
    parser_classes = [MultiPartParser, FormParser]

    def act(self, given: dict[str, Any]) -> Response:
        file = given["file"]
        made = posting.post_tickets(
            given["site"], file.name, file.read(), by=self.request.user, chosen=given["settings"]
        )
        if made.state == MovementImport.State.REFUSED:
            raise posting.refusal_of(made)
        return self.show(made)


class PreviewImport(Posts):
    """How a file would be read and what is wrong with it. Nothing is kept or posted."""

    model, related = MovementImport, OF_IMPORT
    serializer_class, given_class, status = PreviewShown, ImportGiven, HTTPStatus.OK
    parser_classes = [MultiPartParser, FormParser]

    def act(self, given: dict[str, Any]) -> Response:
        file = given["file"]
        seen = posting.preview_tickets(
            given["site"], file.name, file.read(), by=self.request.user, chosen=given["settings"]
        )
        report = seen.checked.report
        body = {
            "settings": seen.settings.as_dict(),
            "header": seen.table.header,
            "rows": [cells for _, cells in seen.table.rows[:SAMPLE]],
            "lines_n": report.lines_n,
            "problems_n": report.total,
            "problems": report.refusal() if report.total else {},
            "remarks": report.remarks,
            "posted": seen.posted.pk if seen.posted is not None else None,
        }
        return self.show(body)


class ImportRow(Row):
    """One file of movements."""

    model, related = MovementImport, OF_IMPORT
    lookup_url_kwarg = "import_id"
    serializer_class = ImportShown


class PostImport(Posts):
    """Post a file that was kept and not posted, read as it says or as told now."""

    model, related = MovementImport, OF_IMPORT
    lookup_url_kwarg = "import_id"
    serializer_class, given_class = ImportShown, SettingsGiven

    def act(self, given: dict[str, Any]) -> Response:
        made = posting.post_received(self.get_object(), by=self.request.user, chosen=given)
        if made.state == MovementImport.State.REFUSED:
            raise posting.refusal_of(made)
        return self.show(made)
