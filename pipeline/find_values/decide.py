"""Settles what each quantity is: the rules' word alone, or the role model's judgement of it.

Without a model, a gate's word is final.  With one, the model's most probable role is taken where it is sure enough;
a rule's refusal or a gate is then one more thing that the model has seen.

A *trusted* rule is not weighed: a rule of a user's pack, unless the pack says `trust: weighed`.  The model was trained
on the built-in rules and knows nothing of a new one, while the person who wrote it has tried it on its examples.  What
it takes is taken, what it turns down or (as a gate) closes is refused; among rules the priority decides as ever, and a
gate closes what stands in it, as it does where there is no model.  A field that a pack declares is a role that the
model has never met, so that it is taken in the same way.
"""

from __future__ import annotations

from collections.abc import Sequence

from pipeline.find_values.match_rules import Matches, Refused, Taken
from pipeline.find_values.role_features import FeatureMaker
from pipeline.find_values.role_model import NONE, RoleModel
from pipeline.find_values.roles import NOT_READ, ROLES
from pipeline.find_values.rule_files import Rule
from pipeline.read_text.quantities import Quantity

MODEL_RULE = Rule(id="model.role", topic="model", patterns=(), priority=45, pack="crowdfade model")
MODEL_REFUSAL = Rule(
    id="model.none",
    topic="model",
    patterns=(),
    refuse="the words around it do not report a value",
    pack="crowdfade model",
)
LEAST_SURE = 0.5
"""The model alone takes a role from this probability on."""
LEAST_SURE_RULED = 0.25
"""A role that a rule proposes and no gate closes is taken from this probability on."""
LEAST_SURE_TRUSTED = 0.02
TRUSTED = 75
"""Rules from this priority on (bounds, pairs, corrections) read several words together and are rarely wrong."""
LEAST_SURE_CONSTANT = 0.5
FOLLOWERS = ("loss_origin",)
"""Constants that stand or fall with the quantities of their match; all others are judged by themselves."""


class Decider:
    """Turns the rules' proposals into what is taken and what is refused."""

    def __init__(self, model: RoleModel | None) -> None:
        self.model = model

    def decide(self, quantities: Sequence[Quantity], matches: Matches, features: FeatureMaker) -> None:
        """Rewrites `matches` in place."""
        if self.model is None:
            matches.obey_gates()
            return
        by_start: dict[int, list[Taken]] = {}
        claims_with_quantities: set[int] = set()
        for taken in matches.taken:
            if taken.quantity is not None:
                by_start.setdefault(taken.quantity.start, []).append(taken)
                claims_with_quantities.add(taken.claim)
        kept: list[Taken] = []
        refused = list(matches.refused)
        kept_claims: set[int] = set()
        vetoed = {one.quantity.start for one in refused if one.quantity is not None and one.rule.trusted}
        judged = self.model.of_quantities([features.of_quantity(index) for index in range(len(quantities))])
        for index, quantity in enumerate(quantities):
            if quantity.start in vetoed:
                continue
            proposals = by_start.get(quantity.start, [])
            gate = next(
                (
                    rule
                    for low, high, rule in matches.closed
                    if (rule.final or (rule.trusted and not rule.roles)) and low <= quantity.start < high
                ),
                None,
            )
            if gate is not None and gate.roles and any(_vouched(one) and one.gate is None for one in proposals):
                gate = None  # a user's rule reads what this gate is not about
            if gate is not None:
                refused.append(Refused(quantity.start, quantity.end, gate, "", quantity))
                continue
            chances = judged[index]
            role = max(chances, key=chances.__getitem__)
            vouched = next((taken for taken in proposals if _vouched(taken)), None)
            if vouched is not None and vouched.gate is not None:
                refused.append(Refused(quantity.start, quantity.end, vouched.gate, vouched.role, quantity))
                continue
            if vouched is not None:
                if vouched.role in _KNOWN:  # of a pack's field the model says nothing
                    vouched.sure = max(chances.get(model_role(vouched.role), 0.0), LEAST_SURE)
                kept.append(vouched)
                kept_claims.add(vouched.claim)
                continue
            ruled = max(
                (t for t in proposals if t.gate is None),
                key=lambda t: chances.get(model_role(t.role), 0.0),
                default=None,
            )
            if ruled is not None:
                least = (
                    LEAST_SURE_TRUSTED
                    if ruled.rule.priority >= TRUSTED or ruled.claim in kept_claims
                    else LEAST_SURE_RULED
                )
                if chances.get(model_role(ruled.role), 0.0) >= least:
                    role = model_role(ruled.role)
            proposed = next((taken for taken in proposals if model_role(taken.role) == role), None)
            unsupported = role == "full_freq" and proposed is None and features.full_near(quantity.start) == "no"
            if any(
                rule.trusted and low <= quantity.start < high and role in map(model_role, rule.roles)
                for low, high, rule in matches.closed
            ):
                role = NONE
            if role == NONE or unsupported or (chances[role] < LEAST_SURE and proposed is None):
                for taken in proposals:
                    refused.append(
                        Refused(quantity.start, quantity.end, taken.gate or MODEL_REFUSAL, taken.role, quantity)
                    )
                continue
            if proposed is not None:
                proposed.sure = chances[role]
                kept.append(proposed)
                kept_claims.add(proposed.claim)
                continue
            kept.append(
                Taken(
                    role,
                    quantity.low,
                    quantity.high,
                    quantity.start,
                    quantity.end,
                    MODEL_RULE,
                    quantity.unit,
                    None,
                    quantity,
                    -1 - index,
                    None,
                    chances[role],
                )
            )
        for taken in matches.taken:
            if taken.quantity is not None:
                continue
            if taken.role in FOLLOWERS and taken.claim in claims_with_quantities:
                if taken.claim in kept_claims:
                    kept.append(taken)
                continue
            if taken.gate is not None and (taken.gate.final or taken.gate.trusted or _vouched(taken)):
                refused.append(Refused(taken.start, taken.end, taken.gate, taken.role))
                continue
            chance = self.model.of_constant(features.of_constant(taken)) if taken.role in _KNOWN else 1.0
            if chance >= LEAST_SURE_CONSTANT or _vouched(taken):
                taken.sure = max(chance, LEAST_SURE) if _vouched(taken) else chance
                kept.append(taken)
            else:
                refused.append(Refused(taken.start, taken.end, taken.gate or MODEL_REFUSAL, taken.role))
        matches.taken = sorted(kept, key=lambda taken: (taken.start, taken.end, taken.role))
        matches.refused = sorted(refused, key=lambda item: (item.start, item.end))


def _vouched(taken: Taken) -> bool:
    """Whether a proposal is taken without asking the model: its rule is trusted, or its role is a pack's field."""
    return taken.rule.trusted or taken.role not in _KNOWN


def model_role(ruled: str) -> str:
    """The name under which the model knows a rule's role."""
    return _MODEL_ROLES.get(ruled, ruled)


_KNOWN = frozenset((*ROLES, *NOT_READ))
_MODEL_ROLES = {"window_full": "window", "months": "age", "dc_first": "ratio", "ac_first": "ratio", "hundred": "limit"}
