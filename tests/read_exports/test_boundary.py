import json
from datetime import UTC, datetime, timedelta
from hashlib import sha256
from pathlib import Path

import pytest
from whole_reading import FIXTURES, THREAD, read_all, read_one, read_text

from pipeline.read_exports import formats
from pipeline.read_exports.find_formats import format_modules
from pipeline.read_exports.read_exports import read_exports
from pipeline.read_exports.times import day_comes_first, parse_time
from pipeline.read_exports.to_responses import REASONS, Repeats, read_count, read_lang, response_id

FORMATS = sorted((FIXTURES / "formats").iterdir())


def test_every_module_of_the_folder_is_found() -> None:
    found = {module.__name__.rsplit(".", 1)[1] for module in format_modules()}  # type: ignore[attr-defined]
    there = {path.stem for path in Path(formats.__path__[0]).glob("*.py")} - {"__init__"}
    assert found == there
    assert all(isinstance(module.NAME, str) for module in format_modules())


@pytest.mark.parametrize("path", FORMATS, ids=lambda path: path.name)
def test_each_fixture_is_read_and_its_rejects_have_documented_reasons(path: Path) -> None:
    whole = read_one(path)
    assert whole.export.problem is None
    assert len(whole.responses) >= 3
    assert whole.export.roles_line.count("text = ") >= 1
    assert set(whole.reasons) <= REASONS.keys()
    assert len({response.response_id for response in whole.responses}) == len(whole.responses)


@pytest.mark.parametrize("share", [0.25, 0.5, 0.75])
@pytest.mark.parametrize("path", FORMATS, ids=lambda path: path.name)
def test_each_fixture_cut_ends_in_no_traceback_and_the_next_file_is_read(
    path: Path, share: float, tmp_path: Path
) -> None:
    data = path.read_bytes()
    (tmp_path / path.name).write_bytes(data[: int(share * len(data))])
    (tmp_path / "whole.csv").write_text(THREAD)
    cut, thread = read_all(tmp_path / path.name, tmp_path / "whole.csv")
    assert cut.export.problem is not None or cut.responses or cut.rejects
    assert len(thread.responses) == 3


def test_ids_are_made_of_the_source_and_the_own_id(tmp_path: Path) -> None:
    whole = read_text(tmp_path, THREAD, "thread.csv")
    assert whole.responses[0].response_id == response_id("thread.csv", "a1")
    assert whole.responses[0].response_id == "r" + sha256(b"thread.csv\x1fa1").hexdigest()[:20]


def test_ids_without_own_ids_stay_when_rows_move_and_tell_repeats_apart(tmp_path: Path) -> None:
    rows = ["wren,2025-03-14,Down two percent", "moss,2025-03-15,Down three", "wren,2025-03-14,Down two percent"]
    first = read_text(tmp_path, "\n".join(["author,date,comment", *rows]))
    other = read_text(
        tmp_path, "\n".join(["author,date,comment", rows[1], "new,2025-03-13,Hello there", rows[0], rows[2]])
    )
    before = {response.response_id for response in first.responses}
    assert len(before) == 3
    assert before < {response.response_id for response in other.responses}
    assert [response.source_response_id for response in first.responses] == ["2", "3", "4"]


def test_pages_of_a_paged_api_are_one_source_and_one_thread(tmp_path: Path) -> None:
    folder = tmp_path / "episode-41"
    folder.mkdir()
    for page in (1, 2, 10):
        items = [
            {"id": f"c{page}-{n}", "author": "wren", "text": f"Comment {n} of page {page}, as said"} for n in range(3)
        ]
        (folder / f"page-{page}.json").write_text(json.dumps({"nextPageToken": "x", "items": items}))
    (folder / "page-11.json").write_text(
        json.dumps({"comments": [{"id": "z", "text": "Another shape of page altogether"}]})
    )
    wholes = read_all(folder)
    pages = [whole for whole in wholes if not whole.export.path.endswith("11.json")]
    assert {whole.export.source for whole in pages} == {"episode-41"}
    assert {response.thread_id for whole in pages for response in whole.responses} == {"episode-41"}
    assert {response.source for whole in pages for response in whole.responses} == {"episode-41"}
    (other,) = (whole for whole in wholes if whole.export.path.endswith("11.json"))
    assert other.export.source == "page-11.json"


def test_two_threads_with_numbers_are_no_pages(tmp_path: Path) -> None:
    for number in (41, 58):
        items = [{"id": f"c{n}", "text": f"Comment {n} of thread {number}"} for n in range(3)]
        (tmp_path / f"thread-{number}.json").write_text(json.dumps({"items": items}))
    assert [whole.export.source for whole in read_all(tmp_path)] == ["thread-41.json", "thread-58.json"]


def test_the_place_inside_an_export_stands_in_the_source(tmp_path: Path) -> None:
    whole = read_text(tmp_path, "forum,author,comment\nGarage,wren,Down two percent\nKitchen,moss,Up one\n")
    assert [response.source for response in whole.responses] == ["export.csv/Garage", "export.csv/Kitchen"]


def test_items_are_read_once_and_exports_may_be_kept(tmp_path: Path) -> None:
    for name in ("a.csv", "b.csv"):
        (tmp_path / name).write_text(THREAD)
    exports = list(read_exports([str(tmp_path)]))
    assert [len(list(export.items())) for export in exports] == [3, 3]
    assert [list(export.items()) for export in exports] == [[], []]


@pytest.mark.parametrize(
    ("cell", "time"),
    [
        ("2025-03-14T06:00:37Z", "2025-03-14 06:00:37"),
        ("2025-03-14 06:00", "2025-03-14 06:00:00"),
        ("2025-03-14T06:00:00+02:00", "2025-03-14 04:00:00"),
        ("2025/03/14 6:05", "2025-03-14 06:05:00"),
        ("26/03/2025 08:14", "2025-03-26 08:14:00"),
        ("26.03.25, 08:14 Uhr", "2025-03-26 08:14:00"),
        ("3/26/2025 8:14:05 PM", "2025-03-26 20:14:05"),
        ("12.03.2025 12:00 AM", "2025-03-12 00:00:00"),
        ("14. mars 2025 kl. 18:30", "2025-03-14 18:30:00"),
        ("14 März 2025", "2025-03-14 00:00:00"),
        ("Mar 14, 2025, 6:00 PM", "2025-03-14 18:00:00"),
        ("3 août 2025 à 09h15", "2025-08-03 09:15:00"),
        ("5 de enero de 2025", "2025-01-05 00:00:00"),
        ("14 maart 2025 07:00 CET", "2025-03-14 06:00:00"),
        ("Fri, 14 Mar 2025 06:00:37 +0100", "2025-03-14 05:00:37"),
        ("1741932037", "2025-03-14 06:00:37"),
        (1741932037000, "2025-03-14 06:00:37"),
        (45730.25, "2025-03-14 06:00:00"),
        (datetime(2025, 3, 14, 6), "2025-03-14 06:00:00"),
    ],
)
def test_times(cell: str | int | float | datetime, time: str) -> None:
    assert parse_time(cell) == datetime.fromisoformat(time).replace(tzinfo=UTC)


@pytest.mark.parametrize(
    "cell",
    [
        "",
        "2 days ago",
        "31400",
        "47.500",
        "88,200",
        "2022",
        "12.5",
        "1.2.3",
        "99/99/2025",
        "June 2021",
        True,
        None,
        81400,
        "5-6 %",
    ],
)
def test_no_times(cell: str | bool | int | None) -> None:
    assert parse_time(cell) is None


def test_the_order_of_day_and_month_is_the_column_s() -> None:
    assert day_comes_first(["03/04/2025", "26/03/2025"])
    assert not day_comes_first(["03/04/2025", "03/26/2025"])
    assert not day_comes_first(["03/04/2025 8:00 PM"])
    assert day_comes_first(["03/04/2025"])
    assert parse_time("03/04/2025", day_first=False) == datetime(2025, 3, 4, tzinfo=UTC)


def test_american_dates_in_a_file(tmp_path: Path) -> None:
    whole = read_text(tmp_path, "author,date,comment\nwren,03/04/2025,Down two percent\nmoss,03/26/2025,Down three\n")
    first, second = (response.posted_at for response in whole.responses)
    assert first is not None and second is not None
    assert second - first == timedelta(days=22)


@pytest.mark.parametrize(
    ("cell", "count"),
    [
        ("12", 12),
        ("1,204", 1204),
        ("1.204", 1204),
        ("1.2K", 1200),
        ("3,4 Tsd.", 3400),
        ("2M", 2_000_000),
        ("1 204", 1204),
        ("-3", -3),
        (7.0, 7),
        ("5.0", 5),
        ("", None),
        ("many", None),
        ("1.25", None),
        (None, None),
        (True, None),
    ],
)
def test_counts(cell: str | float | None, count: int | None) -> None:
    assert read_count(cell) == count


@pytest.mark.parametrize(
    ("word", "lang"),
    [
        ("en", "en"),
        ("EN_us", "en-US"),
        ("pt-br", "pt-BR"),
        ("zh-hant", "zh-Hant"),
        ("Deutsch", "de"),
        ("und", None),
        ("?", None),
        (None, None),
    ],
)
def test_languages(word: str | None, lang: str | None) -> None:
    assert read_lang(word) == lang


def test_repeats_are_counted_exactly() -> None:
    repeats = Repeats()
    keys = [sha256(str(n).encode()).digest() for n in range(5000)]
    assert [repeats.count(key) for key in keys] == [0] * 5000
    assert [repeats.count(key) for key in keys[1:]] == [1] * 4999
    assert repeats.count(keys[7]) == 2
