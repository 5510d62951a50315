"""The first section: the numbers at a glance, what can be said and what cannot."""

from __future__ import annotations

from collections.abc import Iterable

from pipeline.write_report.figures import ALL, Estimate, points
from pipeline.write_report.sections import ReportContext, Section, escaped

SHOWN_DIFFERENCES = 5


def make(context: ReportContext) -> Section:
    """The section."""
    figures = context.figures
    known = context.vehicles[context.vehicles["loss_pct"].notna() & context.vehicles["odometer_km"].notna()]
    counts = context.record.get("counts", {})
    numbers = [
        ("responses read", f"{int(counts.get('responses', 0)):,}"),
        ("reports of a vehicle", f"{len(context.reports):,}"),
        ("vehicles with distance and loss", f"{len(known):,}"),
        ("people they belong to", f"{known['person'].nunique():,}"),
    ]
    can = [_can(estimate) for estimate in _telling(figures.estimates)]
    apart = sorted((one for one in figures.differences if one.told_apart), key=lambda one: -abs(one.points))
    can += [f"{one.sentence()} {one.verdict()}" for one in apart[:SHOWN_DIFFERENCES]]
    if figures.habit and figures.habit.adjusted and figures.habit.adjusted.told_apart:
        can.append(f"{figures.habit.adjusted.sentence()} {figures.habit.adjusted.verdict()}")
    can += [
        f"Of {one.vehicles} vehicles at {one.group}, {one.count} {one.what} "
        f"({_percent(one.low)} to {_percent(one.high)}, 95 % Wilson interval)."
        for one in figures.shares
        if one.what == "lost more than 20 %" and one.count
    ]
    body = '<dl class="numbers">' + "".join(
        f"<div><dt>{escaped(name)}</dt><dd>{escaped(value)}</dd></div>" for name, value in numbers
    )
    body += "</dl>"
    if not can:
        body += (
            f'<div class="warn"><p>Too few answers for any figure: curves need {context.options.fewest} people who '
            f"tell "
            "both a distance and a loss.</p></div>"
        )
    body += '<div class="sides"><div class="can"><h3>What these answers let you say</h3>'
    body += _list(can or ["Only how many people answered."])
    body += '<p class="small">Always with “in these answers” or “of those who answered”.</p></div>'
    body += f'<div class="cannot"><h3>What they do not let you say</h3>{_list(_cannot(context))}</div></div>'
    body += (
        '<div class="note"><p><strong>Follow the vehicle maker\'s charging instructions.</strong> Nothing here is '
        "advice on how to charge. Work on a high-voltage battery belongs to licensed practice.</p></div>"
    )
    return Section("in-short", "In short", body)


def _telling(estimates: Iterable[Estimate]) -> list[Estimate]:
    """The estimates of all vehicles at round kilometres, and of each chemistry at the first that it reaches."""
    held = [one for one in estimates if one.median is not None and one.axis == "distance" and one.unit == "km"]
    first: dict[str, Estimate] = {}
    for one in held:
        if one.dimension == "chemistry":
            first.setdefault(one.group, one)
    return [one for one in held if one.dimension == "all"] + list(first.values())


def _can(one: Estimate) -> str:
    who = "all vehicles" if one.group == ALL else f"vehicles with {one.group} cells"
    assert one.median is not None and one.low is not None and one.high is not None
    return (
        f"At {one.at:,.0f} km, half of {who} in these answers had lost {points(one.median)} % or less "
        f"(95 % interval {points(one.low)} to {points(one.high)} %; {one.vehicles} vehicles, {one.people} people)."
    )


def _cannot(context: ReportContext) -> list[str]:
    figures = context.figures
    told = [
        "That all drivers, or all vehicles of a kind, are like this. People chose themselves to answer; no "
        "sampling error can be calculated for such a sample.",
        "That one thing causes another. Groups differ in more than their name: in climate, use, age and in who "
        "buys what.",
        "What one vehicle will lose. The curves compare different vehicles, none was followed along them.",
    ]
    alike = [one for one in figures.differences if not one.told_apart]
    told += [
        f"That {one.one} and {one.other} differ: the interval from {points(one.low)} to {points(one.high)} points "
        f"holds zero."
        for one in alike[:SHOWN_DIFFERENCES]
    ]
    habit = figures.habit
    if habit is not None and habit.adjusted is None:
        told.append(
            "That charging to full, or stopping at 80 %, is better or worse for a battery: too few answers tell "
            "everything that such a comparison needs."
        )
    if figures.not_drawn:
        small = ", ".join(f"{group} ({people})" for _, group, people in figures.not_drawn[:8])
        more = len(figures.not_drawn) - 8
        told.append(
            f"Anything about groups of fewer than {context.options.fewest} people: {small}"
            + (f" and {more} more." if more > 0 else ".")
        )
    beyond = [one for one in figures.estimates if one.dimension == "all" and one.unit == "km" and one.median is None]
    if beyond:
        told.append(f"Anything at {beyond[0].at:,.0f} km or more: {beyond[0].reason}.")
    return told


def _percent(share: float) -> str:
    return f"{100 * share:.0f} %"


def _list(items: Iterable[str]) -> str:
    return "<ul>" + "".join(f"<li>{escaped(item)}</li>" for item in items) + "</ul>"
