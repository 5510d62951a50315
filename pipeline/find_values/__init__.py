"""Reads typed quantities and cue words in context: which number is the odometer, which the loss, which neither.

Rules live in `rules/<topic>/<language>.yaml` with their examples beside them; `patterns` explains how they are
written.
"""
