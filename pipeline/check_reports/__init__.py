"""Looks at finished reports for what hardly can be so: documented findings, and which rows statistics take."""
