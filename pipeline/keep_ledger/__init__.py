"""Keeps what was read: Parquet tables in runs that are whole or not there, and pseudonyms in place of handles."""
