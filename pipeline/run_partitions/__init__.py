"""Reads partitions of responses where there is room: in this process, in others, on a cluster; in order in any case."""
