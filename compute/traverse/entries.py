"""The catalogue of what a traverse or a field book may say about itself.

Its findings are made where they are found out; here they stand in one list, for people and documents. A
test holds the two together.
"""

from __future__ import annotations

from compute.findings.said import Entry

ENTRIES: tuple[Entry, ...] = (
    Entry("angular-sum", "note", "The sum of the angles, and the sum that is right."),
    Entry("beside-least-squares", "note", "How far another rule places stations from least squares."),
    Entry("check-sight", "note", "A check to a known point agrees."),
    Entry("check-sight-off", "warn", "A check to a known point does not agree."),
    Entry("curvature-and-refraction", "note", "Curvature and refraction were applied."),
    Entry("direction-assumed", "note", "No direction is known: one was put at zero."),
    Entry("distance-both-ways", "warn", "A distance disagrees between the two ends of its course."),
    Entry("faces-disagree", "warn", "The two faces of a sight differ by more than the instrument's errors."),
    Entry("free-station", "note", "A station placed from known points, which agree."),
    Entry("free-station-off", "warn", "A station placed from known points that do not agree."),
    Entry("height-both-ways", "warn", "A height difference disagrees between the two ends of its course."),
    Entry("heights-between-marks", "note", "No instrument and target heights: heights count between marks."),
    Entry("instrument-errors", "note", "Collimation and index error of the instrument, from two faces."),
    Entry("instrument-height-missing", "warn", "A set-up without an instrument height gives no elevations."),
    Entry("misclosure-accepted", "warn", "A misclosure beyond its limit, adjusted with a reason."),
    Entry("misclosure-angular", "stop", "The angles do not close; the station most likely wrong is named."),
    Entry("misclosure-height", "stop", "The heights do not close; the course to begin at is named."),
    Entry("misclosure-linear", "stop", "The courses do not close; the one most likely wrong is named."),
    Entry("misclosure-small", "note", "The misclosure is so small that its ratio is mostly rounding."),
    Entry("not-adjusted", "note", "No misclosure was spread, as asked."),
    Entry("open-leg", "warn", "A station that nothing checks."),
    Entry("residual-large", "warn", "An observation far from the adjusted figure."),
    Entry("setup-corrected", "note", "What somebody corrected in a set-up, and why."),
    Entry("start-assumed", "note", "No station is known: the first was put somewhere."),
    Entry("target-height-missing", "warn", "Sights without a target height give no elevation."),
    Entry("variance-factor", "warn", "The residuals are not what the stated precisions promise."),
    Entry("variance-factor", "note", "The residuals are what the stated precisions promise."),
)
