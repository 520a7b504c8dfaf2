"""What there is: the company, its sites, control, materials, densities and piles. All invented.

Metres and tonnes throughout, also for Kettlevarn, whose crew works in international feet.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

from surveys.demo import heaps
from surveys.demo.ground import Pad
from surveys.demo.heaps import Form

COMPANY = "Quendlebrook Bulk Materials"
COMPANY_SLUG = "quendlebrook"

FOOT_M = 0.3048


@dataclass(frozen=True)
class DemoSite:
    code: str
    name: str
    timezone: str
    length_unit: str
    volume_unit: str
    mass_unit: str
    control_m: dict[str, tuple[float, float, float]]
    """name → (northing, easting, elevation)"""


@dataclass(frozen=True)
class DemoDensity:
    material: str
    t_per_m3: str
    grade: str
    percent: str
    valid_from: date
    method: str
    reason: str
    tests: int | None = None
    site: str = ""


@dataclass(frozen=True)
class DemoPile:
    """`base` is a kind of base version; `spots_m` the crew's spacing on faces, `tops_m` on flat parts."""

    code: str
    name: str
    material: str
    form: Form
    pad: Pad
    base: str
    spots_m: float
    tops_m: float
    seed: int
    opened_on: date = date(2024, 11, 1)
    closed_on: date | None = None
    hazards: str = ""

    @property
    def site(self) -> str:
        return self.code[:3]


def _feet(northing_ft: float, easting_ft: float, elevation_ft: float) -> tuple[float, float, float]:
    return round(northing_ft * FOOT_M, 6), round(easting_ft * FOOT_M, 6), round(elevation_ft * FOOT_M, 6)


SITES: tuple[DemoSite, ...] = (
    DemoSite(
        "DRV", "Dravenhoe Quarry", "UTC", "metre", "cubic-metre", "tonne",
        {
            "CP1": (4018.412, 2006.220, 120.318), "CP2": (4012.077, 2090.845, 120.954),
            "CP3": (4014.930, 2178.402, 121.611), "CP4": (4021.366, 2276.118, 122.207),
            "CP5": (4104.521, 2008.733, 121.140), "CP6": (4106.208, 2089.315, 121.722),
            "CP7": (4103.874, 2178.960, 122.390), "CP8": (4107.655, 2279.804, 123.066),
            "CP9": (4196.138, 2012.456, 121.873), "CP10": (4201.902, 2092.371, 122.525),
            "CP11": (4199.480, 2180.117, 123.178), "CP12": (4197.745, 2272.690, 123.804),
        },
    ),
    DemoSite(
        "TUL", "Tulmarrow Wharf", "UTC", "metre", "cubic-metre", "tonne",
        {
            "T1": (1006.450, 8016.905, 10.212), "T2": (1004.318, 8075.660, 10.305),
            "T3": (1007.724, 8147.233, 10.388), "T4": (1009.061, 8214.702, 10.471),
            "T5": (1073.385, 8012.480, 10.260), "T6": (1076.942, 8079.158, 10.340),
            "T7": (1075.110, 8150.577, 10.418), "T8": (1078.630, 8212.049, 10.496),
            "T9": (1146.207, 8034.811, 10.297), "T10": (1149.873, 8108.264, 10.380),
            "T11": (1147.052, 8181.339, 10.462),
        },
    ),
    DemoSite(
        "KTV", "Kettlevarn Yard", "UTC", "foot", "cubic-yard", "short-ton",
        {
            # The marks stand on the road around the yard, two feet below its slab.
            "K1": _feet(10022.41, 10021.83, 162.28), "K2": _feet(10018.07, 10206.35, 163.04),
            "K3": _feet(10025.66, 10561.90, 164.48), "K4": _feet(10212.38, 10014.55, 163.33),
            "K5": _feet(10221.94, 10203.76, 164.22), "K6": _feet(10216.20, 10568.12, 165.63),
        },
    ),
)  # fmt: skip

MATERIALS: dict[str, str] = {
    "M1": "Crusher fines 0/4",
    "M2": "Crushed stone 4/10",
    "M3": "Crushed stone 10/20",
    "M4": "Sub-base 0/40",
    "M5": "Washed sand 0/4",
    "M6": "Steam coal 0/50",
    "M7": "Recycled concrete 0/40",
    "M8": "Wood chips",
}

NEW_YEAR = date(2025, 1, 1)
SAND_REVISED_ON = date(2025, 10, 1)
COAL_PAD_REGRADED_ON = date(2025, 9, 5)
MERGED_ON = date(2025, 7, 1)

DENSITIES: tuple[DemoDensity, ...] = (
    DemoDensity("M1", "1.6000", "B", "1.5", NEW_YEAR, "laboratory", "Bulk density and moisture, 2024"),
    DemoDensity("M2", "1.4500", "A", "1.0", NEW_YEAR, "back-calculation", "26 loads weighed out, 2024", 26),
    DemoDensity("M3", "1.4200", "A", "1.0", NEW_YEAR, "back-calculation", "31 loads weighed out, 2024", 31),
    DemoDensity("M4", "1.8500", "B", "1.5", NEW_YEAR, "laboratory", "Bulk density and moisture, 2024"),
    DemoDensity("M5", "1.5500", "C", "2.5", NEW_YEAR, "borrowed", "Value of another wharf, of 2021"),
    DemoDensity("M6", "0.8800", "B", "1.5", NEW_YEAR, "laboratory", "Bulk density as received, October 2024"),
    DemoDensity("M7", "1.5000", "C", "2.5", NEW_YEAR, "laboratory", "Test of 2022, older than twelve months"),
    DemoDensity("M8", "0.3200", "C", "4.0", NEW_YEAR, "laboratory", "Moisture changes with the season"),
    DemoDensity(
        "M5", "1.4900", "A", "1.2", SAND_REVISED_ON, "back-calculation",
        "24 loads weighed out of a surveyed pile in September 2025", 24,
    ),
)  # fmt: skip

FEEDER_CARD = (
    "Reclaim feeder under the west third of the pile: a bridged void can open without warning. "
    "Nobody walks on the pile; shots on the top are taken without a prism from the marked stations."
)


def _drv(e: float, n: float, level: float, wave: float = 0.035) -> Pad:
    return Pad(2000.0 + e, 4000.0 + n, level, fall_e=0.006, fall_n=0.009, wave_m=wave)


def _tul(e: float, n: float, level: float, wave: float = 0.025) -> Pad:
    return Pad(8000.0 + e, 1000.0 + n, level, fall_e=0.002, fall_n=0.001, wave_m=wave, wave_length_m=60.0)


CONE = heaps.cone

PILES: tuple[DemoPile, ...] = (
    DemoPile("DRV-01", "Fines under the stacker", "M1", Form(CONE, (8.0, 22.0), (18.0, 34.0)),
             _drv(50, 60, 120.6), "surface", 3.4, 3.4, 101,
             hazards="Stacker belt above: stop it before anybody walks the pile."),
    DemoPile("DRV-02", "4/10 ridge", "M2", Form(heaps.ridge(0.74, 4.0, 1.5), (7.0, 16.0), (8.0, 60.0)),
             _drv(133, 60, 121.1), "surface", 3.2, 3.2, 102),
    DemoPile("DRV-03", "10/20 cone", "M3", Form(CONE, (6.0, 20.0), (12.0, 32.0)),
             _drv(50, 150, 121.4, 0.015), "toe", 3.2, 3.2, 103, closed_on=MERGED_ON),
    DemoPile("DRV-04", "10/20 ridge", "M3", Form(heaps.ridge(0.74, -6.0, -1.2), (6.0, 16.0), (6.0, 60.0)),
             _drv(128, 152, 121.9, 0.015), "toe", 3.2, 3.2, 104, closed_on=MERGED_ON),
    DemoPile("DRV-05", "Sub-base, trimmed, with ramp", "M4",
             Form(heaps.trimmed_with_ramp(0.80, 12.0, 16.0, 190.0), (6.0, 14.0), (6.0, 22.0)),
             _drv(228, 62, 121.8), "surface", 2.9, 4.2, 105),
    DemoPile("DRV-06", "4/10 winter reserve", "M2", Form(CONE, (8.0, 22.0), (18.0, 34.0)),
             _drv(229, 152, 122.6, 0.015), "plane", 3.4, 3.4, 106),
    DemoPile("DRV-07", "10/20, two lobes", "M3",
             Form(heaps.two_lobes(0.74, -5.0, 0.86), (11.0, 20.0), (10.0, 34.0)),
             _drv(118, 151, 121.85), "surface", 3.2, 3.2, 107, opened_on=MERGED_ON),
    DemoPile("TUL-01", "Sand bay", "M5", Form(heaps.bay(30.0, 30.0, 0.64, 1.4), (3.5, 9.0), (30.0, 30.0)),
             Pad(8042.0, 1040.0, 10.25), "level", 2.8, 2.8, 201,
             hazards="Walls on three sides: no machine in the bay while the crew is in it."),
    DemoPile("TUL-02", "Sand ridge", "M5", Form(heaps.ridge(0.68, 0.0, 1.0), (6.0, 15.0), (6.0, 50.0)),
             _tul(112, 40, 10.32), "surface", 3.1, 3.1, 202),
    DemoPile("TUL-03", "Coal, long ridge", "M6",
             Form(heaps.trimmed_ridge(0.80, 3.0, 21.0), (5.0, 13.5), (50.0, 90.0)),
             _tul(106, 112, 10.36), "surface", 3.0, 4.2, 203, hazards=FEEDER_CARD),
    DemoPile("TUL-04", "10/20 cone", "M3", Form(CONE, (5.0, 16.0), (12.0, 26.0)),
             _tul(182, 42, 10.44, 0.012), "toe", 2.7, 2.7, 204),
    DemoPile("KTV-01", "Recycled concrete, tipped loads", "M7",
             Form(heaps.tipped_loads(0.74), (7.0, 18.0), (6.0, 26.0)),
             Pad(3048.0 + 32.0, 3048.0 + 36.0, 50.35, fall_e=0.004, fall_n=0.006, wave_m=0.015),
             "toe", 3.0, 3.6, 301),
    DemoPile("KTV-02", "Wood chips, long heap", "M8",
             Form(heaps.low_heap(0.85, 2.0, 5.0), (3.0, 7.45), (10.0, 80.0)),
             Pad(3048.0 + 118.0, 3048.0 + 36.0, 50.55), "level", 2.6, 3.6, 302,
             hazards="Chips heat up and smoke inside: no smoking, and report any steam or smell."),
)  # fmt: skip

PILE: dict[str, DemoPile] = {pile.code: pile for pile in PILES}
SITE: dict[str, DemoSite] = {site.code: site for site in SITES}


def pad_on(pile: DemoPile, on: date) -> Pad:
    """The pad under a pile on a date: the coal pad was lifted by 0.15 m on 5 September."""
    if pile.code == "TUL-03" and on >= COAL_PAD_REGRADED_ON:
        pad = pile.pad
        return Pad(pad.centre_e_m, pad.centre_n_m, pad.level_m, pad.fall_e, pad.fall_n, pad.wave_m,
                   pad.wave_length_m, raised_m=0.15)  # fmt: skip
    return pile.pad
