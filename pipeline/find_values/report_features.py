"""What the report model sees of a possible report: its values, how sure they are, and the words around them."""

from __future__ import annotations

import re
from collections.abc import Mapping
from itertools import pairwise
from typing import TYPE_CHECKING

from pipeline.response import FoundValue

if TYPE_CHECKING:
    from pipeline.find_values.reader import Scene
    from pipeline.group_reports.vehicles import Vehicle

_FIRST_PERSON = frozenset(
    ["i", "i'm", "i've", "i'd", "my", "mine", "our", "ours", "we", "we've", "we're", "me", "us", "myself", "im", "ive"]
)
_SECOND_PERSON = frozenset(["you", "your", "you're", "yours", "u", "ur", "ye", "y'all"])
_WORD = re.compile(r"[^\W\d_]+(?:'[^\W\d_]+)?")


def _step(chance: float) -> str:
    return "sure" if chance >= 0.97 else "likely" if chance >= 0.85 else "maybe" if chance >= 0.6 else "doubtful"


def report_features(
    scene: Scene, vehicle: Vehicle, values: Mapping[str, FoundValue], count: int, reply: bool
) -> list[str]:
    """Feature strings of one possible report; `count` is how many vehicles the response seems to tell of."""
    text = scene.text
    spoken = [taken for taken in vehicle.taken if taken.role != "loss_origin"]
    places = {
        index for taken in spoken for index, span in enumerate(scene.spans) if span.start <= taken.start < span.end
    }
    out = ["bias", f"vehicles={min(count, 3)}", f"reply={reply}", f"at={text.lstrip().startswith('@')}"]
    fields = sorted(field for field in values if field not in ("whose", "vehicle_text", "loss_origin"))
    out += [f"field={field}" for field in fields]
    out += [f"fields={min(len(fields), 5)}", "only=" + "+".join(fields[:3]) if len(fields) <= 2 else "many"]
    chances = sorted(taken.sure for taken in spoken)
    if chances:
        out += [
            f"least={_step(chances[0])}",
            f"most={_step(chances[-1])}",
            f"middle={_step(chances[len(chances) // 2])}",
        ]
    out += [f"rule={taken.rule.id}" for taken in spoken]
    out += [f"{taken.role}={_step(taken.sure)}" for taken in spoken]
    out += [f"{taken.role}|{taken.rule.id}|{_step(taken.sure)}" for taken in spoken]
    whose = values.get("whose")
    out += [
        f"whose={whose.value if whose else None} {whose.rule_id if whose else ''}",
        f"named={'vehicle_text' in values}",
    ]
    words: list[str] = []
    for index in sorted(places):
        span = scene.spans[index]
        piece = _WORD.findall(text[span.start : span.end])
        words += piece
        out += [f"v2={a} {b}" for a, b in pairwise(piece)]
        out.append("v-open=" + " ".join(piece[:2]))
        out.append(f"v-asks={span.asks}")
        out += [f"v-gate={rule.id}" for low, high, rule in scene.matches.closed if low < span.end and span.start < high]
    said = set(words)
    out += [f"v={word}" for word in said]
    out += [f"v-first={bool(said & _FIRST_PERSON)}", f"v-second={bool(said & _SECOND_PERSON)}"]
    everything = set(_WORD.findall(text))
    out += [f"w={word}" for word in everything - said]
    out += [f"first={bool(everything & _FIRST_PERSON)}", f"second={bool(everything & _SECOND_PERSON)}"]
    out += [f"gate={gate}" for gate in {rule.id for _, _, rule in scene.matches.closed}]
    out += [
        f"asks={sum(span.asks for span in scene.spans) if len(scene.spans) < 3 else any(span.asks for span in scene.spans)}",  # noqa: E501
        f"ends-asking={bool(scene.spans and scene.spans[-1].asks)}",
        f"sentences={min(len(scene.spans), 6)}",
        f"quoted={bool(scene.quoted)}",
    ]
    return out
