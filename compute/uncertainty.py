"""How sure a volume and its tonnes are: one term for each thing that may be wrong, added by squares.

Terms are standard uncertainties (1 σ) in m³; the figure shown is k = 2. General propagation is that of the
GUM (JCGM 100:2008, clause 5). Every term works through the derivative c of the net volume by each shot's
height, in m², so that an error common to a top and a base made of the same shots cancels as it does in the
field, and one against an older base does not: there the c sum up to the area, here to nothing.

| term | 1 σ |
|---|---|
| shot_noise | σ √(Σ c²) |
| correlated_noise | σ a √(π A / 5), times how much of it base and top share |
| height_bias_top | u · abs(Σ c) |
| height_bias_base | u · A for a base of its own, 0 for one made of the same shots |
| toe_position | s · tan β · Σ w for a base through the toe, P s² tan β / 2 for another |
| spacing | from leaving shots out |
| moved_during_survey | as declared |
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from compute.case import lies_under_all
from compute.errors import BadOption, NumberNotFinite
from compute.records import Density, FloatArray, UncertaintyModel
from compute.surface import facets_of
from compute.volume import derivative_by_vertex

if TYPE_CHECKING:
    from compute.case import Case
    from compute.leave_out import LeaveOut

K = 2.0

TERMS = (
    "shot_noise",
    "correlated_noise",
    "height_bias_top",
    "height_bias_base",
    "toe_position",
    "spacing",
    "moved_during_survey",
)

MODELS: dict[str, UncertaintyModel] = {
    model.method: model
    for model in (
        # 3 cm each and a range of 10 m are what the standard pile was worked with: own arithmetic.
        UncertaintyModel(0.03, 0.03, 0.03, 0.05, 10.0, 0.03, method="total-station"),
        # Working figure in the open: 2–4 cm in height, one base and one geoid for all shots. Common practice.
        UncertaintyModel(0.03, 0.03, 0.03, 0.05, 10.0, 0.03, method="gnss"),
        # 3.5–10 cm with ground control; crests smoothed, toes rounded. Common practice on published trials.
        UncertaintyModel(0.03, 0.05, 0.05, 0.10, 15.0, 0.05, method="flight"),
        # 0.5–2 cm standing, 2–5 cm moving, after registration. Common practice.
        UncertaintyModel(0.02, 0.02, 0.02, 0.05, 10.0, 0.02, method="scan"),
        # Nothing is known: the worst of the above, and more.
        UncertaintyModel(0.05, 0.10, 0.10, 0.15, 15.0, 0.05, method="unknown"),
    )
}
"""By survey method: noise, bias of top, bias of base, toe position, range and σ of correlated noise, m."""

SAID: dict[str, str] = {
    "shot_noise": "the noise of single shots",
    "correlated_noise": "height errors that neighbouring shots share",
    "height_bias_top": "the height error common to all shots",
    "height_bias_base": "the height of the base",
    "toe_position": "where the toe was shot",
    "spacing": "the spacing of the shots",
    "moved_during_survey": "material moved during the survey",
    "partition": "where the material really meets that of the pile beside it",
    "density": "the density",
}

BLOCKS = 1_500
"""Shots are gathered into at most about this many blocks before every pair is looked at."""


@dataclass(frozen=True)
class Budget:
    """Uncertainty of one volume and its tonnes. Never NaN, never absent.

    terms            : term → standard uncertainty, m³ (1 σ), in the order of `TERMS`
    u_net_m3, U_net_m3 : combined, 1 σ and k = 2
    dominant         : the largest term of the volume
    u_tonnes_t, U_tonnes_t, dominant_tonnes, density_share : None without a density; `dominant_tonnes` may be
                       `density`; the share is density's part of the variance of the tonnes, 0 to 1
    advice           : one sentence on what would make the figure surer
    """

    terms: dict[str, float]
    u_net_m3: float
    U_net_m3: float
    dominant: str
    u_tonnes_t: float | None
    U_tonnes_t: float | None
    dominant_tonnes: str | None
    density_share: float | None
    advice: str

    def as_dict(self) -> dict[str, Any]:
        return {
            "k": K,
            "net_m3": self.U_net_m3,
            "tonnes": self.U_tonnes_t,
            "terms": dict(self.terms),
            "dominant": self.dominant,
            "dominant_tonnes": self.dominant_tonnes,
            "density_share": self.density_share,
            "advice": self.advice,
        }


# --- the model -----------------------------------------------------------------------------------


def model_for(
    method: str,
    site: Mapping[str, Any] | None = None,
    survey: Mapping[str, Any] | None = None,
) -> UncertaintyModel:
    """Defaults of a survey method, changed by what the site and then the survey say.

    Keys are the fields of `UncertaintyModel` but `method`. Raises `BadOption` for an unknown method or key,
    or for a value that is not a number from 0 to 10 (m) or from 0 up (m³).
    """
    if method not in MODELS:
        raise BadOption(
            f"There is no survey method {method!r}.",
            where="survey method",
            remedy=f"Use one of {', '.join(MODELS)}.",
        )
    model = MODELS[method]
    for owner, given in (("site", site), ("survey", survey)):
        changes = {name: _checked(owner, name, value) for name, value in (given or {}).items()}
        model = dataclasses.replace(model, **changes)  # type: ignore[arg-type]
    return model


def _checked(owner: str, name: str, value: Any) -> float:
    where = f"uncertainty of the {owner}: {name}"
    known = [field.name for field in dataclasses.fields(UncertaintyModel) if field.name != "method"]
    if name not in known:
        raise BadOption(
            f"There is no uncertainty named {name!r}.", where=where, remedy=f"Use {', '.join(known)}."
        )
    most = {"moved_during_survey_m3": math.inf, "correlation_length_m": 1000.0}.get(name, 10.0)
    # True would pass as 1; a string would fail far from here.
    if isinstance(value, bool) or not isinstance(value, int | float) or not 0.0 <= value <= most:
        raise BadOption(
            f"{value!r} is no standard uncertainty for {name}.",
            where=where,
            remedy=f"Give a number from 0 to {most:g}."
            if math.isfinite(most)
            else "Give a number from 0 up.",
        )
    if not math.isfinite(value):
        raise BadOption(f"{value!r} is not a finite number.", where=where, remedy="Give a finite number.")
    return float(value)


# --- the budget ----------------------------------------------------------------------------------


def budget(case: Case, left: LeaveOut) -> Budget:
    """The uncertainty of a case's net volume and, with a density, of its tonnes."""
    model = case.model
    own_base = case.base.weights is not None
    by_shot = case.derivative_by_shot
    terms = {
        "shot_noise": shot_noise_m3(model.shot_noise_m, by_shot),
        "correlated_noise": correlated_noise_m3(
            model.correlated_noise_m, model.correlation_length_m, case.volume.plan_area_m2
        )
        * _shared_noise(case),
        "height_bias_top": model.height_bias_top_m * abs(math.fsum(by_shot)),
        "height_bias_base": 0.0 if own_base else model.height_bias_base_m * case.volume.plan_area_m2,
        "toe_position": toe_position_m3(case),
        "spacing": left.u_spacing_m3,
        "moved_during_survey": model.moved_during_survey_m3,
    }
    if case.split_facts is not None:
        terms["partition"] = case.split_facts.u_m3
    return combined(terms, case.volume.net_m3, case.density)


def combined(terms: Mapping[str, float], net_m3: float, density: Density | None) -> Budget:
    """Add the terms by squares, and the density's to them for the tonnes: u_T² = (ρ u_V)² + (V u_ρ)²."""
    u_net = math.sqrt(math.fsum(value * value for value in terms.values()))
    if not math.isfinite(u_net) or not math.isfinite(net_m3):
        raise NumberNotFinite(
            f"The uncertainty of {net_m3} m³ cannot be worked out of {dict(terms)}.",
            where="uncertainty",
            remedy="Correct the uncertainties of site and survey.",
        )
    dominant = max(terms, key=lambda name: terms[name])
    if density is None:
        advice = f"The largest part of the uncertainty of this volume is {SAID[dominant]}."
        return Budget(dict(terms), u_net, K * u_net, dominant, None, None, None, None, advice)
    from_volume = density.t_per_m3 * u_net
    from_density = abs(net_m3) * density.standard_uncertainty_t_per_m3
    u_tonnes = math.hypot(from_volume, from_density)
    share = (from_density / u_tonnes) ** 2 if u_tonnes > 0.0 else 0.0
    largest = "density" if from_density > density.t_per_m3 * terms[dominant] else dominant
    return Budget(
        terms=dict(terms),
        u_net_m3=u_net,
        U_net_m3=K * u_net,
        dominant=dominant,
        u_tonnes_t=u_tonnes,
        U_tonnes_t=K * u_tonnes,
        dominant_tonnes=largest,
        density_share=share,
        advice=_advice(share, dominant),
    )


def _advice(density_share: float, dominant: str) -> str:
    """Halving takes three quarters of the variance away: who holds that much can do it alone."""
    start = "To halve the uncertainty of this tonnage, "
    percent = f"{100.0 * density_share:.0f} %"
    if density_share >= 0.75:
        return (
            f"{start}do a density test; a better survey would not help "
            f"(density is {percent} of the variance)."
        )
    if density_share > 0.25:
        return (
            f"{start}both density and survey must get better: density is {percent} of the variance, and the "
            f"largest part of the survey's is {SAID[dominant]}."
        )
    return (
        f"{start}survey better, first of all {SAID[dominant]}; a density test would not help "
        f"(density is {percent} of the variance)."
    )


def shot_noise_m3(sigma_m: float, derivative_m2: FloatArray) -> float:
    """σ √(Σ c²): independent noise of every shot, which mostly averages out."""
    return sigma_m * math.sqrt(math.fsum(derivative_m2 * derivative_m2))


def correlated_noise_m3(sigma_m: float, range_m: float, area_m2: float) -> float:
    """σ a √(π A / 5): noise with a spherical covariance of range a over an area A much larger than a².

    The integral of a spherical covariance over the plane is π a² σ² / 5 (after Anderson 2019, Earth Surf.
    Process. Landforms 44:1015–1033). On a small area it is held to σ A, all of it in common.
    """
    return sigma_m * min(range_m * math.sqrt(math.pi * area_m2 / 5.0), area_m2)


def toe_position_m3(case: Case) -> float:
    """What a toe shot s up the slope everywhere does, m³.

    A base through the toe rises by s · tan β under the whole pile: s · tan β · Σ w, where w is the change of
    the base's volume by each toe height. An independent base only loses the wedge beyond the shot toe,
    P s² tan β / 2. A drawn edge with an independent base has no toe to miss.
    """
    s = case.model.toe_position_m
    if case.base.weights is not None:
        return s * _toe_slope(case) * math.fsum(_base_derivative(case))
    if case.edge.kind == "drawn":
        return 0.0
    return case.edge.perimeter_m * s * s * _toe_slope(case) / 2.0


def _base_derivative(case: Case) -> FloatArray:
    """Change of the volume under the base by each of its vertices' heights, m²."""
    return derivative_by_vertex(
        case.base.surface, None if lies_under_all(case.base, case.edge) else case.edge
    )


def top_derivative_by_shot(case: Case) -> FloatArray:
    """(N,) m²: change of the volume under the top alone; the net's derivative with the base's put back."""
    if case.base.weights is None:
        return case.derivative_by_shot
    return np.asarray(case.derivative_by_shot + case.base.weights.T @ _base_derivative(case))


def _toe_slope(case: Case) -> float:
    """tan β at the foot: mean steepness of the triangles at the rim of the top, weighted by plan area.

    Beyond a drawn edge or hull the rim may be anything; there it is the mean over the whole top.
    """
    facets = facets_of(case.top)
    slope, area = facets.slope_deg, facets.area_m2
    if case.toe_ring is not None:
        on_ring = np.zeros(len(case.top.vertices_m), bool)
        on_ring[case.vertex_of_shot[case.toe_ring]] = True
        at_ring = on_ring[case.top.triangles].any(axis=1)
        slope, area = slope[at_ring], area[at_ring]
    return float((np.tan(np.radians(slope)) * area).sum() / area.sum())


def _shared_noise(case: Case) -> float:
    """What a base made of the same shots leaves of the top's correlated noise; 1 for another base.

    Both sides are taken at the shots with the same spherical covariance ρ: √(Σ c c′ ρ / Σ t t′ ρ), with c
    the derivative of the net volume and t that of the top alone. With a range far beyond the pile the noise
    is a common height error and cancels; with a short one the few toe shots make it larger than the top's.
    """
    if case.base.weights is None:
        return 1.0
    xy = np.column_stack([case.shots.x_m, case.shots.y_m])
    both = np.column_stack([case.derivative_by_shot, top_derivative_by_shot(case)])
    net, top = correlated_squares(xy, both, case.model.correlation_length_m)
    return math.sqrt(max(net, 0.0) / top) if top > 0.0 else 1.0


def correlated_squares(xy_m: FloatArray, weights: FloatArray, range_m: float) -> FloatArray:
    """(W,) Σᵢ Σⱼ wᵢ wⱼ ρ(dᵢⱼ) for each column of `weights` (N, W), spherical ρ of the given range.

    Shots that weigh nothing are left aside; many shots are first gathered into blocks well below the range.
    """
    heavy = np.flatnonzero(np.any(weights != 0.0, axis=1))
    xy, weights = xy_m[heavy], weights[heavy]
    if len(xy) == 0:
        return np.zeros(weights.shape[1])
    if len(xy) > BLOCKS:
        xy, weights = _in_blocks(xy, weights)
    if range_m <= 0.0:
        return np.asarray((weights * weights).sum(axis=0))
    apart = [np.subtract.outer(axis, axis) for axis in xy.T]
    share = np.minimum(np.hypot(*apart) / range_m, 1.0)
    rho = 1.0 - 1.5 * share + 0.5 * share**3
    return np.asarray((weights * (rho @ weights)).sum(axis=0))


def _in_blocks(xy: FloatArray, weights: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Weights added up in square blocks, at the mean position of each block's shots."""
    low = xy.min(axis=0)
    span = np.maximum(np.ptp(xy, axis=0), 1e-9)
    side = math.sqrt(float(span[0] * span[1]) / BLOCKS)
    cell = np.floor((xy - low) / max(side, float(span.max()) / BLOCKS)).astype(np.int64)
    _, block = np.unique(cell[:, 0] * (cell[:, 1].max() + 1) + cell[:, 1], return_inverse=True)
    block = block.ravel()
    count = np.bincount(block)
    mean = np.column_stack([np.bincount(block, xy[:, k]) / count for k in range(2)])
    added = np.column_stack([np.bincount(block, weights[:, k]) for k in range(weights.shape[1])])
    return mean.astype(np.float64), added.astype(np.float64)
