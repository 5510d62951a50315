"""The section on charging to full against stopping at 80."""

from __future__ import annotations

from pipeline.write_report.differences import ALPHA, EIGHTY, FULL, POWER
from pipeline.write_report.figures import points
from pipeline.write_report.groups import EIGHTY as LIMITS
from pipeline.write_report.sections import ReportContext, Section, escaped


def make(context: ReportContext) -> Section | None:
    """The section; None where nobody told a habit."""
    habit = context.figures.habit
    if habit is None or not (habit.full or habit.eighty):
        return None
    lines = [
        f"{habit.full} vehicles with distance and loss are {FULL}, {habit.eighty} {EIGHTY} (an everyday limit of "
        f"{LIMITS[0]:.0f} to {LIMITS[1]:.0f} %)."
    ]
    if habit.plain is not None:
        lines.append(f"At the same distance only: {habit.plain.sentence()} {habit.plain.verdict()}")
    if habit.adjusted is not None:
        lines.append(f"{habit.adjusted.sentence()} {habit.adjusted.verdict()}")
    body = "".join(f"<p>{escaped(line)}</p>" for line in lines)
    if habit.too_few:
        body += f'<div class="warn"><p>{escaped(habit.too_few)}</p></div>'
    if habit.needed is not None and habit.spread is not None and habit.visible is not None:
        have = min(habit.complete_full, habit.complete_eighty)
        more = max(0, habit.needed - have)
        body += (
            f"<p>To see a difference of {points(habit.effect)} points, each habit needs about {habit.needed} "
            f"vehicles that "
            f"tell distance, age and chemistry (power {100 * POWER:.0f} %, level {100 * ALPHA:.0f} %, a spread of "
            f"{points(habit.spread)} points about the curve); the smaller one has {have}"
            + (f", so {more} more are needed" if more else "")
            + f". These numbers could show a difference of {points(habit.visible)} points or more.</p>"
        )
    body += (
        '<div class="note"><p>This compares what people say of their habits and of their batteries. It is no test '
        "of a habit: "
        "people choose a habit for the battery that they have. Follow the vehicle maker's charging instructions, "
        "which for some batteries ask for regular full charges.</p></div>"
    )
    return Section("habit", "Charging to full", body)
