"""Reads export files of many kinds into `Response` objects; see `read_exports.read_exports`."""
