"""From the values taken for one vehicle to the fields of its report.

Each field has a policy, named by its function: the odometer is the largest reading (a distance never falls), a loss is
the latest reading, a charging habit follows from limit and full charges together, and so on.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from pipeline.dataset_columns import KM_PER_MILE
from pipeline.find_values.match_rules import Taken
from pipeline.read_text.quantities import Quantity
from pipeline.response import FoundValue

MOST_KM = 1_500_000.0
"""A longer distance is no passenger vehicle's odometer (common practice, no source)."""
MONTHLY = 0.25
CORRECTION = 90
"""Rules from this priority on read a correction ("EDIT: 61k, not 16k"), which outranks what it corrects."""


class Settler:
    """Makes the fields of one report from what was taken for one vehicle.

    `unit` is the unit that the response uses for distances ("km", "mi"), or None where it uses none or both.
    """

    def __init__(self, text: str, taken: Sequence[Taken], unit: str | None) -> None:
        self.text = text
        self.taken = list(taken)
        self.unit = unit
        self.values: dict[str, FoundValue] = {}

    def settle(self) -> dict[str, FoundValue]:
        """Field -> value."""
        self._odometer()
        self._age()
        self._model_year()
        self._chemistry()
        self._loss()
        self._charging()
        self._dc_share()
        self._pack()
        return self.values

    # -- helpers ----------------------------------------------------------------------------------------------

    def _of(self, *roles: str) -> list[Taken]:
        return [taken for taken in self.taken if taken.role in roles]

    def _put(
        self, field: str, value: float | int | str, unit: str | None, taken: Taken, derivation: str, *others: Taken
    ) -> None:
        parts = tuple((self.text[o.start : o.end], o.start, o.end) for o in others)
        self.values[field] = FoundValue(
            field,
            value,
            unit,
            self.text[taken.start : taken.end],
            taken.start,
            taken.end,
            taken.rule.id,
            taken.rule.pack,
            derivation,
            confidence=round(taken.sure, 4),
            parts=parts,
        )

    @staticmethod
    def _plain(value: float) -> str:
        return f"{value:g}" if abs(value) < 1e5 else f"{value:.6g}" if value != int(value) else f"{int(value)}"

    def distance(self, taken: Taken) -> tuple[float, str] | None:
        """Kilometres and derivation; None where no unit can be told."""
        low, high = taken.low, taken.high
        unit = taken.unit
        if unit is None:
            unit = self.unit
            if unit is None:
                return None
            factor = KM_PER_MILE if unit == "mi" else 10.0 if unit == "mil" else 1.0
            low, high = low * factor, high * factor
        factor = KM_PER_MILE if unit == "mi" else 1.0
        said = f"{low / factor:,.6g}" if low == high else f"({low / factor:,.6g} + {high / factor:,.6g}) / 2"
        value = (low + high) / 2
        suffix = f" {unit} x {KM_PER_MILE}" if unit == "mi" else " km"
        return round(value, 6), said + suffix

    # -- fields -----------------------------------------------------------------------------------------------

    def _odometer(self) -> None:
        """A correction wins; else the largest reading: of two readings of one vehicle the later is the larger."""
        made: list[tuple[int, float, Taken, str]] = []
        for taken in self._of("odometer"):
            distance = self.distance(taken)
            if distance is not None and 0 < distance[0] <= MOST_KM:
                made.append((int(taken.rule.priority >= CORRECTION), distance[0], taken, distance[1]))
        surest = max((entry[2].sure for entry in made), default=0.0)
        made = [entry for entry in made if entry[0] or entry[2].sure >= 0.6 * surest]
        if made:
            _, value, taken, derivation = max(made, key=lambda entry: (entry[0], entry[1]))
            self._put("odometer_km", round(value, 3), "km", taken, derivation)

    def _age(self) -> None:
        """The strongest rule wins, then the first statement."""
        candidates = [taken for taken in self._of("age") if 1 <= taken.value <= 300]
        candidates += [taken for taken in self._of("months") if 1 <= taken.value <= 150]
        if candidates:
            taken = max(candidates, key=lambda t: (t.rule.priority, -t.start))
            self._put("age_months", round(taken.value, 3), "months", taken, f"{self._plain(taken.value)} months")

    def _model_year(self) -> None:
        candidates = [taken for taken in self._of("year") if 1995 <= taken.value <= 2035]
        if candidates:
            taken = max(
                candidates,
                key=lambda t: (t.rule.priority + (5 if t.quantity and "model" in t.quantity.marks else 0), -t.start),
            )
            self._put("model_year", int(taken.value), "a", taken, f"{int(taken.value)}")

    def _chemistry(self) -> None:
        """A precise statement before "nickel", then the first."""
        candidates = self._of("chemistry")
        if candidates:
            taken = max(candidates, key=lambda t: (t.text != "nickel", round(t.sure, 2), -t.start))
            self._put(
                "chemistry", taken.text or "", None, taken, f"{self.text[taken.start : taken.end]} -> {taken.text}"
            )

    def _pack(self) -> None:
        candidates = [taken for taken in self._of("pack") if 5 <= taken.value <= 250]
        if candidates and not self._of("energy_new", "energy_now"):
            taken = max(candidates, key=lambda t: (t.rule.priority, -t.start))
            self._put("pack_kwh", round(taken.value, 3), "kWh", taken, f"{self._plain(taken.value)} kWh")

    # -- loss -------------------------------------------------------------------------------------------------

    @staticmethod
    def _raw(quantity: Quantity | None, value: float) -> float:
        """The number as it was written, before any unit was applied."""
        if quantity is not None and quantity.unit == "mi" and quantity.kind in ("distance", "stretch"):
            return value / KM_PER_MILE
        return value

    def _pair(self, new: str, now: str) -> tuple[Taken, Taken] | None:
        """A pair that one rule read together, else the last of each."""
        news, nows = self._of(new), self._of(now)
        for left in reversed(news):
            for right in nows:
                if left.claim == right.claim:
                    return left, right
        return (news[-1], nows[-1]) if news and nows else None

    def _loss(self) -> None:
        made: list[tuple[int, int, float, str, Taken, str, tuple[Taken, ...]]] = []
        for taken in self._of("loss"):
            if taken.quantity is None:
                made.append((20, taken.start, 0.0, "none", taken, "no loss -> 0", ()))
            elif -20 < taken.value < 100:
                value = round(taken.value, 4)
                derivation = (
                    self._plain(value) + " %"
                    if taken.low == taken.high
                    else f"({self._plain(taken.low)} + {self._plain(taken.high)}) / 2 %"
                )
                made.append(
                    (
                        60 if taken.rule.priority >= CORRECTION else 40 + (taken.rule.priority > 50),
                        taken.start,
                        value,
                        "stated",
                        taken,
                        derivation,
                        (),
                    )
                )
        for taken in self._of("health"):
            if 30 <= taken.value <= 106:
                value = round(100 - taken.value, 4)
                made.append((45, taken.start, value, "health", taken, f"100 - {self._plain(taken.value)}", ()))
        if pair := self._pair("range_new", "range_now"):
            new, now = (self._raw(t.quantity, t.value) for t in pair)
            if new > 0 and 0.3 <= now / new <= 1.1 and new >= 40:
                value = round(100 * (new - now) / new, 4)
                made.append(
                    (
                        35,
                        pair[0].start,
                        value,
                        "range",
                        pair[0],
                        f"100 x ({self._plain(new)} - {self._plain(now)}) / {self._plain(new)}",
                        (pair[1],),
                    )
                )
        if pair := self._pair("energy_new", "energy_now"):
            new, now = pair[0].value, pair[1].value
            if new > 0 and 0.3 <= now / new <= 1.1:
                value = round(100 * (new - now) / new, 4)
                made.append(
                    (
                        44,
                        pair[0].start,
                        value,
                        "energy",
                        pair[0],
                        f"100 x ({self._plain(new)} - {self._plain(now)}) / {self._plain(new)}",
                        (pair[1],),
                    )
                )
        for lost, base, origin in (("lost_km", "range_new", "range"), ("lost_kwh", "energy_new", "energy")):
            if pair := self._pair(base, lost):
                new, gone = (self._raw(t.quantity, t.value) for t in pair)
                if 0 < gone < 0.7 * new:
                    value = round(100 * gone / new, 4)
                    made.append(
                        (
                            43,
                            pair[1].start,
                            value,
                            origin,
                            pair[1],
                            f"100 x {self._plain(gone)} / {self._plain(new)}",
                            (pair[0],),
                        )
                    )
        if made:
            # the strongest kind of statement; of several of one kind the last in the text is the latest reading
            best = max(made, key=lambda m: (m[0], m[1]))
            self._put("loss_pct", best[2], "%", best[4], best[5], *best[6])
            self._put("loss_origin", best[3], None, best[4], best[5])
            return
        bounds = [taken for taken in self._of("loss_max") if 0 < taken.value < 60]
        if bounds:
            taken = bounds[-1]
            self._put("loss_max_pct", round(taken.high, 4), "%", taken, f"less than {self._plain(taken.high)} %")

    # -- charging ---------------------------------------------------------------------------------------------

    def _charging(self) -> None:
        windows = [taken for taken in self._of("window", "window_full") if taken.high <= 100]
        # "20 to 80 every day" says nothing of full charges
        short = {taken.claim for taken in windows if taken.role == "window_full" and taken.high < 100}
        limits = [taken for taken in self._of("limit") if 20 <= taken.value <= 100]
        floors = [taken for taken in self._of("floor") if 0 <= taken.value <= 60]
        full_consts = [taken for taken in self._of("limit_full") if taken.claim not in short]
        frequencies = [
            taken for taken in self._of("full_freq") if not math.isnan(taken.value) and taken.claim not in short
        ]
        zero = self._of("full_charges")
        habits = self._of("habit")

        everyday: Taken | None = None
        top: float | None = None
        below = [taken for taken in limits if taken.value < 100]
        windows_below = [taken for taken in windows if taken.high < 100]
        if below:
            everyday = max(
                below, key=lambda t: (t.rule.priority >= 50, (t.rule.priority == 68 and 1) or 0, t.start * 0 - t.start)
            )
            top = everyday.value
        if windows_below and (everyday is None or windows_below[0].rule.priority >= everyday.rule.priority):
            everyday, top = windows_below[0], windows_below[0].high
        full_at = next(
            iter([t for t in limits if t.value == 100] + [w for w in windows if w.high == 100] + full_consts), None
        )
        mixed = next((taken for taken in habits if taken.text == "mixed"), None)
        partial = next((taken for taken in habits if taken.text == "partial"), None)

        window = windows[0] if windows else None
        if window is not None:
            self._put("charge_floor_pct", window.low, "% SoC", window, f"{window.low:g}")
        elif floors:
            self._put("charge_floor_pct", round(floors[-1].value, 3), "% SoC", floors[-1], f"{floors[-1].value:g}")

        frequency = frequencies[-1] if frequencies else None
        if frequency is not None:
            self._put(
                "full_charges_per_week",
                round(frequency.value, 5),
                "1/week",
                frequency,
                f"{self.text[frequency.start : frequency.end]} -> {frequency.value:g} a week",
            )
        elif zero and full_at is None:
            self._put("full_charges_per_week", 0.0, "1/week", zero[0], "never -> 0")

        if mixed is not None:
            self._put("charge_habit", "mixed", None, mixed, "sometimes below, sometimes full")
        elif everyday is not None and top is not None:
            said = (
                f"{top:g}"
                if everyday.low == everyday.high or everyday in windows
                else f"({everyday.low:g} + {everyday.high:g}) / 2"
            )
            self._put("charge_limit_pct", round(top, 3), "% SoC", everyday, said)
            often = frequency is not None and frequency.value >= MONTHLY - 1e-6
            self._put(
                "charge_habit",
                "mixed" if often else "partial",
                None,
                everyday,
                f"limit {top:g}" + (f", full {frequency.value:g} a week" if frequency else ""),
            )
        elif partial is not None and frequency is None:
            self._put("charge_habit", "partial", None, partial, "full only rarely, never or for trips")
        elif full_at is not None or frequency is not None:
            taken = full_at or frequency
            assert taken is not None
            self._put("charge_limit_pct", 100.0, "% SoC", taken, "to full -> 100")
            self._put("charge_habit", "full", None, taken, "to full, no other limit")

    def _dc_share(self) -> None:
        made: list[tuple[int, float, Taken, str]] = []
        for taken in self._of("dc"):
            made.append((taken.rule.priority, taken.value, taken, f"{self._plain(taken.value)} %"))
        for taken in self._of("ac"):
            made.append((taken.rule.priority - 1, 100 - taken.value, taken, f"100 - {self._plain(taken.value)}"))
        for taken in self._of("dc_first"):
            made.append((taken.rule.priority, taken.low, taken, f"{taken.low:g} of 100"))
        for taken in self._of("ac_first"):
            made.append((taken.rule.priority, taken.high, taken, f"{taken.high:g} of 100"))
        for taken in self._of("dc_const"):
            made.append((taken.rule.priority, taken.value, taken, f"{taken.value:g} %"))
        made = [entry for entry in made if 0 <= entry[1] <= 100]
        if made:
            _, value, taken, derivation = max(made, key=lambda m: (m[0], -m[2].start))
            self._put("dc_fast_share_pct", round(value, 3), "%", taken, derivation)


REPORTABLE = (
    "loss_pct",
    "loss_max_pct",
    "odometer_km",
    "charge_limit_pct",
    "charge_floor_pct",
    "full_charges_per_week",
    "charge_habit",
    "dc_fast_share_pct",
)
"""A report needs at least one of these (labelling guide, "When there is a report")."""


def is_report(values: dict[str, FoundValue]) -> bool:
    """Whether the values make a report: a loss, an odometer or a charging habit."""
    return any(field in values for field in REPORTABLE)
