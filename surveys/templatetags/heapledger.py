"""Tags of the pages: a figure with its ±, a mark, a state, dates and words of the trade."""

from __future__ import annotations

from datetime import date
from typing import Any

from django import template
from django.utils import timezone
from django.utils.safestring import SafeString, mark_safe

from surveys.drawings.plan import MARKS
from surveys.drawings.svg import el
from surveys.pages import figures, wording
from surveys.pages.marks import mark_svg

register = template.Library()


@register.inclusion_tag("parts/figure.html")
def figure(
    value: Any,
    u95: Any,
    kind: str,
    units: figures.Units | None = None,
    *,
    href: str = "",
    signed: bool = False,
) -> dict[str, Any]:
    """One quantity: rounded to what its ± supports, unit, ±. With `href` it leads to its provenance."""
    if value is None:
        return {"missing": True}
    return {"figure": figures.figure(value, u95, kind, units or figures.SI, signed=signed), "href": href}


@register.simple_tag
def number(
    value: Any, u95: Any, kind: str, units: figures.Units | None = None, *, signed: bool = False
) -> str:
    """The value alone, for a column whose head carries the unit and whose neighbour carries the ±."""
    if value is None:
        return "–"
    return figures.figure(value, u95, kind, units or figures.SI, signed=signed).value


@register.simple_tag
def length3(value: Any, units: figures.Units | None = None) -> str:
    """A coordinate or height of control, to a thousandth of the site's unit."""
    if value is None:
        return "–"
    return figures.number((units or figures.SI).shown(value, "length"), 3)


@register.simple_tag
def weighed(value: Any, units: figures.Units | None = None, *, signed: bool = False) -> str:
    """Tonnes of the book in the site's unit, to a hundredth: what scales say carries no ± of its own here."""
    if value is None:
        return "–"
    return figures.number(float((units or figures.SI).shown(value, "mass")), 2, signed=signed)


@register.simple_tag
def plus_minus(u95: Any, kind: str, units: figures.Units | None = None) -> str:
    """The ± alone; "not assessed" is said, never left blank."""
    if u95 is None:
        return "not assessed"
    return figures.figure(u95, u95, kind, units or figures.SI).plus_minus or "0"


@register.simple_tag
def difference(value: Any, of: Any, u95: Any, kind: str, units: figures.Units | None = None) -> str:
    """`value` less `of`, signed, rounded as the ± of `of` supports."""
    if value is None or of is None:
        return "–"
    return figures.figure(value - of, u95, kind, units or figures.SI, signed=True).value


@register.simple_tag
def uncertain(standard: float, kind: str, units: figures.Units | None = None) -> str:
    """A standard uncertainty, to two significant digits."""
    if not standard:
        return "0"
    return figures.figure(standard, standard, kind, units or figures.SI).plus_minus


@register.simple_tag
def bar(percent_of_whole: float, is_dominant: bool) -> SafeString:
    """A share as a bar; the number stands beside it."""
    track = el("rect", class_="track", width="100", height="10")
    share = el(
        "rect", class_="dominant" if is_dominant else "share", width=float(percent_of_whole), height="10"
    )
    whole = el(
        "svg",
        track,
        share,
        class_="bars",
        viewbox="0 0 100 10",
        preserveAspectRatio="none",
        aria_hidden="true",
    )
    return mark_safe(whole)  # noqa: S308  built from numbers


@register.simple_tag
def shot_mark(role: str) -> SafeString:
    """The shape by which a plan shows a role, for its key."""
    shape = el("path", d=f"M8 8{MARKS[role]}", class_=f"shot shot-{role}")
    return mark_safe(el("svg", shape, class_="drawing-key drawing", viewbox="0 0 16 16", aria_hidden="true"))  # noqa: S308


@register.simple_tag
def unit(kind: str, units: figures.Units | None = None) -> str:
    return (units or figures.SI).symbol(kind)


@register.simple_tag
def percent(part: Any, whole: Any) -> str:
    return figures.percent(part, whole)


@register.simple_tag
def mark(name: str) -> SafeString:
    return mark_safe(mark_svg(name))  # noqa: S308  built from constants


_TONES = {"stop": "is-stop", "warn": "is-warn", "full": "is-settled", "settled": "is-settled"}
_STATES = {
    "measurement": wording.MEASUREMENT_STATES,
    "job": wording.JOB_STATES,
    "file": wording.FILE_STATES,
    "severity": wording.SEVERITIES,
    "record": wording.RECORD_STATES,
    "period": wording.PERIOD_STATES,
    "adjustment": wording.ADJUSTMENT_STATES,
    "import": wording.IMPORT_STATES,
    "reduction": wording.REDUCTION_STATES,
    "standing": wording.MARK_STANDINGS,
}


@register.inclusion_tag("parts/state.html")
def state(kind: str, value: str) -> dict[str, Any]:
    """A state as mark and word. `kind` is `measurement`, `job`, `file`, `severity` or `record`."""
    word, shape = _STATES[kind][value]
    return {"word": word, "mark": mark_svg(shape), "tone": _TONES.get(shape, "")}


_WORDS = {
    "role": wording.ROLES,
    "verb": {},
    "base": wording.BASE_KINDS,
    "edge": wording.EDGE_KINDS,
    "method": wording.METHODS,
    "shot": wording.SHOT_ROLES,
    "term": wording.UNCERTAINTY_TERMS,
    "stage": wording.STAGES,
    "left_out": wording.LEFT_OUT,
    "unit": wording.LENGTH_UNITS,
    "movement": wording.MOVEMENT_KINDS,
}


@register.filter
def words(value: Any, table: str) -> str:
    """The trade's word for a stored key: `{{ base.kind|words:"base" }}`."""
    return wording.in_words(_WORDS[table], str(value)) if value else ""


register.filter("day", wording.day)


@register.filter
def at(value: Any, zone: str = "UTC") -> str:
    return wording.moment(value, zone)


@register.filter
def age(value: date | None, today: date | None = None) -> str:
    return "" if value is None else wording.age(value, today or timezone.now().date())


@register.filter
def days_ago(days: int | None) -> str:
    """An age in days as words: `today`, `12 days`, `5 weeks`."""
    return "" if days is None else wording.age_of(days)


@register.filter
def plural(count: int, nouns: str) -> str:
    """`{{ n|plural:"pile" }}` or `{{ n|plural:"survey,surveys" }}`."""
    one, _, many = nouns.partition(",")
    return wording.plural(count, one, many)


@register.filter
def counted(count: int) -> str:
    """A number of things, its thousands apart."""
    return f"{count:,}"


@register.filter
def short_hash(value: str) -> str:
    """The first twelve digits: enough to compare by eye; the whole one stands in the title."""
    return value[:12]


@register.filter
def byte_size(value: int) -> str:
    if value < 1024:
        return f"{value}\u00a0B"
    return f"{value / 1024:,.0f}\u00a0kB" if value < 1024**2 else f"{value / 1024**2:,.1f}\u00a0MB"


@register.filter
def item(table: dict[Any, Any], key: Any) -> Any:
    """`table[key]`, or None: for tables that a view has worked out beside a list."""
    return table.get(key)
