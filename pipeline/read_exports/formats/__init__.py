"""One module a kind of export file.  `read_exports.find_formats` finds them by looking in this folder.

A format module defines

    NAME: str                                     the word for this kind of file in messages ("CSV", "Atom feed")
    def looks_like(head: bytes, name: str) -> int     0 (surely not) to 100 (surely), from the first 64 KiB, already
                                                      decompressed, and the file's name in lower case
    def read_tables(file: ExportFile) -> Iterator[RawTable]

and nothing else is needed to add a kind of file, but a fixture in `fixtures/formats/` and a test.
"""
