"""Traces a figure back: which rows, which words, which conversions and which corrections stand behind it."""
