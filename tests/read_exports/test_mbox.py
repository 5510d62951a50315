from __future__ import annotations

import contextlib
import mailbox
from datetime import UTC, datetime
from email.message import EmailMessage
from pathlib import Path

import pytest
from format_files import column, export, fixture, good, rejects, rows, tables
from hypothesis import given
from hypothesis import strategies as st

from pipeline.problems import ExportProblem
from pipeline.read_exports.formats import mbox

BORDER = "From a@example.org Fri Jul  8 12:08:34 2011\n"


def test_fixture() -> None:
    data = fixture("letters.mbox")
    assert mbox.looks_like(data, "letters.mbox") > 90
    ((table, found),) = tables(mbox, data)
    assert table.roles["profile"] == "profile" and table.roles["text"] == "text"
    assert [(row["id"], row["parent"], row["author"], row["text"], row["profile"]) for row in good(found)] == [
        (
            "l1@example.org",
            None,
            "The Second Battery",
            "Dear listeners,\n\nhow is your battery after the winter?",
            "The Second Battery, Thursdays at eight",
        ),
        (
            "l2@example.org",
            "l1@example.org",
            "Åse Lund",
            "On Mon, 13 Jan 2025, The Second Battery wrote:\n> how is your battery after the winter?\n\n"
            "From new it has lost 4 %. 83 000 km.\nFrom October to March it looks worse.",
            "Norrvik Tern LR 2021, LFP",
        ),
        (
            "l3@example.org",
            "l2@example.org",
            "Bram",
            "Fell, 58,000 miles.\n\n> From new it has lost 4 %.\n\nMine: 6\u00a0%.",
            None,
        ),
        (
            "l4@example.org",
            "l1@example.org",
            "c@example.org",
            "Größe egal: 2,5 % Verlust nach drei Jahren, Grüße aus Köln.",
            None,
        ),
        ("l5@example.org", "l1@example.org", "Dell, Rose", "Health 95, two years, plain text wins.", None),
        (
            "l7@example.org",
            "l1@example.org",
            "Finn",
            "Ridge. 100 % every night, 130k km, 11 % down.\n\nFrom here I would not do it again.",
            None,
        ),
    ]
    assert rejects(found) == [("message 6", "empty")]
    assert set(column(found, "thread")) == {"l1@example.org"}
    assert column(found, "time")[0] == datetime(2025, 1, 13, 9, 0, tzinfo=UTC)
    assert column(found, "lang")[3] == "de"


def test_written_by_pythons_mailbox(tmp_path: Path) -> None:
    box = mailbox.mbox(tmp_path / "out.mbox")
    for number in range(3):
        message = EmailMessage()
        message["From"] = f"Listener {number} <l{number}@example.org>"
        message["Message-ID"] = f"<{number}@example.org>"
        if number:
            message["In-Reply-To"] = f"<{number - 1}@example.org>"
        message.set_content(f"From the start: lost {number} %.\n>From here on quoted\n")
        box.add(message)
    box.close()
    found = rows(mbox, (tmp_path / "out.mbox").read_bytes())
    assert column(found, "parent") == [None, "0@example.org", "1@example.org"]
    assert column(found, "text")[2] == "From the start: lost 2 %.\nFrom here on quoted"


def test_a_line_that_only_begins_like_a_border() -> None:
    data = BORDER + "Message-ID: <1@x>\n\nHello,\n\nFrom new it lost 4 %.\n>>From quoted mail\n> From a reply\n"
    assert column(rows(mbox, data), "text") == ["Hello,\n\nFrom new it lost 4 %.\n>From quoted mail\n> From a reply"]


def test_signature_only_below_its_line() -> None:
    data = BORDER + "\nLost 4 %.\n> -- \n> their signature\n--\nnot far\n-- \nWhite Tern LR 2021\n"
    assert [(row["text"], row["profile"]) for row in good(rows(mbox, data))] == [
        ("Lost 4 %.\n> -- \n> their signature\n--\nnot far", "White Tern LR 2021")
    ]


def test_wrong_charset_and_broken_headers() -> None:
    data = (
        BORDER + "Content-Type: text/plain; charset=no-such\nDate: never\nFrom: =?utf-8?b?!!!?=\n\n"
    ).encode() + "für 4 %".encode("cp1252")
    ((row),) = good(rows(mbox, data))
    assert row["text"] == "für 4 %"
    assert row["time"] == datetime(2011, 7, 8, 12, 8, 34, tzinfo=UTC)


def test_deep_multiparts_and_a_million_characters() -> None:
    head = "".join(f'Content-Type: multipart/mixed; boundary="b{n}"\n\n--b{n}\n' for n in range(10_000))
    found = rows(
        mbox, BORDER + head + "Content-Type: text/plain\n\nlost 4 %\n\n" + BORDER + "\n" + "x" * 1_000_000 + "\n"
    )
    assert len(found) == 2
    assert len(column(found, "text")[-1]) == 1_000_000


@pytest.mark.parametrize("data", [b"", b"\n\n", b"no mailbox at all"])
def test_no_message_is_a_problem(data: bytes) -> None:
    with pytest.raises(ExportProblem):
        tables(mbox, data)
    assert mbox.looks_like(data, "x.mbox") == 0


def test_cut_in_half_keeps_the_messages_before() -> None:
    data = fixture("letters.mbox")
    found = rows(mbox, data[: data.index(b"Fell, 58,000")])
    assert column(found, "id")[:2] == ["l1@example.org", "l2@example.org"]


def test_a_stream_that_breaks_is_told() -> None:
    class Breaking:
        def __init__(self, data: bytes) -> None:
            self.lines = data.splitlines(keepends=True)[:30]

        def __enter__(self) -> Breaking:
            return self

        def __exit__(self, *error: object) -> None:
            return None

        def readline(self, size: int) -> bytes:
            if not self.lines:
                raise EOFError("Compressed file ended before the end-of-stream marker was reached")
            return self.lines.pop(0)

    file = export(fixture("letters.mbox"))
    file.open = lambda: Breaking(fixture("letters.mbox"))  # type: ignore[assignment,return-value]
    (table,) = mbox.read_tables(file)
    found = list(table.rows)
    assert found[-1].reason == "broken_off"  # type: ignore[union-attr]


@given(st.integers(0, 3600))
def test_cut_at_any_byte(place: int) -> None:
    try:
        found = rows(mbox, fixture("letters.mbox")[:place])
    except ExportProblem:
        return
    ids = [f"l{number}@example.org" for number in (1, 2, 3, 4, 5, 7)]
    read = column(found, "id")
    assert read[:-1] == ids[: max(0, len(read) - 1)]


@given(
    st.lists(
        st.binary(max_size=40)
        | st.sampled_from([b"Content-Type: multipart/mixed; boundary=x", b"--x", b"", b"Date: x"])
    )
)
def test_any_message(lines: list[bytes]) -> None:
    with contextlib.suppress(ExportProblem):
        tables(mbox, BORDER.encode() + b"\n".join(lines))
