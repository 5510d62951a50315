"""`check_pack` finds what is wrong with a pack, each finding at its place; the shipped pack is fine."""

from __future__ import annotations

from pathlib import Path

import pytest
from small_packs import DWINDLED, fields, pack

from pipeline.check_rules.check import Checked, check_pack
from pipeline.check_rules.findings import CODES, Finding
from pipeline.check_rules.new_pack import SAMPLES, new_pack
from pipeline.find_values.rule_files import BUILT_IN, languages_with_rules
from pipeline.problems import RuleProblem, UsageProblem

WINTER = Path(__file__).parents[2] / "fixtures" / "packs" / "winter"


def check(folder: Path, over: tuple[Path, ...] = ()) -> Checked:
    return check_pack(folder, over=over, slow=False)


def only(checked: Checked, code: str) -> Finding:
    (finding,) = [finding for finding in checked.findings if finding.code == code]
    return finding


def codes(checked: Checked) -> set[str]:
    return {finding.code for finding in checked.errors}


def test_the_shipped_pack_is_fine() -> None:
    checked = check_pack(WINTER)
    assert checked.errors == []
    assert checked.counts["languages"] == 2 and checked.counts["tests"] >= 25
    assert checked.plain()["fine"] is True


def test_a_rule_that_works_is_fine(tmp_path: Path) -> None:
    assert check(pack(tmp_path / "p", {"loss/en": DWINDLED})).errors == []


def test_a_failing_example_says_what_was_expected_and_what_came(tmp_path: Path) -> None:
    found = only(check(pack(tmp_path / "p", {"loss/en": DWINDLED.replace("loss_pct: 6", "loss_pct: 7")})), "example")
    assert (found.rule, found.line, Path(found.file).name) == ("loss.dwindled", 3, "en.yaml")
    assert "loss_pct = 7" in found.expected and found.got.startswith("loss_pct = 6")


def test_a_look_alike_that_is_read_is_told_with_the_rule(tmp_path: Path) -> None:
    rule = DWINDLED.replace('    unless: ["(savings|hair)"]\n', "")
    found = only(check(pack(tmp_path / "p", {"loss/en": rule})), "look-alike")
    assert "My savings" in found.what and "loss.dwindled" in found.got


def test_a_look_alike_may_name_what_must_not_be_read(tmp_path: Path) -> None:
    rule = DWINDLED + '      - "My Tern has 74,000 km, its tyres dwindled by 30 %": [loss_pct]\n'
    rule = rule.replace("look_alikes: [", "look_alikes:\n      - [").replace(
        '- ["My savings dwindled by 6 %"]', '- "My savings dwindled by 6 %"'
    )
    found = only(check(pack(tmp_path / "p", {"loss/en": rule})), "look-alike")
    assert found.expected == "no loss_pct" and "30" in found.got
    mended = rule.replace("(savings|hair)", "(savings|hair|tyres)")
    assert check(pack(tmp_path / "q", {"loss/en": mended})).errors == []


def test_a_known_miss_that_is_read_by_now_fails(tmp_path: Path) -> None:
    rule = DWINDLED + '    known_misses:\n      - "My Tern has dwindled by 8 % at 60,000 km": {loss_pct: 8}\n'
    assert "move it to the examples" in only(check(pack(tmp_path / "p", {"loss/en": rule})), "known-miss").todo


def test_a_dead_rule_and_a_beaten_one_are_found(tmp_path: Path) -> None:
    dead = DWINDLED.replace("dwindled by? {loss:percent}", "shrivelled by? {loss:percent}").replace(
        "its battery dwindled by", "it lost"
    )
    assert "shrivelled" in only(check(pack(tmp_path / "p", {"loss/en": dead})), "dead").expected
    beaten = """
  - id: mine.odometer
    priority: 10
    patterns: ["{odometer:distance} .. (on the clock)"]
    examples: ["My Tern has 74,000 km on the clock.": {odometer_km: 74000}]
"""
    found = only(check(pack(tmp_path / "q", {"odometer/en": beaten})), "beaten")
    assert "odometer.on-the-clock (priority 70)" in found.got


def test_rules_that_want_the_same_words_are_told_with_the_winner(tmp_path: Path) -> None:
    rule = """
  - id: mine.limit
    priority: 95
    patterns: ["dropped {limit:percent}"]
    examples: ["My Tern dropped 60 %.": {charge_limit_pct: 60}]
"""
    found = [one for one in check(pack(tmp_path / "p", {"limit/en": rule})).findings if one.code == "overlap"]
    assert any("loss.stated-after-cue" in one.what and "mine.limit goes first (priority 95" in one.got for one in found)


def test_a_replaced_rule_of_another_kind_and_an_empty_off_are_found(tmp_path: Path) -> None:
    other = DWINDLED.replace("loss.dwindled", "odometer.on-the-clock")
    assert "gives odometer" in only(check(pack(tmp_path / "p", {"loss/en": other})), "unlike").expected
    off = "  - {id: loss.no-such-rule, off: true}\n"
    found = only(check(pack(tmp_path / "q", {"loss/en": off})), "off-nothing")
    assert found.level == "error" and "loss.stated-after-cue" in found.todo


def test_an_id_used_twice_in_a_language_clashes(tmp_path: Path) -> None:
    found = check(pack(tmp_path / "p", {"loss/en": DWINDLED, "health/en": DWINDLED})).errors
    assert ["used twice" in one.what for one in found] == [True]


def test_files_and_languages_that_nobody_reads_are_found(tmp_path: Path) -> None:
    checked = check(pack(tmp_path / "p", {"loss/en": DWINDLED, "loss/fi": "  []\n", "loss/de.yml": "rules: []"}))
    assert "no word list" in only(checked, "no-language").what
    assert only(checked, "malformed").file.endswith("de.yml")


def test_a_declared_field_that_no_rule_gives_is_found(tmp_path: Path) -> None:
    checked = check(pack(tmp_path / "p", {"loss/en": DWINDLED}, more=fields("tyre_mm", unit="mm")))
    assert "tyre_mm" in only(checked, "not-fed").what


def test_an_example_of_another_pack_that_is_read_otherwise_is_told(tmp_path: Path) -> None:
    rule = """
  - id: mine.down
    priority: 99
    patterns: ["down {limit:percent} at"]
    examples: ["My Tern is down 60 % at the weekend.": {charge_limit_pct: 60}]
"""
    changed = [one for one in check(pack(tmp_path / "p", {"limit/en": rule})).findings if one.code == "changes"]
    assert any("Down 2.1 % at 74,000 km" in one.what and "mine.down" in one.rule for one in changed)


def test_a_rule_without_tests_is_noted(tmp_path: Path) -> None:
    rule = "  - {id: mine.bare, patterns: ['dwindled by? {loss:percent}']}\n"
    checked = check(pack(tmp_path / "p", {"loss/en": rule}))
    assert only(checked, "untested").level == "note" and not checked.errors


def test_every_mistake_of_a_pack_is_told_at_once(tmp_path: Path) -> None:
    rules = """
  - {id: a.one, patterns: ["{los:percent}"]}
  - {id: a.two, patterns: ["<no-such-class> {loss:percent}"]}
  - {id: a.three, patterns: ["down {loss:per-cent}"]}
  - {patterns: ["down {loss:percent}"]}
  - {id: a.five, patterns: ["down {loss:percent}"], examples: ["down 6 %": {los_pct: 6}]}
"""
    checked = check(pack(tmp_path / "p", {"loss/en": rules}))
    told = "\n".join(f"{one.where} {one.what} {one.todo}" for one in checked.errors)
    assert len(checked.errors) == 5
    for words in (
        "no role is called 'los'",
        "<no-such-class>",
        "'per-cent'",
        "without an id",
        "no field is called 'los_pct'",
    ):
        assert words in told
    assert "line 3, rule a.one" in told and "lost" in told and "loss_pct" in told


def test_a_folder_that_is_no_pack_is_refused(tmp_path: Path) -> None:
    with pytest.raises(RuleProblem, match=r"no pack\.yaml"):
        check(tmp_path)


def test_packs_may_lie_over_one_another(tmp_path: Path) -> None:
    lower = pack(tmp_path / "lower", {"loss/en": DWINDLED}, name="lower")
    upper = pack(tmp_path / "upper", {"loss/en": "  - {id: loss.dwindled, off: true}\n"}, name="upper")
    assert codes(check(upper)) == {"off-nothing"}
    assert codes(check(upper, (lower,))) == set()


def test_every_rule_of_the_built_in_pack_holds_together() -> None:
    checked = check_pack(BUILT_IN, languages=["en"], slow=False)
    assert checked.errors == []
    assert checked.counts["rules"] > 80
    assert {finding.code for finding in checked.findings} <= CODES.keys()


@pytest.mark.parametrize("field", [*SAMPLES, "tyre_mm"])
def test_a_new_pack_passes_as_it_is_written(field: str, tmp_path: Path) -> None:
    languages = languages_with_rules()
    language = languages[sorted([*SAMPLES, "tyre_mm"]).index(field) % len(languages)]
    new_pack(field, language, tmp_path / "p")
    checked = check_pack(tmp_path / "p")
    assert checked.errors == [] and checked.counts["tests"] == 3


@pytest.mark.parametrize("field", ["Tyre mm", "whose", "vehicle_text", "report_id", "loss"])
def test_a_field_that_cannot_be_read_gets_no_pack(field: str, tmp_path: Path) -> None:
    with pytest.raises(UsageProblem):
        new_pack(field, "en", tmp_path / "p")
    assert not (tmp_path / "p").exists()


def test_a_folder_in_use_is_left_alone(tmp_path: Path) -> None:
    (tmp_path / "p").mkdir()
    (tmp_path / "p" / "mine.txt").write_text("mine")
    with pytest.raises(UsageProblem, match="something already"):
        new_pack("tyre_mm", "en", tmp_path / "p")
    assert [path.name for path in (tmp_path / "p").iterdir()] == ["mine.txt"]
