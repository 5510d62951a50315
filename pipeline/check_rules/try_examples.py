"""Reads every test that a rule carries as a user's response is read, and says how the reading differs."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from pipeline.check_rules.findings import Finding, about
from pipeline.find_values.pack_fields import PackField
from pipeline.find_values.reader import ResponseReader
from pipeline.find_values.rule_files import Rule
from pipeline.response import Reading, Response
from pipeline.score_readings.compare import agrees


class Trial:
    """Reads tests with a pack's reader; `fields` are the declared ones, by name."""

    def __init__(self, reader: ResponseReader) -> None:
        self._reader = reader
        self._fields: Mapping[str, PackField] = {field.name: field for field in reader.declared}

    def read(self, text: str, language: str) -> Reading:
        """The reading of a text as a response of its own."""
        return self._reader.read_one(Response("t", "tests", "1", text, lang=language))

    def differences(self, reading: Reading, wanted: Mapping[str, Any]) -> list[str]:
        """How the closest report differs from what is wanted, field by field; what is read beside it is no matter."""
        if not reading.reports:
            return ["no report was read"]
        found = []
        for report in reading.reports:
            plain = report.plain()
            found.append(
                [
                    f"{name} = {plain[name]!r}" if name in plain else f"no {name}"
                    for name, value in wanted.items()
                    if name not in plain or not self._agrees(name, plain[name], value)
                ]
            )
        return min(found, key=len)

    def _agrees(self, name: str, got: Any, wanted: Any) -> bool:
        field = self._fields.get(name)
        return agrees(name, got, wanted) if field is None else field.agrees(got, wanted)

    def findings(self, rule: Rule, language: str) -> Iterator[Finding]:
        """What the rule's tests show."""
        for text, wanted in rule.examples:
            reading = self.read(text, language)
            if differs := self.differences(reading, wanted):
                yield about(
                    rule,
                    "example",
                    f"this example is not read: {text!r}",
                    expected=_said(wanted),
                    got=", ".join(differs) + _why(reading),
                    todo="mend the pattern, or make it a known miss for now",
                    text=text,
                )
        for text in rule.look_alikes:
            reading = self.read(text, language)
            if reading.reports:
                yield about(
                    rule,
                    "look-alike",
                    f"this look-alike gives a report: {text!r}",
                    expected="no report",
                    got="; ".join(_said(report.plain()) + _rules(report.values) for report in reading.reports),
                    todo="add what tells it apart under `unless`, or a rule with `refuse`",
                )
        for text, absent in rule.absent:
            reading = self.read(text, language)
            for name in absent:
                values = [report.values[name] for report in reading.reports if name in report.values]
                if values:
                    yield about(
                        rule,
                        "look-alike",
                        f"this look-alike gives {name}: {text!r}",
                        expected=f"no {name}",
                        got="; ".join(f"{value.value!r} from {value.raw!r} by {value.rule_id}" for value in values),
                        todo="add what tells it apart under `unless`",
                    )
        for text, wanted in rule.known_misses:
            if not self.differences(self.read(text, language), wanted):
                yield about(
                    rule, "known-miss", f"this known miss is read by now: {text!r}", todo="move it to the examples"
                )


def _said(values: Mapping[str, Any]) -> str:
    return ", ".join(f"{name} = {value!r}" for name, value in values.items())


def _rules(values: Mapping[str, Any]) -> str:
    rules = sorted({value.rule_id for name, value in values.items() if name not in ("whose", "vehicle_text")})
    return f" (by {', '.join(rules)})"


def _why(reading: Reading) -> str:
    """What was turned down in it, since that is mostly the reason."""
    told = [f"{refusal.raw!r} turned down by {refusal.rule_id}: {refusal.reason}" for refusal in reading.refusals]
    return f" ({'; '.join(told[:4])})" if told else ""


def texts_of(rule: Rule) -> Sequence[str]:
    """The texts in which the rule is to do something: its examples, or what a refusing rule must turn down."""
    if rule.refuse is not None:  # its examples are what it must let through
        return [*rule.look_alikes, *(text for text, _ in rule.absent)]
    return [text for text, _ in rule.examples]
