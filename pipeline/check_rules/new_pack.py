"""Writes a pack to begin from: one rule for one field, with its tests, and a word on each line.

What is written passes `rules check` as it stands, with words that nobody says ("my own words"): the person who fills
it in begins from something that works, and sees with each change whether it still does.
"""

from __future__ import annotations

from pathlib import Path

from pipeline.dataset_columns import FIELDS
from pipeline.find_values.pack_fields import KEYS, PRIVACY, SEVERAL, TYPES, parse_fields
from pipeline.find_values.rule_files import languages_with_rules
from pipeline.problems import LedgerProblem, RuleProblem, UsageProblem
from pipeline.read_text.language_data import available

SAMPLES: dict[str, tuple[str, str, str, str]] = {
    # field -> slot or constant, words of the sample, its reading, what else the role can be
    "odometer_km": ("{odometer:distance}", "74,000 km", "74000", ""),
    "age_months": ("{age:duration}", "18 months", "18", ""),
    "model_year": ("{year:year}", "2021", "2021", ""),
    "pack_kwh": ("{pack:energy}", "62 kWh", "62", ""),
    "loss_pct": ("{loss:percent}", "6 %", "6", "{health:percent}, or {range_new:stretch} .. {range_now:stretch}"),
    "loss_max_pct": ("{loss_max:percent}", "6 %", "6", ""),
    "charge_limit_pct": ("{limit:percent}", "80 %", "80", ""),
    "charge_floor_pct": ("{floor:percent}", "30 %", "30", "{window:window} for both ends"),
    "full_charges_per_week": ("{full_freq:frequency}", "twice a week", "2", ""),
    "dc_fast_share_pct": ("{dc:percent}", "40 %", "40", "{ac:percent} for the slow share"),
    "chemistry": ("chemistry: LFP", "", "LFP", ""),
    "charge_habit": ("habit: partial", "", "partial", ""),
}
_DISTANCE = "74,000 km"
"""A sample needs a value that makes it a report; this one is read in every language."""


def new_pack(field: str, language: str, to: Path) -> Path:
    """Writes the skeleton of a pack for a field (a new one, or one of the guide) into `to` and gives the rule file.

    Raises `UsageProblem` where the field or the language cannot be or the folder is in use.
    """
    spoken = sorted(set(available()) & set(languages_with_rules()))
    if language not in spoken:
        raise UsageProblem(f"no rules are known of the language {language!r}", todo=f"use one of: {', '.join(spoken)}")
    if to.exists() and (not to.is_dir() or any(to.iterdir())):
        raise UsageProblem("there is something already", where=str(to), todo="give an empty folder to --to")
    known = next((column for column in FIELDS if column.name == field), None)
    if known is not None and field not in SAMPLES:
        raise UsageProblem(f"{field} is not read by rules", todo=f"rules read: {', '.join(SAMPLES)}")
    if known is None:
        try:
            parse_fields([{"name": field, "type": "text", "description": "-", "privacy": "open"}], "", "")
        except RuleProblem as problem:
            raise UsageProblem(problem.what, todo=problem.todo) from None
    topic = field.split("_")[0]
    files = {
        Path("pack.yaml"): _pack_file(field, declare=known is None),
        Path("lexicon") / f"{language}.yaml": _LEXICON,
        Path(topic) / f"{language}.yaml": _rule_file(field, topic, language, new=known is None),
    }
    try:
        for place, text in files.items():
            (to / place).parent.mkdir(parents=True, exist_ok=True)
            (to / place).write_text(text, encoding="utf-8")
    except OSError as error:
        raise LedgerProblem(f"the pack cannot be written: {error.strerror}", where=str(to)) from None
    return to / topic / f"{language}.yaml"


def _pack_file(field: str, *, declare: bool) -> str:
    head = f"""\
# A rule pack.  Try it with: crowdfade rules check FOLDER.  Use it with: --rules FOLDER.
name: {field.replace("_", "-")}
version: 0.1.0            # raise it with every change: evidence and run.json name it
# trust: weighed          # lets the role model weigh the rules of this pack; without this line they are believed
"""
    if not declare:
        return head
    assert {"range", "tolerance", "several", "alone", "units"} <= KEYS
    return (
        head
        + f"""
fields:                   # a new column of reports.parquet, of the score, the codebook and the release
  - name: {field}
    type: number          # one of: {", ".join(TYPES)} (`one of` needs a list `values`)
    unit: ""              # CHANGE: km, %, kWh, kWh/100 km ...; "" for none; text has no such line
    description: what {field.replace("_", " ")} means   # CHANGE: it stands in the codebook
    privacy: sensitive    # one of: {", ".join(PRIVACY)} (DEVELOPERS.md, "A column")
    range: [0, 1000]      # CHANGE: what is outside is not taken
    tolerance: 0          # how far a right reading may be off: a number, or a share such as "1 %"
    several: latest       # of several values: {", ".join(SEVERAL)}
    alone: false          # true: the field by itself makes a report
    # units:              # a unit that is no kind of its own is taken with {{{field}:other}} and written here
    #   - {{written: [kwh/100 km, kwh per 100 km], times: 1}}
"""
    )


_LEXICON = """\
# Word classes of this pack, used in patterns as <class>; entries are regular expressions over lower-case text.
# The classes of the built-in pack may be used too; a class of the same name here adds its words to them.
my-own: ["my own words"]  # CHANGE
"""


def _rule_file(field: str, topic: str, language: str, *, new: bool) -> str:
    slot, words, value, else_ = (f"{{{field}:number}}", "21", "21", "") if new else SAMPLES[field]
    constant = "" if slot.startswith("{") else f"    set: {{{slot}}}\n"
    pattern = "<my-own>" if constant else f"<my-own> .. {slot}"
    said = f"my own words {words}".strip()
    fooled = f"for example {said}" if constant else "my own words at home"
    # a distance beside makes it a report, unless the field is the distance
    sample = f"{said}." if field == "odometer_km" else f"{_DISTANCE}, {said}."
    reading = f"{field}: {value}" if field == "odometer_km" else f"odometer_km: 74000, {field}: {value}"
    kinds = (
        "number, percent, distance, stretch, energy, duration, other ..."
        if new
        else f"or another role of this field: {else_}"
        if else_
        else "see patterns.py for the kinds"
    )
    return f"""\
# Rules of the topic "{topic}" in {language}.  DEVELOPERS.md, "A rule", says how a pattern is written.
rules:
  - id: {topic}.my-own          # CHANGE: one word, not used by another rule (crowdfade rules list)
    priority: 60                # who goes first where two rules want the same words; 50 where nothing is said
{constant}    patterns:                   # {kinds}
      - "{pattern}"
    unless: ["(for example|zum beispiel)"]       # where this stands in its sentence, a match counts for nothing
    examples:                   # CHANGE: sentences as people write them, with the fields that must be read
      - "{sample}": {{{reading}}}
    look_alikes:                # CHANGE: what the rule could be fooled by; must give no report ...
      - "{fooled}"
      - "{_DISTANCE}.": [{field if field != "odometer_km" else "loss_pct"}]     # ... or not these fields
    # known_misses:             # what is not read yet; the day it is, the check says so
    #   - "{said}, said otherwise": {{{field}: {value}}}
"""


def default_folder(field: str) -> Path:
    """Where a new pack goes if nothing is said."""
    return Path(f"{field.replace('_', '-')}-pack")
