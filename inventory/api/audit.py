"""The audit trail: every act of an organization in order, each with the hash of the one before it."""

from __future__ import annotations

from typing import Any

import django_filters as filters
from rest_framework import serializers

from inventory import rights
from inventory.api.doors import Rows
from inventory.models import AuditEvent, Organization
from inventory.scope import memberships_in_force


class AuditEventShown(serializers.ModelSerializer):
    """`subject` names a row as `model:id`. `sha256` is over all other fields."""

    by = serializers.CharField(allow_null=True)
    organization = serializers.CharField(source="organization.slug")
    detail = serializers.DictField()

    class Meta:
        model = AuditEvent
        fields = ["id", "organization", "seq", "at", "by", "roles", "verb", "subject", "detail"]
        fields += ["before_sha256", "after_sha256", "previous_sha256", "sha256"]


class OfEvent(filters.FilterSet):
    subject = filters.CharFilter("subject")
    verb = filters.CharFilter("verb")
    since = filters.DateFilter("at", lookup_expr="date__gte")


class AuditEvents(Rows):
    """Events of the organizations whose trail the person may read, newest first; it names costs, so that not
    everybody may. An auditor's access ends on its day."""

    model, related = AuditEvent, ("by", "organization")
    serializer_class = AuditEventShown
    filterset_class = OfEvent

    def get_queryset(self) -> Any:
        reads = memberships_in_force(self.request.user).filter(role__in=rights.ACTIONS["see_audit_trail"])
        organizations = list(reads.values_list("organization_id", flat=True))
        if not organizations:
            for organization in Organization.objects.for_user(self.request.user):
                rights.require(self.request.user, organization, "see_audit_trail")
        return super().get_queryset().filter(organization__in=organizations)
