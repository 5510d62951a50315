"""The section of loss along age."""

from __future__ import annotations

from pipeline.write_report.along_distance import along
from pipeline.write_report.sections import ReportContext, Section


def make(context: ReportContext) -> Section | None:
    """The section."""
    told = context.vehicles[context.vehicles["age_a"].notna() & context.vehicles["loss_pct"].notna()]
    said = int(told["age_said"].sum())
    opening = (
        f"<p>{said:,} of {len(told):,} vehicles have an age that was said; the others have the date of the answer "
        f"less the "
        "model year, right to about nine months. Bands do not hold that.</p>"
    )
    return along(context, "age", "Loss and age", opening)
