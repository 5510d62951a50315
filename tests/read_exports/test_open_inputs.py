import bz2
import gzip
import io
import lzma
import os
import stat
import zipfile
from collections.abc import Callable
from hashlib import sha256
from pathlib import Path

import fsspec
import pytest
import zstandard
from whole_reading import THREAD, read_all, read_one, zip_of

from pipeline.problems import ExportProblem, UnsafeArchive
from pipeline.read_exports.spool import MEMORY_LIMIT, Limits

DATA = THREAD.encode()
PACK: dict[str, Callable[[bytes], bytes]] = {
    "gz": gzip.compress,
    "bz2": bz2.compress,
    "xz": lzma.compress,
    "zst": zstandard.ZstdCompressor().compress,
    "zip": lambda data: zip_of({"thread.csv": data}),
}
LONG = DATA + b"".join(
    f"b{n},a1,wren,2025-03-15T00:00:00Z,{n % 7},{os.urandom(9).hex()} words {n}\n".encode() for n in range(40_000)
)


@pytest.mark.parametrize("kind", PACK)
def test_each_packing_by_its_bytes_not_by_its_name(tmp_path: Path, kind: str) -> None:
    path = tmp_path / "nothing-in-the-name"
    path.write_bytes(PACK[kind](DATA))
    whole = read_one(path)
    assert len(whole.responses) == 3
    assert whole.export.sha256 == sha256(path.read_bytes()).hexdigest()
    assert whole.export.size_bytes == path.stat().st_size


@pytest.mark.parametrize("kind", PACK)
def test_large_files_are_spooled_and_cut_ones_keep_what_stood_before(tmp_path: Path, kind: str) -> None:
    assert len(LONG) < MEMORY_LIMIT
    data = LONG + LONG.replace(b"\nb", b"\nc").split(b"\n", 1)[1].replace(b"\na", b"\nd").replace(b"a1,,", b"d1,,", 1)
    assert len(data) > MEMORY_LIMIT
    packed = PACK[kind](data)
    path = tmp_path / f"thread.csv.{kind}"
    path.write_bytes(packed)
    whole = read_one(path)
    assert (len(whole.responses), whole.rejects) == (80_006, [])
    assert whole.export.source == "thread.csv"
    path.write_bytes(packed[: len(packed) // 2])
    first, *others = read_all(path)
    assert 0 < len(first.responses) < 80_000
    assert first.reasons == ["broken_off"]
    known = {response.text for response in whole.responses}
    assert all(response.text in known for response in first.responses), "a row was cut and kept"
    assert all(other.export.problem is not None for other in others)


def test_packing_in_packing(tmp_path: Path) -> None:
    path = tmp_path / "all.zip"
    path.write_bytes(zip_of({"one/thread.csv.gz": gzip.compress(DATA), "two/more.zip": zip_of({"b.csv": DATA})}))
    wholes = read_all(path)
    assert [whole.export.source for whole in wholes] == ["thread.csv", "b.csv"]
    assert [len(whole.responses) for whole in wholes] == [3, 3]


def test_too_many_layers(tmp_path: Path) -> None:
    data = DATA
    for _ in range(8):
        data = gzip.compress(data)
    (tmp_path / "deep.gz").write_bytes(data)
    assert isinstance(read_one(tmp_path / "deep.gz").export.problem, UnsafeArchive)


@pytest.mark.parametrize("kind", PACK)
def test_bombs_are_cut_off(tmp_path: Path, kind: str) -> None:
    (tmp_path / f"bomb.{kind}").write_bytes(PACK[kind](b"a" * (100 << 20)))
    (tmp_path / "thread.csv").write_bytes(DATA)
    bomb, thread = read_all(tmp_path)
    assert isinstance(bomb.export.problem, UnsafeArchive)
    assert "200 times" in str(bomb.export.problem)
    assert len(thread.responses) == 3


def test_the_total_counts_over_all_members(tmp_path: Path) -> None:
    path = tmp_path / "many.zip"
    path.write_bytes(zip_of({f"{n}.csv": LONG[:1_000_000] for n in range(5)}))
    wholes = read_all(path, limits=Limits(total=2_500_000))
    assert isinstance(wholes[-1].export.problem, UnsafeArchive)
    assert len(wholes) == 3
    wholes = read_all(path, limits=Limits(members=2))
    assert [whole.export.problem is None for whole in wholes] == [True, True, False]


def test_paths_that_lead_out_of_an_archive_are_refused_and_others_read(tmp_path: Path) -> None:
    path = tmp_path / "tricky.zip"
    path.write_bytes(
        zip_of({"../up.csv": DATA, "/root.csv": DATA, "C:\\x.csv": DATA, "good.csv": DATA, "a/../../b.csv": DATA})
    )
    by_name = {whole.export.path.split("!")[1]: whole for whole in read_all(path)}
    assert len(by_name.pop("good.csv").responses) == 3
    assert len(by_name) == 4
    assert all(isinstance(whole.export.problem, UnsafeArchive) for whole in by_name.values())
    assert sorted(tmp_path.iterdir()) == [path]


def test_links_and_locked_members_are_refused(tmp_path: Path) -> None:
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w") as archive:
        link = zipfile.ZipInfo("link.csv")
        link.external_attr = (stat.S_IFLNK | 0o777) << 16
        archive.writestr(link, "/etc/hostname")
        archive.writestr("locked.csv", DATA)
        archive.writestr("open.csv", DATA)
    data = bytearray(packed.getvalue())
    for signature, flags in ((b"PK\x03\x04", 6), (b"PK\x01\x02", 8)):
        place = data.index(b"locked.csv", data.index(signature) if flags == 6 else data.index(b"PK\x01\x02"))
        start = data.rindex(signature, 0, place)
        data[start + flags] |= 1
    path = tmp_path / "mixed.zip"
    path.write_bytes(bytes(data))
    link_, locked, opened = read_all(path)
    assert isinstance(link_.export.problem, UnsafeArchive)
    assert "password" in str(locked.export.problem)
    assert len(opened.responses) == 3


def test_clutter_is_passed_over(tmp_path: Path) -> None:
    (tmp_path / "all.zip").write_bytes(zip_of({"__MACOSX/._t.csv": b"\x00\x05", "t.csv": DATA, ".DS_Store": b"\x00"}))
    (tmp_path / ".hidden.csv").write_bytes(DATA)
    (tmp_path / "~$lock.xlsx").write_bytes(b"x")
    (whole,) = read_all(tmp_path)
    assert whole.export.source == "t.csv"


def test_an_empty_archive_and_an_empty_folder(tmp_path: Path) -> None:
    (tmp_path / "empty.zip").write_bytes(zip_of({}))
    (tmp_path / "nothing").mkdir()
    assert "empty" in str(read_one(tmp_path / "empty.zip").export.problem)
    assert "no files" in str(read_one(tmp_path / "nothing").export.problem)


def test_missing_inputs_are_told_and_the_others_read(tmp_path: Path) -> None:
    (tmp_path / "thread.csv").write_bytes(DATA)
    wholes = read_all(
        tmp_path / "no.csv", tmp_path / "*.tsv", "memory://no/such.csv", "nosuch://x/y.csv", tmp_path / "thread.csv"
    )
    problems = [whole.export.problem for whole in wholes]
    assert all(isinstance(problem, ExportProblem) for problem in problems[:4])
    assert all("->" in str(problem) for problem in problems[:4])
    assert problems[4] is None
    assert len(wholes[4].responses) == 3


def test_folders_and_globs_come_sorted_and_each_file_once(tmp_path: Path) -> None:
    for name in ("b.csv", "a.csv", "deep/c.csv", "notes[1].csv"):
        (tmp_path / name).parent.mkdir(exist_ok=True)
        (tmp_path / name).write_bytes(DATA)
    sources = [whole.export.source for whole in read_all(tmp_path)]
    assert sources == ["a.csv", "b.csv", "c.csv", "notes[1].csv"]
    assert [w.export.source for w in read_all(tmp_path / "b.csv", tmp_path / "?.csv")] == ["b.csv", "a.csv"]
    assert [w.export.source for w in read_all(tmp_path / "notes[1].csv")] == ["notes[1].csv"]
    assert [w.export.source for w in read_all(tmp_path / "**" / "c.csv")] == ["c.csv"]


def test_files_of_one_name_get_names_of_their_own_in_any_order(tmp_path: Path) -> None:
    for folder in ("north", "south"):
        (tmp_path / folder).mkdir()
        (tmp_path / folder / "thread.csv").write_bytes(DATA)
    north, south = tmp_path / "north", tmp_path / "south"
    there = {w.export.path: w.export.source for w in read_all(north, south)}
    back = {w.export.path: w.export.source for w in read_all(south, north)}
    assert there == back
    assert sorted(there.values()) == ["north/thread.csv", "south/thread.csv"]


def test_addresses_that_fsspec_opens(tmp_path: Path) -> None:
    memory = fsspec.filesystem("memory")
    memory.pipe("/crowd/one.csv", DATA)
    memory.pipe("/crowd/two.csv.gz", gzip.compress(DATA))
    (one,) = read_all("memory://crowd/one.csv")
    assert one.export.path == "memory:///crowd/one.csv"
    assert one.export.sha256 == sha256(DATA).hexdigest()
    assert [len(whole.responses) for whole in read_all("memory://crowd/*.csv*")] == [3, 3]
    assert [whole.export.source for whole in read_all("memory://crowd")] == ["one.csv", "two.csv"]
    (tmp_path / "t.csv").write_bytes(DATA)
    assert len(read_one(f"file://{tmp_path}/t.csv").responses) == 3


@pytest.mark.skipif(os.geteuid() == 0, reason="root may read everything")
def test_a_file_that_may_not_be_read(tmp_path: Path) -> None:
    path = tmp_path / "thread.csv"
    path.write_bytes(DATA)
    path.chmod(0)
    assert "may not be read" in str(read_one(path).export.problem)


def test_a_pipe_is_not_waited_for(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe")
    assert "pipe" in str(read_one(tmp_path / "pipe").export.problem)


def test_damage_anywhere_in_an_archive_never_ends_in_a_traceback(tmp_path: Path) -> None:
    for kind, pack in PACK.items():
        data = pack(LONG[:20_000])
        for place in range(0, len(data), max(1, len(data) // 60)):
            broken = data[:place] + bytes([data[place] ^ 0xFF]) + data[place + 1 :]
            path = tmp_path / f"x.{kind}"
            path.write_bytes(broken)
            assert read_all(path)
