"""The library's stages on a schedule.  No logic lives here: a flow calls `pipeline` and tells Prefect what happened."""
