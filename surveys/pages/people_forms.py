"""Forms about people: an invitation, a role, a first password."""

from __future__ import annotations

from typing import Any

from django import forms
from django.utils import timezone

from surveys.pages.forms import DateField, PlainForm
from surveys.pages.wording import ROLES

ROLE_CHOICES = list(ROLES.items())
ENDS = "The first day without the role. An auditor's access always has an end."


class InvitationForm(PlainForm):
    username = forms.CharField(
        label="Name to sign in with",
        max_length=150,
        widget=forms.TextInput(attrs={"autocapitalize": "none", "autocomplete": "off"}),
    )
    email = forms.EmailField(label="E-mail", required=False, help_text="Kept; nothing is sent.")
    roles = forms.MultipleChoiceField(
        label="Roles", choices=ROLE_CHOICES, widget=forms.CheckboxSelectMultiple
    )
    ends_on = DateField(label="Until", required=False, help_text=ENDS)


class RoleForm(PlainForm):
    role = forms.ChoiceField(label="Role", choices=ROLE_CHOICES)
    ends_on = DateField(label="Until", required=False)

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, auto_id=False, **kwargs)
        self.fields["ends_on"].widget.attrs["min"] = timezone.now().date().isoformat()


def _hidden() -> forms.PasswordInput:
    return forms.PasswordInput(attrs={"autocomplete": "new-password"})


class PasswordForm(PlainForm):
    password = forms.CharField(label="Password", strip=False, widget=_hidden())
    again = forms.CharField(label="The same again", strip=False, widget=_hidden())

    def clean_again(self) -> str:
        again: str = self.cleaned_data["again"]
        if "password" in self.cleaned_data and again != self.cleaned_data["password"]:
            raise forms.ValidationError("The two are not the same.")
        return again
