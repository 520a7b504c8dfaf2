"""The invented yard enters the book by the verbs that people use. Each step can be taken again."""

from __future__ import annotations

from datetime import date
from decimal import Decimal

from inventory import basing, density, piles, places
from inventory.models import BaseVersion, DensityRecord, Material, Pile, Site
from surveys import control, grounds
from surveys.demo.cast import Cast
from surveys.demo.fieldfiles import pad_shots, written
from surveys.demo.limits import lay_limits
from surveys.demo.story import outlines
from surveys.demo.yard import (
    COAL_PAD_REGRADED_ON,
    DENSITIES,
    MATERIALS,
    MERGED_ON,
    PILE,
    PILES,
    SITE,
    SITES,
    DemoDensity,
    DemoPile,
    pad_on,
)
from surveys.models import ControlPoint

SURVEY_EVERY_DAYS = 31
OPENED_ON = date(2024, 11, 1)
CONTROL_SOURCE = "Closed traverse and levelling of October 2024, adjusted by least squares"
HEIGHT_UNCERTAINTY_M = {"surface": "0.0150", "level": "0.0100", "toe": "0.0200", "plane": "0.0200"}
BASE_REASON = {
    "surface": "Survey of the empty pad before the first material was tipped",
    "level": "Concrete floor, levelled from two marks",
    "toe": "The ground under the pile was never surveyed: drawn through the toe of each survey",
    "plane": "Planed pad, never surveyed on its own: plane through the toe of each survey",
}


class Book:
    """Sites, materials and piles of the demo by their codes."""

    def __init__(self, cast: Cast) -> None:
        self.cast = cast

    def site(self, code: str) -> Site:
        return Site.objects.select_related("organization").get(organization=self.cast.organization, code=code)

    def pile(self, code: str) -> Pile:
        found = Pile.objects.select_related("site__organization", "material")
        return found.get(site__organization=self.cast.organization, code=code)

    def has_pile(self, code: str) -> bool:
        return Pile.objects.filter(site__organization=self.cast.organization, code=code).exists()

    # --- what is there at the start of the year ----------------------------------------------------

    def open_the_year(self) -> None:
        self._open_sites()
        self._add_materials()
        for record in DENSITIES:
            if record.valid_from < MERGED_ON:
                self.bring_into_force(record)
        for pile in PILES:
            if pile.opened_on < MERGED_ON:
                self._open_pile(pile)
        for site in ("DRV", "TUL"):
            self.enter_control(site)
        lay_limits(self)

    def _open_sites(self) -> None:
        for site in SITES:
            if Site.objects.filter(organization=self.cast.organization, code=site.code).exists():
                continue
            places.open_site(
                self.cast.organization,
                code=site.code,
                name=site.name,
                by=self.cast.manager_of(site.code),
                timezone=site.timezone,
                length_unit=site.length_unit,
                volume_unit=site.volume_unit,
                mass_unit=site.mass_unit,
                survey_every_days=SURVEY_EVERY_DAYS,
            )

    def _add_materials(self) -> None:
        known = set(
            Material.objects.filter(organization=self.cast.organization).values_list("code", flat=True)
        )
        for code, name in MATERIALS.items():
            if code not in known:
                by = self.cast.lead
                places.add_material(self.cast.organization, code=code, name=name, by=by)

    def bring_into_force(self, wanted: DemoDensity) -> None:
        """Propose a density and have it approved by a lead surveyor and a manager."""
        material = Material.objects.get(organization=self.cast.organization, code=wanted.material)
        record = DensityRecord.objects.filter(material=material, valid_from=wanted.valid_from).first()
        if record is None:
            record = density.propose_density(
                material=material,
                t_per_m3=wanted.t_per_m3,
                grade=wanted.grade,
                method=wanted.method,
                reason=wanted.reason,
                valid_from=wanted.valid_from,
                standard_uncertainty_percent=wanted.percent,
                tests_n=wanted.tests,
                by=self.cast.surveyor_of("DRV"),
            )
        for role in density.signatures_missing(record):
            by = self.cast.lead if role == "lead_surveyor" else self.cast.manager_of("DRV")
            record = density.approve_density(record, by)

    def _open_pile(self, pile: DemoPile) -> None:
        if not self.has_pile(pile.code):
            piles.open_pile(
                site=self.site(pile.site),
                code=pile.code,
                name=pile.name,
                material=Material.objects.get(organization=self.cast.organization, code=pile.material),
                opened_on=pile.opened_on,
                by=self.cast.manager_of(pile.site),
                outline=outlines()[pile.code],
                hazards=pile.hazards,
            )
        self.lay_base(pile, pile.opened_on, BASE_REASON[pile.base])

    def lay_base(self, pile: DemoPile, valid_from: date, reason: str) -> None:
        """Propose a base from a day on and have it approved by another person."""
        book_pile = self.pile(pile.code)
        base = book_pile.bases.filter(valid_from=valid_from).first()
        if base is None:
            base = self._proposed_base(pile, book_pile, valid_from, reason)
        if base.status == "proposed":
            basing.approve_base(base, self.cast.lead)

    def _proposed_base(self, pile: DemoPile, book_pile: Pile, valid_from: date, reason: str) -> BaseVersion:
        by = self.cast.surveyor_of(pile.site)
        uncertainty_m = HEIGHT_UNCERTAINTY_M[pile.base]
        if pile.base == "surface":
            data = written(pile.site, pad_shots(pile, pad_on(pile, valid_from), outlines()[pile.code]))
            return grounds.propose_surveyed_base(
                book_pile,
                f"{pile.code}-pad-{valid_from}.csv",
                data,
                by,
                valid_from=valid_from,
                height_uncertainty_m=uncertainty_m,
                reason=reason,
            )
        return basing.propose_base(
            pile=book_pile,
            kind=pile.base,
            valid_from=valid_from,
            height_uncertainty_m=uncertainty_m,
            reason=reason,
            by=by,
            level_m=f"{pile.pad.level_m:.4f}" if pile.base == "level" else None,
        )

    def enter_control(self, code: str) -> None:
        """The list of control of a site, handed in by its surveyor and approved by the lead surveyor."""
        site = self.site(code)
        known = set(ControlPoint.objects.filter(site=site).values_list("name", flat=True))
        for name, place in SITE[code].control_m.items():
            if name not in known:
                northing_m, easting_m, elevation_m = (Decimal(f"{value:.4f}") for value in place)
                proposed = control.propose_control_point(
                    site,
                    name,
                    northing_m=northing_m,
                    easting_m=easting_m,
                    elevation_m=elevation_m,
                    valid_from=OPENED_ON,
                    by=self.cast.surveyor_of(code),
                    source=CONTROL_SOURCE,
                )
                control.approve_control_point(proposed, self.cast.lead)
        self._approve_what_waits(site)

    def _approve_what_waits(self, site: Site) -> None:
        """A demo that was stopped between the two signatures goes on with the second."""
        for waiting in ControlPoint.objects.filter(site=site, approval=ControlPoint.Approval.PROPOSED):
            control.approve_control_point(waiting, self.cast.lead)

    # --- what happens in the year --------------------------------------------------------------------

    def merge_the_stone(self) -> None:
        """DRV-03 and DRV-04 become DRV-07 on 1 July."""
        merged = PILE["DRV-07"]
        if not self.has_pile(merged.code):
            piles.merge_piles(
                [self.pile("DRV-03"), self.pile("DRV-04")],
                code=merged.code,
                name=merged.name,
                on=MERGED_ON,
                by=self.cast.manager_of("DRV"),
                reason="The gap was filled to make room for the haul road; one heap since then",
                outline=outlines()[merged.code],
            )
        reason = "Survey of both pads of 2023, checked on the floor that the move laid bare"
        self.lay_base(merged, MERGED_ON, reason)

    def raise_the_coal_pad(self) -> None:
        reason = "Pad regraded on 5 September and surveyed again: 0.15 m higher"
        self.lay_base(PILE["TUL-03"], COAL_PAD_REGRADED_ON, reason)

    def revise_the_sand(self) -> None:
        for record in DENSITIES:
            if record.valid_from > MERGED_ON:
                self.bring_into_force(record)

    def enter_control_of_kettlevarn(self) -> None:
        self.enter_control("KTV")
