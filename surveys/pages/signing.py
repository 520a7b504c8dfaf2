"""Signing in and out, and which organization a member of several is looking at."""

from __future__ import annotations

from django.contrib.auth import views as auth_views
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect
from django.views.decorators.http import require_POST

from inventory.models import Organization
from surveys.pages.access import member_page


class SignIn(auth_views.LoginView):
    template_name = "pages/sign_in.html"
    redirect_authenticated_user = True


class SignOut(auth_views.LogoutView):
    pass


@require_POST
@member_page
def choose_organization(request: HttpRequest) -> HttpResponse:
    """Look at another of the person's organizations. One that is not theirs changes nothing."""
    chosen = Organization.objects.for_user(request.user).filter(slug=request.POST.get("organization", ""))
    if chosen.exists():
        request.session["organization"] = request.POST["organization"]
    return redirect("stock")
