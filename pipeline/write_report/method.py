"""The last section: who answered, how the figures are made, what the reader must know of them."""

from __future__ import annotations

from pipeline.write_report.median_fit import BENT, FORMS
from pipeline.write_report.sections import ReportContext, Section, escaped, table_html


def make(context: ReportContext) -> Section:
    """The section."""
    options, figures = context.options, context.figures
    vehicles, reports = context.vehicles, context.reports
    people, double = vehicles["person"].nunique(), vehicles["person"].duplicated().sum()
    body = (
        "<h3>Disclosure</h3>"
        "<p>The people whose answers are used here selected themselves: they commented or filled in a form because "
        "they "
        "wanted to. Because this is no probability sample, no estimates of sampling error can be calculated, and the "
        "intervals say nothing about people who did not answer. Who answers is not who drives: keen, worried and proud "
        "owners write more than others. All values are as people reported them, rounded, remembered or read off a "
        "display; none was measured for this page.</p><h3>What the intervals mean</h3>"
        f"<p>People, not rows, were drawn with replacement {options.resamples:,} times from the {people:,} people "
        f"here, "
        f"because follow-ups and a household's second car ({int(double):,} vehicles here) tell little that is new. "
        f"An interval "
        "is the expanded percentile interval of the figure over those draws. It says how far the figure could move "
        "if other people of the same kind had answered; it assumes that people answer independently of one another.</p>"
        "<h3>What the curves are</h3>"
        f"<p>{escaped(_form(context))}</p>"
        f"<p>A curve is drawn between the fifth and the last but four of its readings, and for no group of fewer than "
        f"{options.fewest} people. A figure at a distance needs five vehicles at or before it and five at or "
        f"beyond.</p>"
        "<h3>Which rows are taken</h3>"
        f"<p>{len(reports):,} reports were read; {int((~reports['usable']).sum()):,} are left out because they "
        f"repeat another "
        "or cannot be so. Of each vehicle only the latest report counts. Distances said in miles were converted (1 "
        "mile = 1.609344 km). Each value can be traced to the words that it was read from: "
        "<code>crowdfade show LEDGER --report ID</code>.</p>"
    )
    sources = reports.groupby("source").agg(reports=("report_id", "size"), people=("person", "nunique"))
    body += table_html(
        "Where the answers come from",
        ["export", "reports", "people"],
        [[str(name), int(row["reports"]), int(row["people"])] for name, row in sources.iterrows()],
        numbers=(1, 2),
    )
    if figures.not_drawn:
        body += table_html(
            f"Groups too small to be drawn (fewer than {options.fewest} people with distance and loss)",
            ["group", "of", "people", "more needed"],
            [[group, dimension, count, options.fewest - count] for dimension, group, count in figures.not_drawn],
            numbers=(2, 3),
        )
    body += (
        "<p>Colours: Okabe and Ito, “Color Universal Design” (2008); groups also differ in shape and dash. The "
        "folder of "
        "this page holds each chart as SVG and PNG for wide and upright video, light and dark, in kilometres and miles "
        "(<code>pictures</code>), and the figures as tables (<code>tables</code>).</p>"
    )
    return Section("method", "Method and disclosure", body)


def _form(context: ReportContext) -> str:
    """Which smooth, and why."""
    told = "Median regression (Koenker and Bassett 1978; check loss smoothed as by He et al. 2023). "
    bent = [axis for axis, form in context.figures.forms.items() if form == BENT]
    for axis in context.figures.forms:
        score = context.figures.bent.get(axis, 0.0)
        why = (
            f"on people left out of the fit a spline erred less by {score:.1f} standard errors"
            if axis in bent
            else "loss at rest grows with the root of time and loss by use with the distance, and answers left out "
            "of the fit gave no reason for a more flexible curve"
        )
        form = FORMS[context.figures.forms[axis]]
        told += f"Along the {axis} a curve has {form}, because {why}. "
    return told + "A curve is not forced to rise: where it falls, those who lost much may have left, or answer less."
