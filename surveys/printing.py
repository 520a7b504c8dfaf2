"""Measurements and refusals in words, for a terminal."""

from __future__ import annotations

from typing import Any

from compute.errors import Refused


def refusal_text(refusal: Refused) -> str:
    """What, where, every problem, what to do."""
    lines = [f"Refused ({refusal.code}): {refusal.message}"]
    if refusal.where:
        lines.append(f"  where: {refusal.where}")
    for problem in refusal.problems:
        place = f"line {problem.line}" + (f", column {problem.column}" if problem.column else "")
        lines.append(f"  {place if problem.line else 'file'}: {problem.message}")
    more = refusal.total_problems - len(refusal.problems)
    if more > 0:
        lines.append(f"  and {more} more problems of the same file")
    if refusal.remedy:
        lines.append(f"  to do: {refusal.remedy}")
    return "\n".join(lines)


def measurement_table(record: dict[str, Any], density: float | None) -> str:
    """A table for people, in metres, m³ and tonnes."""
    doubt = record["uncertainty"]
    rows = [
        ("volume above base", f"{record['above_base_m3']:,.1f} m³", ""),
        ("volume below base", f"{record['below_base_m3']:,.1f} m³", ""),
        ("net volume", f"{record['net_m3']:,.1f} m³", f"± {doubt['net_m3']:,.1f} m³ (k = 2)"),
        ("plan area", f"{record['plan_area_m2']:,.1f} m²", ""),
        ("surface area", f"{record['surface_area_m2']:,.1f} m²", ""),
        (
            "height over base",
            f"{record['greatest_height_m']:,.2f} m",
            f"mean {record['mean_height_m']:,.2f} m",
        ),
    ]
    if record["tonnes"] is not None:
        rows.append(("tonnes", f"{record['tonnes']:,.1f} t", f"± {doubt['tonnes']:,.1f} t at {density} t/m³"))
    second, check = record["second_base"], record["cross_check"]
    rows += [
        ("base", record["base"]["label"], ""),
        (
            f"second base ({second['kind']})",
            f"{second['net_m3']:,.1f} m³",
            f"{second['difference_m3']:+,.1f} m³",
        ),
        (
            f"cross-check ({check['kind']})",
            f"{check['net_m3']:,.1f} m³",
            f"{check['difference_m3']:+,.1f} m³",
        ),
        ("outer edge", record["edge"]["kind"], f"{record['edge']['perimeter_m']:,.1f} m"),
        ("largest uncertainty", doubt["dominant"].replace("_", " "), ""),
        ("shots", f"{record['shots']['in_top']:,} of {record['shots']['read']:,} in the top", _left(record)),
    ]
    width = max(len(name) for name, _, _ in rows)
    middle = max(len(value) for _, value, _ in rows)
    lines = [f"{name:<{width}}  {value:>{middle}}  {note}".rstrip() for name, value, note in rows]
    lines += [
        f"{f['severity']:>5}  {f['code']}: {f['message']}" + (f" {f['remedy']}" if f["remedy"] else "")
        for f in record["findings"]
    ]
    lines.append(f"digest {record['digest']} ({record['algorithm']})")
    return "\n".join(lines)


def _left(record: dict[str, Any]) -> str:
    left = record["shots"]["left_out"]
    return (
        "left out: " + ", ".join(f"{n} {name.replace('_', ' ')}" for name, n in left.items()) if left else ""
    )
