"""Gathers the values that speak of one vehicle into a report, and works out the fields that values make together."""
