"""The page's pinned headlines: whether each still holds, and which command writes its correction."""

from __future__ import annotations

from pipeline.write_report.claim_query import told_measured
from pipeline.write_report.claims import STATES, ClaimState, check_claims
from pipeline.write_report.sections import ReportContext, Section, escaped, table_html

EXAMPLE = (
    'crowdfade claim add LEDGER "LFP loses less than nickel" --median loss_pct '
    "--where \"chemistry_group = 'LFP'\" --minus \"chemistry_group = 'nickel'\""
)


def make(context: ReportContext) -> Section | None:
    """The section of pinned headlines; how to pin one where there is none yet."""
    states = check_claims(context.ledger, context.run)
    if not states:
        body = (
            '<p class="lede">Nothing is pinned yet. Pin a headline before you say it, and every later report says '
            f"whether it still holds:</p><pre><code>{escaped(EXAMPLE)}</code></pre>"
        )
        return Section("claims", "Pinned headlines", body)
    broken = [state for state in states if not state.holds]
    parts = [_verdict(states, broken)]
    headers = ("headline", "holds?", "when pinned", "now", "why")
    rows = [
        (
            state.claim.text,
            "yes" if state.holds else f"no: {state.state}",
            f"{told_measured(state.claim.measured, state.claim.query)}, {state.claim.pinned_at[:10]}",
            told_measured(state.measured, state.claim.query) if state.measured else "not known",
            state.why,
        )
        for state in states
    ]
    parts.append(table_html("Pinned headlines on this dataset", headers, rows))
    parts.append("<details><summary>How each headline is worked out</summary><dl>")
    parts += [
        f"<dt>{escaped(state.claim.text)}</dt><dd>{escaped(state.claim.query.words())}; at least {state.claim.fewest} "
        f"vehicles; pinned on run {escaped(state.claim.run)}</dd>"
        for state in states
    ]
    parts.append("</dl></details>")
    return Section("claims", "Pinned headlines", "\n".join(parts))


def _verdict(states: list[ClaimState], broken: list[ClaimState]) -> str:
    if not broken:
        return f'<p class="lede good">{_number(len(states), "pinned headline")}, all of which still hold.</p>'
    told = "".join(
        f"<li><strong>{escaped(state.claim.text)}</strong>: {escaped(STATES[state.state])}. Write its correction: "
        f"<code>crowdfade correction LEDGER {escaped(state.claim.name)}</code></li>"
        for state in broken
    )
    verb = "does" if len(broken) == 1 else "do"
    head = f"{len(broken)} of {_number(len(states), 'pinned headline')} {verb} not hold any more."
    return f'<div class="note warn"><p><strong>{head}</strong></p><ul>{told}</ul></div>'


def _number(count: int, word: str) -> str:
    return f"{count} {word if count == 1 else word + 's'}"
