"""The section that puts the audience beside reference series and regulation lines."""

from __future__ import annotations

from pipeline.write_report.references import REGULATIONS
from pipeline.write_report.sections import ReportContext, Section, escaped


def make(context: ReportContext) -> Section | None:
    """The section; None where neither a series nor a line was asked for."""
    options = context.options
    if not options.references and not options.regulations:
        return None
    body = "".join(f"<li>{escaped(gap.sentence())}</li>" for gap in context.figures.gaps)
    body = f"<ul>{body}</ul>" if body else ""
    if options.references:
        told = {(one.label, one.source) for one in options.references}
        names = "; ".join(f"{label}: {source}" for label, source in sorted(told))
        body += (
            f'<p class="source">Sources: {escaped(names)}.</p><div class="note"><p>A fleet or a laboratory '
            f"measures other "
            "vehicles in another way than an audience tells of its own. A gap between the two shows that they "
            "differ, not which is right.</p></div>"
        )
        if not context.figures.gaps:
            body += "<p>No round distance lies within both a series and the answers.</p>"
    for key in options.regulations:
        one = REGULATIONS[key]
        body += (
            f"<p>{escaped(f'The lines “{one.label}”: {one.source}.')} They speak of certified energy, "
            "measured as the rule says; no percentage or range on a display meets or breaks them.</p>"
        )
    return Section("references", "Beside other figures", body)
