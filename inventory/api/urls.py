"""The addresses of the book's part of the API."""

from __future__ import annotations

from django.urls import path

from inventory.api import people, piles, places, stock, tokens, validity

urlpatterns = [
    path("tokens/", tokens.Tokens.as_view()),
    path("tokens/<str:token_key>/", tokens.Token.as_view()),
    path("people/", people.People.as_view()),
    path("people/<int:person_id>/", people.PersonRow.as_view()),
    path("people/<int:person_id>/roles/", people.GiveRole.as_view()),
    path("people/<int:person_id>/roles/end/", people.EndRole.as_view()),
    path("people/<int:person_id>/invitation/", people.InvitationLink.as_view()),
    path("sites/", places.Sites.as_view()),
    path("sites/<int:site_id>/", places.SiteRow.as_view()),
    path("materials/", places.Materials.as_view()),
    path("materials/<int:material_id>/", places.MaterialRow.as_view()),
    path("densities/", validity.Densities.as_view()),
    path("densities/<int:density_id>/", validity.DensityRow.as_view()),
    path("densities/<int:density_id>/approve/", validity.ApproveDensity.as_view()),
    path("densities/<int:density_id>/withdraw/", validity.WithdrawDensity.as_view()),
    path("piles/", places.Piles.as_view()),
    path("piles/merge/", piles.MergePiles.as_view()),
    path("piles/<int:pile_id>/", places.PileRow.as_view()),
    path("piles/<int:pile_id>/outline/", piles.RedrawPile.as_view()),
    path("piles/<int:pile_id>/rename/", piles.RenamePile.as_view()),
    path("piles/<int:pile_id>/close/", piles.ClosePile.as_view()),
    path("piles/<int:pile_id>/split/", piles.SplitPile.as_view()),
    path("piles/<int:pile_id>/move/", piles.MovePile.as_view()),
    path("piles/<int:pile_id>/bases/", validity.Bases.as_view()),
    path("piles/<int:pile_id>/bases/<int:base_id>/", validity.BaseRow.as_view()),
    path("piles/<int:pile_id>/bases/<int:base_id>/approve/", validity.ApproveBase.as_view()),
    path("piles/<int:pile_id>/bases/<int:base_id>/withdraw/", validity.WithdrawBase.as_view()),
    path("stock-counts/", stock.Counts.as_view()),
    path("stock/", stock.Stock.as_view()),
]
