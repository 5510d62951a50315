"""`crowdfade report` on a ledger: the folder, the page, the pictures, what it refuses; the page in a browser."""

from __future__ import annotations

import csv
import json
import os
import re
import struct
import subprocess
import sys
from datetime import UTC, datetime
from itertools import pairwise
from pathlib import Path
from xml.etree import ElementTree

import altair as alt
import pytest
from browser import browser
from generated_audience import audience, ledger_of, table_of

from pipeline.problems import LedgerProblem, UsageProblem
from pipeline.sum_up.cross_section import as_frame, cross_section
from pipeline.write_report.charts import charts_of, specification
from pipeline.write_report.compute import compute
from pipeline.write_report.groups import prepared
from pipeline.write_report.palette import DARK, INK, PAPER, QUIET, SERIES
from pipeline.write_report.pictures import PAGE_WIDE
from pipeline.write_report.references import read_references
from pipeline.write_report.report_folder import earlier_figures, put_in_place, writing_reports
from pipeline.write_report.sections import ReportOptions, escaped, table_html
from pipeline.write_report.write import WrittenReport, write_report

ROOT = Path(__file__).parents[2]
AT = datetime(2026, 6, 2, tzinfo=UTC)
HOSTILE = "<script>alert(1)</script>\"'&\u202e"


def crowdfade(*words: str | Path) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "pipeline.command_line", *map(str, words)],
        env=os.environ | {"PYTHONPATH": str(ROOT), "COLUMNS": "200"}, capture_output=True, text=True,
    )  # fmt: skip


@pytest.fixture(scope="module")
def ledger(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A hundred people, one of whom has a vehicle with a hostile name."""
    rows = audience(110, 31).to_pylist()
    for row in rows[:60]:
        row |= {"make": "Norrvik", "model": HOSTILE, "source": HOSTILE}
    return ledger_of(table_of(rows), tmp_path_factory.mktemp("ledger") / "ledger")


@pytest.fixture(scope="module")
def reference(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("reference") / "fleet.csv"
    path.write_text("distance_mi,retention,label,source\n0,100,Pool cars,invented\n120000,88,Pool cars,invented\n")
    return path


@pytest.fixture(scope="module")
def written(ledger: Path, reference: Path, tmp_path_factory: pytest.TempPathFactory) -> WrittenReport:
    options = ReportOptions(
        fewest=45,
        resamples=100,
        title=f"Listeners {HOSTILE}",
        audience="Listeners of The Second Battery",
        references=tuple(read_references(reference)),
        regulations=("un-gtr-22", "euro-7"),
    )
    return write_report(ledger, tmp_path_factory.mktemp("reports") / "reports", options=options, at=AT)


@pytest.fixture(scope="module")
def page(written: WrittenReport) -> str:
    return written.page.read_text("utf-8")


def test_the_page_alone_says_what_can_and_cannot_be_claimed(page: str, written: WrittenReport) -> None:
    for words in (
        "What these answers let you say", "What they do not let you say", "selected themselves",
        "no estimates of sampling error can be calculated", "Who answers is not who drives", "none was measured",
        "Follow the vehicle maker&#x27;s charging instructions", "licensed practice", "95 % interval", "drawn with "
        "replacement",
        "Median regression", "a constant, a square root and a straight part", "Okabe and Ito", "displayed range is "
        "no capacity test",
        "UN Global Technical Regulation 22", "Regulation (EU) 2024/1257",
    ):  # fmt: skip
        assert words in page.replace("maker's", "maker&#x27;s"), words
    assert "margin of error" not in page.lower() and "margin of sampling" not in page.lower()
    for one in written.figures.differences:
        assert escaped(one.sentence()) in page
    (gap,) = [one for one in written.figures.gaps if one.at == 100_000]
    assert escaped(gap.sentence()) in page and "Pool cars: invented" in page


def test_nothing_from_outside_is_markup(page: str) -> None:
    assert "<script" not in page
    assert "\u202e" not in page
    assert "&lt;script&gt;alert(1)&lt;/script&gt;" in page


def test_the_page_is_one_file_without_addresses(page: str) -> None:
    assert not re.search(r"""(?:src|href)\s*=\s*["']?(?!#|data:,)[a-z]+:""", page)
    assert "@import" not in page and not re.search(r"url\((?!#)", page) and "<iframe" not in page
    linked = [link for link in re.findall(r'href="([^"#]+)"', page) if link != "data:,"]
    assert all("//" not in link for link in linked)


def test_what_the_page_links_to_is_there(written: WrittenReport, page: str) -> None:
    for link in re.findall(r'href="([^"#]+)"', page):
        if link != "data:,":
            assert (written.folder / link).is_file(), link
    targets = set(re.findall(r'\bid="([^"]+)"', page))
    assert set(re.findall(r'href="#([^"]+)"', page)) | set(re.findall(r"url\(#([^)]+)\)", page)) <= targets
    named = re.findall(r'\bid="([^"]+)"', page)
    assert len(named) == len(set(named))


def test_each_chart_is_there_in_every_make(written: WrittenReport) -> None:
    pictures = {path.name for path in (written.folder / "pictures").iterdir()}
    assert len(pictures) == written.pictures > 0
    for size, shape in (("1920x1080", (1920, 1080)), ("1080x1920", (1080, 1920))):
        for theme in ("light", "dark"):
            for unit in ("-km", "-mi"):
                for kind in ("svg", "png"):
                    assert f"loss-by-distance-chemistry{unit}-{theme}-{size}.{kind}" in pictures
            assert f"loss-by-age-all-{theme}-{size}.svg" in pictures
            png = (written.folder / "pictures" / f"differences-{theme}-{size}.png").read_bytes()
            assert struct.unpack(">II", png[16:24]) == shape
    assert not [name for name in pictures if name.startswith("loss-by-age") and re.search(r"-(km|mi)-", name)]


def picture(written: WrittenReport, name: str) -> ElementTree.Element:
    return ElementTree.fromstring((written.folder / "pictures" / name).read_text("utf-8"))


def test_a_picture_shows_its_readings_words_and_no_false_precision(written: WrittenReport) -> None:
    drawn = picture(written, "loss-by-distance-all-km-light-1920x1080.svg")
    words = [str(text.text) for text in drawn.iter("{http://www.w3.org/2000/svg}text")]
    assert any(line.startswith("Listeners of The Second Battery: ") for line in words)
    assert any("chose themselves" in line for line in words)
    # Ticks are whole per cents and whole thousands, since people tell no more.
    numbers = [line for line in words if re.fullmatch(r"[−-]?[\d,.]+", line)]
    assert len(numbers) > 6 and not [line for line in numbers if "." in line]
    sizes = [float(text.get("font-size", "0").removesuffix("px")) for text in drawn.iter() if text.get("font-size")]
    assert min(sizes) >= 27
    shown = len(written.figures.of("distance", "all")) and written.figures.of("distance", "all")[0].vehicles
    marks = [path for path in drawn.iter("{http://www.w3.org/2000/svg}path") if path.get("fill") == SERIES[0]]
    assert len(marks) >= 0.95 * shown


def test_miles_and_dark_are_other_words_and_other_colours(written: WrittenReport) -> None:
    km = (written.folder / "pictures" / "loss-by-distance-all-km-light-1080x1920.svg").read_text("utf-8")
    miles = (written.folder / "pictures" / "loss-by-distance-all-mi-dark-1080x1920.svg").read_text("utf-8")
    assert "distance driven, km" in km and "distance driven, miles" in miles
    assert SERIES[0] in km and not [light for light in (PAPER, INK, QUIET, SERIES[0]) if light in miles]
    assert DARK[SERIES[0]] in miles


def test_specifications_follow_vega_lite_s_schema() -> None:
    # Drawn without checks for speed, so each kind (together, panels, differences) is checked here as a whole.
    reports = audience(250, 12)
    vehicles = prepared(cross_section(reports))
    options = ReportOptions(resamples=20, regulations=("un-gtr-22",))
    figures = compute(as_frame(reports), vehicles, options)
    kinds = set()
    for chart in charts_of(figures):
        told = specification(
            chart, figures, vehicles, options, PAGE_WIDE, "both" if chart.axis == "distance" else "km", 40
        )
        kinds |= {"layer", "concat"} & told.keys()
        alt.Chart.from_dict(told, validate=True)
    assert kinds == {"layer", "concat"}


def luminance(colour: str) -> float:
    """Relative luminance of "#rrggbb" (WCAG 2.2)."""
    parts = [int(colour[place : place + 2], 16) / 255 for place in (1, 3, 5)]
    red, green, blue = (part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def test_colours_stand_out_from_their_ground() -> None:
    def contrast(one: str, other: str) -> float:
        low, high = sorted((luminance(one), luminance(other)))
        return (high + 0.05) / (low + 0.05)

    for paper, of in ((PAPER, lambda colour: colour), (DARK[PAPER], DARK.__getitem__)):
        assert min(contrast(of(words), paper) for words in (INK, QUIET)) >= 4.5
        assert min(contrast(of(line), paper) for line in SERIES) >= 3.0


def test_the_tables_and_figures_are_those_of_the_page(written: WrittenReport) -> None:
    with (written.folder / "tables" / "estimates.csv").open(encoding="utf-8-sig", newline="") as file:
        rows = list(csv.DictReader(file))
    assert len(rows) == len(written.figures.estimates)
    told = json.loads((written.folder / "report.json").read_text("utf-8"))
    assert [one["sentence"] for one in told["differences"]] == [one.sentence() for one in written.figures.differences]
    assert told["run"] == "0001-20260601T000000Z" and told["written_at"] == "2026-06-02T00:00:00Z"


def test_the_same_run_gives_the_same_report_and_earlier_ones_stay(ledger: Path, tmp_path: Path) -> None:
    to, options = tmp_path / "reports", ReportOptions(resamples=50, fewest=60)
    first = write_report(ledger, to, options=options, pictures=False, at=AT)
    elsewhere = write_report(ledger, tmp_path / "other", options=options, pictures=False, at=AT)
    assert first.page.read_bytes() == elsewhere.page.read_bytes()
    second = write_report(ledger, to, options=options, pictures=False, at=AT)
    assert first.page.is_file() and second.folder != first.folder
    assert (to / "latest").resolve() == second.folder.resolve()
    assert not list(to.glob(".staging-*"))


def test_a_report_that_fails_half_way_leaves_nothing(tmp_path: Path) -> None:
    to = tmp_path / "reports"

    def files() -> object:
        yield "index.html", "half"
        raise KeyboardInterrupt

    with writing_reports(to), pytest.raises(KeyboardInterrupt):
        put_in_place(to, files(), AT)  # type: ignore[arg-type]
    assert sorted(path.name for path in to.iterdir()) == ["lock", "reports.json"]
    assert earlier_figures(to) is None


@pytest.mark.parametrize("name", ["../outside", "/outside", "a/../../outside"])
def test_no_file_is_written_outside_of_its_report(tmp_path: Path, name: str) -> None:
    with writing_reports(tmp_path / "reports"), pytest.raises(ValueError, match="no place inside"):
        put_in_place(tmp_path / "reports", iter([(name, "x")]), AT)
    assert not (tmp_path / "outside").exists()


def test_a_folder_of_other_things_is_left_alone(ledger: Path, tmp_path: Path) -> None:
    foreign = tmp_path / "holiday"
    foreign.mkdir()
    (foreign / "index.html").write_text("mine")
    for folder in (foreign, ledger):
        before = sorted(path.name for path in folder.iterdir())
        with pytest.raises(LedgerProblem, match="other things than reports"):
            write_report(ledger, folder, pictures=False)
        assert sorted(path.name for path in folder.iterdir()) == before
    with writing_reports(tmp_path / "reports"), pytest.raises(LedgerProblem, match="another crowdfade"):
        write_report(ledger, tmp_path / "reports", pictures=False)


def test_the_command_says_what_it_wrote(ledger: Path, tmp_path: Path) -> None:
    done = crowdfade("report", ledger, "--to", tmp_path / "reports", "--no-pictures", "--fewest", 45, "--json")
    assert (done.returncode, done.stderr) == (0, "")
    told = json.loads(done.stdout)
    assert Path(told["page"]).is_file() and told["pictures"] == 0
    assert {"in-short", "distance", "age", "differences", "habit", "firm", "method"} <= set(told["sections"])
    plain = crowdfade("report", ledger, "--to", tmp_path / "reports", "--no-pictures", "--fewest", 200, "--run", "1")
    assert plain.stdout.splitlines()[-1].startswith("The page is ")
    assert len(list((tmp_path / "reports").glob("0*"))) == 2


def test_what_cannot_be_done_is_said_in_a_sentence(ledger: Path, tmp_path: Path) -> None:
    for words, code, told in (
        (("report", ledger, "--to", tmp_path / "r", "--run", "77"), 2, "there is no run '77'"),
        (("report", tmp_path / "none", "--to", tmp_path / "r"), 5, "no such ledger"),
        (("report", ledger, "--to", tmp_path / "r", "--reference", tmp_path / "none.csv"), 2, "cannot be read"),
    ):
        done = crowdfade(*words)
        assert done.returncode == code and told in done.stderr and "Traceback" not in done.stderr


def test_missing_libraries_are_named_with_the_command_to_type(ledger: Path, tmp_path: Path) -> None:
    script = (
        "import sys, importlib.util as u; find = u.find_spec\n"
        "u.find_spec = lambda name, *more: None if name == 'vl_convert' else find(name, *more)\n"
        f"from pipeline.command_line import main; main(['report', {str(ledger)!r}, '--to', {str(tmp_path / 'r')!r}])"
    )
    done = subprocess.run(
        [sys.executable, "-c", script], env=os.environ | {"PYTHONPATH": str(ROOT)}, capture_output=True, text=True
    )
    assert done.returncode == 2 and "vl_convert" in done.stderr and 'pip install "crowdfade[report]"' in done.stderr
    assert not (tmp_path / "r").exists()


@pytest.mark.parametrize(
    ("content", "told"),
    [
        ("distance,retention\n1,2\n", "has the columns"),
        ("", "has no rows"),
        ("distance,retention,label,source\nfar,90,A,B\n", "line 2: distance 'far' is no number"),
        ("distance,retention,label,source\n1,90,A,B\n5,nan,A,B\n", "line 3: retention 'nan' is no number"),
        ("distance,retention,label,source\n1,90,,B\n", "a label and a source"),
        ("distance,retention,label,source\n1,190,A,B\n", "cannot be"),
        ("distance,retention,label,source\n1,0.93,A,B\n", "looks like fractions"),
    ],
)
def test_a_reference_file_that_does_not_hold_together(tmp_path: Path, content: str, told: str) -> None:
    path = tmp_path / "reference.csv"
    path.write_text(content)
    with pytest.raises(UsageProblem, match=re.escape(told)):
        read_references(path)


def test_references_are_read_in_miles_and_in_any_order(tmp_path: Path) -> None:
    path = tmp_path / "reference.csv"
    path.write_text("label,source,retention,distance_mi\nA,x,90,100000\nA,x,100,0\nB,y,99,10\n", encoding="utf-8-sig")
    one, other = read_references(path)
    assert one.km == pytest.approx((0, 160_934.4)) and one.loss_pct == (0, 10)
    assert (other.label, other.source) == ("B", "y")


def test_tables_are_escaped_and_can_be_scrolled_by_keyboard() -> None:
    told = table_html("<b>", ["<i>", "n"], [["<u>", 1]], numbers=(1,))
    assert "<b>" not in told and "<i>" not in told and "<u>" not in told
    assert 'tabindex="0"' in told and 'scope="row"' in told and 'class="number"' in told


def test_few_answers_make_a_page_that_says_so(tmp_path: Path) -> None:
    ledger = ledger_of(audience(12, 3), tmp_path / "ledger")
    done = write_report(ledger, tmp_path / "reports", options=ReportOptions(resamples=20))
    told = done.page.read_text("utf-8")
    assert "Too few answers for any figure" in told and "<svg" not in told and done.pictures == 0


@pytest.mark.parametrize(("width", "height", "dark"), [(1440, 900, False), (390, 844, True)])
def test_the_page_in_a_browser(written: WrittenReport, width: int, height: int, dark: bool) -> None:
    from selenium.webdriver import Keys

    with browser(width, height, dark=dark) as shown:
        shown.open(written.page)
        assert shown.errors() == []
        assert shown.requests() == []
        assert shown.overflow() <= 0
        # One of the two drawings of each chart is shown, at a size at which its words can be read.
        sizes = shown.js(
            "return [...document.querySelectorAll('.chart')].filter(c => c.offsetParent).map(c => {"
            "const svg = c.querySelector('svg'); const box = svg.getBoundingClientRect();"
            "const text = [...svg.querySelectorAll('text')].map(t => t.getBoundingClientRect().height).filter(h => h);"
            "return [c.className, box.width, Math.min(...text)]})"
        )
        charts = len(shown.js("return [...document.querySelectorAll('.chart.wide')]"))
        assert len(sizes) == charts > 4
        assert {name for name, *_ in sizes} == {"chart narrow" if width < 640 else "chart wide"}
        assert min(text for *_, text in sizes) >= 9 and max(box for _, box, _ in sizes) <= width
        # By keyboard alone: the first stop skips to the figures, every link and table can be reached, focus is seen.
        shown.press(Keys.TAB)
        assert shown.js("return document.activeElement.className") == "skip"
        shown.press(Keys.ENTER)
        assert shown.js("return location.hash") == "#main"
        for _ in range(3):
            shown.press(Keys.TAB)
        outline = shown.js("return getComputedStyle(document.activeElement).outlineStyle")
        assert outline == "solid" and shown.js("return document.activeElement !== document.body")
        ground = shown.js("return getComputedStyle(document.body).backgroundColor")
        assert (ground == "rgb(255, 255, 254)") is not dark
        stroke = shown.js("return [...document.querySelectorAll('.chart path')].map(p => getComputedStyle(p).stroke)")
        assert ("rgb(86, 180, 233)" in stroke) is dark
        assert shown.js(
            "return [...document.querySelectorAll('img, svg')].every(one => one.getAttribute('alt') || "
            "one.getAttribute('aria-label'))"
        )
        levels = shown.js("return [...document.querySelectorAll('h1,h2,h3,h4')].map(h => +h.tagName[1])")
        assert levels[0] == 1 and levels.count(1) == 1
        assert all(after - before <= 1 for before, after in pairwise(levels))


def test_the_page_in_print(written: WrittenReport) -> None:
    with browser(1440, 900, dark=True) as shown:
        shown.open(written.page)
        shown.medium("print", prefers_color_scheme="dark")
        assert shown.js("return getComputedStyle(document.querySelector('nav.contents')).display") == "none"
        assert shown.js("return getComputedStyle(document.body).backgroundColor") == "rgb(255, 255, 254)"
        assert shown.js("return getComputedStyle(document.querySelector('.chart.wide')).display") == "block"
        shown.medium()
        pdf = shown.pdf()
        assert pdf.startswith(b"%PDF") and len(re.findall(rb"/Type\s*/Page\b", pdf)) > 3
        assert shown.errors() == [] and shown.requests() == []
