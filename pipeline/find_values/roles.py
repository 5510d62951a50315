"""The roles that a rule can give a quantity or a constant, and the field of the labelling guide that each feeds.

A role is not always a field: a loss can be said as a loss, as health, or as a pair of ranges.  `group_reports.settle`
makes the fields of the roles.  A field that a rule pack declares is a role of its own name.
"""

from __future__ import annotations

ROLES: dict[str, tuple[str, str]] = {
    "odometer": ("odometer_km", "distance on the vehicle"),
    "age": ("age_months", "its age, or the time owned from new"),
    "months": ("age_months", "a bare number of months"),
    "year": ("model_year", "its model year"),
    "chemistry": ("chemistry", "the cells, set as a constant: LFP, NMC ..."),
    "pack": ("pack_kwh", "the pack's size"),
    "loss": ("loss_pct", "capacity or range lost; without a quantity: no loss"),
    "loss_max": ("loss_max_pct", "an upper bound of the loss"),
    "loss_origin": ("loss_origin", "set beside a loss: stated"),
    "health": ("loss_pct", "state of health; 100 less it is lost"),
    "range_new": ("loss_pct", "full-charge range when new"),
    "range_now": ("loss_pct", "full-charge range now"),
    "energy_new": ("loss_pct", "usable energy when new"),
    "energy_now": ("loss_pct", "usable energy now"),
    "lost_km": ("loss_pct", "range lost, of `range_new`"),
    "lost_kwh": ("loss_pct", "energy lost, of `energy_new`"),
    "limit": ("charge_limit_pct", "usual upper limit of charging"),
    "limit_full": ("charge_limit_pct", "set: charged to full"),
    "floor": ("charge_floor_pct", "usual lower end of charging"),
    "window": ("charge_floor_pct", "lower and upper end in one (20-80 %)"),
    "window_full": ("charge_floor_pct", "a window that may end at 100 %"),
    "full_freq": ("full_charges_per_week", "how often it is charged to full"),
    "full_charges": ("full_charges_per_week", "set: never to full"),
    "habit": ("charge_habit", "set: mixed or partial"),
    "dc": ("dc_fast_share_pct", "share of fast charging"),
    "dc_first": ("dc_fast_share_pct", "a ratio, fast charging first (60:40)"),
    "dc_const": ("dc_fast_share_pct", "set: a share in words"),
    "ac": ("dc_fast_share_pct", "share of slow charging"),
    "ac_first": ("dc_fast_share_pct", "a ratio, slow charging first"),
}
"""Role -> (field, what it is)."""

NOT_READ: dict[str, str] = {
    "hundred": "a full charge that tells nothing by itself",
    "never_full": "set: never charged to full, where no frequency is meant",
    "was_health": "an earlier state of health",
    "gain_km": "range gained",
    "dc_level": "a level at which fast charging ends",
    "ac_level": "a level at which slow charging ends",
}
"""Roles that no field is made of: a quantity that has one serves no other rule."""


def field_of(role: str) -> str:
    """The field that a role feeds: its own name for a field that a pack declares, "" for a role of `NOT_READ`."""
    if role in ROLES:
        return ROLES[role][0]
    return "" if role in NOT_READ else role
