"""The addresses of the pages."""

from __future__ import annotations

from django.urls import path

from surveys.pages import (
    certificates,
    exports,
    first_visit,
    measurement,
    people,
    pile,
    pile_views,
    setup_material,
    setup_pile,
    setup_site,
    signing,
    site,
    stock,
    survey,
)

urlpatterns = [
    path("", stock.stock_page, name="stock"),
    path("sign-in/", signing.SignIn.as_view(), name="sign-in"),
    path("sign-out/", signing.SignOut.as_view(), name="sign-out"),
    path("invitations/<str:uid>/<str:token>/", people.accept_invitation, name="accept-invitation"),
    path("people/", people.people_page, name="people"),
    path("people/invite/", people.invite, name="invite"),
    path("people/<int:person_id>/invitation/", people.invitation_link, name="invitation-link"),
    path("people/<int:person_id>/roles/", people.give_role, name="give-role"),
    path("people/<int:person_id>/roles/end/", people.end_role, name="end-role"),
    path("organization/", signing.choose_organization, name="choose-organization"),
    path("sample-pile.csv", first_visit.sample_file, name="sample-file"),
    path("sites/", site.sites_page, name="sites"),
    path("sites/new/", setup_site.new_site, name="new-site"),
    path("sites/<str:code>/", site.site_page, name="site"),
    path("sites/<str:code>/settings/", setup_site.site_settings, name="site-settings"),
    path("sites/<str:code>/surveys/", site.surveys_page, name="surveys"),
    path("sites/<str:code>/surveys/new/", survey.new_survey, name="new-survey"),
    path("sites/<str:code>/control/new/", setup_site.new_control_point, name="new-control-point"),
    path(
        "sites/<str:code>/control/<int:control_id>/<str:step>/", setup_site.control_step, name="control-step"
    ),
    path("sites/<str:code>/piles/new/", setup_pile.new_pile, name="new-pile"),
    path("sites/<str:code>/piles/<str:pile>/", pile.pile_page, name="pile"),
    path("sites/<str:code>/piles/<str:pile>/outline/", setup_pile.pile_outline, name="pile-outline"),
    path("sites/<str:code>/piles/<str:pile>/hazards/", setup_pile.pile_hazards, name="pile-hazards"),
    path("sites/<str:code>/piles/<str:pile>/close/", setup_pile.close_pile, name="close-pile"),
    path("sites/<str:code>/piles/<str:pile>/bases/new/", setup_pile.propose_base, name="propose-base"),
    path(
        "sites/<str:code>/piles/<str:pile>/bases/<int:version>/<str:step>/",
        setup_pile.base_step,
        name="base-step",
    ),
    path("sites/<str:code>/piles/<str:pile>/change/", pile_views.change_fragment, name="pile-change"),
    path("materials/", setup_material.materials_page, name="materials"),
    path("materials/new/", setup_material.new_material, name="new-material"),
    path("materials/<str:code>/", setup_material.material_page, name="material"),
    path("materials/<str:code>/densities/new/", setup_material.propose_density, name="propose-density"),
    path(
        "materials/<str:code>/densities/<int:density_id>/<str:step>/",
        setup_material.density_step,
        name="density-step",
    ),
    path("surveys/<int:survey_id>/", survey.survey_page, name="survey"),
    path("surveys/<int:survey_id>/results/", survey.survey_results, name="survey-results"),
    path("surveys/<int:survey_id>/files/", survey.add_files, name="add-files"),
    path("surveys/<int:survey_id>/files/<int:file_id>/columns/", survey.file_columns, name="file-columns"),
    path(
        "surveys/<int:survey_id>/files/<int:file_id>/set-aside/", survey.set_file_aside, name="set-file-aside"
    ),
    path("surveys/<int:survey_id>/measure/", survey.measure, name="measure"),
    path("surveys/<int:survey_id>/all/<str:step>/", survey.step_all, name="step-all"),
    path("measurements/<int:measurement_id>/", measurement.measurement_page, name="measurement"),
    path(
        "measurements/<int:measurement_id>/<str:step>/step/", measurement.take_step, name="measurement-step"
    ),
    path("measurements/<int:measurement_id>/accept/", measurement.accept, name="accept-finding"),
    path("measurements/<int:measurement_id>/again/", measurement.measure_again, name="measure-again"),
    path("measurements/<int:measurement_id>/recompute/", measurement.recompute, name="recompute"),
    path(
        "measurements/<int:measurement_id>/certificate/",
        certificates.certificate_page,
        name="certificate-page",
    ),
    path(
        "measurements/<int:measurement_id>/certificate.pdf", certificates.certificate_pdf, name="certificate"
    ),
    path("verify/<str:digest>", certificates.verify_page, name="verify"),
    path("measurements/<int:measurement_id>/section/", pile_views.section_fragment, name="section"),
    path("measurements/<int:measurement_id>/surfaces.json", pile_views.surfaces_json, name="surfaces"),
    path(
        "measurements/<int:measurement_id>/export/<str:part>", exports.export_surface, name="export-surface"
    ),
    path("exports/stock.<str:form>", exports.export_stock, name="export-stock"),
]
