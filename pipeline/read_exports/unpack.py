"""Takes the packing off a file: gzip, bzip2, xz, zstd and zip, in any order, told by the first bytes.

What comes out is spooled, to memory while it is small and to the disk beyond that.  A `Budget` is kept for each file
as it was given, over all of its layers and members, so that a bomb is cut off while it is being unpacked.
"""

from __future__ import annotations

import stat
import struct
import zlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import PurePosixPath
from typing import BinaryIO, cast

from pipeline.problems import ExportProblem, UnsafeArchive
from pipeline.read_exports.spool import CHUNK, Budget, Spool

SUFFIXES = (".gz", ".gzip", ".bz2", ".xz", ".lzma", ".zst", ".zstd")
DOCUMENT_PARTS = ("[Content_Types].xml", "mimetype", "xl/", "docProps/", "_rels/", "word/", "META-INF/", "content.xml")
"""How the parts of an office document are called, that is a zip file but no archive of exports."""
BAD_ZIP = (EOFError, OSError, ValueError, RuntimeError, zlib.error, struct.error)


@dataclass(slots=True)
class Unpacked:
    """One file without its packing.

    `inner` is the path inside the archive ("" where there is none), `broken` says how the packing broke off ("" where
    it did not; what stood before that is there), `problem` why nothing of it can be read.
    """

    name: str
    inner: str
    open: Callable[[], BinaryIO]
    size: int | None
    siblings: tuple[str, ...] = ()
    broken: str = ""
    problem: ExportProblem | None = None


def packing_of(head: bytes) -> str:
    """The word for a packing by its first bytes: gzip, bzip2, xz, zstd, zip, or "" for a file that is not packed."""
    if head.startswith(b"\x1f\x8b\x08"):
        return "gzip"
    if head.startswith(b"BZh") and head[4:10] in (b"1AY&SY", b"\x17rE8P\x90"):
        return "bzip2"
    if head.startswith(b"\xfd7zXZ\x00"):
        return "xz"
    if head.startswith(b"\x28\xb5\x2f\xfd"):
        return "zstd"
    if head.startswith((b"PK\x03\x04", b"PK\x05\x06", b"PK\x07\x08")):
        return "zip"
    return ""


def unpack(item: Unpacked, budget: Budget, depth: int = 0) -> Iterator[Unpacked]:
    """Every file that is in `item` once all packing is off, members of archives in the order of their names.

    Bad members come with a `problem`; only nothing at all is raised.
    """
    try:
        with item.open() as stream:
            packing = packing_of(stream.read(16))
    except OSError as error:
        item.problem = cannot_open(error, budget.where)
        packing = ""
    if not packing or item.problem:
        yield item
        return
    if depth >= budget.limits.depth:
        item.problem = UnsafeArchive(
            f"the file is packed more than {budget.limits.depth} times over",
            where=budget.where,
            todo="unpack it by hand and give the files that come out",
        )
        yield item
        return
    try:
        if packing == "zip":
            yield from _unzip(item, budget, depth)
        else:
            yield from unpack(_decompress(item, packing, budget), budget, depth + 1)
    except UnsafeArchive as problem:
        item.problem = problem
        yield item


def cannot_open(error: Exception, where: str) -> ExportProblem:
    """The problem for a file that the system will not open."""
    if isinstance(error, FileNotFoundError):
        return ExportProblem("there is no such file", where=where, todo="look at the path; quote globs and spaces")
    if isinstance(error, PermissionError):
        return ExportProblem("the file may not be read", where=where, todo="give yourself the right to read it")
    detail = str(error) or type(error).__name__
    return ExportProblem(f"the file cannot be opened ({detail})", where=where, todo="copy it to this machine first")


def bare_name(name: str) -> str:
    """The file's name without the suffix of a compression: `thread.csv.gz` -> `thread.csv`."""
    lower = name.lower()
    for suffix in SUFFIXES:
        if lower.endswith(suffix) and len(name) > len(suffix):
            return name[: -len(suffix)]
    return name


def _decompress(item: Unpacked, packing: str, budget: Budget) -> Unpacked:
    spool = Spool()
    broken = item.broken
    with item.open() as stream:
        try:
            for data in _decompressed(stream, packing):
                budget.take(len(data))
                spool.write(data)
        except UnsafeArchive:
            raise
        except Exception as error:  # each library has errors of its own for bad bytes
            broken = f"the {packing} data break off or are damaged ({error})"
    result = Unpacked(bare_name(item.name), item.inner, spool.open, spool.size, item.siblings, broken)
    if broken and not spool.size:
        result.problem = ExportProblem(broken, where=budget.where, todo="fetch the file again; it is not whole")
    return result


def _decompressed(stream: BinaryIO, packing: str) -> Iterator[bytes]:
    if packing == "zstd":
        yield from _zstd(stream)
        return
    import bz2
    import gzip
    import lzma

    opened: gzip.GzipFile | bz2.BZ2File | lzma.LZMAFile
    if packing == "gzip":
        opened = gzip.GzipFile(fileobj=stream)
    elif packing == "bzip2":
        opened = bz2.BZ2File(stream)
    else:
        opened = lzma.LZMAFile(stream)  # noqa: SIM115 (closed below)
    with opened:
        while data := opened.read1(CHUNK):  # read1 gives what is there before an error; read would lose it
            yield data


def _zstd(stream: BinaryIO) -> Iterator[bytes]:
    import zstandard

    window = 1 << 27
    unpacker = zstandard.ZstdDecompressor(max_window_size=window).decompressobj()
    rest = b""
    begun = False
    while data := rest or stream.read(2048):  # small bites: a bomb's 2 KiB can hold many MiB
        begun = True
        out = unpacker.decompress(data)
        rest = b""
        if unpacker.eof:
            rest = unpacker.unused_data
            unpacker = zstandard.ZstdDecompressor(max_window_size=window).decompressobj()
            begun = bool(rest)
        if out:
            yield out
    if begun:
        raise EOFError("the end is missing")


def _unzip(item: Unpacked, budget: Budget, depth: int) -> Iterator[Unpacked]:
    import zipfile

    where = budget.where
    with item.open() as stream:
        try:
            archive = zipfile.ZipFile(stream)
            entries = archive.infolist()
        except (zipfile.BadZipFile, *BAD_ZIP):
            yield from _salvage(item, budget, depth)
            return
        with archive:
            if _is_document(archive):
                yield _checked_document(item, archive, budget)
                return
            entries = sorted((e for e in entries if not e.is_dir() and not is_clutter(e.filename)), key=_by_name)
            if not entries:
                item.problem = ExportProblem("the archive is empty", where=where, todo="export again")
                yield item
                return
            names = tuple(entry.filename for entry in entries)
            for number, entry in enumerate(entries, 1):
                budget.take_member(number)
                yield from unpack(_member(archive, entry, names, budget), budget, depth + 1)


def _by_name(entry: object) -> str:
    return str(getattr(entry, "filename", ""))


def is_clutter(path: str) -> bool:
    """Whether a file is an operating system's or an office program's own: hidden, a lock, a thumbnail store."""
    parts = PurePosixPath(path.replace("\\", "/")).parts
    if any(part == "__MACOSX" or (part.startswith(".") and part not in (".", "..")) for part in parts):
        return True
    return bool(parts) and (parts[-1].startswith("~$") or parts[-1].lower() in ("thumbs.db", "desktop.ini"))


def _is_document(archive: object) -> bool:
    """Whether a zip is one document (a workbook, an e-book) rather than an archive of files."""
    names = cast(list[str], archive.namelist())  # type: ignore[attr-defined]
    return "[Content_Types].xml" in names or (bool(names) and names[0] == "mimetype")


def _checked_document(item: Unpacked, archive: object, budget: Budget) -> Unpacked:
    """The document itself, after a look whether its parts unpack to a sane size."""
    for number, entry in enumerate(archive.infolist(), 1):  # type: ignore[attr-defined]
        budget.take_member(number)
        if entry.flag_bits & 1:
            continue
        try:
            with archive.open(entry) as part:  # type: ignore[attr-defined]
                while data := part.read1(CHUNK):
                    budget.take(len(data))
        except UnsafeArchive:
            raise
        except Exception as error:
            item.problem = ExportProblem(
                f"the workbook is cut off or damaged ({entry.filename}: {error})",
                where=budget.where,
                todo="fetch it again, or open it in a spreadsheet program and save it anew",
            )
            break
    return item


def _member(archive: object, entry: object, names: tuple[str, ...], budget: Budget) -> Unpacked:
    import zipfile

    assert isinstance(archive, zipfile.ZipFile)
    assert isinstance(entry, zipfile.ZipInfo)
    path = PurePosixPath(entry.filename.replace("\\", "/"))
    where = f"{budget.where}!{entry.filename}"
    spool = Spool()
    result = Unpacked(path.name, str(path), spool.open, None, names)
    if path.is_absolute() or ".." in path.parts or (path.parts and path.parts[0].endswith(":")):
        result.problem = UnsafeArchive(
            "the archive names a file that lies outside itself; it was left alone",
            where=where,
            todo="ask whoever made the archive; the other files in it are read",
        )
        return result
    if stat.S_ISLNK(entry.external_attr >> 16):
        result.problem = UnsafeArchive("the archive holds a link, not a file", where=where, todo="pack the file itself")
        return result
    if entry.flag_bits & 1:
        result.problem = ExportProblem(
            "the file in the archive is locked with a password",
            where=where,
            todo="unpack it with its password and give the files that come out",
        )
        return result
    try:
        with cast(zipfile.ZipExtFile, archive.open(entry)) as part:
            while data := part.read1(CHUNK):
                budget.take(len(data))
                spool.write(data)
    except UnsafeArchive:
        raise
    except Exception as error:
        result.broken = f"the archive breaks off or is damaged here ({error})"
        if not spool.size:
            result.problem = ExportProblem(result.broken, where=where, todo="fetch the archive again; it is not whole")
    result.size = spool.size
    return result


def _salvage(item: Unpacked, budget: Budget, depth: int) -> Iterator[Unpacked]:
    """The members of a zip whose end, and so its table of contents, is missing: read one after the other."""
    found = False
    broken = "the archive breaks off; its end is missing"
    with item.open() as stream:
        while len(header := stream.read(30)) == 30 and header[:4] == b"PK\x03\x04":
            flags, method, _, _, _, packed, _, name_size, extra_size = struct.unpack("<6xHHHHIIIHH", header)
            name = stream.read(name_size).decode("utf-8" if flags & 0x800 else "cp437", "replace")
            stream.seek(extra_size, 1)
            if name.startswith(DOCUMENT_PARTS):
                break
            if flags & 1 or method not in (0, 8) or (method == 0 and flags & 8):
                break
            spool = Spool()
            whole = _salvage_member(stream, method, packed, spool, budget)
            if flags & 8 and whole:
                mark = stream.read(4)
                stream.seek(12 if mark == b"PK\x07\x08" else 8, 1)
            path = PurePosixPath(name.replace("\\", "/"))
            if spool.size and not is_clutter(name):
                found = True
                member = Unpacked(path.name, str(path), spool.open, spool.size, (), "" if whole else broken)
                yield from unpack(member, budget, depth + 1)
            if not whole:
                return
    if not found:
        item.problem = ExportProblem(
            "the zip file or workbook is cut off or damaged", where=budget.where, todo="fetch it again; it is not whole"
        )
        yield item
    else:
        gone = ExportProblem(broken, where=budget.where, todo="fetch the archive again; files after this are missing")
        yield Unpacked(item.name, "(the rest)", item.open, item.size, (), broken, gone)


def _salvage_member(stream: BinaryIO, method: int, packed: int, spool: Spool, budget: Budget) -> bool:
    """Copies one member into `spool`; whether it was whole."""
    inflate = zlib.decompressobj(-zlib.MAX_WBITS) if method == 8 else None
    left = packed
    while True:
        data = stream.read(min(CHUNK, left) if inflate is None else 1 << 14)
        if not data:
            return inflate is None and left == 0
        if inflate is None:
            left -= len(data)
            out = data
        else:
            try:
                out = inflate.decompress(data)
            except zlib.error:
                return False
        budget.take(len(out))
        spool.write(out)
        if inflate is None and left == 0:
            return True
        if inflate is not None and inflate.eof:
            stream.seek(-len(inflate.unused_data), 1)
            return True
