"""The library's stages on a schedule.  No logic lives here: a flow calls `pipeline` and tells Prefect what happened."""

import os

# Before Prefect is imported anywhere: it sends nothing home.
os.environ["PREFECT_SERVER_ANALYTICS_ENABLED"] = "false"
os.environ["DO_NOT_TRACK"] = "1"
